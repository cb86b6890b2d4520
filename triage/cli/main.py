"""Entry point of the ``triage`` command."""

from __future__ import annotations

import argparse
import os
import sys
import warnings
from collections.abc import Sequence
from types import ModuleType
from typing import NoReturn

import triage
from triage.cli import (
    app,
    clutch,
    collection,
    completion,
    demo,
    entries,
    evidence,
    genes,
    hatch,
    labels,
    plan,
    reading,
    records,
    sort,
)
from triage.cli.command import RecordCommand
from triage.cli.output import error_line, remark_line
from triage.errors import TriageError, TriageWarning

#: Every command, in the order in which the help lists them.
COMMANDS: tuple[ModuleType | entries.EntryCommand | RecordCommand, ...] = (
    demo, sort, evidence, genes, hatch, app,
    entries.animal, entries.pair, clutch, entries.egg, reading.read, entries.call, entries.hold, collection.known,
    plan.plan, entries.outcome, labels.label, entries.note,
    records.history, records.undo, records.export, records.import_, records.backup, records.restore, records.verify,
    completion.completion,
)  # fmt: skip

OK, REFUSED, INTERRUPTED, BROKEN_PIPE = 0, 2, 130, 141


class _Parser(argparse.ArgumentParser):
    """Says what is wrong with a command in one line, as every other error of this program."""

    def error(self, message: str) -> NoReturn:
        self.exit(REFUSED, error_line(f"{message}; see '{self.prog} --help'") + "\n")


def build_parser() -> argparse.ArgumentParser:
    """The whole command line: ``triage`` and its commands."""
    parser = _Parser(
        prog="triage",
        description="Sort a clutch of colour-morph snake hatchlings: what each one is, how sure that is, and why.",
        epilog="Start with 'triage demo'. Nothing leaves this machine.",
    )
    parser.add_argument("--version", action="version", version=f"triage {triage.__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True, parser_class=_Parser)
    for module in COMMANDS:
        command = commands.add_parser(
            module.NAME,
            help=module.HELP,
            description=module.HELP[0].upper() + module.HELP[1:] + ".",
            epilog=module.EXAMPLES,
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        module.add_arguments(command)
        command.set_defaults(run=module.run)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command.

    Answers go to standard output, remarks and errors to standard error.

    Returns
    -------
    int
        0 when all went well, 2 when something was refused, 130 after Ctrl-C.
    """
    arguments = build_parser().parse_args(argv)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            # A terminal that lacks a sign should show '?' rather than end the program.
            stream.reconfigure(errors="replace")
    with warnings.catch_warnings():
        warnings.simplefilter("always", TriageWarning)
        warnings.showwarning = _show_warning(warnings.showwarning)
        try:
            code = arguments.run(arguments)
            sys.stdout.flush()
            return code
        except TriageError as error:
            print(error_line(str(error)), file=sys.stderr)
            return REFUSED
        except KeyboardInterrupt:
            print(error_line("stopped"), file=sys.stderr)
            return INTERRUPTED
        except BrokenPipeError:
            # The reader ('| head') has seen enough; keep the interpreter from complaining when it closes the pipe.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            return BROKEN_PIPE


def _show_warning(fallback):
    def show(message, category, filename, lineno, file=None, line=None):
        if issubclass(category, TriageWarning):
            print(remark_line(str(message)), file=sys.stderr)
        else:
            fallback(message, category, filename, lineno, file, line)

    return show


if __name__ == "__main__":
    sys.exit(main())
