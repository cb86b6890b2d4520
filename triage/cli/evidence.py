"""``triage evidence``: where in a photo the evidence for one call over another lies."""

from __future__ import annotations

import argparse
from pathlib import Path

from triage.cli.output import print_json, progress_bar
from triage.errors import SheetError

NAME = "evidence"
HELP = "show where in a photo the evidence for one call over another lies"
EXAMPLES = """\
examples:
  triage evidence clutch.yaml A4 --to a4.png
  triage evidence clutch.yaml A4 --for "pastel enchi" --against pastel --to a4.png
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("sheet", metavar="SHEET", help="the clutch sheet (YAML)")
    parser.add_argument("hatchling", metavar="LABEL", help="the label of the hatchling")
    parser.add_argument("--for", dest="call", metavar="CALL", help="the call that the evidence is for (the likeliest)")
    parser.add_argument("--against", dest="other", metavar="CALL", help="the call it is weighed against (the next likeliest)")
    parser.add_argument("--to", required=True, metavar="FILE", help="PNG to write: the photo with the evidence on it")
    parser.add_argument("--json", action="store_true", help="print the figures as JSON")


def run(arguments: argparse.Namespace) -> int:
    from triage.workflow.evidence import find_clutch_evidence
    from triage.workflow.sheet import load_sheet
    from triage.workflow.sort import sort_clutch

    target = Path(arguments.to)
    if target.exists():
        raise SheetError(f"{target} exists already and is not overwritten; needed: another name after --to")
    path = Path(arguments.sheet)
    sheet = load_sheet(path, name=str(path))
    with progress_bar("reading photos") as progress:
        report = sort_clutch(sheet, progress=progress)
    view = find_clutch_evidence(sheet, report, arguments.hatchling, arguments.call, arguments.other)
    try:
        target.write_bytes(view.overlay)
    except OSError as error:
        raise SheetError(f"{target}: cannot be written ({error.strerror}); needed: a folder that is there") from error
    if arguments.json:
        print_json({"format": 1, "label": view.label, "photo": view.photo, "call": view.call, "against": view.other,
                    "log_ratio": view.difference, "look_for": view.look_for, "overlay": str(target)})  # fmt: skip
        return 0
    favoured, rest = (view.call, view.other) if view.difference > 0 else (view.other, view.call)
    print(f"{view.label}, photo {view.photo}: the photo alone favours {favoured} over {rest} by {abs(view.difference):.1f} nats.")
    if view.look_for:
        print(f"Look for: {view.look_for}")
    print(f"{target}: orange speaks for {view.call}, violet against it.")
    return 0
