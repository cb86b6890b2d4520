"""The two domains in which photos are drawn: one to train on, and another never trained on."""

from collections.abc import Callable
from dataclasses import dataclass

from torch import Tensor

from triage.hatchery import backgrounds, shifted
from triage.hatchery.camera import CameraRange
from triage.hatchery.light import LightRange
from triage.hatchery.response import expose
from triage.hatchery.skin import beer_lambert, lateral_blotches


@dataclass(frozen=True)
class Domain:
    """Everything in which the domains differ; what a gene does is the same in both."""

    name: str
    draw_markings: Callable
    reflect: Callable
    camera: CameraRange
    light: LightRange
    grounds: tuple[Callable[[Tensor, Tensor], Tensor], ...]
    ground_shares: tuple[float, ...]
    hand: int | None  # the ground on which no egg is shown
    respond: Callable[[Tensor, Tensor], Tensor]


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
BY_NAME = {domain.name: domain for domain in (TRAINING, SHIFTED)}
