"""One file that holds everything: every change ever made, the photos, and a list of checksums. Any database can be restored
from it, whichever it was made from; it also gives back photos, and newer changes, to the records it was made from."""

from __future__ import annotations

import hashlib
import io
import json
import re
import struct
import zipfile
import zlib
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import IO, Any

from triage.errors import StorageError
from triage.files import open_file, read_file
from triage.outputs import private_folder, written_whole
from triage.storage.archive import FIRST_HASH, LARGEST_CHANGE, LARGEST_ENTRY, Archive, Change, follows
from triage.storage.old_marks import PUT_ASIDE, files_put_aside
from triage.storage.photo_files import LARGEST_BYTES, PhotoFiles

FORMAT = 1
_MANIFEST, _CHANGES = "manifest.json", "changes.jsonl"
_NEEDED = "needed: another file, one that 'triage backup' wrote"
_UNREADABLE = (OSError, EOFError, ValueError, ArithmeticError, RuntimeError, zipfile.BadZipFile, zlib.error, struct.error)

# What is read of a backup at most, in bytes but for the last.
_MOST = {_MANIFEST: 24 * 2**20, _CHANGES: 2**30}
_MOST_ASIDE = 16 * 2**20  # of marks of the first version
_MOST_SHRUNK = 100  # times; changes of seasons come to a tenth
_LONGEST_CHANGE = 3 * LARGEST_CHANGE // 2  # with the signs that JSON puts before its own
_LONGEST_LIST = 24 * 2**20  # of what a zip file says is in it: some 150,000 photos
_MOST_VALUES = 5_000_000  # of a change
_BLOCK = 2**20


@dataclass(frozen=True)
class Done:
    """What a backup holds, or what a restore wrote; photos that were there already and whole; and why others could not be had, by checksum."""

    changes: int
    photos: int
    there: int = 0
    missing: Mapping[str, str] = field(default_factory=dict)


def back_up(archive: Archive, photos: PhotoFiles, path: Path, progress: Callable[[int, int], None] | None = None) -> Done:
    """Write a backup of everything that can be read.

    StorageError if the file is there already or cannot be written, or the changes are damaged. They are read as one consistent view.
    """
    sums: dict[str, str] = {}
    missing: dict[str, str] = {}
    wanted: set[str] = set()
    number, previous = 0, FIRST_HASH
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except (OSError, ValueError) as error:
        raise StorageError(f"{path}: cannot be written ({getattr(error, 'strerror', error)}); name another folder") from error
    with written_whole(path, error=StorageError) as whole, zipfile.ZipFile(whole, "w", zipfile.ZIP_DEFLATED) as file:
        sha256 = hashlib.sha256()
        with file.open(_CHANGES, "w", force_zip64=True) as lines:
            for number, one in enumerate(archive.changes(), 1):
                if not follows(one, previous):
                    raise StorageError(f"change {one.id}: was altered or damaged, so no backup was written; 'triage verify' says more")
                previous = one.hash
                wanted |= photos_of(one)
                line = json.dumps(asdict(one)).encode() + b"\n"
                sha256.update(line)
                lines.write(line)
        sums[_CHANGES] = sha256.hexdigest()
        for done, photo in enumerate(sorted(wanted), 1):
            try:
                data = photos.read(photo)
            except StorageError as error:
                missing[photo] = str(error)
            else:
                file.writestr(name := f"photos/{photo}.jpg", data, zipfile.ZIP_STORED)
                sums[name] = photo
            if progress is not None:
                progress(done, len(wanted))
        held = len(sums) - 1
        for aside in files_put_aside(photos.folder.parent):  # what could not be taken over stands nowhere else
            data = read_file(aside, at_most=_MOST_ASIDE, needed="remove it, or put it right", error=StorageError)
            file.writestr(aside.name, data)
            sums[aside.name] = hashlib.sha256(data).hexdigest()
        manifest = {"format": FORMAT, "changes": number, "photos": held, "missing": missing, "sha256": sums}
        file.writestr(_MANIFEST, json.dumps(manifest, indent=1))
    return Done(number, held, missing=missing)


def restore(path: Path, archive: Archive, photos: PhotoFiles) -> Done:
    """Fill an empty archive from a backup; or give records that it was made from the photos they miss, and the changes made since.

    StorageError if the changes in it are damaged, or made by a newer program, or the archive holds other records; then nothing was
    written, but for photos where the disk was full. A photo that is damaged in it is left out.
    """
    there, missing = [], {}
    written = 0

    def changes() -> Iterator[Change]:
        nonlocal written
        named: set[str] = set()
        with file.open(_CHANGES) as lines:
            for one in _changes(path, lines):
                named |= photos_of(one)
                yield one
        for photo in sorted(named):  # while the changes can still be taken back
            if not photos.fault(photo):
                there.append(photo)
            elif (data := _photo(file, members, photo)) is None:
                missing[photo] = f"photo {photo[:12]}: neither in {photos.folder} nor whole in the backup; another one may hold it"
            else:
                photos.add(data)
                written += 1
        for name in sorted(members):
            to = photos.folder.parent / name
            if PUT_ASIDE.fullmatch(name) and not to.exists():
                private_folder(to.parent)
                with written_whole(to, error=StorageError) as aside:
                    aside.write(file.read(name))

    with _opened(path) as file:
        members = _members(path, file)
        count = archive.replay(changes())
    return Done(count, written, len(there), missing)


class _Bounded(io.BufferedReader):
    """A file of which never more than a bounded piece is read at once, whatever it says of itself."""

    def read(self, size: int | None = -1) -> bytes:
        if size is not None and size > _LONGEST_LIST:
            raise zipfile.BadZipFile(f"it lists {size / 2**20:.0f} MiB of members")
        return super().read(_LONGEST_LIST if size is None or size < 0 else size)


@contextmanager
def _opened(path: Path) -> Iterator[zipfile.ZipFile]:
    """A backup as a zip file; whatever is wrong with that as a StorageError."""
    with open_file(path, at_most=2**63, needed=_NEEDED, error=StorageError) as whole:
        try:
            with zipfile.ZipFile(_Bounded(whole.raw)) as file:
                yield file
        except _UNREADABLE as error:
            raise StorageError(f"{path}: not a backup that can be read ({error or type(error).__name__}); {_NEEDED}") from error


def _members(path: Path, file: zipfile.ZipFile) -> Collection[str]:
    """The names of a backup's members; StorageError where one is none of a backup's, or could not be read within bounds."""
    n_bytes = 0
    for one in file.infolist():
        photo = _name_of(one.filename.removeprefix("photos/").removesuffix(".jpg")) == one.filename
        most = LARGEST_BYTES if photo else _MOST_ASIDE if PUT_ASIDE.fullmatch(one.filename) else _MOST.get(one.filename, -1)
        n_bytes += one.compress_size
        wrong = {
            "is no part of a backup": most < 0,
            "stands in it twice": file.getinfo(one.filename) is not one,
            "is packed in a way that no backup is": one.flag_bits & 1 or one.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED),
            f"would have {one.file_size / 2**20:,.0f} MiB; up to {most / 2**20:,.0f} are read": one.file_size > most,
            "is shrunk more than any backup": one.file_size > _MOST_SHRUNK * one.compress_size + _BLOCK,
        }
        for words in (words for words, holds in wrong.items() if holds):
            raise StorageError(f"{path}: '{one.filename[:100]}' in it {words}; {_NEEDED}")
    if n_bytes > path.stat().st_size:
        raise StorageError(f"{path}: says that more is in it than it has; {_NEEDED}")
    for name in (_MANIFEST, _CHANGES):
        if name not in file.namelist():
            raise StorageError(f"{path}: '{name}' is not in it; {_NEEDED}")
    manifest = json.loads(file.read(_MANIFEST))
    listed = manifest.get("sha256") if isinstance(manifest, dict) else None
    if not isinstance(listed, dict) or manifest.get("format") != FORMAT:
        found = manifest.get("format") if isinstance(manifest, dict) else None
        raise StorageError(f"{path}: format {str(found)[:20]!r}; this program reads format {FORMAT}")
    sha256 = hashlib.sha256()
    with file.open(_CHANGES) as changes:
        while block := changes.read(_BLOCK):
            sha256.update(block)
    if listed.get(_CHANGES) != sha256.hexdigest():
        raise StorageError(f"{path}: '{_CHANGES}' in it is damaged; use another backup")
    return file.namelist()


def _name_of(sha256: str) -> str:
    return f"photos/{sha256}.jpg" if re.fullmatch("[0-9a-f]{64}", sha256) else ""


def _photo(file: zipfile.ZipFile, members: Collection[str], sha256: str) -> bytes | None:
    """A photo of a backup; None where it is not in it, or damaged."""
    try:
        data = file.read(name) if (name := _name_of(sha256)) in members else b""
    except _UNREADABLE:
        return None
    return data if hashlib.sha256(data).hexdigest() == sha256 else None


def _changes(path: Path, lines: IO[bytes]) -> Iterator[Change]:
    read = io.BufferedReader(lines, _BLOCK)
    number = 0
    while line := read.readline(_LONGEST_CHANGE + 1):
        number += 1
        if len(line) > _LONGEST_CHANGE or line.count(b",") > _MOST_VALUES:
            raise StorageError(f"{path}: line {number} of '{_CHANGES}' in it is longer than any change; {_NEEDED}")
        try:
            yield _change(json.loads(line))
        except (KeyError, TypeError):
            raise StorageError(f"{path}: line {number} of '{_CHANGES}' in it is no change; {_NEEDED}") from None


def _change(said: Any) -> Change:
    """TypeError or KeyError where that is no change."""
    revisions = tuple((id, kind, version, content) for id, kind, version, content in said["revisions"])
    found = Change(**{**said, "revisions": revisions})
    texts = (found.at, found.who, found.reason, found.previous, found.hash, *(words for id, kind, _, _ in revisions for words in (id, kind)))
    numbers = (found.id, *(version for _, _, version, _ in revisions))
    contents = [content for *_, content in revisions if content is not None]
    if not all(isinstance(one, str) for one in (*texts, *contents)) or any(len(one) > LARGEST_ENTRY for one in contents):
        raise TypeError(said)
    if not all(type(one) is int and 0 < one < 2**31 for one in numbers):
        raise TypeError(said)
    return found


def photos_of(one: Change) -> set[str]:
    """The photos that a change names."""
    found = set()
    for _, kind, _, content in one.revisions:
        if kind == "photo" and content is not None:
            try:
                sha256 = json.loads(content).get("sha256")
            except (ValueError, AttributeError, RecursionError):
                continue  # entries that cannot be read are verify's to tell
            if isinstance(sha256, str):
                found.add(sha256)
    return found
