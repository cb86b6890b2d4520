"""Commands for the records as a whole: export, import, backup, restore, verify, history, undo."""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from pathlib import Path

from triage.cli.command import RecordCommand, counted, write_new
from triage.cli.output import progress_bar
from triage.errors import StorageError


def _export_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", metavar="FILE", help="where to: .json for everything, .csv for one kind")
    parser.add_argument("--kind", metavar="KIND", help="the kind of entry, for CSV: animal, egg ...")


def _export(arguments: argparse.Namespace) -> dict:
    from triage.workflow.exchange import to_csv, to_json
    from triage.workflow.records import open_archive

    path, archive = Path(arguments.file), open_archive()
    if path.suffix.lower() == ".csv":
        if not arguments.kind:
            raise StorageError(f"{path}: a table holds one kind of entry; needed: --kind, for example --kind animal")
        text = to_csv(archive, arguments.kind)
        count = len(archive.all(arguments.kind))
    elif path.suffix.lower() == ".json":
        data = to_json(archive, (arguments.kind,) if arguments.kind else ())
        text, count = json.dumps(data, indent=1, ensure_ascii=False) + "\n", len(data["entries"])
    else:
        raise StorageError(f"{path}: ends in '{path.suffix}'; needed: a name that ends in .json or .csv")
    write_new(path, text.encode("utf-8"))
    return {"file": str(path), "entries": count}


def _import_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", metavar="FILE", help="a .json or .csv that 'triage export' wrote")


def _import(arguments: argparse.Namespace) -> dict:
    from triage.workflow.exchange import from_csv, from_json, import_entries
    from triage.workflow.records import open_archive

    path = Path(arguments.file)
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise StorageError(
            f"{path}: cannot be read as text ({error}); needed: a file that 'triage export' wrote"
        ) from error
    rows = from_csv(text, path.name) if path.suffix.lower() == ".csv" else from_json(text, path.name)
    new, changed, same = import_entries(open_archive(), rows)
    return {"new": new, "changed": changed, "same": same}


def _backup(arguments: argparse.Namespace) -> dict:
    from triage.storage.backup import back_up
    from triage.workflow.records import open_archive, open_photos

    with progress_bar("photos") as progress:
        manifest = back_up(open_archive(), open_photos(), Path(arguments.file), progress)
    return {"file": arguments.file, "changes": manifest["changes"], "photos": manifest["photos"]}


def _restore(arguments: argparse.Namespace) -> dict:
    from triage.storage.backup import restore
    from triage.workflow.records import open_archive, open_photos

    manifest = restore(Path(arguments.file), open_archive(), open_photos())
    return {"file": arguments.file, "changes": manifest["changes"], "photos": manifest["photos"]}


def _verify(_: argparse.Namespace) -> dict:
    from triage.workflow.records import open_archive, open_photos

    archive, photos = open_archive(), open_photos()
    wanted = sorted({entry["sha256"] for entry in archive.all("photo")})
    return {
        "entries": len(archive.all()),
        "photos": len(wanted),
        "faults": [*archive.faults(), *photos.faults(iter(wanted))],
    }


def _verify_words(answer: dict) -> str:
    lines = [
        f"{answer['entries']} entries and {answer['photos']} photos looked at: "
        + (f"{len(answer['faults'])} faults" if answer["faults"] else "all is well")
    ]
    return "\n".join([*lines, *(f"  {fault}" for fault in answer["faults"])])


def _history_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("id", metavar="ID", nargs="?", help="only this entry")
    parser.add_argument("--last", type=int, default=50, metavar="N", help="the newest N (50)")


def _history(arguments: argparse.Namespace) -> dict:
    from triage.cli.entries import revision_json
    from triage.workflow.records import open_archive

    found = open_archive().history(arguments.id)
    return {"revisions": [revision_json(one) for one in found[-arguments.last :]]}


def _history_words(answer: dict) -> str:
    lines = [
        f"change {one['change']}, {one['at'][:16]}, {one['who']}: {one['reason']} - {one['id']} "
        + ("removed" if one["content"] is None else f"version {one['version']}")
        for one in answer["revisions"]
    ]
    return "\n".join(lines) or "Nothing has been entered yet."


def _undo(arguments: argparse.Namespace) -> dict:
    from triage.workflow.records import open_archive

    archive = open_archive()
    number = arguments.change
    if number is None:
        found = archive.history()
        if not found:
            raise StorageError("nothing has been entered yet, so nothing can be undone")
        number = found[-1].change
    archive.undo(number)
    return {"undone": number}


def _file(what: str) -> Callable[[argparse.ArgumentParser], None]:
    return lambda parser: parser.add_argument("file", metavar="FILE", help=what) and None


export = RecordCommand(
    "export",
    "write the records to JSON, or one kind of entry to a table",
    "examples:\n  triage export all.json\n  triage export animals.csv --kind animal\n",
    _export_arguments,
    _export,
    lambda a: f"{a['entries']} entries written to {a['file']}",
)
import_ = RecordCommand(
    "import",
    "enter what 'triage export' wrote, all of it or nothing",
    "examples:\n  triage import animals.csv\n",
    _import_arguments,
    _import,
    lambda a: f"{a['new']} new, {a['changed']} changed, {a['same']} as they were",
)
backup = RecordCommand(
    "backup",
    "write everything, with its history and photos, to one file",
    "examples:\n  triage backup 2031-08-01.triage.zip\n",
    _file("the file to write"),
    _backup,
    lambda a: f"{a['file']}: {counted(a['changes'], 'change')} and {counted(a['photos'], 'photo')}",
)
restore = RecordCommand(
    "restore",
    "fill empty records from a backup",
    "examples:\n  triage restore 2031-08-01.triage.zip\n",
    _file("a file that 'triage backup' wrote"),
    _restore,
    lambda a: f"{counted(a['changes'], 'change')} and {counted(a['photos'], 'photo')} restored",
)
verify = RecordCommand(
    "verify",
    "look for damage: altered changes, broken references, flipped bits in photos",
    "examples:\n  triage verify\n",
    lambda parser: None,
    _verify,
    _verify_words,
)
history = RecordCommand(
    "history",
    "every change to the records, with time and reason",
    "examples:\n  triage history --last 10\n",
    _history_arguments,
    _history,
    _history_words,
)
undo = RecordCommand(
    "undo",
    "undo the last change to the records, or a named one",
    "examples:\n  triage undo\n  triage undo 41\n",
    lambda parser: (
        parser.add_argument("change", metavar="N", type=int, nargs="?", help="number of the change (the last)") and None
    ),
    _undo,
    lambda a: f"change {a['undone']} undone; 'triage undo' again brings it back",
)
