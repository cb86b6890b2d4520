"""A sorted clutch as text for a terminal, a pipe or a file."""

from __future__ import annotations

from rich import box
from rich.console import Console
from rich.table import Table

from triage.cli.layout import Text, heading, item, paragraph
from triage.proving.chances import percent
from triage.proving.trays import Tray
from triage.workflow.answers.report import ClutchReport, EggReport, StruckOut
from triage.workflow.answers.wording import (
    against_the_records,
    animal_text,
    headline,
    likely_sires,
    own_struck_out,
    rests_on_text,
    sex_mark,
    shared_reasons,
    shortlist_text,
    shown_calls,
    sires_text,
    tray_counts,
)

#: Colour repeats what the word says and never says more.
_TRAY_STYLE = {
    Tray.LABEL: "green",
    Tray.LOOK_AGAIN: "cyan",
    Tray.HOLD_BACK: "yellow",
    Tray.CHECK_PARENTS: "red",
}
_CALLS_PER_EGG = 3
#: From this width on there is room for a bar beside the numbers.
_WIDTH_FOR_BARS = 100
_BAR_WIDTH = 20


def print_clutch(report: ClutchReport, console: Console) -> None:
    """Print the clutch: parents, one row of calls per hatchling, reasons, news of the parents, luck, notes."""
    _print_cross(report, console)
    if report.eggs:
        console.print(_overview(report, console.width))
    else:
        paragraph(console, "No egg of this clutch hatched.", indent=2)
    shared = shared_reasons(report)
    if report.eggs:
        heading(console, "Why")
    for egg in report.eggs:
        _print_reasons(egg, own_struck_out(egg, shared), console)
    if shared:
        heading(console, "Struck out")
        for one in shared:
            item(console, "- ", one.reason, indent=2)
            calls = ", ".join(f"{call} ({' '.join(labels)})" for call, labels in one.calls.items())
            item(console, "so not: ", calls, indent=4)
    heading(console, "What the clutch says of the parents")
    for parent in report.parents:
        for line in parent.news or ("nothing new",):
            item(console, f"{parent.role} {parent.name}: ", line, indent=2)
    if report.luck:
        console.print()
        paragraph(console, report.luck, indent=0)
    if report.notes:
        heading(console, "Keep in mind")
        for note in report.notes:
            item(console, "- ", note, indent=2)


def _print_cross(report: ClutchReport, console: Console) -> None:
    console.print(Text(report.cross.species.name.capitalize(), style="bold"))
    item(console, "dam    ", animal_text(report.cross, report.cross.dam), indent=2)
    word = "sire   " if len(report.cross.sires) == 1 else "sires  "
    item(console, word, sires_text(report.cross), indent=2)
    counts = ", ".join(f"{tray} {n}" for tray, n in tray_counts(report) if n)
    item(console, "trays  ", counts, indent=2)
    console.print()


def _overview(report: ClutchReport, width: int) -> Table:
    several_sires = len(report.cross.sires) > 1
    bars = width >= _WIDTH_FOR_BARS
    call_width = _call_column_width(report, width, bars=bars, several_sires=several_sires)
    table = Table(box=box.HORIZONTALS, show_lines=True, pad_edge=False, padding=(0, 1, 0, 0), header_style="bold")
    table.add_column("Egg", no_wrap=True)
    table.add_column("Tray", no_wrap=True)
    table.add_column("Likeliest calls", width=call_width)
    if bars:
        table.add_column("parents alone at |", no_wrap=True)
    table.add_column("Now", justify="right", no_wrap=True)
    table.add_column("Parents\nalone", justify="right", no_wrap=True)
    if several_sires:
        table.add_column("Sire", min_width=12)
    for egg in report.eggs:
        table.add_row(*_row(egg, bars=bars, several_sires=several_sires, call_width=call_width))
    return table


def _call_column_width(report: ClutchReport, width: int, *, bars: bool, several_sires: bool) -> int:
    """Room for a call, so that a long one is cut into lines here and its numbers stay on its first line."""
    margin, egg, tray, now, alone = 2, 5, 13, 9, 9
    columns = [egg, tray, now, alone]
    if bars:
        columns.append(_BAR_WIDTH)
    if several_sires:
        columns.append(max(len(line) for e in report.eggs for line in _sire_lines(e) or [""]))
    left = width - sum(column + margin for column in columns) - margin
    return max(16, min(36, left))


def _sire_lines(egg: EggReport) -> list[str]:
    return [f"{name} {percent(p).replace('over ', '>')}" for name, p in likely_sires(egg.sires)]


def _row(egg: EggReport, *, bars: bool, several_sires: bool, call_width: int) -> list[Text]:
    shown = shown_calls(egg, at_most=_CALLS_PER_EGG)
    calls, drawn, now, alone = Text(), Text(), Text(), Text()
    if egg.reads_as or not egg.calls:
        lines = Text(headline(egg), style="bold").wrap(None, call_width)
        calls.append_text(Text("\n").join(lines)).append("\n")
        for column in (drawn, now, alone):
            column.append("\n" * len(lines))
    for chance in shown.calls:
        name = Text(chance.call.name, style="bold" if chance is shown.calls[0] and not egg.reads_as else "")
        if chance is shown.calls[0] and egg.trade_name:
            name.append(f" ({egg.trade_name})", style="not bold")
        lines = name.wrap(None, call_width)
        gap = "\n" * len(lines)
        calls.append_text(Text("\n").join(lines)).append("\n")
        drawn.append(bar(chance.probability, chance.parents_only, _BAR_WIDTH) + gap)
        now.append(percent(chance.probability) + gap)
        alone.append(percent(chance.parents_only) + gap)
    if shown.n_more:
        calls.append(f"{shown.n_more} more", style="dim")
        now.append(percent(shown.p_more), style="dim")
    sires = Text("\n".join(_sire_lines(egg)))
    first = Text(egg.label, style="bold").append(f"\n{sex_mark(egg.sex)}", style="dim not bold")
    columns = [first, Text(str(egg.tray), style=_TRAY_STYLE[egg.tray]), calls, drawn, now, alone, sires]
    for text in columns:
        text.rstrip()
    keep = [True, True, True, bars, True, True, several_sires]
    return [text for text, kept in zip(columns, keep, strict=True) if kept]


def bar(probability: float, parents_only: float, width: int) -> str:
    """A bar of ``width`` signs for a probability, with a tick where the parents alone would put it.

    >>> bar(0.5, 0.25, 8)
    '██|█····'
    """
    filled = round(probability * width)
    signs = ["█" if i < filled else "·" for i in range(width)]
    signs[min(width - 1, int(parents_only * width))] = "|"
    return "".join(signs)


def _print_reasons(egg: EggReport, struck_out: tuple[StruckOut, ...], console: Console) -> None:
    head = Text(f"{egg.label}  ", style="bold").append(str(egg.tray), style=_TRAY_STYLE[egg.tray])
    if egg.rests_on:
        head.append(f"  (rests on {rests_on_text(egg)})", style="dim not bold")
    paragraph(console, head, indent=2)
    for reason in egg.reasons:
        item(console, "- ", reason, indent=6)
    for remark in egg.photo_remarks:
        item(console, "photo: ", remark, indent=6)
    if egg.shortlist:
        item(console, "photo and parents leave: ", shortlist_text(egg), indent=6)
    for alternative in egg.alternatives:
        item(console, f"{alternative.explanation}: ", against_the_records(alternative.bayes_factor), indent=6)
    for hint in egg.look_for:
        item(console, "look for: ", hint, indent=6)
    if egg.moved_by:
        item(console, "moved most by: ", "; ".join(egg.moved_by), indent=6)
    if egg.sharing:
        item(console, "sharing: ", egg.sharing, indent=6)
    if egg.label_text:
        item(console, "label: ", egg.label_text, indent=6)
    if struck_out:
        paragraph(console, "struck out:", indent=6)
        _print_struck_out(struck_out, console, indent=8)
    for caution in egg.cautions:
        item(console, "caution: ", caution, indent=6)


def _print_struck_out(struck_out: tuple[StruckOut, ...], console: Console, *, indent: int) -> None:
    for one in struck_out:
        item(console, f"{one.call}: ", one.reason, indent=indent)
