"""``triage read``: a season's photos into the records."""

from __future__ import annotations

import argparse
from pathlib import Path

from triage.cli.command import RecordCommand
from triage.cli.output import progress_bar


def _read_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "folder",
        metavar="FOLDER",
        help="a season: a folder for each clutch, named after it, with photos named after their eggs (a4.jpg, A4-2.jpg)",
    )
    parser.add_argument("--clutch", metavar="ID", help="FOLDER holds the photos of this clutch alone")
    parser.add_argument(
        "--table", metavar="FILE", help="CSV with the columns photo, clutch and egg, for photos named otherwise"
    )
    parser.add_argument("--workers", type=int, metavar="N", help="worker processes (half of the cores)")


def _read(arguments: argparse.Namespace) -> dict:
    from triage.workflow.records import open_archive, open_photos
    from triage.workflow.season import read_folder

    archive = open_archive()
    with progress_bar("reading photos") as progress:
        done = read_folder(
            archive,
            open_photos(),
            Path(arguments.folder),
            archive.find(arguments.clutch) if arguments.clutch else None,
            table=Path(arguments.table) if arguments.table else None,
            workers=arguments.workers,
            progress=progress,
        )
    return {
        "read": list(done.read),
        "unread": dict(done.unread),
        "known": list(done.known),
        "unmatched": dict(done.unmatched),
    }


def _read_words(answer: dict) -> str:
    lines = [
        f"{len(answer['read'])} read, {len(answer['known'])} known already, {len(answer['unread'])} not read, "
        f"{len(answer['unmatched'])} nobody's"
    ]
    lines += [f"  {name}: {why}" for name, why in answer["unread"].items()]
    lines += [f"  {name}: {why}" for name, why in answer["unmatched"].items()]
    return "\n".join(lines)


read = RecordCommand(
    "read",
    "read a season's folder of photos into the records, and go on where it stopped",
    "examples:\n  triage read photos-2031 --workers 4\n  triage read photos-2031/2031-4 --clutch ID\n",
    _read_arguments,
    _read,
    _read_words,
)
