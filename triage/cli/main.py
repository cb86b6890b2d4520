"""Entry point of the ``triage`` command."""

from __future__ import annotations

import os
import sys
import warnings
from collections.abc import Sequence

import click
from click.shell_completion import shell_complete

import triage
from triage.cli import app, completion, entries, eye, genes, hatch, known, plan, sorting, suspicions, today, upkeep
from triage.cli.command import InOrder
from triage.cli.output import error_line, remark
from triage.errors import TriageError, TriageWarning

OK, REFUSED, INTERRUPTED, BROKEN_PIPE = 0, 2, 130, 141


cli = InOrder(
    "triage",
    help="Sort a clutch of colour-morph snake hatchlings: what each one is, how sure that is, and why.",
    epilog="Start with 'triage demo'. Nothing leaves this machine.",
    no_args_is_help=False,
    context_settings={"help_option_names": ["-h", "--help"]},
    commands=[
        sorting.demo, sorting.sort, sorting.keep, sorting.evidence, genes.genes, entries.gene, hatch.hatch, app.app,
        entries.animal, entries.pair, entries.clutch, entries.egg, upkeep.read, entries.call, entries.trait, entries.hold,
        today.today, known.known, suspicions.suspicions, eye.eye, plan.plan, entries.outcome, entries.laboratory, known.label,
        entries.note,
        upkeep.history, upkeep.undo, upkeep.export, upkeep.import_, upkeep.backup, upkeep.restore, upkeep.verify,
        completion.completion,
    ],
)  # fmt: skip
click.version_option(triage.__version__, message="%(prog)s %(version)s")(cli)


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command.

    Answers go to standard output, remarks and errors to standard error.

    Returns
    -------
    int
        0 when all went well, 1 when it was done and something is damaged or missing, 2 when something was refused, 130 after Ctrl-C, 141 when
        nobody reads the answer.
    """
    asked = os.environ.get(completion.VARIABLE)
    if asked:
        return shell_complete(cli, {}, cli.name, completion.VARIABLE, asked)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            # A terminal that lacks a sign should show '?' rather than end the program.
            stream.reconfigure(errors="replace")
    with warnings.catch_warnings():
        warnings.simplefilter("always", TriageWarning)
        warnings.showwarning = _show_warning(warnings.showwarning)
        try:
            code = _run(sys.argv[1:] if argv is None else argv)
            sys.stdout.flush()
            return code
        except click.UsageError as error:
            where = error.ctx.command_path if error.ctx else cli.name
            said = error.format_message().rstrip(".")
            print(error_line(f"{said[0].lower()}{said[1:]}; see '{where} --help'"), file=sys.stderr)
            return REFUSED
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
        except OSError as error:
            where = f"{error.filename}: " if error.filename else ""
            print(error_line(f"{where}{error.strerror or error}; needed: a place that is there, yours, and not full"), file=sys.stderr)
            return REFUSED


def _run(words: Sequence[str]) -> int:
    """Run a command outside of click's own ``main``, which words errors and exit codes its own way."""
    try:
        with cli.make_context(cli.name, list(words)) as context:
            return cli.invoke(context) or OK
    except click.exceptions.Exit as stop:  # after --help and --version
        return stop.exit_code


def _show_warning(fallback):
    said = set()

    def show(message, category, filename, lineno, file=None, line=None):
        if issubclass(category, TriageWarning):
            if str(message) not in said:  # the records may be opened several times over by one command
                remark(str(message))
            said.add(str(message))
        else:
            fallback(message, category, filename, lineno, file, line)

    return show


if __name__ == "__main__":
    sys.exit(main())
