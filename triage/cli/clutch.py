"""``triage clutch``: clutches in the records; a sheet is sorted and kept in one go."""

from __future__ import annotations

import argparse
from pathlib import Path

from triage.cli.entries import EntryCommand
from triage.cli.output import print_json, progress_bar

NAME = "clutch"
HELP = "keep clutches: sort a sheet into the records, list, show, change"
EXAMPLES = """\
examples:
  triage clutch sheet clutch.yaml --name 2031-4 --hatched 2031-08-01
  triage clutch add --name 2031-5 --pairing ID --laid 2031-06-02
  triage clutch list
"""
_ENTRIES = EntryCommand(NAME, "clutch", HELP, EXAMPLES)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    _ENTRIES.add_arguments(parser)
    verbs = next(action for action in parser._actions if isinstance(action, argparse._SubParsersAction))
    sheet = verbs.add_parser(
        "sheet", help="sort a clutch sheet and keep everything", description="Sort a sheet and keep everything."
    )
    sheet.add_argument("sheet", metavar="SHEET", help="the clutch sheet (YAML)")
    sheet.add_argument("--name", help="name of the clutch in the records (the sheet's file name)")
    sheet.add_argument("--laid", metavar="DATE", help="when it was laid")
    sheet.add_argument("--hatched", metavar="DATE", help="when it hatched")
    sheet.add_argument("--json", action="store_true", help="print the answer as JSON")


def run(arguments: argparse.Namespace) -> int:
    if arguments.verb != "sheet":
        return _ENTRIES.run(arguments)
    from triage.workflow.keep import keep_sheet
    from triage.workflow.records import open_archive, open_photos
    from triage.workflow.sheet import load_sheet

    path = Path(arguments.sheet)
    sheet = load_sheet(path, name=path.name)
    with progress_bar("reading photos") as progress:
        kept = keep_sheet(open_archive(), open_photos(), sheet, name=arguments.name, laid=arguments.laid, hatched=arguments.hatched,
                          progress=progress)  # fmt: skip
    trays = {egg.label: egg.tray.value for egg in kept.report.eggs}
    if arguments.json:
        print_json(
            {
                "format": 1,
                "clutch": kept.clutch,
                "eggs": kept.eggs,
                "parents": kept.parents,
                "photos": kept.photos,
                "trays": trays,
            }
        )
        return 0
    print(f"{kept.clutch}: {len(kept.eggs)} eggs, {kept.photos} photos kept")
    for label, id in kept.eggs.items():
        print(f"  {label}  {id}  {trays.get(label, 'did not hatch')}")
    return 0
