"""Headings, paragraphs and hanging lines, for every command that prints text."""

from __future__ import annotations

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text as RichText

from triage.signs import shown

_LONGEST_LEAD = 12


class Text(RichText):
    """Text for a terminal, which obeys none of its signs but the line feed."""

    def __init__(self, text: str = "", *more, **named) -> None:
        super().__init__(shown(text, keep="\n"), *more, **named)

    def append(self, text: str | RichText, style: str | None = None) -> Text:
        return super().append(shown(text, keep="\n") if isinstance(text, str) else text, style)


def heading(console: Console, text: str) -> None:
    """A blank line and a heading."""
    console.print()
    console.print(Text(text, style="bold"))


def paragraph(console: Console, text: str | Text, *, indent: int = 0) -> None:
    """Text wrapped to the width, every line indented."""
    console.print(Padding(text if isinstance(text, Text) else Text(text), (0, 0, 0, indent), expand=False))


def item(console: Console, lead: str, text: str, *, indent: int = 2, lead_width: int | None = None) -> None:
    """A short lead with the text hanging beside it; a long lead runs on into the text."""
    start = Text(lead, style="dim")
    if lead_width is None and len(lead) > _LONGEST_LEAD:
        paragraph(console, start.append(text, style="not dim"), indent=indent)
        return
    grid = Table.grid(padding=0)
    grid.add_column(no_wrap=True, min_width=lead_width)
    grid.add_column()
    grid.add_row(start, Text(text))
    console.print(Padding(grid, (0, 0, 0, indent), expand=False))
