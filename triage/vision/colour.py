"""Bring a photo's colours to neutral by a grey card in the picture.

All arithmetic is in linear light (IEC 61966-2-1); the card gives one gain a channel. Without one colours stay as they are: what is
grey on average cannot be told from a coloured ground.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy import ndimage

from triage.vision.intake import Photo

Corner = tuple[float, float]

_SIDE = 256  # cards are looked for at this length of the longer side
_LEAST_SHARE, _MOST_SHARE = 0.004, 0.15  # of the picture
_FLAT = 6.0  # largest spread within a card, and twice the largest step to a neighbour, of 255
_LEAST_FILL = 0.86  # share of its tightest rectangle that a card fills
_MOST_LONG = 2.4
_MOST_GAIN = 2.5  # channels further apart than this are no light a photo should be taken in


@dataclass(frozen=True)
class Card:
    """A grey card found: its corners as shares of width and height, and its mean colour, linear light (3,)."""

    corners: tuple[Corner, ...]
    colour: NDArray[np.float64]


def to_linear(srgb: NDArray[np.float64]) -> NDArray[np.float64]:
    """sRGB 0..1 to linear light."""
    return np.where(srgb < 0.04045, srgb / 12.92, ((np.maximum(srgb, 0.04045) + 0.055) / 1.055) ** 2.4)


def to_srgb(linear: NDArray[np.float64]) -> NDArray[np.float64]:
    """Linear light to sRGB 0..1, clipped."""
    linear = np.clip(linear, 0, 1)
    return np.where(linear < 0.0031308, linear * 12.92, 1.055 * np.maximum(linear, 0.0031308) ** (1 / 2.4) - 0.055)


def find_grey_card(photo: Photo) -> Card | None:
    """The flattest four-sided patch of one colour that lies free in the picture, or None.

    A light's colour is unknown, so the card cannot be known by being grey: it is known by being flat, rectangular, of middle
    brightness and nearer to grey than to a strong colour.
    """
    image = photo.to_image()
    scale = min(1.0, _SIDE / max(image.size))
    small = image.resize((max(1, round(image.width * scale)), max(1, round(image.height * scale))), Image.Resampling.BOX)
    pixels = np.asarray(small, np.float64)
    smooth = ndimage.uniform_filter(pixels, (3, 3, 1))
    step = np.maximum(*(np.abs(ndimage.sobel(smooth, axis)).max(2) / 8 for axis in (0, 1)))
    labels, _ = ndimage.label(step < _FLAT / 2)
    best: tuple[float, Card] | None = None
    height, width = labels.shape
    for number, where in enumerate(ndimage.find_objects(labels), 1):
        if where is None:
            continue
        rows, columns = where
        if rows.start == 0 or columns.start == 0 or rows.stop == height or columns.stop == width:
            continue
        here = labels[where] == number
        share = here.sum() / labels.size
        if not _LEAST_SHARE <= share <= _MOST_SHARE:
            continue
        places = np.argwhere(here)[:, ::-1] + [columns.start, rows.start]
        corners, fill, long = tightest_rectangle(places.astype(np.float64))
        inside = smooth[where][here]
        mean, spread = inside.mean(0), inside.std(0).max()
        linear = to_linear(mean / 255)
        if fill < _LEAST_FILL or long > _MOST_LONG or spread > _FLAT or not 0.03 <= linear.mean() <= 0.6:
            continue
        if linear.max() / max(linear.min(), 1e-3) > _MOST_GAIN:
            continue
        score = fill - 0.02 * spread
        if best is None or score > best[0]:
            shares = tuple((float(x / width), float(y / height)) for x, y in corners)
            best = (score, Card(shares, linear))
    return None if best is None else best[1]


def tightest_rectangle(points: NDArray[np.float64]) -> tuple[NDArray[np.float64], float, float]:
    """Corners (4, 2) of the smallest of 60 turned rectangles around points (n, 2), the share of it they fill, long/short side."""
    found: tuple[float, NDArray[np.float64], float] | None = None
    for angle in np.arange(60) * np.pi / 120:
        turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        turned = points @ turn
        low, high = turned.min(0) - 0.5, turned.max(0) + 0.5
        sides = high - low
        area = float(sides.prod())
        if found is None or area < found[0]:
            box = np.array([[low[0], low[1]], [high[0], low[1]], [high[0], high[1]], [low[0], high[1]]])
            found = (area, box @ turn.T + 0.5, float(sides.max() / max(sides.min(), 1.0)))
    assert found is not None
    return found[1], len(points) / found[0], found[2]


def neutral_by_card(photo: Photo, card: Card) -> Photo:
    """The photo with the card made neutral; brightness as before."""
    gains = card.colour.mean() / np.maximum(card.colour, 1e-4)
    return _with_matrix(photo, np.diag(gains), "colours corrected by the grey card in the picture")


def _with_matrix(photo: Photo, matrix: NDArray[np.float64], remark: str) -> Photo:
    linear = to_linear(photo.pixels.astype(np.float64) / 255) @ matrix.T
    pixels = (to_srgb(linear) * 255).round().astype(np.uint8)
    return replace(photo, pixels=pixels, remarks=(*photo.remarks, remark))
