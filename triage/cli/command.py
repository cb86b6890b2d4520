"""A command that answers with data and words, and what such commands share."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from triage.cli.output import print_json
from triage.errors import StorageError


@dataclass(frozen=True)
class RecordCommand:
    """A command with its arguments and what it does."""

    NAME: str
    HELP: str
    EXAMPLES: str
    arguments: Callable[[argparse.ArgumentParser], None]
    act: Callable[[argparse.Namespace], dict]
    say: Callable[[dict], str]

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        self.arguments(parser)
        parser.add_argument("--json", action="store_true", help="print the answer as JSON")

    def run(self, arguments: argparse.Namespace) -> int:
        answer = self.act(arguments)
        if arguments.json:
            print_json({"format": 1, **answer})
        else:
            print(self.say(answer))
        return 1 if answer.get("faults") else 0


def counted(n: int, word: str) -> str:
    """A number with its word.

    >>> counted(1, "change"), counted(7, "photo")
    ('1 change', '7 photos')
    """
    return f"{n} {word}" if n == 1 else f"{n} {word}s"


def percent_words(p: float) -> str:
    """A chance as it is said: "66 %", and never 0 or 100 for what is not certain."""
    return "proven" if p > 1 - 1e-9 else "over 99 %" if p > 0.99 else f"{100 * p:.0f} %" if p >= 0.01 else "under 1 %"


def write_new(path: Path, data: bytes) -> None:
    """Write a file that is not there yet; StorageError where it is, or where it cannot be written."""
    if path.exists():
        raise StorageError(f"{path}: exists already and is not overwritten; name another file")
    try:
        path.write_bytes(data)
    except OSError as error:
        raise StorageError(f"{path}: cannot be written ({error.strerror}); name another folder") from error
