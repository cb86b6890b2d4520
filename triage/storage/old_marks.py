"""Hold-back marks of the first version, which stood in a file of their own, into the records."""

from __future__ import annotations

import json
import re
import warnings
from collections import Counter
from contextlib import suppress
from pathlib import Path

from triage.errors import StorageError, TriageWarning
from triage.storage.archive import Archive
from triage.storage.kinds import Hold

FILE, TAKEN_OVER = "hold_marks.jsonl", "hold_marks.taken-over.jsonl"

#: What such a file is called once it is put aside.
PUT_ASIDE = re.compile(r"hold_marks\.taken-over(-again)*\.jsonl")


def files_put_aside(folder: Path) -> tuple[Path, ...]:
    """The files of marks that were put aside: lines that could not be read stand in them alone."""
    return tuple(sorted(path for path in folder.glob("hold_marks*.jsonl") if PUT_ASIDE.fullmatch(path.name)))


def take_over_old_marks(archive: Archive, folder: Path) -> int:
    """Enter each mark that is still held as an entry, by one change, and put the file aside; returns how many were entered.

    A mark that stands in the records already is not entered again: who was here before may have been cut off, or is still at it.
    """
    path, aside = folder / FILE, folder / TAKEN_OVER
    if not path.is_file():
        return 0
    held = _held(path)
    with archive.change("hold-back marks of the first version taken over") as draft:
        there = {(entry.content.clutch_name, entry.content.label, entry.content.at) for entry in archive.all("hold")}
        names = {entry.id: entry.content.name for entry in archive.all("clutch")}
        eggs = [((names[entry.content.clutch], entry.content.label), entry.id) for entry in archive.all("egg")]
        several = Counter(whose for whose, _ in eggs)
        about = {whose: id for whose, id in eggs if several[whose] == 1}
        new = {whose: hold for whose, hold in held.items() if (*whose, hold.at) not in there}
        for whose, hold in new.items():
            draft.add(Hold(**{**hold.to_json(), "about": about.get(whose)}))
    while aside.exists():  # of marks that an older version of the program set since
        aside = aside.with_name(f"{aside.stem}-again.jsonl")
    with suppress(FileNotFoundError):  # another program at the same work was quicker
        path.replace(aside)
    return len(new)


def _held(path: Path) -> dict[tuple[str, str], Hold]:
    held: dict[tuple[str, str], Hold] = {}
    for number, line in enumerate(path.read_text("utf-8", "replace").split("\n"), 1):
        try:
            if line.strip():
                act = json.loads(line)
                mark = Hold(clutch_name=act["clutch"], label=act["hatchling"], note=act.get("note"), at=act["at"])
                if act["format"] != 1 or act["act"] not in ("hold", "undo") or None in (mark.clutch_name, mark.label):
                    raise ValueError(line)
                held.pop((mark.clutch_name, mark.label), None)
                if act["act"] == "hold":
                    held[mark.clutch_name, mark.label] = mark
        except (ValueError, KeyError, TypeError, StorageError):
            warnings.warn(f"{path}, line {number}: cannot be read and was left out of the records", TriageWarning, stacklevel=3)
    return held
