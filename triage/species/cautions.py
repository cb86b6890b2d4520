"""Cautions that belong to what is seen of an animal, or to its genes."""

from __future__ import annotations

from triage.records import Genotype, Locus, Species, VisualCall, unique


def cautions_of(species: Species, call: VisualCall) -> tuple[str, ...]:
    """Texts of the cautions that belong to the genes seen in a call, each once."""
    keys = [
        key
        for name, look in call.looks
        for genotype in species.locus(name).of_look(look)
        for key in caution_keys(species.locus(name), genotype)
    ]
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
