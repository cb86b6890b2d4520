"""What commands share: how one is made, the options that several take, and an answer as words or as JSON."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import click

from triage.cli.output import print_json, print_lines
from triage.errors import StorageError
from triage.outputs import written_whole
from triage.records import Range
from triage.storage.kinds import CHANCE

as_json = click.option("--json", "as_json", is_flag=True, help="print the answer as JSON")
with_ids = click.option("--ids", is_flag=True, help="show identifiers beside the names")


class InOrder(click.Group):
    """Lists its commands in the order in which they were given."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self.commands)


class SpeciesOption(click.Option):
    """The species, the usual one where none is named; its name is looked up when it is needed, not before."""

    def get_default(self, ctx: click.Context, call: bool = True) -> str:
        from triage.species import usual_species

        return usual_species()


species_option = click.option("--species", cls=SpeciesOption, metavar="NAME", show_default=True, help="the species")


def command(name: str, examples: str, **more) -> Callable[[Callable], click.Command]:
    """Makes a function a command: its docstring is the help, and the examples stand below it as they were written."""

    def make(function: Callable) -> click.Command:
        said = function.__doc__.strip()
        return click.command(name, help=said, short_help=said.rstrip("."), epilog=verbatim(examples), **more)(function)

    return make


def verbatim(examples: str) -> str:
    """Examples as help text that is not wrapped."""
    return f"\b\nexamples:\n{examples}"


def answer(data: dict, say: Callable[[dict], str], *, as_json: bool) -> None:
    """Print an answer as JSON, or in the words that `say` finds for it."""
    if as_json:
        print_json({"format": 1, **data})
    else:
        print_lines(say(data))


def chance(text: str) -> float:
    """A probability typed as ``0.95`` or ``95%``.

    >>> chance("95%"), chance("0.6")
    (0.95, 0.6)
    """
    number = text.strip().removesuffix("%").strip()
    try:
        value = float(number) / (100 if text.strip().endswith("%") else 1)
    except ValueError:
        value = -1.0
    if not CHANCE.holds(value):
        raise click.BadParameter(f"'{text}' is no chance; needed: 0 to 1, or 0% to 100%")
    return value


def number_in(allowed: Range) -> Callable[[str | float], float]:
    """The type of an option that takes a number of a range."""

    def read(text: str | float) -> float:
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not allowed.holds(value):
            raise click.BadParameter(f"'{text}'; needed: {allowed.words}")
        return value

    return read


def named_number(text: str, option: str, allowed: Range) -> tuple[str, float]:
    """Name and number typed as ``het clown=0.5``."""
    name, _, number = text.rpartition("=")
    try:
        value = float(number) if name else math.nan
    except ValueError:
        value = math.nan
    if not allowed.holds(value):
        raise StorageError(f"{option} {text}: no number behind a '='; needed: NAME=NUMBER, such as 'het clown=0.5', {allowed.words}")
    return name, value


def named(name: str, id: str, ids: bool) -> str:
    """A name, with its identifier where that is asked for."""
    return f"{name}  ({id})" if ids else name


def counted(n: int, word: str) -> str:
    """A number with its word.

    >>> counted(1, "change"), counted(7, "photo")
    ('1 change', '7 photos')
    """
    return f"{n} {word}" if n == 1 else f"{n} {word}s"


def write_new(path: Path, data: bytes) -> None:
    """Write a file that is not there yet; StorageError where it is, or where it cannot be written."""
    with written_whole(path, error=StorageError) as file:
        file.write(data)
