"""Crosses to learn and to be tested on, drawn as tensors from integer seeds: parents, offspring, held-out combinations.

Every draw depends on the seed of its photo alone (`triage.hatchery.draws`), so the same seed gives the same data on any
device and in any batch. Allele 0 is the wild type at every locus, as in `triage.species.drawing`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

from triage.hatchery import draws
from triage.records import Mode, Species
from triage.species import load_species, usual_species
from triage.species.drawing import Looks, usual_looks
from triage.vision.vocabulary import Vocabulary, build, class_table

_SALT_PARENTS, _SALT_RECIPE, _SALT_OFFSPRING, _SALT_HELD_OUT = 9001, 9002, 9003, 9004

#: The twelve genes of the protocol that results are compared on.
TWELVE_GENES = (
    ("pastel", "pastel"), ("fire series", "fire"), ("pinstripe", "pinstripe"), ("spider", "spider"), ("enchi", "enchi"),
    ("yellow-belly series", "yellow belly"), ("banana", "banana"), ("dark series", "cinnamon"),
    ("blue-eyed-leucistic series", "mojave"), ("clown", "clown"), ("piebald", "piebald"), ("ghost", "ghost"),
)  # fmt: skip
RECIPES = ("twelve genes", "whole catalogue", "focus")
#: Shares of the recipes among training photos.
TRAINING_SHARES = (0.40, 0.30, 0.30)
#: One combination of two or three genes in this many is never trained on.
HELD_OUT_ONE_IN = 20


@dataclass(frozen=True)
class Recipe:
    """Chances per parent and locus: `p_one`, `p_two` (n_loci,) copies; `allele` (n_loci, alleles) shares of mutants."""

    p_one: Tensor
    p_two: Tensor
    allele: Tensor


@dataclass(frozen=True)
class CrossTables:
    """What drawing needs, as tensors on one device. `class_of` (n_loci, alleles, alleles); `offsets` (n_loci,)."""

    recipes: tuple[Recipe, ...]
    class_of: Tensor
    offsets: Tensor
    class_hash: Tensor
    device: str


def cross_tables(species: Species, looks: Looks, vocabulary: Vocabulary, device: str) -> CrossTables:
    """Recipes and look-up tables for one catalogue on `device`."""
    table = torch.from_numpy(class_table(vocabulary, species, looks))
    offsets = torch.tensor(vocabulary.offsets)
    hashes = draws.uniform(torch.tensor([_SALT_HELD_OUT]), _SALT_HELD_OUT, vocabulary.n_total)[0]
    hashes = (hashes * HELD_OUT_ONE_IN * 1000).long()
    recipes = _twelve_genes(species, looks), _whole_catalogue(species, looks, 1.0), _whole_catalogue(species, looks, 0.5)
    moved = tuple(Recipe(r.p_one.to(device), r.p_two.to(device), r.allele.to(device)) for r in recipes)
    return CrossTables(moved, table.to(device), offsets.to(device), hashes.to(device), device)


def usual_tables(device: str) -> CrossTables:
    """Those of the species that is meant where none is named."""
    species, looks = load_species(usual_species()), usual_looks()
    return cross_tables(species, looks, build(species, looks), device)


def _twelve_genes(species: Species, looks: Looks) -> Recipe:
    """Each parent independently per gene: recessives visual 6 %, het 24 %; spider one copy 10 %; pinstripe one copy
    16 %; the others super 3 %, one copy 21 %."""
    p_one, p_two, allele = _blank(looks)
    place = {locus.name: number for number, locus in enumerate(looks.loci)}
    for locus, gene in TWELVE_GENES:
        number = place[locus]
        one, two = {"spider": (0.10, 0.0), "pinstripe": (0.16, 0.0)}.get(gene, (0.21, 0.03))
        if species.locus(locus).allele(gene).mode is Mode.RECESSIVE:
            one, two = 0.24, 0.06
        p_one[number], p_two[number] = one, two
        allele[number, looks.loci[number].alleles.index(gene)] = 1.0
    return Recipe(p_one, p_two, allele)


def _whole_catalogue(species: Species, looks: Looks, density: float) -> Recipe:
    """Every locus: recessives visual 4 %, het 12 %; the others super 1.5 %, one copy 11 %; a series shares out.

    Genes that are not bred to the homozygous form, or are not viable so, have no parent with two copies.
    """
    p_one, p_two, allele = _blank(looks)
    for number, drawn in enumerate(looks.loci):
        locus = species.locus(drawn.name)
        mutants = [locus.allele(name) for name in drawn.alleles[1:]]
        recessive = all(a.mode is Mode.RECESSIVE for a in mutants)
        single = any(a.mode is Mode.DOMINANT or a.two_copies_hatch_rate == 0 for a in mutants)
        p_one[number] = density * (0.12 if recessive else 0.11)
        p_two[number] = density * (0.04 if recessive else 0.0 if single else 0.015)
        allele[number, 1 : len(drawn.alleles)] = 1.0 / len(mutants)
    return Recipe(p_one, p_two, allele)


def _blank(looks: Looks) -> tuple[Tensor, Tensor, Tensor]:
    n_loci, most = len(looks.loci), max(len(locus.alleles) for locus in looks.loci)
    return torch.zeros(n_loci), torch.zeros(n_loci), torch.zeros(n_loci, most)


def draw_parents(tables: CrossTables, seeds: Tensor, recipe: str) -> Tensor:
    """Alleles int64 (B, 2 parents, n_loci, 2) for the photo seeds (B,); recipe one of RECIPES or "training"."""
    n_loci = len(tables.offsets)
    chosen = draws.uniform(seeds, _SALT_RECIPE, 1 + n_loci)
    if recipe == "training":
        edges = torch.tensor(TRAINING_SHARES, device=seeds.device).cumsum(0)[:-1]
        which = torch.bucketize(chosen[:, 0].contiguous(), edges)
    else:
        which = torch.full((len(seeds),), RECIPES.index(recipe), device=seeds.device)
    p_one = torch.stack([r.p_one for r in tables.recipes])[which]
    p_two = torch.stack([r.p_two for r in tables.recipes])[which]
    # the focus recipe thins the catalogue and makes two or three loci of each cross busy, so that rare looks are seen
    busy = (which == 2)[:, None] & (chosen[:, 1:] < 2.5 / n_loci)
    p_one = torch.where(busy, torch.full_like(p_one, 0.50), p_one)
    p_two = torch.where(busy & (p_two >= 0), torch.full_like(p_two, 0.25), p_two)
    share = torch.stack([r.allele for r in tables.recipes])[which].cumsum(-1)

    u = draws.uniform(seeds, _SALT_PARENTS, 2, n_loci, 4)
    two = u[..., 0] < p_two[:, None]
    one = ~two & (u[..., 0] < (p_one + p_two)[:, None])
    first, second = (_pick(share, u[..., k]) for k in (1, 2))
    second = torch.where(u[..., 3] < 0.5, first, second)  # two copies: the same allele, or another of its series
    zero = torch.zeros_like(first)
    return torch.stack([torch.where(one | two, first, zero), torch.where(two, second, zero)], -1)


def _pick(cumulative: Tensor, u: Tensor) -> Tensor:
    """Allele whose cumulative share (B, n_loci, alleles) first exceeds u (B, 2, n_loci)."""
    index = (u[..., None] * 0.999999 >= cumulative[:, None]).sum(-1)
    return index.clamp(max=cumulative.shape[-1] - 1)


def draw_offspring(parents: Tensor, seeds: Tensor, count: int, salt: int = 0) -> Tensor:
    """Alleles int64 (B, count, n_loci, 2) of `count` offspring of each pair of parents: one allele from each."""
    batch, _, n_loci, _ = parents.shape
    pick = (draws.uniform(seeds, _SALT_OFFSPRING + salt, count, 2, n_loci) < 0.5).long()
    both = parents[:, None].expand(batch, count, 2, n_loci, 2)
    alleles = torch.gather(both, 4, pick[..., None])[..., 0]
    return alleles.transpose(2, 3)


def classes_of(tables: CrossTables, genotypes: Tensor) -> Tensor:
    """Appearance classes int64 (..., n_loci) of alleles (..., n_loci, 2)."""
    loci = torch.arange(len(tables.offsets), device=genotypes.device)
    return tables.class_of[loci, genotypes[..., 0], genotypes[..., 1]]


def held_out(tables: CrossTables, codes: Tensor) -> Tensor:
    """Whether a look (..., n_loci) is one of the two- or three-gene combinations kept out of training."""
    shown = codes > 0
    total = (tables.class_hash[codes + tables.offsets] * shown).sum(-1)
    count = shown.sum(-1)
    return ((count == 2) | (count == 3)) & (total % HELD_OUT_ONE_IN == 0)


def candidate_calls(class_of: np.ndarray, parents: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Every look two parents can give, with its Mendelian chance.

    `class_of` as in `CrossTables`, `parents` int (2, n_loci, 2). Returns classes (n, n_loci) and chances (n,), which sum
    to 1. Loci are unlinked, so the chances multiply.
    """
    codes, chances = np.zeros((1, parents.shape[1]), np.int64), np.ones(1)
    for locus in range(parents.shape[1]):
        dam, sire = parents[0, locus], parents[1, locus]
        looks = class_of[locus, dam[:, None], sire[None, :]].ravel()
        if (looks == looks[0]).all():
            codes[:, locus] = looks[0]
            continue
        options, counts = np.unique(looks, return_counts=True)
        codes = np.repeat(codes, len(options), 0)
        codes[:, locus] = np.tile(options, len(codes) // len(options))
        chances = np.repeat(chances, len(options)) * np.tile(counts / 4.0, len(chances))
    return codes, chances
