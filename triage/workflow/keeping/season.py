"""A season's folder of photos, read in one go: over worker processes, and where it stopped if it was stopped."""

from __future__ import annotations

import csv
import hashlib
import multiprocessing
import os
import re
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from pathlib import Path

from triage.errors import StorageError, TriageError
from triage.genetics.model import CrossModel, compile_cross
from triage.records import Cross
from triage.storage.archive import Archive, Entry
from triage.storage.photo_files import PhotoFiles
from triage.vision.gate import Gate
from triage.vision.intake import open_photo
from triage.vision.reader import PhotoReader, use_one_thread
from triage.workflow.keeping.clutches import clean_jpeg, cross_of
from triage.workflow.keeping.entries import now
from triage.workflow.photos import gate_of, load_reader, look_at, reading_of

_PICTURES = {".jpg", ".jpeg", ".png", ".webp", ".heic", ".heif", ".tif", ".tiff", ".bmp"}
_MOST_WORKERS = 8

_reader: PhotoReader | None = None
_gate: Gate | None = None
_model: CrossModel | None = None


@dataclass(frozen=True, slots=True)
class SeasonResult:
    """What became of a folder: photos read, kept unread with the reason, known already, and matched to no egg."""

    read: tuple[str, ...]
    unread: Mapping[str, str]
    known: tuple[str, ...]
    unmatched: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Looked:
    file: str
    source_sha256: str
    jpeg: bytes
    likelihoods: dict[str, float] | None
    otherwise: float
    remarks: tuple[str, ...]


def read_folder(
    archive: Archive,
    photos: PhotoFiles,
    folder: Path,
    clutch: Entry,
    *,
    table: Path | None = None,
    workers: int | None = None,
    who: str = "keeper",
    progress: Callable[[int, int], None] | None = None,
) -> SeasonResult:
    """Read every photo of a folder whose name begins with an egg's label (`a4.jpg`, `A4-2.jpg`, `a4_belly.png`).

    With a `table` (CSV with the columns photo and egg) the photos it names are those of the eggs it says, whatever their names.
    Each photo is kept with its reading as soon as it is read, so a stopped run goes on where it was: a photo that is in the
    records, by its checksum, is not read again.
    """
    if not folder.is_dir():
        raise StorageError(f"{folder}: no such folder; needed: the folder that holds the photos")
    eggs = {entry["label"]: entry.id for entry in archive.all("egg", clutch=clutch.id)}
    if not eggs:
        raise StorageError(f"{clutch.id}: the clutch has no eggs in the records; enter them first ('triage egg add')")
    files = sorted(path for path in folder.iterdir() if path.suffix.lower() in _PICTURES)
    told = {} if table is None else _eggs_of_table(table, eggs)
    absent = sorted(told.keys() - {path.name for path in files})
    if absent:
        raise StorageError(f"{table}: names {absent[0]}, which is no photo in {folder}; needed: names of files in it")
    known_sums = {entry["source_sha256"] for entry in archive.all("photo")}
    todo: list[tuple[Path, str]] = []
    known, unmatched = [], []
    for path in files:
        egg = told.get(path.name) or egg_of(path.stem, eggs)
        if egg is None:
            unmatched.append(path.name)
        elif hashlib.sha256(path.read_bytes()).hexdigest() in known_sums:
            known.append(path.name)
        else:
            todo.append((path, egg))
    read, unread = [], {}
    done = 0
    for (path, egg), looked in _look_at_all(todo, cross_of(archive, clutch), workers):
        done += 1
        if progress is not None:
            progress(done, len(todo))
        if isinstance(looked, str):
            unread[path.name] = looked
            continue
        at = now()
        sha256 = photos.add(looked.jpeg)
        with archive.change(f"photo {path.name} of {egg} read", who=who) as draft:
            photo = draft.add(
                "photo",
                {"about": egg, "sha256": sha256, "source_sha256": looked.source_sha256, "name": path.name, "added": at},
            )
            if looked.likelihoods is not None:
                draft.add(
                    "reading",
                    {
                        "about": egg,
                        "observer": "photo",
                        "at": at,
                        "photo": photo,
                        "likelihoods": looked.likelihoods,
                        "otherwise": looked.otherwise,
                    },
                )
        if looked.likelihoods is None:
            unread[path.name] = "; ".join(looked.remarks)
        else:
            read.append(path.name)
    return SeasonResult(tuple(sorted(read)), dict(sorted(unread.items())), tuple(known), tuple(unmatched))


def _eggs_of_table(path: Path, eggs: Mapping[str, str]) -> dict[str, str]:
    """Ids of the eggs by photo, from a table of file names and egg labels; StorageError names the line that is wrong."""
    needed = "needed: a CSV file with the columns photo and egg"
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            reader = csv.DictReader(file)
            rows = [(reader.line_num, row.get("photo"), row.get("egg")) for row in reader]
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise StorageError(f"{path}: cannot be read ({error}); {needed}") from None
    if not {"photo", "egg"} <= set(reader.fieldnames or ()):
        raise StorageError(f"{path}, line 1: the columns are {', '.join(reader.fieldnames or ()) or 'none'}; {needed}")
    found: dict[str, str] = {}
    for line, photo, label in rows:
        if label not in eggs:
            raise StorageError(f"{path}, line {line}: no egg '{label}' in this clutch; needed: one of {', '.join(eggs)}")
        if not photo or photo in found:
            raise StorageError(f"{path}, line {line}: photo '{photo or ''}' stands twice or is empty; needed: each file name once")
        found[photo] = eggs[label]
    return found


def egg_of(stem: str, eggs: Mapping[str, str]) -> str | None:
    """The egg whose label a file name begins with, up to its end or a sign that is no letter or digit; the longest wins."""
    for label in sorted(eggs, key=len, reverse=True):
        if re.match(rf"{re.escape(label)}(?![0-9A-Za-z])", stem, re.IGNORECASE):
            return eggs[label]
    return None


def _look_at_all(
    todo: list[tuple[Path, str]], cross: Cross, workers: int | None
) -> Iterator[tuple[tuple[Path, str], _Looked | str]]:
    count = min(workers or max(1, min(_MOST_WORKERS, (os.cpu_count() or 2) // 2)), max(len(todo), 1))
    if count == 1:
        _prepare(cross)
        yield from ((one, _look(one[0])) for one in todo)
        return
    with ProcessPoolExecutor(
        count, mp_context=multiprocessing.get_context("spawn"), initializer=_prepare, initargs=(cross,)
    ) as pool:
        waiting = {pool.submit(_look, path): (path, egg) for path, egg in todo}
        for future in as_completed(waiting):
            yield waiting[future], future.result()


def _prepare(cross: Cross) -> None:
    global _reader, _gate, _model
    if multiprocessing.parent_process() is not None:
        use_one_thread()  # each worker has a core
    _reader = load_reader()
    _gate = gate_of(_reader)
    _model = compile_cross(cross)


def _look(path: Path) -> _Looked | str:
    assert _reader is not None and _model is not None
    try:
        data = path.read_bytes()
        photo = open_photo(data, name=path.name)
    except (TriageError, OSError) as error:
        return str(error)
    looked = look_at(photo, _reader, _gate)
    jpeg, sha256 = clean_jpeg(photo), hashlib.sha256(data).hexdigest()
    if looked.reading is None:
        return _Looked(path.name, sha256, jpeg, None, 0.0, looked.remarks)
    reading = reading_of(_model, (), [looked.reading])
    likelihoods = {call.name: value for call, value in reading.likelihoods.items()}
    return _Looked(path.name, sha256, jpeg, likelihoods, reading.otherwise, looked.remarks)
