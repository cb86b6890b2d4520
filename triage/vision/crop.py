"""Find the animal's square and cut it out; the same lines serve training and reading."""

from __future__ import annotations

import torch
import torch.nn.functional as F
from torch import Tensor

#: Margin around the animal, as a share of its longer side, when reading.
MARGIN = 0.08
#: An animal at least this wide (share of the photo's side) is read without cutting.
WIDE_ENOUGH = 0.85
#: A mask pixel counts as animal from this probability on.
MASK_THRESHOLD = 0.5


def boxes_of(masks: Tensor, margin: Tensor | float = MARGIN) -> Tensor:
    """Squares (B, 3) around the animals: centre x, centre y, side, as shares of the frame.

    `masks` (B, 1, h, w) in 0..1. Without any animal the square is the whole frame.
    """
    shown = masks[:, 0] >= MASK_THRESHOLD
    edges = []
    for axis in (1, 2):
        line = shown.any(axis)
        length = line.shape[1]
        low = line.float().argmax(1)
        high = length - line.flip(1).float().argmax(1)
        edges.append((low / length, high / length))
    (left, right), (top, bottom) = edges
    empty = ~shown.flatten(1).any(1)
    side = torch.maximum(right - left, bottom - top) * (1 + 2 * margin)
    box = torch.stack([(left + right) / 2, (top + bottom) / 2, side], 1)
    whole = torch.tensor([0.5, 0.5, 1.0], device=masks.device)
    return torch.where(empty[:, None], whole, box)


def stay_inside(boxes: Tensor) -> Tensor:
    """Move and, where needed, shrink squares so that they lie within the frame."""
    side = boxes[:, 2].clamp(max=1.0)
    half = side / 2
    x = torch.minimum(torch.maximum(boxes[:, 0], half), 1 - half)
    y = torch.minimum(torch.maximum(boxes[:, 1], half), 1 - half)
    return torch.stack([x, y, side], 1)


def cut(images: Tensor, boxes: Tensor, px: int, turn: Tensor | None = None) -> Tensor:
    """Cut squares out of photos (B, C, h, w) and resample to (B, C, px, px).

    `turn` (B, 2, 2), optional, rotates or mirrors about the centre of the square. Pixels beyond the frame repeat its
    edge. The source is thinned by whole factors first where it has far more pixels than are wanted.
    """
    if turn is None:
        turn = torch.eye(2, device=images.device, dtype=torch.float32).expand(len(images), 2, 2)
    matrix = torch.zeros(len(images), 2, 3, device=images.device)
    matrix[:, :, :2] = turn * boxes[:, 2, None, None]
    matrix[:, 0, 2] = boxes[:, 0] * 2 - 1
    matrix[:, 1, 2] = boxes[:, 1] * 2 - 1
    grid = F.affine_grid(matrix, [len(images), images.shape[1], px, px], align_corners=False)
    return F.grid_sample(images, grid, mode="bilinear", padding_mode="border", align_corners=False)
