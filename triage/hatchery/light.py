"""Light on ground and skin: one soft lamp, surrounding light, cast and contact shadows, gloss and a little iridescence."""

from dataclasses import dataclass, fields

import torch
import torch.nn.functional as F
from torch import Tensor

from triage.hatchery import draws
from triage.hatchery.body import RADIUS
from triage.hatchery.camera import Camera
from triage.hatchery.fields import blur, box_blur, plane_mean
from triage.hatchery.raster import Pixels, unit
from triage.hatchery.stages import Stage
from triage.hatchery.surface import Surface

_SALT_LIGHT = 1001
_SHADOW_STEPS = 7


@dataclass(frozen=True)
class Light:
    """`direction` (B, 3) towards the lamp; `key`, `ambient` (B, 1, 1, 1); planes (B, 1, H, H) at picture resolution:
    `shadow` cast by the body, `dim` ambient light it takes away, `contact` near it; `lamp` (B, 3, 1, 1) its colour."""

    direction: Tensor
    key: Tensor
    ambient: Tensor
    shadow: Tensor
    dim: Tensor
    contact: Tensor
    lamp: Tensor
    sheen: Tensor

    def rows(self, rows: Tensor) -> "Light":
        """The photos `rows` alone."""
        return Light(**{field.name: getattr(self, field.name)[rows] for field in fields(self)})


@dataclass(frozen=True)
class LightRange:
    """How rooms are lit: `flash_share` of photos with the lamp at the camera; the lamp's elevation in radians; strength
    of lamp (`key`) and of surrounding light; `softness` of shadows; `warmth` of the lamp's colour."""

    flash_share: float = 0.0
    least_elevation: float = 0.50
    elevation_span: float = 0.75
    least_key: float = 0.55
    key_span: float = 0.65
    least_ambient: float = 0.40
    ambient_span: float = 0.28
    softness: float = 1.0
    warmth: float = 0.30


def make_light(height: Tensor, visible: Tensor, camera: Camera, photo_seeds: Tensor, limits: LightRange) -> Light:
    """Light of each photo, from the body's `height` and `visible` coverage, planes (B, 1, H, H)."""
    size, device = height.shape[-1], height.device
    u = draws.uniform(photo_seeds, _SALT_LIGHT, 10)
    azimuth, elevation = u[:, 0] * 2 * torch.pi, limits.least_elevation + limits.elevation_span * u[:, 1]
    flash = u[:, 8] < limits.flash_share
    azimuth = torch.where(flash, -0.5 * torch.pi + 0.15 * (u[:, 0] - 0.5), azimuth)
    elevation = torch.where(flash, (0.5 * torch.pi - camera.tilt).clamp(max=1.5), elevation)
    direction = torch.stack(
        [azimuth.cos() * elevation.cos(), azimuth.sin() * elevation.cos(), elevation.sin()], -1
    )
    right, up, _ = camera.turn(direction[:, None])
    step = torch.stack([right[:, 0], -up[:, 0]], -1)
    step = step * torch.rsqrt((step[:, :1] ** 2 + step[:, 1:] ** 2).clamp(min=1e-9))
    slope = (direction[:, 2] / elevation.cos().clamp(min=0.15)).view(-1, 1, 1, 1)
    centre = (torch.arange(size, device=device) + 0.5) / size * 2 - 1
    rows, columns = torch.meshgrid(centre, centre, indexing="ij")
    base = torch.stack([columns, rows], -1)[None]
    soft = (RADIUS * limits.softness * (0.25 + 0.9 * u[:, 2])).view(-1, 1, 1, 1)
    body = height * visible
    shadow = torch.zeros_like(body)
    for number in range(1, _SHADOW_STEPS + 1):
        distance = RADIUS * 0.55 * number
        grid = base + (step * (distance * camera.scale * 2)[:, None]).view(-1, 1, 1, 2)
        blocker = F.grid_sample(body, grid, align_corners=False, padding_mode="zeros")
        shadow = torch.maximum(shadow, ((blocker - body - distance * slope) / soft).clamp(0, 1))
    shadow = box_blur(shadow, max(3, size // 48))
    small = torch.cat([F.avg_pool2d(body, 4), F.avg_pool2d(visible, 4)], 1)
    radius_px = camera.scale * RADIUS * size / 4
    near, wide = blur(small, (radius_px * 0.22).clamp(0.3, 4), 3), blur(small, (radius_px * 0.50).clamp(0.3, 6), 5)
    enlarge = {"size": (size, size), "mode": "bilinear", "align_corners": False}
    around = F.interpolate(0.5 * (near[:, :1] + wide[:, :1]), **enlarge)
    dim = ((around - body) / (RADIUS * 1.2)).clamp(0, 1)
    contact = F.interpolate(near[:, 1:], **enlarge)
    warm = (u[:, 5] - 0.5) * limits.warmth * (u[:, 6] < 0.6)
    lamp = torch.stack([torch.exp(warm), torch.ones_like(warm), torch.exp(-1.2 * warm)], 1)[..., None, None]
    key = (limits.least_key + limits.key_span * u[:, 3]).view(-1, 1, 1, 1)
    ambient = (limits.least_ambient + limits.ambient_span * u[:, 4]).view(-1, 1, 1, 1)
    return Light(direction, key, ambient, shadow, dim, contact, lamp, u[:, 7])


def light_ground(back: Tensor, light: Light, inside_egg: Tensor) -> Tensor:
    """Reflectance of the ground (B, 3, H, H) -> light from it."""
    ambient = light.ambient * (1 - 0.80 * light.dim) * (1 - 0.55 * light.contact * (1 - inside_egg))
    lamp = light.key * light.direction[:, 2].view(-1, 1, 1, 1) * (1 - 0.85 * light.shadow)
    return back * (ambient + lamp * light.lamp)


def light_skin(
    surface: Surface, pixels: Pixels, light: Light, stage: Stage, camera: Camera, ground: Tensor
) -> Tensor:
    """Light from the skin (B, 3, n); `ground` is the lit background, whose mean bounces onto the flanks."""
    normal, reflectance = surface.normal, surface.reflectance
    toward_lamp = light.direction[..., None]

    def dot(a: Tensor, b: Tensor) -> Tensor:
        return a[:, 0] * b[:, 0] + a[:, 1] * b[:, 1] + a[:, 2] * b[:, 2]

    high = pixels.seen.shape[-1]
    planes = F.interpolate(torch.cat([light.shadow, light.dim], 1), (high, high), mode="bilinear", align_corners=False)
    shadow, dim = pixels.pick(planes).unbind(1)
    lit, open_sky = 1 - 0.88 * shadow, 1 - 0.80 * dim
    upward = 0.5 + 0.5 * pixels.normal[:, 2]
    key, ambient = light.key[:, 0, 0], light.ambient[:, 0, 0]  # (B, 1)
    lamp = light.lamp[..., 0]  # (B, 3, 1)
    ambient_part = ambient * open_sky * (0.30 + 0.70 * upward)
    lamp_part = key * dot(normal, toward_lamp).clamp(min=0) * lit
    bounce = plane_mean(ground)[..., 0] * ((1 - pixels.normal[:, 2]).clamp(0, 1) * 0.22 * open_sky)[:, None]
    wet = stage.wet[:, None]
    colour = reflectance * (1 - 0.12 * wet)[:, None] * (ambient_part[:, None] + lamp_part[:, None] * lamp + bounce)
    view = unit(camera.position[..., None] - pixels.position)
    halfway = dot(normal, unit(toward_lamp + view)).clamp(0, 1)
    h2 = halfway * halfway
    h4 = h2 * h2
    h8 = h4 * h4
    h16 = h8 * h8
    h48 = h16 * h16 * h16
    away = (1 - dot(normal, view).clamp(0, 1)) ** 2
    fresnel = 0.03 + 0.30 * away * away
    gloss = (0.7 + 0.8 * light.sheen[:, None]) * surface.gloss * (1 + 1.6 * wet)
    glint = 0.030 * h8 * h4 + 0.085 * h48 + 0.9 * wet * h48 * h48 * h48 + 1.2 * surface.eye * h48 * h48
    sky = fresnel * (0.30 + 0.35 * wet) * open_sky * normal[:, 2].clamp(min=0) * surface.gloss.clamp(max=1.0)
    colour = colour + (glint * lit * gloss * key)[:, None] * lamp + (sky * key)[:, None]
    phase = 2 * torch.pi * (1.6 * halfway + 0.4 * light.sheen[:, None])
    iridescence = h8 * halfway * lit * 0.012 * surface.gloss
    rainbow = torch.stack([0.1 + 0.5 * torch.cos(phase - shift) for shift in (0.0, 2.1, 4.2)], 1)
    return (colour + rainbow * iridescence[:, None]).clamp(0, 4)
