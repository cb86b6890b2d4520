"""Photos as files named by what is in them, so that none is kept twice and damage shows."""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

from triage.errors import StorageError
from triage.storage.folder import data_folder

FOLDER = "photos"  # beside the database in the keeper's data folder


class PhotoFiles:
    """A folder of photos; each lies under its SHA-256, which is also how entries name it."""

    def __init__(self, folder: Path | None = None) -> None:
        self.folder = data_folder() / FOLDER if folder is None else folder

    def path(self, sha256: str) -> Path:
        """Where a photo lies, or would."""
        return self.folder / sha256[:2] / f"{sha256}.jpg"

    def add(self, data: bytes) -> str:
        """Keep a photo; returns its SHA-256. It is on the disk, whole, when this returns."""
        sha256 = hashlib.sha256(data).hexdigest()
        path = self.path(sha256)
        try:
            if path.is_file() and path.read_bytes() == data:
                return sha256
            path.parent.mkdir(parents=True, exist_ok=True)
            handle, part = tempfile.mkstemp(dir=path.parent, suffix=".part")
            try:
                with os.fdopen(handle, "wb") as file:
                    file.write(data)
                    file.flush()
                    os.fsync(file.fileno())
                os.replace(part, path)
            except BaseException:
                Path(part).unlink(missing_ok=True)
                raise
        except OSError as error:
            raise StorageError(
                f"{path}: cannot be written ({error.strerror}); make room or name another folder"
            ) from error
        return sha256

    def read(self, sha256: str) -> bytes:
        """A photo's bytes; StorageError if it is missing or damaged."""
        try:
            data = self.path(sha256).read_bytes()
        except OSError as error:
            raise StorageError(f"photo {sha256[:12]}: not in {self.folder}; restore it from a backup") from error
        if hashlib.sha256(data).hexdigest() != sha256:
            raise StorageError(f"photo {sha256[:12]}: damaged on the disk; restore it from a backup")
        return data

    def faults(self, wanted: Iterator[str]) -> tuple[str, ...]:
        """Which of the wanted photos are missing or damaged."""
        found = []
        for sha256 in wanted:
            try:
                self.read(sha256)
            except StorageError as error:
                found.append(str(error))
        return tuple(found)
