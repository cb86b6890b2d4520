"""Rendered photos with their truth, drawn from integer seeds, ready for the network."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

from triage.hatchery import render
from triage.hatchery.domains import Domain
from triage.training.crosses import CrossTables, candidate_calls, classes_of, draw_offspring, draw_parents, held_out

#: Photo numbers are seeds; these sets never meet. Each may hold 10**9 photos.
SETS = {"train": 0, "validate": 1, "calibrate": 2, "report": 3, "held out": 4, "look-alikes": 5, "several photos": 6}
_SPARE_OFFSPRING = 6


@dataclass(frozen=True)
class Truth:
    """B photos, each of its own cross. `parents` (B, 2, n_loci, 2), `genotypes` (B, n_loci, 2), `codes` (B, n_loci).

    `usable` (B,) is false where a training photo shows a held-out combination and must not count.
    """

    seeds: Tensor
    parents: Tensor
    genotypes: Tensor
    codes: Tensor
    usable: Tensor


@dataclass(frozen=True)
class Batch:
    """Rendered photos: `images` uint8 (B, 3, px, px), `masks` uint8 (B, 1, px, px), `stages` (B,), `visible` (B,).

    `accompanied` bool (B,): a second animal is in the frame.
    """

    truth: Truth
    images: Tensor
    masks: Tensor
    stages: Tensor
    visible: Tensor
    accompanied: Tensor


def photo_seeds(name: str, first: int, count: int, seed: int, device: str) -> Tensor:
    """Seeds int64 (count,) of photos `first` .. of a set, for the run's own `seed`."""
    base = (seed * len(SETS) + SETS[name]) * 10**9
    return torch.arange(base + first, base + first + count, dtype=torch.int64, device=device)


def draw_truth(tables: CrossTables, seeds: Tensor, recipe: str, *, keep_out: bool) -> Truth:
    """A cross per seed and the offspring that is photographed.

    With `keep_out`, the first of several siblings that shows no held-out combination is taken.
    """
    parents = draw_parents(tables, seeds, recipe)
    brood = draw_offspring(parents, seeds, _SPARE_OFFSPRING if keep_out else 1)
    codes = classes_of(tables, brood)
    kept = ~held_out(tables, codes) if keep_out else torch.ones(codes.shape[:2], dtype=torch.bool, device=seeds.device)
    first = kept.float().argmax(1)
    row = torch.arange(len(seeds), device=seeds.device)
    return Truth(seeds, parents, brood[row, first], codes[row, first], kept.any(1))


def possible_calls(tables: CrossTables, truth: Truth) -> Iterator[tuple[np.ndarray, np.ndarray, int]]:
    """Of each photo: the calls its cross can give (n, n_loci), their chances (n,), and the row of the true one."""
    class_of, parents, codes = (values.cpu().numpy() for values in (tables.class_of, truth.parents, truth.codes))
    for pair, shown in zip(parents, codes, strict=True):
        calls, prior = candidate_calls(class_of, pair)
        yield calls, prior, int(np.flatnonzero((calls == shown).all(1))[0])


def draw_photos(truth: Truth, px: int, *, domain: str | Domain = "training", photo: int = 0) -> Batch:
    """Render the animals of `truth`; `photo` numbers further photos of the same animals."""
    others = truth.seeds + photo * 7919 * 10**9
    photos = render(truth.genotypes, truth.seeds, others, size=px, device=str(truth.seeds.device), domain=domain)
    return Batch(
        truth,
        (photos.images * 255).round().to(torch.uint8),
        (photos.masks * 255).round().to(torch.uint8),
        photos.stage_index,
        photos.visible_share.float(),
        photos.accompanied,
    )
