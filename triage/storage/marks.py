"""Hold-back marks: which hatchlings the keeper keeps, in a journal that only ever grows.

One line of JSON for each act, marking or undoing, in the order in which they happened:

    {"format": 1, "act": "hold", "clutch": "...", "hatchling": "A4", "note": "...", "at": "2031-06-02T18:04:11+00:00"}

An act counts once its line, newline included, is on the disk. A last line without its newline was cut off by a crash
or a full disk: it never counted, is left out with a warning, and is cleared away by the next act.
"""

from __future__ import annotations

import json
import os
import warnings
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from filelock import FileLock, Timeout

from triage.errors import StorageError, TriageWarning
from triage.storage.folder import FOLDER_VARIABLE, data_folder

FORMAT = 1
_ACTS = ("hold", "undo")
_FIELDS = {"act": str, "clutch": str, "hatchling": str, "note": str, "at": str}
_LOCK_WAIT_S = 10


class TornEntryWarning(TriageWarning):
    """The journal ends in an entry that was never finished; it does not count."""


@dataclass(frozen=True, slots=True)
class HoldMark:
    """One hatchling that the keeper holds back.

    Attributes
    ----------
    clutch, hatchling
        Which animal: the clutch by the text its marks were set under, the hatchling by its label.
    note
        What was known when it was marked, such as its call.
    at
        When it was marked, with time zone.
    """

    clutch: str
    hatchling: str
    note: str
    at: datetime


class HoldJournal:
    """The journal of hold-back marks in one file.

    Parameters
    ----------
    path
        The journal; None means ``hold_marks.jsonl`` in the keeper's data folder.
    """

    def __init__(self, path: Path | None = None) -> None:
        self.path = data_folder() / "hold_marks.jsonl" if path is None else path

    def held(self, clutch: str | None = None) -> tuple[HoldMark, ...]:
        """Hatchlings held back now, in the order in which they were marked; of one clutch, or of all.

        Raises
        ------
        StorageError
            The journal cannot be read, or a line of it is damaged or written by a newer version.
        """
        text, torn = _split_torn(self._read())
        if torn:
            warnings.warn(
                f"{self.path}: the last entry was cut off before it was safe on the disk and does not count; "
                f"check the mark you set last",
                TornEntryWarning,
                stacklevel=2,
            )
        marks: dict[tuple[str, str], HoldMark] = {}
        for number, line in enumerate(text.decode("utf-8", "replace").split("\n")[:-1], start=1):
            act, mark = self._parse(line, number)
            marks.pop((mark.clutch, mark.hatchling), None)
            if act == "hold":
                marks[mark.clutch, mark.hatchling] = mark
        return tuple(m for m in marks.values() if clutch is None or m.clutch == clutch)

    def is_held(self, clutch: str, hatchling: str) -> bool:
        """Whether one hatchling is held back now."""
        return any(m.hatchling == hatchling for m in self.held(clutch))

    def hold(self, clutch: str, hatchling: str, *, note: str = "") -> None:
        """Mark a hatchling as held back; on the disk when this returns."""
        self._append("hold", clutch, hatchling, note)

    def undo(self, clutch: str, hatchling: str, *, note: str = "") -> None:
        """Take a mark back; the journal keeps both acts."""
        self._append("undo", clutch, hatchling, note)

    def _append(self, act: str, clutch: str, hatchling: str, note: str) -> None:
        at = datetime.now(UTC).isoformat(timespec="seconds")
        entry = {"format": FORMAT, "act": act, "clutch": clutch, "hatchling": hatchling, "note": note, "at": at}
        line = json.dumps(entry, ensure_ascii=False).encode() + b"\n"
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            with FileLock(f"{self.path}.lock", timeout=_LOCK_WAIT_S):
                whole, torn = _split_torn(self._read())
                descriptor = os.open(self.path, os.O_RDWR | os.O_CREAT, 0o600)
                try:
                    if torn:
                        os.ftruncate(descriptor, len(whole))
                    os.lseek(descriptor, 0, os.SEEK_END)
                    _write_all(descriptor, line)
                    os.fsync(descriptor)
                finally:
                    os.close(descriptor)
                if not whole:
                    _sync_folder(self.path.parent)
        except Timeout:
            raise StorageError(
                f"{self.path}: another program has kept this file locked for {_LOCK_WAIT_S} s; close it and try again"
            ) from None
        except OSError as error:
            raise StorageError(
                f"{self.path}: cannot write the mark ({error.strerror or error}); needed: a folder that may be written "
                f"to; set {FOLDER_VARIABLE} to one"
            ) from None

    def _read(self) -> bytes:
        try:
            return self.path.read_bytes()
        except FileNotFoundError:
            return b""
        except OSError as error:
            raise StorageError(
                f"{self.path}: cannot read the hold-back marks ({error.strerror or error}); needed: a file that may be "
                f"read; set {FOLDER_VARIABLE} to another folder to start afresh"
            ) from None

    def _parse(self, line: str, number: int) -> tuple[str, HoldMark]:
        place = f"{self.path}, line {number}"
        try:
            entry = json.loads(line)
            version = entry["format"]
        except (ValueError, KeyError, TypeError):
            raise StorageError(
                f"{place}: found {line[:40]!r}; needed: one entry of hold-back marks as JSON; restore the file from a "
                f"copy, or delete that line"
            ) from None
        if version != FORMAT:
            raise StorageError(
                f"{place}: found format {version!r}; needed: {FORMAT}; this file was written by another version of the "
                f"program: use that one"
            )
        for name, kind in _FIELDS.items():
            if not isinstance(entry.get(name), kind):
                raise StorageError(
                    f"{place}: '{name}' is {entry.get(name)!r}; needed: a text; restore the file from a copy"
                )
        if entry["act"] not in _ACTS:
            raise StorageError(f"{place}: 'act' is {entry['act']!r}; needed: one of {', '.join(_ACTS)}")
        try:
            at = datetime.fromisoformat(entry["at"])
        except ValueError:
            raise StorageError(
                f"{place}: 'at' is {entry['at']!r}; needed: a date with time such as 2031-06-02T18:04"
            ) from None
        return entry["act"], HoldMark(entry["clutch"], entry["hatchling"], entry["note"], at)


def _split_torn(content: bytes) -> tuple[bytes, bytes]:
    """The finished lines, and what follows the last newline."""
    end = content.rfind(b"\n") + 1
    return content[:end], content[end:]


def _write_all(descriptor: int, data: bytes) -> None:
    while data:
        data = data[os.write(descriptor, data) :]


def _sync_folder(folder: Path) -> None:
    """Make a new file's name survive a power cut; a no-op where folders cannot be opened (Windows)."""
    if os.name == "posix":
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
