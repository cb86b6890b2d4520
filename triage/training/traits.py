"""The numbers an animal was drawn from, as something to learn: what `triage.vision.traits` estimates."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import torch
from torch import Tensor

from triage.catalogue.looks import Looks
from triage.hatchery import STAGES
from triage.hatchery.express import express
from triage.training.crosses import CrossTables
from triage.training.photos import Truth, draw_truth, photo_seeds

_LEAST = 0.05  # of a pigment's base: a pigment weaker than this share is not told from none
#: Pigments whose depth two settings make together; only the product is seen.
_PRODUCTS = (
    ("ground_melanin", "melanin"), ("blotch_melanin", "melanin"), ("ground_xanthin", "xanthin"), ("blotch_xanthin", "xanthin"),
    ("ground_erythrin", "erythrin"), ("blotch_erythrin", "erythrin"),
)  # fmt: skip


@dataclass(frozen=True)
class TraitScale:
    """Mean and standard deviation of every trait (n_traits,) among animals trained on, logs where the setting acts as a factor."""

    looks: Looks
    mean: Tensor
    deviation: Tensor

    def to_json(self) -> list[dict[str, Any]]:
        """Name, kind, mean and deviation of each trait, for the sidecar."""
        rows = zip(self.looks.parameters, self.mean.tolist(), self.deviation.tolist(), strict=True)
        return [{"name": p.name, "kind": p.kind, "mean": round(m, 5), "deviation": round(d, 5)} for p, m, d in rows]


def settings_of(genotypes: Tensor, animal_seeds: Tensor, stages: Tensor, looks: Looks) -> Tensor:
    """Settings of the drawing (B, n_traits) as deviations from the wild type's, logs where they act as factors."""
    age = (stages == STAGES.index("three months")).float()
    values = express(genotypes, animal_seeds, age, looks)
    bases = {parameter.name: (parameter.base, parameter.kind) for parameter in looks.parameters}
    shown = {
        name: (value / bases[name][0]).clamp(min=_LEAST).log() if bases[name][1] == "log" else value - bases[name][0]
        for name, value in values.items()
    }
    for part, factor in _PRODUCTS:
        shown[part] = (shown[part] + shown[factor]).clamp(min=math.log(_LEAST))
    return torch.stack([shown[parameter.name] for parameter in looks.parameters], 1)


def trait_scale(tables: CrossTables, looks: Looks, seed: int, photos: int) -> TraitScale:
    """The scale of `photos` undrawn training animals, of all stages in turn."""
    seeds = photo_seeds("train", 0, photos, seed, tables.device)
    truth = draw_truth(tables, seeds, "training", keep_out=True)
    stages = torch.arange(photos, device=seeds.device) % len(STAGES)
    found = settings_of(truth.genotypes, seeds, stages, looks).double()
    return TraitScale(looks, found.mean(0).float(), found.std(0).clamp(min=1e-3).float())


def traits_of(truth: Truth, stages: Tensor, scale: TraitScale) -> Tensor:
    """Traits (B, n_traits) of photographed animals, in standard deviations from the mean."""
    found = settings_of(truth.genotypes, truth.seeds, stages, scale.looks)
    return (found - scale.mean) / scale.deviation
