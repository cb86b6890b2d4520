"""Words on paper in any script: wrapped and shrunk to fit, never cut.

What plain left-to-right letters can write goes to the page as text. Everything else is shaped by Pillow (its wheels bring HarfBuzz
and FriBidi) and goes there as a picture: reportlab neither joins Arabic letters nor turns Hebrew round.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from itertools import groupby
from math import ceil
from pathlib import Path

from PIL import Image, ImageDraw, ImageFont
from reportlab.lib.utils import ImageReader
from reportlab.pdfbase.pdfmetrics import getFont, registerFont, stringWidth
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from triage.signs import shown

_FOLDER = Path(__file__).with_name("fonts")
_PLAIN, _BOLD = "DejaVuSans", "DejaVuSans-Bold"
#: They have a sign for nearly every code up to 0xFFFF, and for many above it.
_FURTHER = {False: "unifont.otf", True: "unifont_upper.otf"}
_DOTS_HIGH = 64  # letters drawn as a picture
#: Classes of letters that stand one behind the other without being joined or turned (Unicode Standard Annex 9).
_LEFT_TO_RIGHT = frozenset({"L", "EN", "ES", "ET", "CS", "ON", "WS"})


@dataclass(frozen=True, slots=True)
class Style:
    """Letters of one size in points."""

    size: float
    bold: bool = False

    @property
    def leading(self) -> float:
        """From one line to the next."""
        return 1.3 * self.size


def wrapped(text: str, style: Style, width: float) -> list[str]:
    """Lines that fit `width` points, all of the text in order; a word that is longer than a line is broken."""
    lines: list[str] = []
    for word in shown(text).split() or [""]:
        if lines and width_of(longer := f"{lines[-1]} {word}", style) <= width:
            lines[-1] = longer
        else:
            lines += _broken(word, style, width)
    return lines


def _broken(word: str, style: Style, width: float) -> Iterator[str]:
    part = ""
    for sign in word:
        if part and not unicodedata.combining(sign) and width_of(part + sign, style) > width:
            yield part
            part = ""
        part += sign
    yield part


def width_of(text: str, style: Style) -> float:
    """Width in points."""
    if _is_plain(text):
        return stringWidth(text, _registered(style.bold), style.size)
    return sum(_shaping(font).getlength(run) for font, run in _runs(text)) * style.size / _DOTS_HIGH


def write(canvas: Canvas, x: float, y: float, text: str, style: Style) -> None:
    """Write one line with its base at (`x`, `y`)."""
    if _is_plain(text):
        canvas.setFont(_registered(style.bold), style.size)
        canvas.drawString(x, y, text)
        return
    scale = style.size / _DOTS_HIGH
    for name, run in _runs(text):
        font = _shaping(name)
        left, top, right, bottom = font.getbbox(run, anchor="ls")
        if right > left and bottom > top:
            picture = Image.new("L", (ceil(right - left), ceil(bottom - top)), 255)
            ImageDraw.Draw(picture).text((-left, -top), run, fill=0, font=font, anchor="ls")
            across, up = picture.width * scale, picture.height * scale
            canvas.drawImage(ImageReader(picture), x + left * scale, y - top * scale - up, across, up)
        x += font.getlength(run) * scale


def _is_plain(text: str) -> bool:
    letters = _letters()
    return all(ord(sign) in letters and unicodedata.bidirectional(sign) in _LEFT_TO_RIGHT for sign in text)


def _runs(text: str) -> list[tuple[str, str]]:
    """The text in parts that one font can write, each with its font."""
    letters = _letters()
    if all(ord(sign) in letters for sign in text):
        return [(f"{_PLAIN}.ttf", text)]
    return [(_FURTHER[beyond], "".join(run)) for beyond, run in groupby(text, lambda sign: ord(sign) > 0xFFFF)]


@cache
def _registered(bold: bool) -> str:
    name = _BOLD if bold else _PLAIN
    registerFont(TTFont(name, _FOLDER / f"{name}.ttf"))
    return name


@cache
def _letters() -> frozenset[int]:
    """The codes that both plain fonts have."""
    return frozenset.intersection(*(frozenset(getFont(_registered(bold)).face.charToGlyph) for bold in (False, True)))


@cache
def _shaping(name: str) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(_FOLDER / name, _DOTS_HIGH)
