"""Hold-back marks of the first version, which stood in a file of their own, into the records."""

from __future__ import annotations

import json
import warnings
from pathlib import Path

from triage.errors import TriageWarning
from triage.storage.archive import Archive
from triage.storage.kinds import Hold

FILE, TAKEN_OVER = "hold_marks.jsonl", "hold_marks.taken-over.jsonl"


def take_over_old_marks(archive: Archive, folder: Path) -> int:
    """Enter each mark that is still held as an entry, by one change, and put the file aside; returns how many there were."""
    path = folder / FILE
    if not path.is_file():
        return 0
    held: dict[tuple[str, str], Hold] = {}
    for number, line in enumerate(path.read_text("utf-8", "replace").splitlines(), 1):
        try:
            act = json.loads(line)
            whose = (act["clutch"], act["hatchling"])
            held.pop(whose, None)
            if act["act"] == "hold":
                held[whose] = Hold(clutch_name=whose[0], label=whose[1], note=act.get("note"), at=act["at"])
        except Exception:
            warnings.warn(f"{path}, line {number}: cannot be read and was left out of the records", TriageWarning, stacklevel=2)
    clutches = {entry.content.name: entry.id for entry in archive.all("clutch")}
    eggs = {(entry.content.clutch, entry.content.label): entry.id for entry in archive.all("egg")}
    if held:
        with archive.change(f"{len(held)} hold-back marks of the first version taken over") as draft:
            for (clutch, label), hold in held.items():
                about = eggs.get((clutches.get(clutch, ""), label))
                draft.add(hold if about is None else Hold(**{**hold.to_json(), "about": about}))
    path.rename(folder / TAKEN_OVER)
    return len(held)
