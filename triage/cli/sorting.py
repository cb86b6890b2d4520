"""``triage demo``, ``sort``, ``keep`` and ``evidence``: a clutch in, trays with reasons out."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import click

from triage.cli.command import answer, as_json, chance, command, counted, named, with_ids, write_new
from triage.cli.output import print_answer, print_json, progress_bar, remark
from triage.errors import SheetError, TriageError, UnknownNameError


def _bars(function: Callable) -> Callable:
    """The keeper's own bars, as every command that sorts a clutch takes them."""
    for option in (
        click.option("--hold-gene", multiple=True, metavar="GENE",
                     help="a gene worth the years that proving takes; may be given several times (any gene)"),
        click.option("--hold-chance", type=chance, metavar="P", help="smallest chance of a hidden gene worth proving (60%)"),
        click.option("--threshold", type=chance, metavar="P", help="chance at which a call is settled for the label (95%)"),
    ):  # fmt: skip
        function = option(function)
    return function


@command("demo", "  triage demo\n  triage demo --json\n")
@_bars
@as_json
def demo(as_json: bool, **bars) -> None:
    """Sort the demo clutch: invented animals, rendered photos."""
    from triage.workflow.demo import demo_sheet_path

    path = demo_sheet_path()
    _print(_sorted(_sheet(str(path), path.name), bars), as_json)


SORT_EXAMPLES = """\
  triage sort clutch.yaml
  triage sort clutch.yaml --json > answer.json
  triage sort - --threshold 99% < clutch.yaml
  triage sort clutch.yaml --hold-gene clown --hold-chance 50%
  triage sort 2031-4
"""


@command("sort", SORT_EXAMPLES)
@click.argument("what", type=click.Path(), help="a clutch sheet (YAML), - for standard input, or a clutch of the records by its name")
@_bars
@as_json
def sort(what: str, as_json: bool, **bars) -> None:
    """Sort the hatchlings of a clutch into trays, with reasons."""
    from_sheet = what == "-" or os.path.exists(what)
    _print(_sorted(_sheet(what), bars) if from_sheet else _recorded_sorted(what, bars), as_json)


KEEP_EXAMPLES = """\
  triage keep clutch.yaml --name 2031-4 --hatched 2031-08-01
"""


@command("keep", KEEP_EXAMPLES)
@click.argument("sheet", type=click.Path(), help="the clutch sheet (YAML), or - for standard input")
@click.option("--name", help="name of the clutch in the records (the sheet's file name)")
@click.option("--laid", metavar="DATE", help="when it was laid, if the sheet does not say")
@click.option("--hatched", metavar="DATE", help="when it hatched")
@click.option("--again", is_flag=True, help="enter it even if the same eggs are in the records already")
@_bars
@with_ids
@as_json
def keep(sheet: str, name: str | None, laid: str | None, hatched: str | None, again: bool, ids: bool, as_json: bool, **bars) -> None:
    """Sort a clutch sheet and keep everything in the records."""
    from triage.workflow.book import open_archive, open_photos
    from triage.workflow.keep import keep_clutch

    report = _sorted(_sheet(sheet, None if sheet == "-" else Path(sheet).name), bars)
    days = {"laid": laid, "hatched": hatched}
    kept = keep_clutch(open_archive(), open_photos(), report, name=name, again=again, marked_as=report.sheet.name, **days)
    for one in kept.remarks:
        remark(one)
    trays = {egg.label: egg.tray.value for egg in report.eggs}
    data = {"clutch": kept.clutch, "eggs": kept.eggs, "parents": kept.parents, "photos": kept.photos, "trays": trays}
    title = named(name or report.sheet.name, kept.clutch, ids)
    lines = [f"{title}: {counted(len(kept.eggs), 'egg')} and {counted(kept.photos, 'photo')} kept"]
    lines += [f"  {named(label, id, ids)}  {trays.get(label, 'did not hatch')}" for label, id in kept.eggs.items()]
    lines.append("  parents: " + ", ".join(named(parent, id, ids) for parent, id in kept.parents.items()))
    answer(data, lambda _: "\n".join(lines), as_json=as_json)


EVIDENCE_EXAMPLES = """\
  triage evidence clutch.yaml A4 --to a4.png
  triage evidence clutch.yaml A4 --for "pastel enchi" --against pastel --to a4.png
"""


@command("evidence", EVIDENCE_EXAMPLES)
@click.argument("sheet", type=click.Path(), help="the clutch sheet (YAML)")
@click.argument("label", help="the label of the hatchling")
@click.option("--for", "call", metavar="CALL", help="the call that the evidence is for (the likeliest)")
@click.option("--against", "other", metavar="CALL", help="the call it is weighed against (the next likeliest)")
@click.option("--to", "target", type=click.Path(path_type=Path), required=True, metavar="FILE",
              help="PNG to write: the photo with the evidence on it")  # fmt: skip
@as_json
def evidence(sheet: str, label: str, call: str | None, other: str | None, target: Path, as_json: bool) -> None:
    """Show where in a photo the evidence for one call over another lies."""
    from triage.workflow.evidence_view import find_clutch_evidence

    view = find_clutch_evidence(_sorted(_sheet(sheet)), label, call, other)
    write_new(target, view.overlay)
    data = {"label": view.label, "photo": view.photo, "call": view.call, "against": view.other, "log_ratio": view.difference,
            "look_for": view.look_for, "overlay": str(target)}  # fmt: skip
    lines = [
        f"{view.label}, photo {view.photo}: the photo alone {view.favours}.",
        *([f"Look for: {view.look_for}"] if view.look_for else []),
        f"{target}: {view.colours}.",
    ]
    answer(data, lambda _: "\n".join(lines), as_json=as_json)


def _sheet(where: str, name: str | None = None):
    from triage.workflow.book import keepers_species
    from triage.workflow.sheet import load_sheet

    if where == "-":
        return load_sheet(text=_standard_input(), name="standard input", species_named=keepers_species)
    return load_sheet(Path(where), name=name or where, species_named=keepers_species)


def _standard_input() -> str:
    from triage.workflow.nodes import MOST_BYTES

    try:
        return sys.stdin.read(MOST_BYTES + 1)
    except UnicodeDecodeError:
        raise SheetError("standard input: not text in UTF-8; needed: a clutch sheet, see README.md") from None


def _sorted(sheet, bars: dict | None = None):
    from triage.workflow.eye import keepers_settings
    from triage.workflow.sort import sort_clutch

    with progress_bar("reading photos") as progress:
        return sort_clutch(sheet, settings=_settings(keepers_settings(), sheet.species, **(bars or {})), progress=progress)


def _recorded_sorted(name: str, bars: dict):
    """A clutch of the records, sorted with the bars of its last sort where none are given."""
    from triage.workflow.book import Book, open_archive, open_photos
    from triage.workflow.names import find_in
    from triage.workflow.recorded import Clutches
    from triage.workflow.sort_again import sort_recorded

    archive = open_archive()
    book = Book.of(archive)
    try:
        entry = find_in(book, name, ("clutch",))
    except UnknownNameError as error:
        raise UnknownNameError(f"{name}: no such file; {error}") from None
    settings = _settings(Clutches(book).settings(entry.id), book.species(entry.id), **bars)
    return sort_recorded(archive, entry, settings=settings, files=open_photos())


def _settings(usual, species, *, threshold: float | None = None, hold_chance: float | None = None, hold_gene: tuple[str, ...] = ()):
    """The usual settings with the bars that were given."""
    genes = frozenset(_gene(species, name) for name in hold_gene)
    given = {"label_threshold": threshold, "hold_chance": hold_chance, "hold_genes": genes or None}
    return replace(usual, **{name: value for name, value in given.items() if value is not None})


def _gene(species, name: str) -> str:
    from triage.species.explain import GeneExplanation, explain

    try:
        found = explain(species, name)
    except TriageError as error:
        raise UnknownNameError(f"--hold-gene {name}: {error}") from None
    if not isinstance(found, GeneExplanation):
        raise UnknownNameError(f"--hold-gene {name}: that is more than one gene; needed: one gene, the option once for each")
    return found.name


def _print(report, as_json: bool) -> None:
    from triage.cli.clutch_table import print_clutch
    from triage.workflow.answers.as_json import to_json

    if as_json:
        print_json(to_json(report))
    else:
        print_answer(lambda console: print_clutch(report, console))
