"""Hatch cards for the tubs: several to a page, each with what the records support and a code that holds the animal's id."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass

import segno
from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas

from triage.workflow.label import SaleLabel

_COLUMNS, _ROWS = 2, 5
_MORE = "and more than fits here: see 'triage label'"
_FONT, _BOLD, _SIZE = "Helvetica", "Helvetica-Bold", 8.5


@dataclass(frozen=True, slots=True)
class Card:
    """One card. `lines` below the title; `id` is what the code holds."""

    id: str
    title: str
    lines: tuple[str, ...]


def cards_of(labels: Sequence[SaleLabel]) -> tuple[Card, ...]:
    """A card for each label: nothing on it that the records do not support."""
    return tuple(
        Card(one.id, one.name, (one.text or f"no label yet: {one.reason}", *one.lines)) for one in labels
    )


def cards_pdf(cards: Sequence[Card]) -> bytes:
    """The cards as a PDF of A4 pages, ten to a page, with lines to cut along."""
    file = io.BytesIO()
    canvas = Canvas(file, pagesize=A4, invariant=True)
    canvas.setTitle("Hatch cards")
    page_width, page_height = A4
    width, height = (page_width - 20 * mm) / _COLUMNS, (page_height - 20 * mm) / _ROWS
    for number, card in enumerate(cards):
        place = number % (_COLUMNS * _ROWS)
        if place == 0 and number:
            canvas.showPage()
        x = 10 * mm + place % _COLUMNS * width
        y = page_height - 10 * mm - (place // _COLUMNS + 1) * height
        _draw(canvas, card, x, y, width, height)
    canvas.showPage()
    canvas.save()
    return file.getvalue()


def _draw(canvas: Canvas, card: Card, x: float, y: float, width: float, height: float) -> None:
    canvas.setLineWidth(0.3)
    canvas.setDash(2, 2)
    canvas.rect(x, y, width, height)
    canvas.setDash()
    code = segno.make_qr(card.id, error="m")
    side = 24 * mm
    modules = [list(row) for row in code.matrix_iter(border=2)]
    step = side / len(modules)
    left, top = x + width - side - 3 * mm, y + height - 3 * mm
    for row, line in enumerate(modules):
        for column, dark in enumerate(line):
            if dark:
                canvas.rect(left + column * step, top - (row + 1) * step, step, step, stroke=0, fill=1)
    text_width = width - side - 9 * mm
    canvas.setFont(_BOLD, 12)
    canvas.drawString(x + 3 * mm, y + height - 8 * mm, _shortened(card.title, _BOLD, 12, text_width))
    canvas.setFont(_FONT, _SIZE)
    below = y + height - 14 * mm
    parts: list[tuple[float, str]] = []
    for line in card.lines:
        for part in wrapped(line, text_width if below > top - side else width - 6 * mm):
            parts.append((below, part))
            below -= 4 * mm
    shown = [one for one in parts if one[0] > y + 6 * mm]
    if len(shown) < len(parts):  # a kink must not fall off the card unseen
        shown[-1] = (shown[-1][0], _MORE)
    for height_at, part in shown:
        canvas.drawString(x + 3 * mm, height_at, part)
    canvas.setFont(_FONT, 6.5)
    canvas.drawString(x + 3 * mm, y + 2.5 * mm, card.id)


def wrapped(text: str, width: float) -> list[str]:
    """Lines of the card's font that fit `width` points."""
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if stringWidth(longer, _FONT, _SIZE) <= width or not lines[-1]:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def _shortened(text: str, font: str, size: float, width: float) -> str:
    while stringWidth(text, font, size) > width and len(text) > 1:
        text = text[:-1]
    return text
