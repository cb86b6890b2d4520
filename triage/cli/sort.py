"""``triage sort``: a clutch sheet in, trays with reasons out."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from triage.cli.output import print_answer, print_json, progress_bar
from triage.cli.values import chance
from triage.errors import TriageError, UnknownNameError

NAME = "sort"
HELP = "sort the hatchlings of a clutch sheet into trays, with reasons"
EXAMPLES = """\
examples:
  triage sort clutch.yaml
  triage sort clutch.yaml --json > answer.json
  triage sort - --threshold 99% < clutch.yaml
  triage sort clutch.yaml --hold-gene clown --hold-chance 50%
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("sheet", metavar="SHEET", help="the clutch sheet (YAML), or - for standard input")
    add_settings(parser)


def add_settings(parser: argparse.ArgumentParser) -> None:
    """The choices that every command which sorts a clutch takes."""
    parser.add_argument(
        "--threshold", type=chance, default=None, metavar="P", help="chance at which a call is settled for the label (95%%)"
    )
    parser.add_argument(
        "--hold-chance", type=chance, default=None, metavar="P", help="smallest chance of a hidden gene worth proving (60%%)"
    )
    parser.add_argument(
        "--hold-gene",
        action="append",
        default=None,
        metavar="GENE",
        help="a gene worth the years that proving takes; may be given several times (any gene)",
    )
    parser.add_argument("--json", action="store_true", help="print the answer as JSON")


def run(arguments: argparse.Namespace) -> int:
    from triage.workflow.sheet import load_sheet

    if arguments.sheet == "-":
        sheet = load_sheet(None, text=sys.stdin.read(), name="standard input")
    else:
        path = Path(arguments.sheet)
        sheet = load_sheet(path, name=str(path))
    return sort_and_print(sheet, arguments)


def sort_and_print(sheet, arguments: argparse.Namespace) -> int:
    """Sort a clutch and print the answer as a table or as JSON."""
    from triage.cli.clutch_table import print_clutch
    from triage.workflow.answers.as_json import to_json
    from triage.workflow.sort import sort_clutch

    with progress_bar("reading photos") as progress:
        report = sort_clutch(sheet, settings=_settings(sheet, arguments), progress=progress)
    if arguments.json:
        print_json(to_json(report))
    else:
        print_answer(lambda console: print_clutch(report, console))
    return 0


def _settings(sheet, arguments: argparse.Namespace):
    from triage.workflow.settings import Settings

    chosen = {}
    if arguments.threshold is not None:
        chosen["label_threshold"] = arguments.threshold
    if arguments.hold_chance is not None:
        chosen["hold_chance"] = arguments.hold_chance
    if arguments.hold_gene is not None:
        chosen["hold_genes"] = frozenset(_gene(sheet.cross.species, name) for name in arguments.hold_gene)
    return Settings(**chosen)


def _gene(species, name: str) -> str:
    from triage.species.explain import GeneExplanation, explain

    try:
        found = explain(species, name)
    except TriageError as error:
        raise UnknownNameError(f"--hold-gene {name}: {error}") from None
    if not isinstance(found, GeneExplanation):
        raise UnknownNameError(f"--hold-gene {name}: that is more than one gene; needed: one gene, the option once for each")
    return found.name
