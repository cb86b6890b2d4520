"""What a pairing may do to its eggs, before it is made: every caution that an egg can meet, with its chance per egg."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

from triage.genetics.clutch.model import compile_cross, egg_chances
from triage.genetics.transmission import Outcome
from triage.records import NORMAL, About, Cross, Genotype, Linkage, Locus, Parent, Species, unique
from triage.species.cautions import caution_keys, harmful_loci

_Chances = Mapping[Outcome, float]


class Of(StrEnum):
    """What a chance is of: eggs that would be so, eggs that are lost, or the dam."""

    EGGS = "eggs"
    LOST = "eggs lost"
    DAM = "dam"


@dataclass(frozen=True, slots=True)
class PairingCaution:
    """One thing to know of a pairing: ``what`` in trade words, its chance, of what, and the texts of the cautions."""

    what: str
    chance: float
    of: Of
    texts: tuple[str, ...]



def pairing_cautions(
    species: Species,
    dam: Parent,
    sire: Parent,
    *,
    crossover: Mapping[str, float] | None = None,
    linkages: Iterable[Linkage] = (),
) -> tuple[PairingCaution, ...]:
    """Cautions of a pairing by what is known of both parents: what loses eggs, genes together, the dam, single genes.

    Chances are of an egg as it is laid. One that does not hatch for two copies of a gene counts as lost, and not as an animal with
    that gene. A gene that cannot be seen has no caution of its own.

    Raises
    ------
    UnsupportedInheritanceError
        Two sex-linked loci with cautions are in the cross, or a linkage names one.
    """
    harmful = harmful_loci(species)
    dam, sire = (Parent(one.name, one.sex, {n: p for n, p in one.loci.items() if n in harmful}) for one in (dam, sire))
    linked = tuple(one for one in linkages if {one.first, one.second} <= harmful)
    model = compile_cross(Cross(species, dam, (sire,), (Fraction(1),), 0, crossover or {}, linked))
    if not model.blocks:
        return ()
    eggs = [chances for _, chances in egg_chances(model)]
    found = [*_lost(species, eggs), *_together(species, eggs), *_of_dam(species, dam), *_single(species, eggs)]
    return tuple(one for one in found if one.chance > 0)


def _lost(species: Species, eggs: Iterable[_Chances]) -> Iterable[PairingCaution]:
    for locus, genotypes in _by_locus(species, eggs):
        for genotype, p in genotypes.items():
            rate = locus.hatch_rate(genotype)
            if rate < 1:
                hatch = "not seen to hatch" if rate == 0 else f"of which {100 * rate:.0f} % hatch"
                texts = _texts(species, locus, [genotype], About.EGGS)
                yield PairingCaution(f"{_name(locus, genotype)}, {hatch}", p * (1 - rate), Of.LOST, texts)


def _together(species: Species, eggs: Iterable[_Chances]) -> Iterable[PairingCaution]:
    for entry in species.together:
        for pair in itertools.combinations(entry.genes, 2):
            yield PairingCaution(" with ".join(pair), _chance_of_both(species, eggs, pair), Of.EGGS, (species.caution(entry.caution).text,))


def _chance_of_both(species: Species, eggs: Iterable[_Chances], pair: tuple[str, str]) -> float:
    """P(an egg carries both alleles and is not lost for them): blocks are independent, and each allele is of one block."""
    p = 1.0
    for chances in eggs:
        here = [gene for gene in pair if any(gene in g.alleles for o in chances for _, g in o.genotypes)]
        if here:
            p *= math.fsum(
                chance * math.prod(species.locus(name).hatch_rate(g) for name, g in outcome.genotypes if set(g.alleles) & set(here))
                for outcome, chance in chances.items()
                if set(here) <= {allele for _, g in outcome.genotypes for allele in g.alleles}
            )
        pair = tuple(gene for gene in pair if gene not in here)
    return 0.0 if pair else p


def _of_dam(species: Species, dam: Parent) -> Iterable[PairingCaution]:
    for name, prior in dam.loci.items():
        locus = species.locus(name)
        warned: dict[str, float] = {}
        for genotype, p in prior.states:
            if p > 0 and locus.look(genotype) and _texts(species, locus, [genotype], About.DAM):
                warned[locus.look(genotype)] = warned.get(locus.look(genotype), 0.0) + float(p)
        for look, p in warned.items():
            of = [g for g, _ in prior.states if locus.look(g) == look]
            yield PairingCaution(look, p, Of.DAM, _texts(species, locus, of, About.DAM))


def _single(species: Species, eggs: Iterable[_Chances]) -> Iterable[PairingCaution]:
    for locus, genotypes in _by_locus(species, eggs):
        looks: dict[str, list[Genotype]] = {}
        for genotype in genotypes:
            if locus.look(genotype):
                looks.setdefault(locus.look(genotype), []).append(genotype)
        for look, of in looks.items():
            texts = _texts(species, locus, of, About.ANIMAL)
            if texts:
                yield PairingCaution(look, math.fsum(genotypes[g] * locus.hatch_rate(g) for g in of), Of.EGGS, texts)


def _by_locus(species: Species, eggs: Iterable[_Chances]) -> Iterable[tuple[Locus, dict[Genotype, float]]]:
    """P(genotype) of an egg by locus; the two orders of alleles on sex chromosomes are one genotype."""
    for chances in eggs:
        tables: dict[str, dict[Genotype, float]] = {}
        for outcome, p in chances.items():
            for name, genotype in outcome.genotypes:
                plain, table = Genotype(*genotype.alleles), tables.setdefault(name, {})
                table[plain] = table.get(plain, 0.0) + p
        yield from ((species.locus(name), table) for name, table in tables.items())


def _texts(species: Species, locus: Locus, genotypes: Iterable[Genotype], about: About) -> tuple[str, ...]:
    keys = unique(key for genotype in genotypes for key in caution_keys(locus, genotype))
    return tuple(species.caution(key).text for key in keys if species.caution(key).about is about)


def _name(locus: Locus, genotype: Genotype) -> str:
    first, second = genotype.alleles
    if first == second:
        return f"two copies of {first}"
    return f"one copy of {first if second == NORMAL else second}" if NORMAL in (first, second) else f"{first} and {second}"
