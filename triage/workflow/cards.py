"""Hatch cards and work slips for the tubs: several to a page, each with what the records support, a code that holds the animal's id,
and a small photo."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass

import segno
from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm
from reportlab.lib.utils import ImageReader
from reportlab.pdfgen.canvas import Canvas

from triage.storage.photo_files import PhotoFiles
from triage.workflow.book import Book
from triage.workflow.label import SaleLabel
from triage.workflow.newest_photo import newest_photo
from triage.workflow.writing import Style, wrapped, write

_COLUMNS, _ROWS = 2, 5
_WIDTH, _HEIGHT = (A4[0] - 20 * mm) / _COLUMNS, (A4[1] - 20 * mm) / _ROWS
_MARGIN, _CODE, _FOOT = 3 * mm, 24 * mm, 6 * mm
#: Letters shrink to the last of these before a card goes on on another.
_SCALES = (1.0, 0.85, 0.7)
_TITLE, _TEXT, _ID = 12.0, 8.5, 6.5
_PHOTO_PX = 280  # about 300 to the inch

#: A line of a card: how far its base is below the upper edge, in points, and what is written there.
Line = tuple[float, str, Style]


@dataclass(frozen=True, slots=True)
class Card:
    """One card. `lines` below the title; `id` is what the code holds; `photo` is a square JPEG, or nothing."""

    id: str
    title: str
    lines: tuple[str, ...]
    photo: bytes = b""


def cards_of(labels: Sequence[SaleLabel], book: Book | None = None, files: PhotoFiles | None = None) -> tuple[Card, ...]:
    """A hatch card for each label, nothing on it that the records do not support; a work slip with what is open where there is none.

    With the `book` and the `files` of the records each has its animal's newest photo.
    """
    return tuple(
        Card(one.id, one.name if one.text else f"Work slip: {one.name}", (one.text or f"no label yet: {one.reason}", *one.lines),
             newest_photo(book, files, one.id, _PHOTO_PX) if book and files else b"")
        for one in labels
    )  # fmt: skip


def cards_pdf(cards: Sequence[Card]) -> bytes:
    """The cards as a PDF of A4 pages, ten to a page, with lines to cut along; what does not fit on one goes on on the next."""
    file = io.BytesIO()
    canvas = Canvas(file, pagesize=A4, invariant=True)
    canvas.setTitle("Hatch cards")
    for number, (card, lines) in enumerate((card, lines) for card in cards for lines in laid_out(card)):
        place = number % (_COLUMNS * _ROWS)
        if place == 0 and number:
            canvas.showPage()
        x = 10 * mm + place % _COLUMNS * _WIDTH
        top = A4[1] - 10 * mm - place // _COLUMNS * _HEIGHT
        _draw_frame(canvas, card, x, top)
        for below, text, style in lines:
            write(canvas, x + _MARGIN, top - below, text, style)
    canvas.showPage()
    canvas.save()
    return file.getvalue()


def laid_out(card: Card) -> list[list[Line]]:
    """The lines of a card, of several cards where one is too small for its smallest letters: all of its words, beside the code."""
    for scale in _SCALES:
        lines = _lines(card.title, card.lines, scale, all_beside_code=bool(card.photo))
        if lines[-1][0] <= _HEIGHT - _FOOT:
            return [lines]
    found, rest = [], _lines(card.title, card.lines, _SCALES[-1], all_beside_code=True)
    while rest:
        shift = rest[0][0] - _MARGIN - rest[0][2].leading
        fitting = [(below - shift, text, style) for below, text, style in rest if below - shift <= _HEIGHT - _FOOT]
        found.append(fitting)
        rest = rest[len(fitting) :]
    return found


def _lines(title: str, texts: Sequence[str], scale: float, *, all_beside_code: bool = False) -> list[Line]:
    found: list[Line] = []
    below = _MARGIN
    for text, style in ((title, Style(_TITLE * scale, bold=True)), *((text, Style(_TEXT * scale)) for text in texts)):
        beside_code = all_beside_code or below < _MARGIN + _CODE
        for part in wrapped(text, style, _WIDTH - 2 * _MARGIN - (_CODE + _MARGIN if beside_code else 0)):
            below += style.leading
            found.append((below, part, style))
    return found


def _draw_frame(canvas: Canvas, card: Card, x: float, top: float) -> None:
    """The edge to cut along, the id, the code that holds it, and the photo below that."""
    canvas.setLineWidth(0.3)
    canvas.setDash(2, 2)
    canvas.rect(x, top - _HEIGHT, _WIDTH, _HEIGHT)
    canvas.setDash()
    modules = [list(row) for row in segno.make_qr(card.id, error="m").matrix_iter(border=2)]
    step = _CODE / len(modules)
    left = x + _WIDTH - _CODE - _MARGIN
    for row, line in enumerate(modules):
        for column, dark in enumerate(line):
            if dark:
                canvas.rect(left + column * step, top - _MARGIN - (row + 1) * step, step, step, stroke=0, fill=1)
    if card.photo:
        canvas.drawImage(ImageReader(io.BytesIO(card.photo)), left, top - _MARGIN - 2 * _CODE - 1 * mm, _CODE, _CODE)
    write(canvas, x + _MARGIN, top - _HEIGHT + 2.5 * mm, card.id, Style(_ID))
