"""``triage demo``: the main job on the clutch that comes with the program."""

from __future__ import annotations

import argparse

from triage.cli.sort import add_settings, sort_and_print

NAME = "demo"
HELP = "sort the demo clutch: invented animals, rendered photos"
EXAMPLES = """\
examples:
  triage demo
  triage demo --json
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_settings(parser)


def run(arguments: argparse.Namespace) -> int:
    from triage.workflow.demo import demo_sheet_path
    from triage.workflow.sheet import load_sheet

    path = demo_sheet_path()
    return sort_and_print(load_sheet(path, name=path.name), arguments)
