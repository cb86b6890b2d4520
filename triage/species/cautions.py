"""Cautions that belong to what is seen of an animal, or to its genes."""

from __future__ import annotations

from collections.abc import Collection
from functools import lru_cache

from triage.records import Genotype, Locus, Species, VisualCall, unique


def cautions_of(species: Species, call: VisualCall) -> tuple[str, ...]:
    """Texts of the cautions that belong to the genes seen in a call, alone and together, each once."""
    seen = [
        (species.locus(name), genotype)
        for name, look in call.looks
        for genotype in species.locus(name).of_look(look)
    ]
    keys = [key for locus, genotype in seen for key in caution_keys(locus, genotype)]
    keys += together_keys(species, {allele for _, genotype in seen for allele in genotype.alleles})
    return tuple(species.caution(key).text for key in unique(keys))


def caution_keys(locus: Locus, genotype: Genotype) -> tuple[str, ...]:
    """Keys of the cautions that belong to a genotype: those of its compound, of each allele, and of two copies of one."""
    first, second = genotype.alleles
    compound = locus.compound(first, second) if first != second else None
    keys: list[str] = list(compound.cautions) if compound else []
    for name in dict.fromkeys(genotype.alleles):
        if name in locus.allele_names:
            allele = locus.allele(name)
            keys += allele.cautions
            if first == second:
                keys += allele.two_copies_cautions
    return unique(keys)


def together_keys(species: Species, alleles: Collection[str]) -> tuple[str, ...]:
    """Keys of the cautions of an animal that carries these alleles, for two different ones of a list."""
    return unique(one.caution for one in species.together if sum(gene in alleles for gene in one.genes) > 1)


def keys_with_partners(species: Species, locus: Locus, genotype: Genotype) -> tuple[str, ...]:
    """Keys that a text on a genotype names: its own, and those of its alleles with genes of other loci."""
    partners = (one.caution for one in species.together if set(one.genes) & set(genotype.alleles))
    return unique((*caution_keys(locus, genotype), *partners))


@lru_cache(maxsize=64)
def harmful_loci(species: Species) -> frozenset[str]:
    """Loci with a caution, alone or together, or with a genotype that does not always hatch."""
    return frozenset(
        locus.name
        for locus in species.loci
        if any(keys_with_partners(species, locus, g) or locus.hatch_rate(g) < 1 for g in locus.genotypes())
    )
