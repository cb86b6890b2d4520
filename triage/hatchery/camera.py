"""A pinhole camera somewhere above the animal."""

from dataclasses import dataclass, fields, replace

import torch
from torch import Tensor

from triage.hatchery import draws
from triage.hatchery.body import RADIUS
from triage.hatchery.fields import pixel_grid

_SALT_CAMERA, _SALT_AIM = 401, 402
ZOOM_LIMIT = 3.0  # body length over picture width; bounds the density of points the rasteriser needs


@dataclass(frozen=True)
class Camera:
    """`tilt` radians from vertical; `target` (B, 3); `distance` (B,) body lengths; `focal` (B,) in picture widths."""

    tilt: Tensor
    target: Tensor
    distance: Tensor
    focal: Tensor

    def rows(self, rows: Tensor) -> "Camera":
        """The photos `rows` alone."""
        return Camera(**{field.name: getattr(self, field.name)[rows] for field in fields(self)})

    @property
    def position(self) -> Tensor:
        """(B, 3)."""
        back = torch.stack([torch.zeros_like(self.tilt), -self.tilt.sin(), self.tilt.cos()], -1)
        return self.target + back * self.distance[:, None]

    @property
    def scale(self) -> Tensor:
        """Picture widths per body length at the target (B,)."""
        return self.focal / self.distance

    def turn(self, vectors: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        """World vectors (B, ..., 3) in camera axes: right, up, towards the camera."""
        shape = (-1,) + (1,) * (vectors.dim() - 2)
        cos, sin = self.tilt.cos().view(shape), self.tilt.sin().view(shape)
        x, y, z = vectors.unbind(-1)
        return x, cos * y + sin * z, cos * z - sin * y

    def project(self, points: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        """Points (B, n, 3) -> x, y in picture widths from the centre (y up), depth in body lengths; each (B, n)."""
        right, up, towards = self.turn(points - self.target[:, None])
        depth = (self.distance[:, None] - towards).clamp(min=0.02)
        return self.focal[:, None] * right / depth, self.focal[:, None] * up / depth, depth

    def ground(self, size: int) -> Tensor:
        """(B, 2, size, size): where the ray through each pixel meets the ground."""
        row, column = pixel_grid(size, self.tilt.device)
        focal = self.focal.view(-1, 1, 1)
        right, up = (column / size - 0.5) / focal, (0.5 - row / size) / focal
        cos, sin = self.tilt.cos().view(-1, 1, 1), self.tilt.sin().view(-1, 1, 1)
        y, z = cos * up + sin, sin * up - cos  # the ray's third camera component is -1
        eye = self.position
        reach = -eye[:, 2].view(-1, 1, 1) / z.clamp(max=-0.05)
        return torch.stack([eye[:, 0].view(-1, 1, 1) + reach * right, eye[:, 1].view(-1, 1, 1) + reach * y], 1)


@dataclass(frozen=True)
class CameraRange:
    """From where photos are taken: `most_tilt` radians from vertical, reached as uniform ** `tilt_power`; share of the
    picture the animal spans; share of close-ups; angle of view in radians."""

    most_tilt: float = 0.80
    tilt_power: float = 1.7
    least_fill: float = 0.62
    fill_span: float = 0.55
    close_share: float = 0.30
    least_view: float = 0.55
    view_span: float = 0.55


def make_camera(photo_seeds: Tensor, nodes: Tensor, in_egg: Tensor, limits: CameraRange) -> Camera:
    """A camera per photo, aimed at the whole animal, its front third, or the slit of the egg."""
    u = draws.uniform(photo_seeds, _SALT_CAMERA, 8)
    z = draws.normal(photo_seeds, _SALT_AIM, 2)
    tilt = u[:, 0] ** limits.tilt_power * limits.most_tilt  # mostly from above
    extent = (nodes[..., :2].amax(1) - nodes[..., :2].amin(1)).amax(-1) + 2 * RADIUS
    fill = limits.least_fill + limits.fill_span * u[:, 1]  # share of the picture the animal spans
    flat = torch.tensor([1.0, 1.0, 0.6], device=nodes.device)
    target = 0.5 * (nodes.amax(1) + nodes.amin(1)) * flat
    near = (u[:, 2] < limits.close_share) & ~in_egg
    aim = (8 + u[:, 3] * 45).long().view(-1, 1, 1).expand(-1, 1, 3)
    target = torch.where(near[:, None], 0.6 * nodes.gather(1, aim)[:, 0] + 0.4 * target, target)
    fill = torch.where(near, fill * 1.4, fill)
    target = torch.where(in_egg[:, None], nodes[:, 16] * flat, target)
    extent = torch.where(in_egg, torch.full_like(extent, RADIUS * 8.6), extent)
    fill = torch.where(in_egg, 0.72 + 0.40 * u[:, 1], fill)
    offset = z * 0.045 * extent[:, None]
    target = target + torch.cat([offset, torch.zeros_like(offset[:, :1])], 1)
    fill = torch.minimum(fill, ZOOM_LIMIT * extent)
    half_view = 0.5 * (limits.least_view + limits.view_span * u[:, 4])  # radians
    tangent = half_view.sin() / half_view.cos()
    return _stand_back(Camera(tilt, target, 0.5 * extent / fill / tangent, 0.5 / tangent), nodes)


def _stand_back(camera: Camera, nodes: Tensor) -> Camera:
    """Far enough away that no part of the animal in the picture is larger than ZOOM_LIMIT allows."""
    x, y, _ = camera.project(nodes)
    _, _, towards = camera.turn(nodes - camera.target[:, None])
    shown = (x.abs() < 0.7) & (y.abs() < 0.7)
    nearest = torch.where(shown, towards, 0.0).amax(1) + RADIUS
    return replace(camera, distance=torch.maximum(camera.distance, camera.focal / ZOOM_LIMIT + nearest))
