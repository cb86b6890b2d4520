"""What a phone camera makes of the light: exposure, white balance, vignette, blur, noise, tone, JPEG."""

import math
from functools import lru_cache

import torch
import torch.nn.functional as F
from torch import Tensor

from triage.hatchery import draws
from triage.hatchery.fields import blur, pixel_grid, plane_mean

_SALT_SETTINGS, _SALT_VARIATION, _SALT_SENSOR = 701, 702, 703

# quantisation tables of ITU-T T.81 (1992), annex K, tables K.1 and K.2
_LUMINANCE = (
    (16, 11, 10, 16, 24, 40, 51, 61), (12, 12, 14, 19, 26, 58, 60, 55), (14, 13, 16, 24, 40, 57, 69, 56),
    (14, 17, 22, 29, 51, 87, 80, 62), (18, 22, 37, 56, 68, 109, 103, 77), (24, 35, 55, 64, 81, 104, 113, 92),
    (49, 64, 78, 87, 103, 121, 120, 101), (72, 92, 95, 98, 112, 100, 103, 99),
)  # fmt: skip
_CHROMINANCE = (
    (17, 18, 24, 47, 99, 99, 99, 99), (18, 21, 26, 66, 99, 99, 99, 99), (24, 26, 56, 99, 99, 99, 99, 99),
    (47, 66, 99, 99, 99, 99, 99, 99), *((99,) * 8,) * 4,
)  # fmt: skip


def to_srgb(linear: Tensor) -> Tensor:
    """Linear light 0..1 -> sRGB 0..1 (IEC 61966-2-1)."""
    return torch.where(linear < 0.0031308, linear * 12.92, 1.055 * linear.clamp(min=1e-6) ** (1 / 2.4) - 0.055)


def to_linear(srgb: Tensor) -> Tensor:
    """sRGB 0..1 -> linear light 0..1 (IEC 61966-2-1)."""
    return torch.where(srgb < 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)


def expose(light: Tensor, photo_seeds: Tensor, spread: float = 1.0) -> Tensor:
    """Linear light (B, 3, H, H) -> sRGB picture 0..1; `spread` scales how far cameras differ."""
    size, device = light.shape[-1], light.device
    u = draws.uniform(photo_seeds, _SALT_SETTINGS, 8)[..., None, None, None]  # (B, 8, 1, 1, 1)
    z = draws.normal(photo_seeds, _SALT_VARIATION, 8)[..., None, None, None] * spread
    grey = (light[:, :1] + light[:, 1:2] + light[:, 2:]) / 3
    mean = plane_mean(grey).clamp(min=0.02)
    stops = torch.exp2(0.38 * z[:, 0])
    gain = (0.30 / mean) ** 0.42 * stops  # metering pulls the mean towards mid grey, part of the way
    highlight = F.adaptive_avg_pool2d(light.amax(1, keepdim=True), 16).amax((2, 3), keepdim=True).clamp(min=0.02)
    image = light * torch.minimum(gain, 1.18 * stops.clamp(0.8, 1.25) / highlight)  # and protects the highlights
    warm, tint = z[:, 1] * 0.13, z[:, 2] * 0.03
    image = image * torch.cat([torch.exp(warm), torch.exp(-tint), torch.exp(-warm)], 1)
    row, column = pixel_grid(size, device)
    radius2 = ((row / size * 2 - 1) ** 2 + (column / size * 2 - 1) ** 2) / 2
    image = image * (1 - 0.28 * u[:, 0] * radius2)
    sigma = (0.22 + 0.75 * spread * u[:, 1, 0, 0, 0] ** 4) * size / 224
    image = blur(image, sigma, max(1, math.ceil(2.4 * 0.97 * size / 224)))
    noise = draws.pixel_noise(photo_seeds, _SALT_SENSOR, size, size)
    amount = 0.004 + 0.022 * spread * u[:, 2] ** 2
    image = (image + noise * amount * (image.clamp(min=0) + 0.02).sqrt()).clamp(min=0)
    image = image * (1 + image / 6.25) / (1 + image * 0.55) * 1.22  # shoulder
    image = to_srgb(image.clamp(0, 1))
    image = (image - 0.5) * (1 + 0.12 * z[:, 3]).clamp(0.75, 1.3) + 0.5
    grey = (image[:, :1] + image[:, 1:2] + image[:, 2:]) / 3
    image = grey + (image - grey) * (1.02 + 0.12 * z[:, 4]).clamp(0.7, 1.35)
    quality = torch.where(u[:, 3] < 0.8, 55 + 40 * u[:, 4], 22 + 30 * u[:, 4])[:, 0, 0, 0]
    return compress(image.clamp(0, 1), quality)


@lru_cache(maxsize=4)
def _tables(device: str) -> tuple[Tensor, Tensor]:
    """The 8-point cosine transform (8, 8), row = frequency, and the quantisation tables (3, 8, 8) of Y, Cb, Cr."""
    frequency, place = torch.meshgrid(torch.arange(8.0), torch.arange(8.0), indexing="ij")
    transform = torch.cos(math.pi * (2 * place + 1) * frequency / 16) * 0.5
    transform[0] /= math.sqrt(2)
    tables = torch.tensor([_LUMINANCE, _CHROMINANCE, _CHROMINANCE], dtype=torch.float32)
    return transform.to(device), tables.to(device)


def _transform(matrix: Tensor, blocks: Tensor) -> Tensor:
    """(8, 8, n) -> (8, 8, n): `matrix` applied along axis 1, which becomes axis 0; summed in a fixed order."""
    result = matrix[:, 0, None, None] * blocks[None, :, 0]
    for place in range(1, 8):
        result = result + matrix[:, place, None, None] * blocks[None, :, place]
    return result


def _quantise(planes: Tensor, table: Tensor, scale: Tensor) -> Tensor:
    """Planes (B, C, H, W), multiples of 8, through 8 x 8 blocks quantised by table (C, 8, 8) times scale (B,)."""
    batch, channels, height, width = planes.shape
    matrix, _ = _tables(str(planes.device))
    blocks = planes.reshape(batch, channels, height // 8, 8, width // 8, 8).permute(3, 5, 0, 1, 2, 4)
    shape = blocks.shape
    frequencies = _transform(matrix, _transform(matrix, blocks.reshape(8, 8, -1)))  # axes back in order after two
    step = (table.permute(1, 2, 0)[:, :, None] * scale[:, None]).clamp(min=1)[..., None, None]  # (8, 8, B, C, 1, 1)
    frequencies = (torch.round(frequencies.reshape(shape) / step) * step).reshape(8, 8, -1)
    back = matrix.t().contiguous()
    blocks = _transform(back, _transform(back, frequencies)).reshape(shape)
    return blocks.permute(2, 3, 4, 0, 5, 1).reshape(batch, channels, height, width)


def compress(image: Tensor, quality: Tensor) -> Tensor:
    """What JPEG does to (B, 3, H, W) in 0..1: 8 x 8 blocks, chroma at half resolution; `quality` (B,) 5..95."""
    height, width = image.shape[-2:]
    padded = F.pad(image, (0, -width % 16, 0, -height % 16), mode="replicate") * 255
    red, green, blue = padded.unbind(1)
    luma = 0.299 * red + 0.587 * green + 0.114 * blue - 128
    chroma = torch.stack([0.564 * (blue - 128 - luma), 0.713 * (red - 128 - luma)], 1)
    scale = torch.where(quality < 50, 50 / quality, 2 - quality / 50)
    _, tables = _tables(str(image.device))
    luma = _quantise(luma[:, None], tables[:1], scale)[:, 0] + 128
    chroma = _quantise(F.avg_pool2d(chroma, 2), tables[1:], scale)
    chroma = F.interpolate(chroma, scale_factor=2, mode="bilinear", align_corners=False)
    cb, cr = chroma.unbind(1)
    result = torch.stack([luma + 1.403 * cr, luma - 0.714 * cr - 0.344 * cb, luma + 1.773 * cb], 1)
    return (result[..., :height, :width] / 255).clamp(0, 1)
