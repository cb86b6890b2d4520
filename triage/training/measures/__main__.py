"""Run one measure: `python -m triage.training.measures NAME [options]`."""

from __future__ import annotations

import argparse
from pathlib import Path

from triage.training.bench import Bench
from triage.training.measures import MEASURES
from triage.training.measures.results import FILE, run
from triage.training.options import add_options, device_of, record_of


def _share(words: str) -> tuple[int, int]:
    number, _, of = words.partition("/")
    if not (number.isdigit() and of.isdigit() and int(number) < int(of)):
        raise argparse.ArgumentTypeError(f"found '{words}'; needed NUMBER/OF, such as 0/2 or 1/2")
    return int(number), int(of)


def main(argv: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(prog="python -m triage.training.measures", description=f"Run one measure; figures go to {FILE}.")
    parser.add_argument("--list", action="store_true", help="say what can be measured")
    commands = parser.add_subparsers(dest="name", metavar="NAME")
    for measure in MEASURES:
        command = commands.add_parser(measure.name, help=measure.help, description=f"Measure {measure.help}.")
        command.add_argument("--directory", type=Path, default=Path("models"), help="folder of the reader and the figures (default models)")
        command.add_argument("--device", default="auto", help='"cpu", "cuda" or "auto" (default)')
        command.add_argument("--share", type=_share, default=(0, 1), metavar="NUMBER/OF",
                             help="only some of its parts, such as 0/2 and 1/2 on two devices; the file puts them together")  # fmt: skip
        add_options(command, measure.options)
    given = parser.parse_args(argv)
    if given.list:
        print("\n".join(f"{measure.name:<12}{measure.help}" for measure in MEASURES))
        return
    chosen = next((measure for measure in MEASURES if measure.name == given.name), None)
    if chosen is None:
        parser.error(f"no measure was named; needed one of {', '.join(measure.name for measure in MEASURES)}")
    run(chosen, record_of(chosen.options, given), Bench(given.directory, device_of(given.device), given.share))


if __name__ == "__main__":
    main()
