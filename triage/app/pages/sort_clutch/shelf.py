"""Sorted clutches that are kept in memory, so that a reload of the page shows the same answer again."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, field
from threading import Lock
from typing import Any

from triage.workflow.answers.report import ClutchReport


@dataclass(frozen=True, slots=True)
class SortedClutch:
    """An answer with the entries it belongs to.

    Attributes
    ----------
    entries
        The form as it was, for ``draft.restore``.
    marks
        Name under which hold-back marks of this clutch are kept until it is in the records.
    thumbnails
        Small JPEG pictures by hatchling label.
    eggs
        Ids of its eggs by label, where it is in the records.
    kept
        Id of the clutch in the records; None where it is not there yet.
    """

    report: ClutchReport
    entries: Mapping[str, Any]
    marks: str
    thumbnails: Mapping[str, tuple[bytes, ...]] = field(default_factory=dict)
    eggs: Mapping[str, str] = field(default_factory=dict)
    kept: str | None = None


class Shelf:
    """The last few sorted clutches by their key; the oldest makes room. Safe to use from several sessions."""

    def __init__(self, room: int = 8) -> None:
        self._room = room
        self._clutches: OrderedDict[str, SortedClutch] = OrderedDict()
        self._lock = Lock()

    def put(self, key: str, clutch: SortedClutch) -> None:
        with self._lock:
            self._clutches[key] = clutch
            self._clutches.move_to_end(key)
            while len(self._clutches) > self._room:
                self._clutches.popitem(last=False)

    def get(self, key: str) -> SortedClutch | None:
        with self._lock:
            return self._clutches.get(key)
