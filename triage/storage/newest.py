"""The checksum of the newest change, in a file of its own beside an SQLite database.

A damaged write-ahead log is cut off where the damage begins, and the changes behind that are gone without a word: the chain that
is left is whole. This file tells that there was more.
"""

from __future__ import annotations

import re
from contextlib import suppress
from pathlib import Path

from triage.errors import StorageError
from triage.outputs import clear_parts_of, written_whole


class Newest:
    """What was noted beside a database; nothing ever is beside one without a file."""

    def __init__(self, database: Path | None, *, read_only: bool = False) -> None:
        self.file = None if database is None else database.with_name(database.name + ".newest")
        self._writes = self.file is not None and not read_only
        if self._writes:
            clear_parts_of(self.file)

    def noted(self) -> str | None:
        """The checksum that was noted last; empty where the note is damaged, None where there is none."""
        try:
            found = self.file.read_bytes()[:100].decode("ascii", "replace").strip() if self.file else ""
        except OSError:
            return None
        return (found if re.fullmatch("[0-9a-f]{64}", found) else "") if self.file else None

    def note(self, hash: str) -> None:
        """Note the checksum of a change that is on the disk; where that cannot be, an older one stays, which is as true."""
        if self._writes:
            with suppress(StorageError), written_whole(self.file, error=StorageError, over=True) as file:
                file.write(hash.encode())
