"""How the body lies: a smooth random curve on the ground that rests on itself where it crosses.

Lengths are in body lengths, the ground is z = 0.
"""

from dataclasses import dataclass

import torch
import torch.nn.functional as F
from torch import Tensor

from triage.hatchery import draws
from triage.hatchery.body import RADIUS, stations
from triage.hatchery.fields import running_sum, smooth_step

NODES = 128
_NEIGHBOURS = 9  # nodes this near along the body never rest on each other
_LAYERS = 5  # rounds of settling: one more than the layers a pile can have
_TURN = 2 * torch.pi
_SALT_POSE, _SALT_WAVES = 301, 302


@dataclass(frozen=True)
class Pose:
    """`nodes` (B, NODES, 3) of the spine; `roll` (B, NODES), twist of the body about its spine, radians."""

    nodes: Tensor
    roll: Tensor


def make_pose(photo_seeds: Tensor, in_egg: Tensor) -> Pose:
    """The pose of each photo; `in_egg` bool (B,) coils the body and lifts the head out."""
    device = photo_seeds.device
    u = draws.uniform(photo_seeds, _SALT_POSE, 32)[..., None]  # (B, 32, 1)
    z = draws.normal(photo_seeds, _SALT_WAVES, 12)[..., None]
    tables = stations(NODES, str(device))
    s = tables["s"][None]
    curvature = _curvature(u, z, s, in_egg[:, None])
    heading = u[:, 13] * _TURN + running_sum(curvature) / (NODES - 1)
    plane = running_sum(torch.stack([heading.cos(), heading.sin()], 1)) / (NODES - 1)  # (B, 2, N)
    plane = plane - 0.5 * (plane.amax(2, keepdim=True) + plane.amin(2, keepdim=True))
    tail_first = (u[:, 14] < 0.22) & ~in_egg[:, None]
    height = _pile(plane, tables["width"][None], tables["height"][None], tail_first)
    height = _settle(height, s)
    lift = RADIUS * 0.5 * u[:, 15] * smooth_step(0.08, 0.0, s)
    height = torch.maximum(height, tables["height"][None]) + lift
    roll = 0.20 * z[:, 6] + 0.34 * z[:, 7] * torch.sin(_TURN * (s * (1 + 2 * u[:, 19]) + u[:, 20]))
    return Pose(torch.cat([plane, height[:, None]], 1).transpose(1, 2), roll * smooth_step(0.03, 0.14, s))


def _curvature(u: Tensor, z: Tensor, s: Tensor, in_egg: Tensor) -> Tensor:
    """Band-limited curvature along the body (B, N): coiled, lying loose, or stretched."""
    phase = u[:, 1:7, 0, None] * _TURN
    waves = torch.zeros_like(s)
    for order, amplitude in enumerate((1.0, 0.9, 0.8, 0.5, 0.35, 0.2)):
        waves = waves + z[:, order] * amplitude * torch.sin(_TURN * (order * 0.5 + 0.5) * s + phase[:, order])
    sign = torch.where(u[:, 7] < 0.5, -1.0, 1.0)
    inner, outer = 8.0 + 5.5 * u[:, 8], 8.5 + 6.5 * u[:, 9]
    ripple = torch.sin(_TURN * (1.6 + 1.3 * u[:, 16]) * s + phase[:, 0])
    ripple = ripple + 0.6 * torch.sin(_TURN * (3.2 + 2 * u[:, 17]) * s + phase[:, 1])
    coil = sign * (inner + (outer - inner) * s) * (1 + (0.18 + 0.35 * u[:, 18]) * ripple) + 1.6 * waves
    turned = torch.where((u[:, 10] < 0.35) & (s > 0.35 + 0.4 * u[:, 11]), -1.0, 1.0)  # an S-bend
    coil = coil * turned * (1 - 1.6 * smooth_step(0.12, 0.0, s) * (u[:, 12] < 0.6))
    loose = 6.0 * waves * turned + sign * 2.5
    lies = u[:, 0]
    curvature = torch.where(lies < 0.52, coil, torch.where(lies < 0.84, loose, 3.6 * waves))
    curvature = torch.where(in_egg, coil * (1 - 1.1 * smooth_step(0.22, 0.10, s)), curvature)
    return 15.5 * torch.tanh(curvature / 15.5) * smooth_step(-0.01, 0.07, s)


def _pile(plane: Tensor, width: Tensor, height: Tensor, tail_first: Tensor) -> Tensor:
    """Height of the spine (B, N): each node rests on whatever was laid down before it.

    Nodes depend only on earlier ones, so repeated rounds reach the answer of laying the body down node by node.
    """
    gap2 = (plane[:, 0, :, None] - plane[:, 0, None, :]) ** 2 + (plane[:, 1, :, None] - plane[:, 1, None, :]) ** 2
    reach2 = (width[:, :, None] + width[:, None, :]) ** 2
    climb = (height[:, :, None] + height[:, None, :]) * 0.92 * (1 - gap2 / reach2).clamp(min=0).sqrt()
    order = torch.arange(NODES, device=plane.device)
    later = order[:, None] - order[None, :]  # row rests on column
    later = torch.where(tail_first[..., None], later, -later)  # by default the tail lies lowest
    rests = (later > _NEIGHBOURS) & (gap2 < reach2)
    climb = torch.where(rests, climb, -10.0)
    z = height.expand(len(plane), -1)
    for _ in range(_LAYERS):
        support = (climb + z[:, None, :]).amax(2)
        z = torch.minimum(torch.maximum(height, support), height * 5.2)
    return z


def _settle(z: Tensor, s: Tensor) -> Tensor:
    """Smooth the heights, keeping clearance; the head rides clear of what lies under it."""
    def pad(x: Tensor, by: int) -> Tensor:
        return F.pad(x[:, None], (by, by), mode="replicate")

    wide = F.max_pool1d(pad(z, 5), 5, 1)
    smooth = F.avg_pool1d(wide, 7, 1)[:, 0]
    smooth = torch.where(s < 0.13, torch.maximum(smooth, F.max_pool1d(z[:, None], 9, 1, 4)[:, 0]), smooth)
    return F.avg_pool1d(pad(smooth, 2), 5, 1)[:, 0]
