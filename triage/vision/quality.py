"""Judge a photo before its reading is believed: sharpness, light, colour, and whether an animal is in it.

Limits were set on renders with blur, darkness and casts added in known amounts (`tests/vision/test_quality.py`).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np
from PIL import Image, ImageFilter

from triage.vision.intake import Photo

if TYPE_CHECKING:
    from triage.vision.reader import PhotoReading

#: Photos are judged at this length of their longer side.
_SIDE = 384
_BLURRED, _HOPELESSLY_BLURRED = 0.055, 0.025
_DARK, _TOO_DARK = 0.30, 0.12
_BURNT, _TOO_BURNT = 0.30, 0.75
_CAST, _STRONG_CAST = 2.1, 4.0
_SMALL_ANIMAL, _NO_ANIMAL = 0.03, 0.004


class Fault(StrEnum):
    """What can be wrong with a photo."""

    BLURRED = "blurred"
    DARK = "dark"
    BURNT = "burnt highlights"
    CAST = "colour cast"
    SMALL_ANIMAL = "animal too small"
    NO_ANIMAL = "no animal"
    SEVERAL = "more than one animal"
    UNLIKE = "unlike a hatchling"


@dataclass(frozen=True)
class QualityRemark:
    """One fault with advice in plain words; `refuses` where the photo should not be read at all.

    `measured` is the figure behind it, `limit` the one it crossed.
    """

    fault: Fault
    text: str
    refuses: bool
    measured: float
    limit: float


def judge(photo: Photo, reading: PhotoReading | None = None) -> tuple[QualityRemark, ...]:
    """Faults of a photo, worst first; with its reading, also whether the animal is large enough. Empty if none."""
    small = _judged_copy(photo)
    pixels = np.asarray(small, np.float32) / 255
    remarks = [
        _low(Fault.BLURRED, sharpness(small), _BLURRED, _HOPELESSLY_BLURRED,
             "the photo is blurred: hold the camera still, tap on the animal to focus, and take it again"),
        _low(Fault.DARK, brightness(pixels), _DARK, _TOO_DARK,
             "the photo is too dark: take it again in daylight or under a brighter lamp"),
        _high(Fault.BURNT, burnt_share(pixels), _BURNT, _TOO_BURNT,
              "large parts are burnt out to white: take it again without flash or out of direct sun"),
        _high(Fault.CAST, colour_cast(pixels), _CAST, _STRONG_CAST,
              "the light is strongly coloured: take it again in daylight, with something grey or white beside the animal"),
    ]  # fmt: skip
    if reading is not None:
        remarks.append(_low_share(reading.animal_share))
    found = [r for r in remarks if r is not None]
    return tuple(sorted(found, key=lambda r: not r.refuses))


def sharpness(image: Image.Image) -> float:
    """Strength of the finest detail against the contrast of the whole, 0 for a plain field.

    99.5th percentile of the difference from a slightly blurred copy, over the spread of brightness (5 % to 95 %).
    """
    grey = image.convert("L")
    fine = np.asarray(grey, np.float32) - np.asarray(grey.filter(ImageFilter.GaussianBlur(1.2)), np.float32)
    low, high = np.percentile(np.asarray(grey), [5, 95])
    return float(np.percentile(np.abs(fine), 99.5) / max(high - low, 12.0))


def brightness(pixels: np.ndarray) -> float:
    """95th percentile of luma, 0..1."""
    return float(np.percentile(pixels @ np.array([0.2126, 0.7152, 0.0722], np.float32), 95))


def burnt_share(pixels: np.ndarray) -> float:
    """Share of pixels at the top of every channel."""
    return float((pixels.min(2) >= 0.985).mean())


def colour_cast(pixels: np.ndarray) -> float:
    """Largest ratio between the mean of one channel and another, 1 for a grey world."""
    means = np.maximum(pixels.reshape(-1, 3).mean(0), 0.02)
    return float(means.max() / means.min())


def _judged_copy(photo: Photo) -> Image.Image:
    image = photo.to_image()
    scale = _SIDE / max(image.size)
    if scale >= 1:
        return image
    return image.resize((max(1, round(image.width * scale)), max(1, round(image.height * scale))), Image.Resampling.BOX)


def _low(fault: Fault, value: float, limit: float, hopeless: float, text: str) -> QualityRemark | None:
    if value >= limit:
        return None
    return QualityRemark(fault, text, value < hopeless, value, hopeless if value < hopeless else limit)


def _high(fault: Fault, value: float, limit: float, hopeless: float, text: str) -> QualityRemark | None:
    if value <= limit:
        return None
    return QualityRemark(fault, text, value > hopeless, value, hopeless if value > hopeless else limit)


def _low_share(share: float) -> QualityRemark | None:
    if share < _NO_ANIMAL:
        text = "no animal was found: fill half of the picture with the animal, on a plain ground"
        return QualityRemark(Fault.NO_ANIMAL, text, True, share, _NO_ANIMAL)
    if share < _SMALL_ANIMAL:
        text = "the animal is small in the picture: go closer, or cut the photo to the animal"
        return QualityRemark(Fault.SMALL_ANIMAL, text, False, share, _SMALL_ANIMAL)
    return None
