"""One file that holds everything: every change ever made, the photos, and a list of checksums. Any database can be restored
from it, whichever it was made from."""

from __future__ import annotations

import hashlib
import json
import os
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

from triage.errors import StorageError
from triage.storage.archive import Archive, Change
from triage.storage.photo_files import PhotoFiles

FORMAT = 1
_MANIFEST, _CHANGES = "manifest.json", "changes.jsonl"


def back_up(
    archive: Archive, photos: PhotoFiles, path: Path, progress: Callable[[int, int], None] | None = None
) -> dict[str, Any]:
    """Write a backup; returns its manifest. StorageError if the file is there already or cannot be written.

    The changes are read as one consistent view. The file appears under its name only when it is whole.
    """
    if path.exists():
        raise StorageError(f"{path}: exists already and is not overwritten; name another file")
    part = path.with_name(path.name + ".part")
    changes = list(archive.changes())
    wanted = sorted({c["sha256"] for c in _contents(changes, "photo")})
    sums: dict[str, str] = {}
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED) as file:
            text = "".join(json.dumps(asdict(one)) + "\n" for one in changes)
            _put(file, _CHANGES, text.encode(), sums)
            for number, sha256 in enumerate(wanted, 1):
                _put(file, f"photos/{sha256}.jpg", photos.read(sha256), sums, zipfile.ZIP_STORED)
                if progress is not None:
                    progress(number, len(wanted))
            manifest = {"format": FORMAT, "changes": len(changes), "photos": len(wanted), "sha256": sums}
            file.writestr(_MANIFEST, json.dumps(manifest, indent=1))
        with open(part, "rb") as whole:
            os.fsync(whole.fileno())
        os.replace(part, path)
    except OSError as error:
        raise StorageError(f"{path}: cannot be written ({error.strerror}); make room or name another folder") from error
    finally:
        part.unlink(missing_ok=True)
    return manifest


def restore(path: Path, archive: Archive, photos: PhotoFiles) -> dict[str, Any]:
    """Fill an empty archive from a backup; returns the manifest.

    StorageError if the backup is damaged or newer than this program, or the archive holds records already; then nothing of the
    records was written.
    """
    try:
        with zipfile.ZipFile(path) as file:
            manifest = json.loads(file.read(_MANIFEST))
            if manifest.get("format") != FORMAT:
                raise StorageError(f"{path}: format {manifest.get('format')!r}; this program reads format {FORMAT}")
            for name, sha256 in manifest["sha256"].items():
                if hashlib.sha256(file.read(name)).hexdigest() != sha256:
                    raise StorageError(f"{path}: '{name}' in it is damaged; use another backup")
            for name in manifest["sha256"]:
                if name.startswith("photos/"):
                    photos.add(file.read(name))
            lines = file.read(_CHANGES).decode().splitlines()
            archive.replay(_change(json.loads(line)) for line in lines)
    except (OSError, zipfile.BadZipFile, ValueError, KeyError, TypeError) as error:
        raise StorageError(f"{path}: not a backup that can be read ({error}); name another file") from error
    return manifest


def _put(file: zipfile.ZipFile, name: str, data: bytes, sums: dict[str, str], how: int | None = None) -> None:
    file.writestr(name, data, compress_type=how)
    sums[name] = hashlib.sha256(data).hexdigest()


def _change(fields: dict[str, Any]) -> Change:
    return Change(**{**fields, "revisions": tuple(tuple(one) for one in fields["revisions"])})


def _contents(changes: list[Change], kind: str) -> Iterator[dict[str, Any]]:
    for one in changes:
        for _, found, _, content in one.revisions:
            if found == kind and content is not None:
                yield json.loads(content)
