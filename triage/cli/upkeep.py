"""Commands for the records as a whole: read, history, undo, export, import, backup, restore, verify."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from triage.cli.command import answer, as_json, command, counted, with_ids, write_new
from triage.cli.entries import print_history
from triage.cli.output import progress_bar
from triage.errors import StorageError
from triage.files import read_text

if TYPE_CHECKING:
    from triage.storage.backup import Done

_PATH = click.Path(path_type=Path)


@command("read", "  triage read photos-2031 --workers 4\n  triage read photos-2031/2031-4 --clutch 2031-4\n")
@click.argument(
    "folder",
    type=_PATH,
    help="a season: a folder for each clutch, named after it, with photos named after their eggs (a4.jpg, A4-2.jpg)",
)
@click.option("--clutch", metavar="NAME", help="FOLDER holds the photos of this clutch alone")
@click.option("--table", type=_PATH, metavar="FILE", help="CSV with the columns photo, clutch and egg, for photos named otherwise")
@click.option("--workers", type=click.IntRange(1, 64), metavar="N", help="worker processes (half of the cores)")
@as_json
def read(folder: Path, clutch: str | None, table: Path | None, workers: int | None, as_json: bool) -> None:
    """Read a season's folder of photos into the records, and go on where it stopped."""
    from triage.workflow.book import open_archive, open_photos
    from triage.workflow.names import find_entry
    from triage.workflow.season import read_folder

    archive = open_archive()
    entry = find_entry(archive, clutch, ("clutch",)) if clutch else None
    with progress_bar("reading photos") as progress:
        done = read_folder(archive, open_photos(), folder, entry, table=table, workers=workers, progress=progress)
    data = {"read": list(done.read), "unread": dict(done.unread), "known": list(done.known), "unmatched": dict(done.unmatched)}
    lines = [f"{len(done.read)} read, {len(done.known)} known already, {len(done.unread)} not read, {len(done.unmatched)} nobody's"]
    lines += [f"  {name}: {why}" for name, why in (*done.unread.items(), *done.unmatched.items())]
    answer(data, lambda _: "\n".join(lines), as_json=as_json)


@command("history", "  triage history --last 10\n  triage history Juniper\n")
@click.argument("name", required=False, help="only this animal, egg or clutch, or any entry by its id")
@click.option("--last", type=click.IntRange(min=1), default=50, show_default=True, metavar="N", help="the newest N")
@with_ids
@as_json
def history(name: str | None, last: int, ids: bool, as_json: bool) -> None:
    """Show every change to the records, with time and reason."""
    from triage.workflow.book import open_archive
    from triage.workflow.names import find_entry

    archive = open_archive()
    found = archive.history(name)  # by id, of entries too that were removed
    if name and not found:
        found = archive.history(find_entry(archive, name).id)
    print_history(archive, found[-last:], ids, as_json, contents=bool(name))


@command("undo", "  triage undo\n  triage undo 41\n")
@click.argument("change", metavar="N", type=click.IntRange(1, 2**31 - 1), required=False, help="number of the change (the last)")
@as_json
def undo(change: int | None, as_json: bool) -> None:
    """Undo the last change to the records, or a named one."""
    from triage.workflow.book import open_archive
    from triage.workflow.gene_use import undo_change

    archive = open_archive()
    if change is None:
        found = archive.history()
        if not found:
            raise StorageError("nothing has been entered yet, so nothing can be undone")
        change = found[-1].change
    undo_change(archive, change)
    answer({"undone": change}, lambda said: f"change {said['undone']} undone; 'triage undo' again brings it back", as_json=as_json)


@command("export", "  triage export all.json\n  triage export animals.csv --kind animal\n")
@click.argument("file", type=_PATH, help="where to: .json for everything, .csv for one kind")
@click.option("--kind", metavar="KIND", help="the kind of entry, for CSV: animal, egg ...")
@as_json
def export(file: Path, kind: str | None, as_json: bool) -> None:
    """Write the records to JSON, or one kind of entry to a table."""
    from triage.workflow.book import open_archive
    from triage.workflow.exchange import to_csv, to_json

    archive = open_archive()
    if file.suffix.lower() == ".csv":
        if not kind:
            raise StorageError(f"{file}: a table holds one kind of entry; needed: --kind, for example --kind animal")
        text, count = to_csv(archive, kind), len(archive.all(kind))
    elif file.suffix.lower() == ".json":
        data = to_json(archive, (kind,) if kind else ())
        text, count = json.dumps(data, indent=1, ensure_ascii=False) + "\n", len(data["entries"])
    else:
        raise StorageError(f"{file}: ends in '{file.suffix}'; needed: a name that ends in .json or .csv")
    write_new(file, text.encode("utf-8"))
    answer({"file": str(file), "entries": count}, lambda _: f"{count} entries written to {file}", as_json=as_json)


@command("import", "  triage import animals.csv\n")
@click.argument("file", type=_PATH, help="a .json or .csv that 'triage export' wrote")
@as_json
def import_(file: Path, as_json: bool) -> None:
    """Enter what 'triage export' wrote, all of it or nothing."""
    from triage.workflow.book import open_archive
    from triage.workflow.exchange import LARGEST_BYTES, from_csv, from_json, import_entries

    text = read_text(file, at_most=LARGEST_BYTES, needed="needed: a file that 'triage export' wrote", error=StorageError)
    rows = from_csv(text, file.name) if file.suffix.lower() == ".csv" else from_json(text, file.name)
    new, changed, same = import_entries(open_archive(), rows)
    said = f"{new} new, {changed} changed, {same} as they were"
    answer({"new": new, "changed": changed, "same": same}, lambda _: said, as_json=as_json)


@command("backup", "  triage backup 2031-08-01.triage.zip\n")
@click.argument("file", type=_PATH, help="the file to write")
@as_json
def backup(file: Path, as_json: bool) -> int:
    """Write everything, with its history and photos, to one file."""
    from triage.storage.backup import back_up
    from triage.workflow.book import open_archive, open_photos

    with progress_bar("photos") as progress:
        done = back_up(open_archive(), open_photos(), file, progress)
    return _answer_backup(file, done, f"written to {file}", as_json)


@command("restore", "  triage restore 2031-08-01.triage.zip\n")
@click.argument("file", type=_PATH, help="a file that 'triage backup' wrote")
@as_json
def restore(file: Path, as_json: bool) -> int:
    """Fill empty records from a backup, or give back what records lost that it was made from."""
    from triage.storage.backup import restore as fill
    from triage.workflow.book import open_archive, open_photos

    return _answer_backup(file, fill(file, open_archive(), open_photos()), f"restored from {file}", as_json)


def _answer_backup(file: Path, done: Done, words: str, as_json: bool) -> int:
    said = f"{counted(done.changes, 'change')} and {counted(done.photos, 'photo')} {words}"
    said += f"; {counted(done.there, 'photo')} there already" if done.there else ""
    lines = [f"{said}; {len(done.missing)} not:" if done.missing else said, *(f"  {why}" for why in done.missing.values())]
    answer({"file": str(file), **asdict(done)}, lambda _: "\n".join(lines), as_json=as_json)
    return 1 if done.missing else 0


@command("verify", "  triage verify\n")
@as_json
def verify(as_json: bool) -> int:
    """Look for damage: altered or lost changes, entries that are not what was entered, references to nothing, flipped bits in photos."""
    from triage.storage.verify import verify as look
    from triage.workflow.book import open_archive, open_photos

    found = look(open_archive(), open_photos())
    n_faults = len(found.faults)
    lines = [
        f"{found.entries} entries and {counted(found.photos, 'photo')} looked at: {counted(n_faults, 'fault') if n_faults else 'all is well'}",
        *(f"  {one}" for one in (*found.faults, *found.ways)),
        *(f"  {one}: belongs to no entry; it may be removed" for one in found.strangers),
    ]
    data = {**asdict(found), "faults": list(found.faults), "strangers": [str(one) for one in found.strangers]}
    answer(data, lambda _: "\n".join(lines), as_json=as_json)
    return 1 if n_faults else 0
