"""A slit egg around the animal: leathery shell, neighbours, ragged slit, fluid; the head looks out."""

from dataclasses import dataclass

import torch
from torch import Tensor

from triage.hatchery import draws
from triage.hatchery.body import RADIUS
from triage.hatchery.camera import Camera
from triage.hatchery.fields import noise_plane, pixel_grid, smooth_step
from triage.hatchery.skin import ramp

_SALT_EGG, _SALT_LOW, _SALT_MIDDLE, _SALT_FINE = 901, 902, 903, 904


@dataclass(frozen=True)
class Egg:
    """`back` (B, 3, H, H) with shells painted in; `slit` (B, 1, H, H) where the inside shows; `depth_shadow`
    (B, 1, H, H) inside the shell's edge; `emerged` (B,): the body is out as far as this s."""

    back: Tensor
    slit: Tensor
    depth_shadow: Tensor
    emerged: Tensor


def paint_egg(back: Tensor, nodes: Tensor, camera: Camera, photo_seeds: Tensor) -> Egg:
    """Shells over the background `back` (B, 3, H, H), the animal's own egg around its neck."""
    size, device = back.shape[-1], back.device
    u = draws.uniform(photo_seeds, _SALT_EGG, 24)[..., None, None]
    x, y, _ = camera.project(nodes[:, 20:21])
    row, column = pixel_grid(size, device)
    per_radius = (camera.scale * RADIUS).view(-1, 1, 1)
    dx = (column / size - 0.5 - x[..., None]) / per_radius  # in body radii, y down
    dy = (row / size - 0.5 + y[..., None]) / per_radius
    neck = nodes[:, 6] - nodes[:, 20]
    angle = torch.atan2(-neck[:, 1], neck[:, 0]).view(-1, 1, 1)
    low = noise_plane(photo_seeds, _SALT_LOW, 2, (6, 6), (size, size))
    low, low2 = low.unbind(1)
    middle = noise_plane(photo_seeds, _SALT_MIDDLE, 1, (36, 36), (size, size))[:, 0]
    fine = noise_plane(photo_seeds, _SALT_FINE, 1, (size // 2, size // 2), (size, size))[:, 0]
    turn = angle + (u[:, 0] - 0.5) * 1.6
    own = torch.zeros_like(dx)
    for number in (3, 2, 1, 0):  # neighbours first, then the animal's own egg
        half_length, half_width = 3.5 + 0.5 * u[:, 1 + number], 2.55 + 0.3 * u[:, 5 + number]
        if number:
            heading = turn + (1.57, -1.57, 3.3)[number - 1] + 0.5 * (u[:, 9 + number] - 0.5)
            ox, oy = heading.cos() * (5.6 + 0.9 * (number == 3)), heading.sin() * (5.6 + 0.9 * (number == 3))
            present = (u[:, 12 + number] < 0.6).float()
            tilt = turn + (u[:, 16 + number] - 0.5)
        else:
            ox, oy, present, tilt = 0.4 * (u[:, 9] - 0.5), 0.4 * (u[:, 12] - 0.5), 1.0, turn
        a = (dx - ox) * tilt.cos() + (dy - oy) * tilt.sin()
        b = (dy - oy) * tilt.cos() - (dx - ox) * tilt.sin()
        radius2 = ((a / half_length) ** 2 + (b / half_width) ** 2) * (1 + 0.05 * low)
        shell = ramp(1.02, 0.98, radius2) * present
        dome = (1 - radius2).clamp(min=0).sqrt()
        dent = 1 - 0.13 * ramp(0.2, 1.2, low2 + 0.3 * middle) * (1.15 - dome)
        shade = (0.40 + 0.60 * dome**0.7) * dent * (1 + 0.022 * middle + 0.022 * fine)
        stain = ramp(0.5, 1.7, low * 0.8 + middle * 0.5 + (u[:, 20] - 0.5)) * 0.45
        tint = back.new_tensor([0.10, 0.22, 0.42]).view(1, 3, 1, 1)
        colour = back.new_tensor([0.84, 0.80, 0.71]).view(1, 3, 1, 1) * (1 - stain[:, None] * tint)
        contact = smooth_step(1.35, 1.0, radius2) * (1 - shell) * present
        back = back * (1 - 0.55 * contact)[:, None]
        back = back + (colour * shade[:, None] - back) * shell[:, None]
        own = shell
    slant = angle + (u[:, 21] - 0.5) * 0.9
    a, b = dx * slant.cos() + dy * slant.sin(), dy * slant.cos() - dx * slant.sin()
    half_length, half_width = 2.35 + 0.5 * u[:, 22], 1.15 + 0.55 * u[:, 23]
    inside = (1 - (a / half_length).abs() ** 1.7).clamp(min=-1) * half_width - b.abs() + 0.10 * low + 0.05 * middle
    slit = ramp(-0.04, 0.04, inside) * own
    fluid = back.new_tensor([0.16, 0.07, 0.035]).view(1, 3, 1, 1) * (1 + 0.3 * low[:, None]).clamp(0.4, 1.6)
    vessels = ramp(0.10, 0.02, (low2 + 0.25 * middle).abs())[:, None]
    fluid = fluid * (1 - 0.5 * vessels) + (ramp(1.2, 2.4, middle + 0.15 * fine) * 0.30)[:, None]
    lip = torch.exp(-((inside / 0.12) ** 2)) * own
    fold = torch.exp(-(((inside + 0.38) / 0.20) ** 2)) * own
    back = back * (1 - 0.14 * fold)[:, None]
    back = back + (fluid - back) * slit[:, None]
    back = back + (0.9 - back) * (lip * 0.55 * (inside < 0.06))[:, None]
    emerged = 0.115 + 0.08 * draws.uniform(photo_seeds, _SALT_EGG + 50, 1)[:, 0]
    return Egg(back, slit[:, None], (slit * ramp(0.55, 0.0, inside))[:, None], emerged)
