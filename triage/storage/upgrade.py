"""Contents of older forms as today's kinds: what was sorted becomes a sort, a photo's likelihoods become its evidence."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from triage.errors import StorageError
from triage.storage.kinds import KINDS, Bars, Record, Sort, SortedEgg, kind_named

Contents = Mapping[str, tuple[str, dict[str, Any]]]

#: How readings of schema 0002 were joined, and the bars that clutches were sorted with; the first version kept neither with them.
_OLD_EXPONENT = 0.65
_OLD_BARS = {
    "label_threshold": 0.95, "hold_chance": 0.6, "keeper_accuracy": 0.9, "lookalike_share": 0.8, "misfit_ratio": 0.1,
}  # fmt: skip


def upgraded(entries: Contents, unread: set[str] | None = None) -> dict[str, Record]:
    """Every entry by id as it is written today; entries that say nothing of their own any more are left out.

    `entries`: (kind, content) by id, in the order of their making. StorageError names the entry that cannot be read; with `unread`
    its id is put there instead, and the others are read.
    """
    found: dict[str, Record] = {}
    for id, (kind, content) in entries.items():
        if kind == "tray" or _is_by_sorter(kind, content):
            continue  # they stand in the sorts below
        try:
            found[id] = _upgraded(kind, content)
        except StorageError as error:
            if unread is not None:
                unread.add(id)
                continue
            raise StorageError(f"{id}: {error}; correct or remove it with the version of the program that wrote it") from error
    return found | _sorts({id: one for id, one in entries.items() if not unread or id not in unread})


def _is_by_sorter(kind: str, content: Mapping[str, Any]) -> bool:
    return kind == "call" and content.get("by", "").startswith("sorting (") and "probability" in content


def _upgraded(kind: str, content: dict[str, Any]) -> Record:
    if kind == "reading" and "likelihoods" in content:
        if content.get("observer") == "photo":
            return _photo_evidence(content)
        kind = "evidence"
        content = {name: content[name] for name in ("about", "at", "likelihoods", "otherwise")}
    if kind == "call":
        content = {name: value for name, value in content.items() if name != "probability"}
    if kind == "pairing":
        new = {"from": "begun", "to": "ended"}
        content = {new.get(name, name): value for name, value in content.items()}
    # a number that was never possible, such as a weight of -4 g, stays in the history, and the entry goes on without
    return kind_named(kind).salvaged(content)[0]


def _photo_evidence(content: dict[str, Any]) -> Record:
    least = min(v for v in (*content["likelihoods"].values(), content["otherwise"], 1.0) if v > 0)
    logs = {call: math.log(max(value, least)) for call, value in content["likelihoods"].items()}
    kept = {name: content.get(name) for name in ("about", "photo", "at")}
    return KINDS["reading"].from_json({**kept, "log_likelihoods": logs, "floor": 0.0, "exponent": _OLD_EXPONENT, "shortlist": 1.0})


def _sorts(entries: Contents) -> dict[str, Record]:
    """A sort for each clutch that has trays of the old form: the newest of every egg, with the sorter's call and label beside it."""
    newest: dict[str, dict[str, dict[str, Any]]] = {}
    trays: dict[str, int] = {}
    for number, (kind, content) in enumerate(entries.values()):  # the later entry is the newer, whatever the clock said
        if kind in ("tray", "label") or _is_by_sorter(kind, content):
            newest.setdefault(content["about"], {})[kind] = content
        if kind == "tray":
            trays[content["about"]] = number
    clutches: dict[str, list[tuple[int, dict[str, Any], SortedEgg]]] = {}
    for id, (kind, egg) in entries.items():
        said = newest.get(id, {})
        if kind == "egg" and "tray" in said:
            called = {said["call"]["call"]: said["call"]["probability"]} if "call" in said else None
            tray = said["tray"]
            label = said["label"]["text"] if "label" in said and _time(said["label"]) == _time(tray) else None
            row = SortedEgg(label=egg["label"], tray=tray["tray"], reasons=tray.get("reasons"), calls=called, label_text=label)
            clutches.setdefault(egg["clutch"], []).append((trays[id], tray, row))
    found: dict[str, Record] = {}
    for clutch, rows in clutches.items():
        bars, (_, last, _) = Bars(**_OLD_BARS), max(rows, key=lambda row: row[0])
        found[f"sort-{clutch.removeprefix('clutch-')}"] = Sort(
            clutch=clutch, at=last["at"], settings=bars, eggs=[row for _, _, row in rows]
        )
    return found


def _time(content: Mapping[str, Any]) -> datetime:
    return datetime.fromisoformat(content["at"])
