"""A fingerprint of what a photo shows, alike for copies of one shot: another compression, a crop, the next frame of a burst.

The signs of the lowest spatial frequencies (a perceptual hash: Zauner 2010, "Implementation and benchmarking of perceptual image
hash functions", section 3.2), taken of the animal's surroundings as its mask places them, so that a crop of the photo moves it little.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from PIL import Image

_SIDE = 32
_KEPT = 10  # lowest frequencies a side
_REACH = 4.0  # side of the square, in standard deviations of the mask
_COARSE = 256  # pixels a side from which the square is taken


def fingerprint(square: Image.Image, mask: np.ndarray) -> str:
    """25 hexadecimal digits (99 bits) of a padded square photo; `mask` float (h, h): where in it the animal is."""
    left, top, side = _surroundings(mask)
    scale = _COARSE / mask.shape[0]
    extent = tuple(scale * value for value in (left, top, left + side, top + side))
    coarse = square.convert("L").resize((_COARSE, _COARSE), Image.Resampling.BOX)
    grey = coarse.transform((2 * _SIDE, 2 * _SIDE), Image.Transform.EXTENT, extent, Image.Resampling.BILINEAR)
    waves = _cosines()
    low = waves @ np.asarray(grey.resize((_SIDE, _SIDE), Image.Resampling.BOX), np.float64) @ waves.T
    low = low.reshape(-1)[1:]  # without the mean: light is no sign of another shot
    bits = "".join("1" if value > np.median(low) else "0" for value in low)
    return f"{int(bits, 2):025x}"


def _surroundings(mask: np.ndarray) -> tuple[float, float, float]:
    """Left, top and side of a square about the animal, in cells of the mask; the whole where there is none."""
    weight = np.clip(mask - 0.5, 0, None)
    if weight.sum() < 1e-6:
        return 0.0, 0.0, float(mask.shape[0])
    weight = weight / weight.sum()
    y, x = np.mgrid[: mask.shape[0], : mask.shape[1]] + 0.5
    cx, cy = float((weight * x).sum()), float((weight * y).sum())
    side = _REACH * float(np.sqrt((weight * ((x - cx) ** 2 + (y - cy) ** 2)).sum()))
    return cx - side / 2, cy - side / 2, side


@cache
def _cosines() -> np.ndarray:
    """The first rows of the discrete cosine transform (DCT-II), (_KEPT, _SIDE)."""
    frequency, place = np.arange(_KEPT)[:, None], np.arange(_SIDE)[None]
    return np.cos(np.pi * frequency * (2 * place + 1) / (2 * _SIDE))
