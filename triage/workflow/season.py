"""A season's folder of photos, read in one go: over worker processes, and where it stopped if it was stopped."""

from __future__ import annotations

import csv
import hashlib
import io
import multiprocessing
import os
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path

from triage.errors import PhotoError, StorageError
from triage.files import read_text
from triage.genetics.clutch.model import compile_cross
from triage.species import load_species, parse_call
from triage.storage.archive import Archive, Entry
from triage.storage.kinds import Photo
from triage.storage.photo_files import PhotoFiles
from triage.vision.intake import open_photo, photo_bytes
from triage.vision.reader import PhotoReading, use_one_thread
from triage.workflow.book import Book, now
from triage.workflow.keep import add_photo, clean_jpeg
from triage.workflow.photos import gate_of, load_reader, look_at, said_by_photo
from triage.workflow.recorded import Clutches, newest_call

_PICTURES = {".jpg", ".jpeg", ".png", ".webp", ".heic", ".heif", ".tif", ".tiff", ".bmp"}
_USUAL_WORKERS = 8
#: Largest table of photos, in bytes.
_LARGEST_TABLE = 10 * 2**20


@dataclass(frozen=True, slots=True)
class SeasonResult:
    """What became of a folder: photos read, kept unread with the reason, known already, and matched to no egg with the reason."""

    read: tuple[str, ...]
    unread: Mapping[str, str]
    known: tuple[str, ...]
    unmatched: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class _Order:
    """One photo to look at: its file, its name from the folder on, and whose it is."""

    path: Path
    name: str
    egg: str
    clutch: str
    species: str


@dataclass(frozen=True, slots=True)
class _Looked:
    source_sha256: str
    jpeg: bytes
    reading: PhotoReading | None
    remarks: tuple[str, ...]


def read_folder(
    archive: Archive,
    photos: PhotoFiles,
    folder: Path,
    clutch: Entry | None = None,
    *,
    table: Path | None = None,
    workers: int | None = None,
    who: str = "keeper",
    progress: Callable[[int, int], None] | None = None,
) -> SeasonResult:
    """Read every photo of a clutch's folder, or of a season's folder with a folder for each clutch.

    A photo is of the egg whose label its name begins with (`a4.jpg`, `A4-2.jpg`, `a4_belly.png`); a folder is of the clutch it is
    named after, by name or id. With a `table` (CSV with the columns photo and egg, and clutch for a season) the photos it names
    are those of the eggs it says, whatever their names. Each photo is kept with its reading as soon as it is read, so a stopped
    run goes on where it was: a photo that is in the records of that egg, by its checksum, is not read again. What is no file that
    can be read (a folder, a pipe, a link that leads nowhere) is told by its name, and the others are read.
    """
    if not os.path.isdir(folder):
        raise StorageError(f"{folder}: no such folder; needed: the folder that holds the photos")
    book = Book.of(archive)
    clutches = [clutch] if clutch is not None else book.all("clutch")
    if not clutches:
        raise StorageError("no clutch is in the records; enter it and its eggs first ('triage clutch add', 'triage egg add')")
    eggs = {one.id: {egg.content.label: egg.id for egg in book.eggs(one.id)} for one in clutches}
    if clutch is not None and not eggs[clutch.id]:
        raise StorageError(f"clutch {clutch.content.name} has no eggs in the records; enter them first ('triage egg add')")
    species = {one.id: book.species(one.id).name for one in clutches}
    orders, unmatched = _orders(folder, clutches, eggs, species, season=clutch is None)
    if table is not None:
        told = _orders_of_table(table, folder, clutches, eggs, species, season=clutch is None)
        orders = [*(one for one in orders if one.name not in told), *told.values()]
        unmatched = {name: why for name, why in unmatched.items() if name not in told}
    known_sums = {(entry.content.about, entry.content.source_sha256) for entry in book.all("photo")}
    todo: list[_Order] = []
    known, read, unread = [], [], {}
    for order in sorted(orders, key=lambda one: one.name):
        try:
            if (order.egg, _sha256(_bytes_of(order))) in known_sums:
                known.append(order.name)
            else:
                todo.append(order)
        except PhotoError as error:
            unread[order.name] = str(error)
    made = Clutches(book)
    models = {id: compile_cross(made.cross(id)) for id in {order.clutch for order in todo}}
    for done, (order, looked) in enumerate(_look_at_all(todo, workers), 1):
        if progress is not None:
            progress(done, len(todo))
        if isinstance(looked, str):
            unread[order.name] = looked
            continue
        model, call = models[order.clutch], newest_call(book, order.egg)
        called = parse_call(model.species, call.content.call) if call else ()
        evidence, remarks = said_by_photo(model, called, load_reader(model.species), looked.reading, looked.remarks)
        kept = Photo(about=order.egg, sha256=photos.add(looked.jpeg), source_sha256=looked.source_sha256, name=order.name,
                     added=now(), remarks=remarks or None)  # fmt: skip
        with archive.change(f"photo {order.name} of {book.title(order.egg)} read", who=who) as draft:
            add_photo(draft, model.species, kept, evidence)
        if evidence is None:
            unread[order.name] = "; ".join(remarks)
        else:
            read.append(order.name)
    return SeasonResult(tuple(sorted(read)), dict(sorted(unread.items())), tuple(known), dict(sorted(unmatched.items())))


def _inside(folder: Path) -> list[Path]:
    """What is in a folder; StorageError where that cannot be told."""
    try:
        return sorted(folder.iterdir())
    except OSError as error:
        raise StorageError(f"the folder {folder} cannot be listed ({error.strerror}); needed: a folder that is open to you") from None


def _pictures(inside: Sequence[Path]) -> list[Path]:
    return [path for path in inside if path.suffix.lower() in _PICTURES]


def _bytes_of(order: _Order) -> bytes:
    """The photo's file; PhotoError where it cannot be read, or its name cannot be kept."""
    try:
        order.name.encode()
    except UnicodeEncodeError:
        raise PhotoError("its name holds what is no character; needed: a name in UTF-8") from None
    return photo_bytes(order.path)


def _sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _orders(
    folder: Path,
    clutches: Sequence[Entry],
    eggs: Mapping[str, Mapping[str, str]],
    species: Mapping[str, str],
    *,
    season: bool,
) -> tuple[list[_Order], dict[str, str]]:
    """Photos by their names and folders, and those that are nobody's with the reason."""
    orders: list[_Order] = []
    unmatched: dict[str, str] = {}
    if not season:
        places = [(_inside(folder), clutches[0].id, "")]
    else:
        by_name = {name.casefold(): one.id for one in clutches for name in (one.content.name, one.id)}
        places = []
        for path in _inside(folder):
            found, lead = by_name.get(path.name.casefold()), f"{path.name}/"
            if not os.path.isdir(path):
                if found is not None or _pictures([path]):
                    unmatched[path.name] = "stands in no clutch's folder" if found is None else "is named after a clutch and is no folder"
                continue
            try:
                inside = _inside(path)
            except StorageError as error:
                unmatched[lead] = str(error)
                continue
            if found is not None:
                places.append((inside, found, lead))
            else:
                unmatched |= {lead + one.name: "its folder is named after no clutch" for one in _pictures(inside)}
    for inside, clutch, lead in places:
        for path in _pictures(inside):
            egg = egg_of(path.stem, eggs[clutch])
            if egg is None:
                unmatched[lead + path.name] = "begins with no egg's label"
            else:
                orders.append(_Order(path, lead + path.name, egg, clutch, species[clutch]))
    return orders, unmatched


def _orders_of_table(
    path: Path,
    folder: Path,
    clutches: Sequence[Entry],
    eggs: Mapping[str, Mapping[str, str]],
    species: Mapping[str, str],
    *,
    season: bool,
) -> dict[str, _Order]:
    """Photos by name as a table says whose they are; StorageError names the line that is wrong."""
    wanted = ("photo", "clutch", "egg") if season else ("photo", "egg")
    needed = f"needed: a CSV file with the columns {', '.join(wanted[:-1])} and {wanted[-1]}"
    reader = csv.DictReader(io.StringIO(read_text(path, at_most=_LARGEST_TABLE, needed=needed, error=StorageError), newline=""))
    try:
        rows = [(reader.line_num, {name: row.get(name) or "" for name in wanted}) for row in reader]
    except csv.Error as error:
        raise StorageError(f"{path}, line {reader.line_num}: cannot be read ({error}); {needed}") from None
    if not set(wanted) <= set(reader.fieldnames or ()):
        raise StorageError(f"{path}, line 1: the columns are {', '.join(reader.fieldnames or ()) or 'none'}; {needed}")
    by_name = {name: one.id for one in clutches for name in (one.content.name, one.id)}
    found: dict[str, _Order] = {}
    for line, row in rows:
        clutch = by_name.get(row["clutch"]) if season else clutches[0].id
        if clutch is None:
            raise StorageError(f"{path}, line {line}: no clutch '{row['clutch']}' in the records; needed: its name")
        if row["egg"] not in eggs[clutch]:
            among = ", ".join(eggs[clutch]) or "an egg, entered first with 'triage egg add'"
            raise StorageError(f"{path}, line {line}: no egg '{row['egg']}' in this clutch; needed: one of {among}")
        name = row["photo"]
        if not name or name in found:
            raise StorageError(f"{path}, line {line}: photo '{name}' stands twice or is empty; needed: each file name once")
        found[name] = _Order(folder / name, name, eggs[clutch][row["egg"]], clutch, species[clutch])
    absent = sorted(name for name, order in found.items() if not os.path.lexists(order.path))
    if absent:
        raise StorageError(f"{path}: names {absent[0]}, which is no photo in {folder}; needed: names of files in it")
    return found


def egg_of(stem: str, eggs: Mapping[str, str]) -> str | None:
    """The egg whose label a file name begins with, up to its end or a sign that is no letter or digit; the longest wins."""
    for label in sorted(eggs, key=len, reverse=True):
        if re.match(rf"{re.escape(label)}(?![0-9A-Za-z])", stem, re.IGNORECASE):
            return eggs[label]
    return None


def _look_at_all(todo: Sequence[_Order], workers: int | None) -> Iterator[tuple[_Order, _Looked | str]]:
    if not todo:
        return
    count = min(workers or max(1, min(_USUAL_WORKERS, (os.cpu_count() or 2) // 2)), len(todo))
    if count == 1:
        yield from ((order, _look(order)) for order in todo)
        return
    with ProcessPoolExecutor(
        count, mp_context=multiprocessing.get_context("spawn"), initializer=use_one_thread
    ) as pool:  # fork and torch's threads do not go together; each worker has a core
        waiting = {pool.submit(_look, order): order for order in todo}
        for future in as_completed(waiting):
            try:
                yield waiting[future], future.result()
            except BrokenProcessPool:
                raise StorageError("a worker process was ended, for want of memory perhaps; what was read is kept, and "
                                   "'triage read' again with --workers 1 goes on there") from None  # fmt: skip


def _look(order: _Order) -> _Looked | str:
    try:
        data = _bytes_of(order)
        photo = open_photo(data, name=order.path.name)
    except PhotoError as error:
        return str(error)
    reader = load_reader(load_species(order.species))
    looked = look_at(photo, reader, None if reader is None else gate_of(reader))
    return _Looked(_sha256(data), clean_jpeg(photo), looked.reading, looked.remarks)
