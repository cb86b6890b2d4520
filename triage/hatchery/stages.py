"""When the photo was taken, and what that does to the animal's surface."""

from collections.abc import Sequence
from dataclasses import dataclass, fields

import torch
from torch import Tensor

from triage.hatchery import draws

STAGES = ("in the egg", "just hatched", "before shed", "after first shed", "three months")
_SHARES = (0.20, 0.22, 0.13, 0.27, 0.18)  # of photos whose stage is drawn
_SALT_STAGE, _SALT_SURFACE = 501, 502


@dataclass(frozen=True)
class Stage:
    """Per photo (B,): `index` into STAGES, `in_egg` bool, and 0..1: `age`, `wet`, `residue` (dried egg film), `milky`
    (dull before a shed), `fresh` (bright after one); `growth`, size relative to a hatchling."""

    index: Tensor
    in_egg: Tensor
    age: Tensor
    wet: Tensor
    residue: Tensor
    milky: Tensor
    fresh: Tensor
    growth: Tensor

    def rows(self, rows: Tensor) -> "Stage":
        """The photos `rows` alone."""
        return Stage(**{field.name: getattr(self, field.name)[rows] for field in fields(self)})


def make_stage(photo_seeds: Tensor, stage: str | Sequence[str] | None) -> Stage:
    """The stage of each photo: one for all, one each, or (None) drawn from the photo's seed."""
    device, batch = photo_seeds.device, len(photo_seeds)
    u = draws.uniform(photo_seeds, _SALT_STAGE, 1)[:, 0]
    if stage is None:
        edges = torch.tensor(_SHARES, device=device).cumsum(0)[:-1]
        index = torch.bucketize(u.contiguous(), edges)
    else:
        names = [stage] * batch if isinstance(stage, str) else list(stage)
        for name in names:
            if name not in STAGES:
                raise ValueError(f"stage {name!r} is not one of {', '.join(STAGES)}")
        index = torch.tensor([STAGES.index(name) for name in names], device=device)
    w = draws.uniform(photo_seeds, _SALT_SURFACE, 5)
    in_egg, hatched, before, after, grown = (index == number for number in range(5))
    damp = torch.where(w[:, 0] < 0.45, 0.35 + 0.5 * w[:, 1], 0.08 * w[:, 1])  # wet, or dry and dusty
    wet = torch.where(in_egg, 0.55 + 0.40 * w[:, 1], torch.where(hatched, damp, torch.zeros_like(damp)))
    film = torch.where(hatched & (w[:, 0] >= 0.45), 0.3 + 0.6 * w[:, 2], 0.25 * w[:, 2])
    residue = torch.where(in_egg | hatched, film, torch.zeros_like(film))
    milky = torch.where(before, 0.35 + 0.6 * w[:, 3], torch.where(hatched, 0.10 * w[:, 3], torch.zeros_like(damp)))
    fresh = torch.where(after, 0.6 + 0.4 * w[:, 4], torch.where(grown, 0.3 + 0.5 * w[:, 4], torch.zeros_like(damp)))
    growth = torch.where(grown, 1.35 + 0.35 * w[:, 4], torch.ones_like(damp))
    return Stage(index, in_egg, grown.float(), wet, residue, milky, fresh, growth)
