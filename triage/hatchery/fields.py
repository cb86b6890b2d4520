"""Small plane operations that give the same bits whatever the batch: steps, noise planes, blur, means.

Library reductions and convolutions choose their order of summation from the batch size; the ones here do not.
"""

import torch
import torch.nn.functional as F
from torch import Tensor

from triage.hatchery import draws


def smooth_step(low: float | Tensor, high: float | Tensor, value: Tensor) -> Tensor:
    """Cubic step from 0 (at `low`) to 1 (at `high`); `low` may exceed `high` for a falling step."""
    t = ((value - low) / (high - low)).clamp(0, 1)
    return t * t * (3 - 2 * t)


def enlarge(table: Tensor, size: tuple[int, int]) -> Tensor:
    """Smooth enlargement of (B, C, h, w) to (B, C, *size).

    Bicubic to three times the table, then bilinear: looks as smooth as bicubic all the way and costs a third. A table
    close to the wanted size is enlarged bilinearly.
    """
    height, width = table.shape[-2:]
    if 4 * height < size[0] and 4 * width < size[1]:
        table = F.interpolate(table, (3 * height, 3 * width), mode="bicubic", align_corners=False)
    return F.interpolate(table, size, mode="bilinear", align_corners=False)


def noise_plane(seeds: Tensor, salt: int, channels: int, cells: tuple[int, int], size: tuple[int, int]) -> Tensor:
    """(B, channels, *size): smooth value noise, `cells` random values across the plane."""
    return enlarge(draws.coarse_normal(seeds, salt, channels, *cells), size)


def plane_mean(planes: Tensor) -> Tensor:
    """(B, C, H, W) -> (B, C, 1, 1): mean with a fixed order of summation."""
    return F.avg_pool2d(F.adaptive_avg_pool2d(planes, 16), 16)


def running_sum(values: Tensor) -> Tensor:
    """Cumulative sum along the last axis by doubling steps."""
    length, shift = values.shape[-1], 1
    while shift < length:
        values = values + F.pad(values[..., :-shift], (shift, 0))
        shift *= 2
    return values


def blur(planes: Tensor, sigma_px: Tensor, radius: int) -> Tensor:
    """Gaussian blur of (B, C, H, W) with a width per picture, cut off at `radius` pixels."""
    sigma = sigma_px.clamp(min=0.12).view(-1, 1, 1, 1)
    weights = [torch.exp(-0.5 * (step / sigma) ** 2) for step in range(radius + 1)]
    total = weights[0]
    for weight in weights[1:]:
        total = total + 2 * weight
    for axis in (2, 3):
        pad = (0, 0, radius, radius) if axis == 2 else (radius, radius, 0, 0)
        padded, length = F.pad(planes, pad, mode="replicate"), planes.shape[axis]
        result = padded.narrow(axis, radius, length) * weights[0]
        for step in range(1, radius + 1):
            pair = padded.narrow(axis, radius - step, length) + padded.narrow(axis, radius + step, length)
            result = result + pair * weights[step]
        planes = result / total
    return planes


def box_blur(plane: Tensor, width: int) -> Tensor:
    """Mean over a `width` x `width` window (made odd), edges replicated."""
    width |= 1
    return F.avg_pool2d(F.pad(plane, [width // 2] * 4, mode="replicate"), width, 1)


def pixel_grid(size: int, device: torch.device) -> tuple[Tensor, Tensor]:
    """Rows and columns (size, size) of pixel centres."""
    centre = torch.arange(size, device=device) + 0.5
    return torch.meshgrid(centre, centre, indexing="ij")
