"""Where in a photo the evidence for one call over another lies.

Occlusion (Zeiler and Fergus 2014, arXiv 1311.2901, section 3): a soft window moves over the animal and hides what it covers
behind a blurred copy; how far log P(photo | A) - log P(photo | B) falls says how much that place spoke for A. Places that
say the same twice share their part: hiding one of two head marks tells little.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
import torch.nn.functional as F
from PIL import Image
from torch import Tensor

from triage.vision.intake import Photo
from triage.vision.reader import PhotoReader, PhotoReading, padded_square, sample
from triage.vision.vocabulary import Call

_GRID = 12  # windows a side
_WINDOW = 0.06  # standard deviation of a window, in sides of the picture
_BLUR_CELLS = 10  # the blurred copy keeps detail of a tenth of the picture's side
_BATCH = 16
_ON_ANIMAL = 0.15  # least mean of the mask under a window that is tried
_FOR, _AGAINST = (255, 140, 0), (90, 60, 200)  # orange and violet: told apart by colour-blind eyes too


@dataclass(frozen=True, eq=False)
class Evidence:
    """`map` float32 (px, px): nats by which log P(photo | A) - log P(photo | B) falls when a place is hidden, 0 off the animal.

    `difference` is that log ratio for the whole photo. `cut` uint8 (px, px, 3) is what was read, from `box` of the photo (as
    in `PhotoReading`).
    """

    map: np.ndarray
    difference: float
    cut: np.ndarray
    box: tuple[float, float, float]


def find_evidence(reader: PhotoReader, photo: Photo, reading: PhotoReading, call: Call, other: Call) -> Evidence:
    """Evidence for `call` over `other` in one photo. UnknownNameError if a look was never learnt."""
    codes = torch.from_numpy(reading.vocabulary.encode([call, other]))
    cut = sample(padded_square(photo), reading.box, reader.input_px)[None]
    mask = mask_of_cut(reading, cut.shape[-1])
    blurred = blurred_copy(cut, mask)
    windows = _windows(cut.shape[-1], mask)
    whole = _differences(reader, cut, codes)[0]
    falls = []
    for start in range(0, len(windows), _BATCH):
        hidden = windows[start : start + _BATCH, None]
        falls.append(whole - _differences(reader, cut * (1 - hidden) + blurred * hidden, codes))
    found = torch.zeros(cut.shape[-2:])
    if falls:
        found = mask * (windows * torch.cat(falls)[:, None, None]).sum(0) / windows.sum(0).clamp(min=0.2)
    pixels = (cut[0].permute(1, 2, 0).numpy() * 255).round().astype(np.uint8)
    return Evidence(found.numpy(), float(whole), pixels, reading.box)


def blurred_copy(cut: Tensor, mask: Tensor) -> Tensor:
    """(B, 3, px, px) with the animal's colours but without its pattern: means over tenths of the animal alone."""
    weight = mask.clamp(min=0.01)[None, None]
    small = [F.interpolate(x, (_BLUR_CELLS, _BLUR_CELLS), mode="area") for x in (cut * weight, weight)]
    colours = small[0] / small[1]
    return F.interpolate(colours, cut.shape[-2:], mode="bicubic", align_corners=False).clamp(0, 1)


def mask_of_cut(reading: PhotoReading, px: int) -> Tensor:
    """The animal's mask in the square that was read, float32 (px, px)."""
    mask = torch.from_numpy(reading.mask)[None, None]
    left, top, side = reading.box
    centre = torch.linspace(0.5 / px, 1 - 0.5 / px, px)
    x, y = (left + side * centre) * 2 - 1, (top + side * centre) * 2 - 1
    grid = torch.stack([x[None].expand(px, -1), y[:, None].expand(-1, px)], -1)[None]
    return F.grid_sample(mask, grid, align_corners=False, padding_mode="border")[0, 0]


def _windows(px: int, mask: Tensor) -> Tensor:
    """Soft windows (n, px, px) over the animal alone, 1 at their middle."""
    centres = (torch.arange(_GRID) + 0.5) / _GRID
    places = (torch.arange(px) + 0.5) / px
    line = torch.exp(-0.5 * ((places[None] - centres[:, None]) / _WINDOW) ** 2)
    windows = (line[:, None, :, None] * line[None, :, None, :]).reshape(-1, px, px)
    covered = (windows * mask).sum((1, 2)) / windows.sum((1, 2))
    return windows[covered >= _ON_ANIMAL] * mask


def _differences(reader: PhotoReader, cuts: Tensor, codes: Tensor) -> Tensor:
    """log P(photo | first of codes) - log P(photo | second), before tempering, (B,)."""
    both = reader.log_likelihoods_of_codes(cuts, codes)
    return both[:, 0] - both[:, 1]


def overlay(evidence: Evidence) -> Image.Image:
    """The cut in grey with what speaks for the call in orange and what speaks against it in violet."""
    scale = max(float(np.abs(evidence.map).max()), 1e-9)
    strength = (np.abs(evidence.map) / scale)[..., None] ** 0.8 * 0.75
    grey = evidence.cut.mean(2, keepdims=True).repeat(3, 2)
    tint = np.where(evidence.map[..., None] > 0, np.array(_FOR, float), np.array(_AGAINST, float))
    return Image.fromarray((grey * (1 - strength) + tint * strength).round().astype(np.uint8))
