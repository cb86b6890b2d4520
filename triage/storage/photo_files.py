"""Photos as files named by what is in them, so that none is kept twice and damage shows."""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Collection
from pathlib import Path

from triage.errors import StorageError
from triage.files import read_file
from triage.outputs import clear_parts, make_private, private_folder, written_whole
from triage.storage.folder import data_folder

FOLDER = "photos"  # beside the database in the keeper's data folder
LARGEST_BYTES = 128 * 2**20  # of a photo as it is kept; the largest that is read comes to less


class PhotoFiles:
    """A folder of photos; each lies under its SHA-256, which is also how entries name it."""

    def __init__(self, folder: Path | None = None) -> None:
        self.folder = data_folder() / FOLDER if folder is None else folder

    def path(self, sha256: str) -> Path:
        """Where a photo lies, or would; StorageError where that is no checksum."""
        if not re.fullmatch("[0-9a-f]{64}", sha256):
            raise StorageError(f"photo {sha256[:64]!r}: that is no checksum; needed: 64 hexadecimal digits")
        return self.folder / sha256[:2] / f"{sha256}.jpg"

    def add(self, data: bytes) -> str:
        """Keep a photo; returns its SHA-256. It is on the disk, whole, when this returns."""
        sha256 = hashlib.sha256(data).hexdigest()
        if not self.fault(sha256):
            return sha256
        path = self.path(sha256)
        try:
            for folder in (self.folder, path.parent):
                private_folder(folder)
                make_private(folder)
        except OSError as error:
            raise StorageError(f"{path}: cannot be written ({error.strerror}); make room or name another folder") from error
        clear_parts(path.parent)
        with written_whole(path, error=StorageError, over=True) as file:
            file.write(data)
        return sha256

    def read(self, sha256: str) -> bytes:
        """A photo's bytes; StorageError if it is missing or damaged."""
        where, way = f"photo {sha256[:12]}", "'triage restore' of a backup that holds it brings it back"
        data = read_file(self.path(sha256), at_most=LARGEST_BYTES, needed=way, name=where, error=StorageError)
        if hashlib.sha256(data).hexdigest() != sha256:
            raise StorageError(f"{where}: damaged on the disk; {way}")
        return data

    def fault(self, sha256: str) -> str:
        """Why a photo cannot be read; nothing where it can."""
        try:
            self.read(sha256)
        except StorageError as error:
            return str(error)
        return ""

    def strangers(self, wanted: Collection[str]) -> tuple[Path, ...]:
        """Whatever lies in the folder and is none of the wanted photos; what an ended program left half written is cleared first."""
        paths = {self.path(one) for one in wanted if re.fullmatch("[0-9a-f]{64}", one)}
        found = []
        for place, folders, files in os.walk(self.folder):
            clear_parts(Path(place))
            there = [Path(place) / name for name in files]
            found += [path for path in there if path not in paths and os.path.lexists(path)]
            found += [path for name in folders if (path := Path(place) / name).is_symlink()]
        return tuple(sorted(found))
