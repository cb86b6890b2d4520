"""Where the command line writes, and how it words errors, remarks and JSON."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, TextIO

from triage.signs import escaped_json, shown

if TYPE_CHECKING:
    from rich.console import Console


def print_lines(text: str, file: TextIO | None = None) -> None:
    """Print lines (on standard output), none of their signs obeyed by the terminal."""
    print(shown(text, keep="\n\t"), file=file or sys.stdout)


def print_answer(draw: Callable[[Console], None]) -> None:
    """Print what ``draw`` draws with ``layout.Text``: in colour only on a terminal, and only where ``NO_COLOR`` is not set."""
    from rich.console import Console

    console = Console(file=sys.stdout, highlight=False, markup=False, emoji=False)
    with console.capture() as captured:
        draw(console)
    # Cells are padded to their width: spaces at the end of a line would only spoil what is copied or compared.
    print("\n".join(line.rstrip() for line in captured.get().splitlines()))


def error_line(message: str) -> str:
    """An error as one line, whatever it holds."""
    return f"triage: {_one_line(message)}"


def remark(message: str) -> None:
    """Say something beside the answer, as one line on standard error."""
    print(f"triage, remark: {_one_line(message)}", file=sys.stderr)


def print_json(answer: dict) -> None:
    """An answer as JSON on standard output; not-a-number is a mistake of this program and refused."""
    print(escaped_json(json.dumps(answer, ensure_ascii=False, indent=2, allow_nan=False)))


@contextmanager
def progress_bar(what: str) -> Iterator[Callable[[int, int], None]]:
    """A bar on standard error that appears with the first report of ``(done, total)`` and goes when all is done.

    Nothing is drawn where standard error is no terminal.
    """
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    console = Console(file=sys.stderr, highlight=False, markup=False, emoji=False)
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as progress:
        task = progress.add_task(what, total=None, visible=False)

        def report(done: int, total: int) -> None:
            progress.update(task, completed=done, total=total, visible=True)

        yield report


def _one_line(message: str) -> str:
    return shown("; ".join(part.strip() for part in message.split("\n") if part.strip()))
