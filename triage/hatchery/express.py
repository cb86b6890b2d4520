"""Genotypes to settings of the drawing.

Effects add in a latent space (triage.species.drawing), one locus after another in the file's order, so the order in
which a genotype is written cannot matter and an invisible het changes no bit.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import torch
from torch import Tensor

from triage.errors import UnknownNameError
from triage.hatchery import draws
from triage.species.drawing import NORMAL, Looks, pair, usual_looks

Genotype = Mapping[str, tuple[str, str]]

_SALT_INDIVIDUAL, _SALT_STRENGTH = 101, 102
_WEAKEST = 0.35  # expression never falls below this share of the mean


@dataclass(frozen=True)
class EffectTables:
    """Effects as tensors on one device.

    `row` int64 (n_loci, most alleles, most alleles): allele pair -> row of the tables below, (n_rows, n_parameters):
    `varying` scales with the animal's expression, `steady` does not, `aged` is added at three months.
    """

    row: Tensor
    varying: Tensor
    steady: Tensor
    aged: Tensor
    base: Tensor
    spread: Tensor
    low: Tensor
    high: Tensor
    is_log: Tensor


def encode(genotypes: Sequence[Genotype] | Tensor, looks: Looks | None = None) -> Tensor:
    """Allele indices int64 (B, n_loci, 2); loci and alleles in the order of the looks file, 0 = normal.

    A tensor is passed through. UnknownNameError names a locus or allele that the looks do not have.
    """
    if isinstance(genotypes, Tensor):
        return genotypes.to(torch.int64)
    looks = looks or usual_looks()
    place = {locus.name: index for index, locus in enumerate(looks.loci)}
    codes = torch.zeros(len(genotypes), len(looks.loci), 2, dtype=torch.int64)
    for number, genotype in enumerate(genotypes):
        for name, alleles in genotype.items():
            if name not in place:
                raise UnknownNameError(
                    f"Genotype {number}: the looks of '{name}' are not recorded, so it cannot be drawn; known: {', '.join(place)}."
                )
            known = looks.loci[place[name]].alleles
            if len(alleles) != 2 or not set(alleles) <= set(known):
                raise UnknownNameError(
                    f"Genotype {number}: alleles {tuple(alleles)} at '{name}'; needed two of: {', '.join(known)}."
                )
            codes[number, place[name]] = torch.tensor([known.index(allele) for allele in alleles])
    return codes


def decode(codes: Tensor, looks: Looks | None = None) -> list[dict[str, tuple[str, str]]]:
    """The inverse of `encode`; loci that are normal on both sides are left out."""
    looks = looks or usual_looks()
    genotypes = []
    for row in codes.tolist():
        genotype = {}
        for locus, (first, second) in zip(looks.loci, row, strict=True):
            if first or second:
                genotype[locus.name] = (locus.alleles[first], locus.alleles[second])
        genotypes.append(genotype)
    return genotypes


@lru_cache(maxsize=8)
def effect_tables(looks: Looks, device: str) -> EffectTables:
    """`EffectTables` of `looks` on `device`."""
    index = {parameter.name: number for number, parameter in enumerate(looks.parameters)}
    most = max(len(locus.alleles) for locus in looks.loci)
    row = torch.zeros(len(looks.loci), most, most, dtype=torch.int64)
    varying, steady, aged = [torch.zeros(len(index))], [torch.zeros(len(index))], [torch.zeros(len(index))]
    for number, locus in enumerate(looks.loci):
        for i, first in enumerate(locus.alleles):
            for j, second in enumerate(locus.alleles):
                if first == second == NORMAL:
                    continue
                fixed, scaled, later = (torch.zeros(len(index)) for _ in range(3))
                for name, effect in locus.effects[pair(first, second)].items():
                    # an effect near saturation (missing pigment) is complete in every carrier
                    whole = looks.parameters[index[name]].steady or abs(effect) > 1.5
                    (fixed if whole else scaled)[index[name]] = effect
                for name, effect in locus.aged.get(pair(first, second), {}).items():
                    later[index[name]] = effect
                row[number, i, j] = len(varying)
                varying.append(scaled)
                steady.append(fixed)
                aged.append(later)
    columns = {
        key: torch.tensor([getattr(parameter, key) for parameter in looks.parameters], device=device)
        for key in ("base", "spread", "low", "high")
    }
    is_log = torch.tensor([parameter.kind == "log" for parameter in looks.parameters], device=device)
    stacked = [torch.stack(table).to(device) for table in (varying, steady, aged)]
    return EffectTables(row.to(device), *stacked, **columns, is_log=is_log)


def express(codes: Tensor, animal_seeds: Tensor, age: Tensor, looks: Looks) -> dict[str, Tensor]:
    """Settings of the drawing, each float32 (B,).

    `codes` from `encode`; `age` (B,) is 0 at hatching and 1 at three months. Each animal has its own deviation in
    every parameter and its own strength of expression at every locus, drawn from its seed alone.
    """
    tables = effect_tables(looks, str(codes.device))
    individual = draws.normal(animal_seeds, _SALT_INDIVIDUAL, len(looks.parameters))
    strength = draws.normal(animal_seeds, _SALT_STRENGTH, len(looks.loci))
    strength = (1 + looks.expression_spread * strength).clamp(min=_WEAKEST)
    place = torch.arange(len(looks.loci), device=codes.device)
    row = tables.row[place, codes[..., 0], codes[..., 1]]  # (B, n_loci)
    effects = tables.varying[row] * strength[..., None] + tables.steady[row] + tables.aged[row] * age[:, None, None]
    latent = individual * tables.spread + _sum_loci(effects)
    value = torch.where(tables.is_log, tables.base * torch.exp(latent), tables.base + latent)
    value = torch.minimum(torch.maximum(value, tables.low), tables.high)
    return {parameter.name: value[:, number] for number, parameter in enumerate(looks.parameters)}


def _sum_loci(effects: Tensor) -> Tensor:
    """Sum over axis 1 by halves: the same order, hence the same bits, in every batch."""
    while effects.shape[1] > 1:
        half = (effects.shape[1] + 1) // 2
        rest = effects[:, half:]
        effects = torch.cat([effects[:, : rest.shape[1]] + rest, effects[:, rest.shape[1] : half]], 1)
    return effects[:, 0]
