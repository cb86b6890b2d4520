"""Vary photos on the way to the network: cut, turn, mirror, blur some, shift light and colour."""

from __future__ import annotations

import torch
import torch.nn.functional as F
from torch import Tensor

from triage.hatchery import draws
from triage.vision.crop import boxes_of, cut

_SALT = 9101


def vary(images: Tensor, masks: Tensor, seeds: Tensor, px: int) -> tuple[Tensor, Tensor]:
    """Varied photos float32 (B, 3, px, px) and their masks (B, 1, px, px), from uint8 photos and masks.

    Seven in ten are cut to the animal with a loose margin, as the reader will cut them; the rest keep the frame, as the
    reader sees them when it looks for the animal.
    """
    u = draws.uniform(seeds, _SALT, 8)
    n = draws.normal(seeds, _SALT + 1, 8)
    picture = torch.cat([images, masks], 1).float() / 255
    margin = 0.02 + 0.20 * u[:, 0]
    boxes = boxes_of(picture[:, 3:], margin)
    boxes[:, :2] += (u[:, 1:3] - 0.5) * 0.08 * boxes[:, 2:]
    whole = torch.stack([0.47 + 0.06 * u[:, 1], 0.47 + 0.06 * u[:, 2], 0.9 + 0.2 * u[:, 0]], 1)
    boxes = torch.where((u[:, 3] < 0.7)[:, None], boxes, whole)

    angle = (u[:, 4] * 4).floor() * (torch.pi / 2) + n[:, 0] * 0.12
    mirror = torch.where(u[:, 5] < 0.5, 1.0, -1.0)
    cos, sin = angle.cos(), angle.sin()
    turn = torch.stack([torch.stack([cos * mirror, -sin], 1), torch.stack([sin * mirror, cos], 1)], 1)
    picture = cut(picture, boxes, px, turn)

    image, mask = picture[:, :3], picture[:, 3:]
    gain = torch.exp(0.07 * n[:, 1:4] + 0.14 * n[:, 4:5])[:, :, None, None]
    gamma = torch.exp(0.11 * n[:, 5])[:, None, None, None]
    image = (image.clamp(min=1e-4) ** gamma * gain).clamp(0, 1)
    soft = F.avg_pool2d(image, 3, 1, 1, count_include_pad=False)
    image = torch.where((u[:, 6] < 0.2)[:, None, None, None], soft, image)
    return image, mask
