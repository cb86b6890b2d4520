"""Genotypes in trade words."""

from __future__ import annotations

from collections.abc import Mapping

from triage.records import NORMAL, Genotype, Species


def words_of(species: Species, locus: str, genotype: Genotype) -> str:
    """A genotype in trade words: "het clown", "no clown", "pastel"."""
    found = species.locus(locus)
    alleles = [allele for allele in genotype.alleles if allele != NORMAL]
    if not alleles:
        return f"no {found.alleles[0].name if len(found.alleles) == 1 else locus}"
    return found.look(genotype) or f"het {alleles[0]}"


def chances_in_words(species: Species, locus: str, table: Mapping[Genotype, float]) -> dict[str, float]:
    """P(genotype) summed by its words, likeliest first: a gene on either sex chromosome is one line, whatever the animal's sex."""
    found: dict[str, float] = {}
    for genotype, p in table.items():
        words = words_of(species, locus, genotype)
        found[words] = found.get(words, 0.0) + p
    return dict(sorted(found.items(), key=lambda one: -one[1]))
