"""What the skin looks like close up: scales, eye, nostril, lip pits, and the film of the egg or of a coming shed."""

from dataclasses import dataclass

import torch
import torch.nn.functional as F
from torch import Tensor

from triage.hatchery import draws
from triage.hatchery.body import HEAD, RADIUS
from triage.hatchery.fields import noise_plane, smooth_step
from triage.hatchery.raster import Pixels, unit
from triage.hatchery.skin import ramp
from triage.hatchery.stages import Stage

_ROWS_BODY, _ROWS_HEAD = 27.0, 15.0  # half the scale rows around
_LEAN = 0.92  # length over width of a scale
_SALT_SCALES, _SALT_FILM = 601, 602


@dataclass(frozen=True)
class Surface:
    """Per pixel: `reflectance` (B, 3, n) linear, `normal` (B, 3, n) bumped by scales, `gloss` and `eye` (B, n)."""

    reflectance: Tensor
    normal: Tensor
    gloss: Tensor
    eye: Tensor


def look_up(skin: Tensor, s: Tensor, v: Tensor) -> Tensor:
    """Skin map (B, 3, S, P) at (s, v), each (B, n), bilinear, periodic around the body -> (B, 3, n)."""
    columns = skin.shape[3] - 2
    x = ((v + 0.5) * columns + 1) * (2 / (columns + 2)) - 1
    grid = torch.stack([x, 2 * s - 1], -1)[:, None]
    return F.grid_sample(skin, grid, padding_mode="border", align_corners=False)[:, :, 0]


def _jitter(key: Tensor, row: Tensor, column: Tensor) -> Tensor:
    """A uniform number per scale (B, n)."""
    word = draws.mix(row.to(torch.int32) * 7919 + column.to(torch.int32) + key[:, None])
    return (word & 0xFFFF).float() / 65536.0


def shade_surface(
    skin: Tensor,
    look: dict[str, Tensor],
    stage: Stage,
    pixels: Pixels,
    animal_seeds: Tensor,
    photo_seeds: Tensor,
    pixels_per_length: Tensor,
) -> Surface:
    """Close-up reflectance and normals of the seen pixels.

    `skin` (B, 3, S, P); `pixels_per_length` (B,): pixels per body length, which says whether scales are resolved.
    """
    q = {name: value[:, None] for name, value in look.items()}
    s, v, width = pixels.s, pixels.v, pixels.width
    skin = torch.cat([skin[..., -1:], skin, skin[..., :1]], 3)
    place = s / HEAD
    body = smooth_step(0.9, 1.2, place)
    # ---- scales: a diamond lattice that keeps its rows around and follows the girth along --------------------------
    rows = torch.where(s < HEAD, _ROWS_HEAD, _ROWS_BODY)
    first, second = (pixels.girths * _LEAN + v) * rows, (pixels.girths * _LEAN - v) * rows
    row, column = first.floor(), second.floor()
    da, dc = first - row - 0.5, second - column - 0.5
    back, sideways = da + dc, da - dc  # towards the tail, around the body
    scale_px = pixels_per_length[:, None] * (2 * torch.pi / (2 * _LEAN)) * width / rows
    bare = torch.where(q["scaleless"] > 0.7, 1.0, (q["scaleless"] > 0.2) * ramp(0.9, 0.7, (place - 0.75).abs() * 2.2)
                       * ramp(0.16, 0.12, v.abs()))
    detail = smooth_step(3.0, 6.5, scale_px) * (1 - 0.92 * bare)  # unresolved scales would only alias
    girth = 2 * torch.pi * width
    centre_s = s - back / (2 * _LEAN * rows) * girth
    centre_v = v - sideways / (2 * rows)
    snap = body * detail
    reflectance = 0.55 * look_up(skin, s, v)
    reflectance = reflectance + 0.45 * look_up(skin, s + (centre_s - s) * snap, v + (centre_v - v) * snap)
    key = draws.mix((animal_seeds & 0x7FFFFFFF).to(torch.int32) + _SALT_SCALES)
    edge = torch.maximum(da.abs(), dc.abs()) * 2
    rounded = torch.sqrt(back * back + sideways * sideways * 0.8)
    lip = smooth_step(0.62, 1.0, torch.maximum(edge, rounded * 0.95)) * (0.35 + 0.65 * ramp(-0.3, 0.5, back))
    light_skin = reflectance[:, 0] * 0.3 + reflectance[:, 1] * 0.5 + reflectance[:, 2] * 0.2
    shade = 1 + detail * (0.11 * (_jitter(key, row, column) - 0.5) - (0.12 + 0.10 * (1 - light_skin)) * lip * (0.4 + 0.6 * body))
    shade = shade * (1 + 0.05 * detail * ramp(0.25, 0.05, sideways.abs()))
    reflectance = reflectance * shade[:, None]
    bump = (detail * 0.17 * smooth_step(0.25, 1.0, edge) * (0.5 + 0.5 * body))[:, None]
    normal = pixels.normal + bump * (back[:, None] * pixels.along + sideways[:, None] * pixels.side)

    # ---- nostril, lip pits ---------------------------------------------------------------------------------------
    across = v.abs()
    nostril = _spot((place - 0.085) * HEAD, (across - 0.13) * girth, RADIUS * 0.05)
    pits = ramp(0.5, 0.2, ((place * 26 - (place * 26).floor()) - 0.5).abs() * 2)
    pits = pits * ramp(0.012, 0.006, (across - 0.262).abs()) * ((place < 0.62) & (place > 0.10))
    reflectance = reflectance * (1 - 0.75 * nostril - 0.40 * pits)[:, None]

    # ---- film of the egg, dull skin before a shed ------------------------------------------------------------------
    height = pixels.seen.shape[-1]
    film = pixels.pick(noise_plane(photo_seeds, _SALT_FILM, 2, (height // 6, height // 6), (height, height)))
    dust = ramp(0.9, 1.5, film[:, 0] + 0.9 * stage.residue[:, None]) * stage.residue[:, None]
    dust = (0.75 * dust + 0.10 * stage.residue[:, None])[:, None]
    film_colour = reflectance.new_tensor([0.62, 0.55, 0.44]).view(1, 3, 1)
    reflectance = reflectance + (film_colour - reflectance) * dust * 0.8
    milky = (stage.milky[:, None] * (0.85 + 0.12 * film[:, 1]).clamp(0, 1))[:, None]
    grey = (reflectance[:, 0] * 0.3 + reflectance[:, 1] * 0.5 + reflectance[:, 2] * 0.2)[:, None]
    veil = reflectance.new_tensor([0.25, 0.26, 0.275]).view(1, 3, 1)
    dull = 0.62 * reflectance + 0.38 * grey
    dull = dull + (veil - dull) * 0.30
    reflectance = reflectance + (dull - reflectance) * milky
    bright = (0.10 * stage.fresh)[:, None, None]
    reflectance = (reflectance + (reflectance - grey) * bright).clamp(0, 0.98)

    reflectance, normal, eye = _eye(q, stage, pixels, place, across, girth, reflectance, normal)
    gloss = 1 - 0.75 * stage.milky[:, None] - 0.5 * dust[:, 0] + 0.35 * stage.fresh[:, None]
    return Surface(reflectance, unit(normal), gloss.clamp(min=0.1), eye)


def _spot(x: Tensor, y: Tensor, size: float) -> Tensor:
    return ramp(1.0, 0.6, torch.sqrt(x * x + y * y) * (1 / size))


def _eye(q, stage: Stage, pixels: Pixels, place: Tensor, across: Tensor, girth: Tensor, reflectance: Tensor, normal: Tensor):
    x, y = (place - 0.36) * HEAD, (across - 0.168) * girth * 0.92
    distance = torch.sqrt(x * x + y * y) * (1 / (RADIUS * 0.15))
    eye = ramp(1.08, 0.92, distance)
    pupil = ramp(1.0, 0.75, torch.sqrt((x / (RADIUS * 0.100)) ** 2 + (y / (RADIUS * 0.050)) ** 2))
    dark = q["melanin"].clamp(0, 1)

    def colour(*rgb: float) -> Tensor:
        return reflectance.new_tensor(rgb).view(1, 3, 1)

    iris = colour(0.055, 0.036, 0.022) * (1 + 1.2 * (1 - dark))[:, None]
    for name, tint in (
        ("green_eye", colour(0.16, 0.17, 0.09)),
        ("red_eye", colour(0.42, 0.05, 0.04)),
        ("blue_eye", colour(0.16, 0.30, 0.46)),
    ):
        iris = iris + (tint - iris) * q[name][:, None]
    hole = colour(0.008, 0.007, 0.007) + colour(0.20, 0.016, 0.016) * q["red_eye"][:, None]
    iris = iris + (hole - iris) * pupil[:, None]
    iris = iris + (colour(0.30, 0.36, 0.41) - iris) * (0.85 * stage.milky)[:, None, None]  # blue eyes of a coming shed
    lid = ramp(1.45, 1.1, distance) * (1 - eye)
    reflectance = reflectance * (1 - 0.35 * lid)[:, None]
    reflectance = reflectance + (iris - reflectance) * eye[:, None]
    dome = 0.9 / (RADIUS * 0.125)
    tilt = (x * dome)[:, None] * pixels.along + (y * dome * pixels.v.sign())[:, None] * pixels.side
    return reflectance, normal + eye[:, None] * tilt, eye
