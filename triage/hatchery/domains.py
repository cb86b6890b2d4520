"""The domains in which photos are drawn: two to train on, one never trained on, and one as clear as can be."""

from collections.abc import Callable
from dataclasses import dataclass

import torch
from torch import Tensor

from triage.hatchery import backgrounds, shifted, varied
from triage.hatchery.camera import CameraRange
from triage.hatchery.hands.amounts import as_written, own_amounts
from triage.hatchery.light import LightRange
from triage.hatchery.response import expose, to_srgb
from triage.hatchery.skin import beer_lambert, lateral_blotches


@dataclass(frozen=True)
class Domain:
    """Everything in which the domains differ; what a gene does is the same in all.

    `company`: clutch mates and thumbs get into some of the pictures. `take`: what it makes of the settings (B,) of `express`.
    """

    name: str
    draw_markings: Callable
    reflect: Callable
    camera: CameraRange
    light: LightRange
    grounds: tuple[Callable[[Tensor, Tensor], Tensor], ...]
    ground_shares: tuple[float, ...]
    hand: int | None  # the ground on which no egg is shown
    respond: Callable[[Tensor, Tensor], Tensor]
    company: bool = True
    take: Callable[[dict[str, Tensor], Tensor], dict[str, Tensor]] = as_written


def _grey(ground: Tensor, photo_seeds: Tensor) -> Tensor:
    """A matt grey board."""
    return torch.full_like(ground[:, :1], 0.36).expand(-1, 3, -1, -1).clone()


def _plain_camera(light: Tensor, photo_seeds: Tensor) -> Tensor:
    """Fixed exposure, neutral, no noise, no blur; 256 levels, as in a file."""
    return (to_srgb((0.72 * light).clamp(0, 1)) * 255).round() / 255


TRAINING = Domain(
    "training", lateral_blotches, beer_lambert, CameraRange(), LightRange(), backgrounds.GROUNDS, backgrounds.SHARES, 2, expose
)
SHIFTED = Domain(
    "shifted",
    shifted.travelling_wave,
    shifted.rational_law,
    CameraRange(most_tilt=1.05, tilt_power=1.0, least_fill=0.50, fill_span=0.65, close_share=0.20, least_view=0.85, view_span=0.55),
    LightRange(flash_share=0.35, least_elevation=0.35, elevation_span=0.6, least_key=0.35, key_span=1.15, least_ambient=0.22,
               ambient_span=0.55, softness=0.45, warmth=0.55),
    shifted.GROUNDS,
    shifted.SHARES,
    None,
    shifted.other_phone,
)  # fmt: skip
VARIED = Domain(
    "varied",
    varied.own_blotches,
    varied.own_pigments,
    CameraRange(most_tilt=0.95, tilt_power=1.3, least_fill=0.50, fill_span=0.75, least_view=0.45, view_span=0.80),
    LightRange(flash_share=0.15, least_elevation=0.30, elevation_span=1.0, least_key=0.35, key_span=1.0, least_ambient=0.25,
               ambient_span=0.50, softness=0.8, warmth=0.5),
    (*backgrounds.GROUNDS, varied.clouds, varied.mesh),
    (*(share * 0.6 for share in backgrounds.SHARES), 0.2, 0.2),
    2,
    varied.any_camera,
    take=own_amounts,
)
CLEAN = Domain(
    "clean",
    lateral_blotches,
    beer_lambert,
    CameraRange(most_tilt=0.0, least_fill=0.86, fill_span=0.0, close_share=0.0, view_span=0.0),
    LightRange(least_elevation=1.2, elevation_span=0.0, least_key=0.7, key_span=0.0, least_ambient=0.6, ambient_span=0.0,
               warmth=0.0),
    (_grey,),
    (1.0,),
    None,
    _plain_camera,
    company=False,
)  # fmt: skip
BY_NAME = {domain.name: domain for domain in (TRAINING, VARIED, SHIFTED, CLEAN)}
REPORTED = (TRAINING.name, SHIFTED.name)
