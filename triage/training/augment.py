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
    n = draws.normal(seeds, _SALT + 1, 1)
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
    return vary_colour(image, draws.uniform(seeds, _SALT + 2, 8), draws.normal(seeds, _SALT + 3, 8)), mask


def vary_colour(image: Tensor, u: Tensor, n: Tensor) -> Tensor:
    """Other cameras for photos (B, 3, px, px): white balance, exposure, gamma, tone curve, saturation, sharpness.

    `u` uniform and `n` normal draws (B, 8). Half of the photos vary mildly, half widely: cameras not trained on differ
    in just these.
    """
    wide = torch.where(u[:, 0] < 0.5, 0.5, 1.4)[:, None]
    n = n * wide
    warm, tint, stops, bend = 0.11 * n[:, 0], 0.04 * n[:, 1], 0.14 * n[:, 2], 0.11 * n[:, 3]
    gain = torch.exp(torch.stack([stops + warm, stops - tint, stops - warm], 1))[:, :, None, None]
    gamma = torch.exp(bend)[:, None, None, None]
    image = (image.clamp(min=1e-4) ** gamma * gain).clamp(0, 1)
    curve = (0.20 * n[:, 4]).clamp(-0.5, 0.5)[:, None, None, None]
    image = image + curve * image * (1 - image) * (2 * image - 1)
    grey = image.mean(1, keepdim=True)
    image = grey + (image - grey) * torch.exp(0.16 * n[:, 5])[:, None, None, None]
    soft = F.avg_pool2d(F.pad(image, (1, 1, 1, 1), mode="replicate"), 3, 1)
    amount = torch.where(u[:, 1] < 0.2, -1.0, torch.where(u[:, 1] < 0.45, 1.2 * u[:, 2], 0.0))[:, None, None, None]
    return (image + amount * (image - soft)).clamp(0, 1)
