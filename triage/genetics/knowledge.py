"""What a keeper knows of a parent, turned into genotype priors: descent, looks, and hets nobody recorded."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from triage.errors import ContradictionError, UnknownNameError, UnsupportedInheritanceError
from triage.genetics.clutch.model import compile_cross
from triage.genetics.clutch.worlds import worlds_of
from triage.records import (
    NORMAL,
    Cross,
    Genotype,
    GenotypePrior,
    LineStatement,
    Locus,
    Mode,
    Parent,
    Probability,
    Sex,
    Species,
    VisualCall,
)


def offspring(species: Species, name: str, sex: Sex, dam: Parent, sire: Parent, look: VisualCall | None = None) -> Parent:
    """What is known of an animal from its own parents, and from its look where that is given.

    Exact: with one dam and one sire the loci of a young animal are independent of one another, and a look speaks of each locus on
    its own. Where a parent's line is not named, that holds of each way to fill it in, and the young bears what comes of that.

    Raises
    ------
    ContradictionError
        These parents cannot give the look.
    UnsupportedInheritanceError
        The cross itself cannot be computed.
    """
    cross = Cross(species, dam, (sire,), (1,), 0)
    worlds = worlds_of(cross)
    if not worlds:
        return Parent(name, sex, _offspring_loci(cross, name, sex, look)[1])
    found: list[tuple[str, float, dict[str, GenotypePrior]]] = []
    refusal = None
    for world in worlds:
        try:
            chance, loci = _offspring_loci(world.cross, name, sex, look)
        except ContradictionError as error:
            refusal = error
            continue
        found.append((" and ".join(world.lines.values()), world.chance * chance, loci))
    if not found:
        raise refusal
    return with_lines(name, sex, [one for parent in (dam, sire) for one in parent.lines], found[0][2], found)


def with_lines(
    name: str,
    sex: Sex,
    stated: Sequence[LineStatement],
    loci: Mapping[str, GenotypePrior],
    found: Sequence[tuple[str, float, Mapping[str, GenotypePrior]]],
    origin: str | None = None,
) -> Parent:
    """An animal whose loci are known given the lines of others.

    Parameters
    ----------
    stated
        What is said of those others; the loci it speaks of are held together.
    loci
        What the animal is at the other loci.
    found
        For each way to fill them in: words for it, its weight, and the animal's loci then; loci that are missing are wild type.
    origin
        What the animals have in common whose lines are the same.
    """
    held = tuple(dict.fromkeys(locus for one in stated for locus in one.loci))
    total = math.fsum(weight for _, weight, _ in found)
    chances = tuple((words, weight / total) for words, weight, _ in found)
    given = {words: {locus: prior for locus, prior in known.items() if locus in held} for words, _, known in found}
    rest = {locus: prior for locus, prior in loci.items() if locus not in held}
    word = " and ".join(dict.fromkeys(one.word for one in stated))
    return Parent(name, sex, rest, (LineStatement(word, chances, given, held, origin),))


def _offspring_loci(cross: Cross, name: str, sex: Sex, look: VisualCall | None) -> tuple[float, dict[str, GenotypePrior]]:
    """P(look) and what the young is at each locus given its look; of parents whose lines are all named."""
    species, (sire,), chance = cross.species, cross.sires, 1.0
    loci: dict[str, GenotypePrior] = {}
    for block in compile_cross(cross).blocks:
        expected = block.expected(0)
        for position, locus_name in enumerate(block.loci):
            locus = species.locus(locus_name)
            states: dict[Genotype, float] = {}
            for outcome, p in zip(block.outcomes, expected, strict=True):
                if outcome.sex not in (None, sex):
                    continue
                genotype = outcome.genotypes[position][1]
                if look is None or locus.look(genotype) == look.look(locus_name):
                    states[genotype] = states.get(genotype, 0.0) + float(p)
            loci[locus_name] = _normalised(states, f"{name}: {cross.dam.name} and {sire.name} cannot give this look at {locus_name}")
            chance *= sum(states.values())
    if look is not None:
        for locus_name, word in look.looks:
            if locus_name not in loci:
                raise ContradictionError(
                    f"{name} shows {word}, but neither {cross.dam.name} nor {sire.name} carries anything at {locus_name}; "
                    "check the genes of its parents"
                )
    return chance, loci


def with_unknown_hets(parent: Parent, species: Species, rates: Mapping[str, Probability]) -> Parent:
    """The parent with a chance of carrying one copy of each named recessive gene that its record does not speak of.

    Parameters
    ----------
    rates
        P(het) by recessive allele name. Nobody recorded it either way, so a stated locus is left alone.

    Raises
    ------
    UnsupportedInheritanceError
        A gene named is not recessive (one copy of it would show), or two genes of one series are named.
    UnknownNameError
        The species has no gene of that name.
    """
    loci = dict(parent.loci)
    for allele, rate in rates.items():
        if not any(allele in locus.allele_names for locus in species.loci):
            raise UnknownNameError(f"{parent.name}: unknown het '{allele}' is no gene of the {species.name}; 'triage genes' lists them")
        locus = species.locus_of(allele)
        if locus.allele(allele).mode is not Mode.RECESSIVE:
            raise UnsupportedInheritanceError(
                f"{parent.name}: '{allele}' is {locus.allele(allele).mode} and would show in one copy; "
                "unknown hets are for recessive genes"
            )
        if locus.sex_linked:
            raise UnsupportedInheritanceError(f"{parent.name}: unknown hets of a sex-linked gene are not computed")
        if locus.name in parent.loci:
            continue
        if locus.name in loci:
            raise UnsupportedInheritanceError(
                f"{parent.name}: two unknown hets at one locus ({locus.name}); name one of them"
            )
        loci[locus.name] = GenotypePrior(((Genotype(allele, NORMAL), rate), (Genotype(NORMAL, NORMAL), 1 - rate)))
    return replace(parent, loci=loci)


def seen_only_as(
    species: Species,
    name: str,
    sex: Sex,
    look: VisualCall,
    frequencies: Mapping[str, Probability],
    also: Iterable[str] = (),
) -> Parent:
    """An animal known by its look alone: Hardy-Weinberg proportions of the genes at large, kept to what fits the look.

    Parameters
    ----------
    frequencies
        Allele frequency of every allele that may be about; alleles not named are taken as absent.
    also
        Locus names to open besides those the look shows.
    """
    shown = {locus_name for locus_name, _ in look.looks}
    loci = {}
    for locus in species.loci:
        if locus.name not in shown and locus.name not in set(also):
            continue
        states = {
            g: p for g, p in hardy_weinberg(species, locus, sex, frequencies).items() if locus.look(g) == look.look(locus.name)
        }
        loci[locus.name] = _normalised(
            states, f"{name}: no genotype of {locus.name} with these background frequencies looks like '{look.name}'"
        )
    return Parent(name, sex, loci)


def hardy_weinberg(
    species: Species, locus: Locus, sex: Sex, frequencies: Mapping[str, Probability]
) -> dict[Genotype, Probability]:
    """P(genotype) of an animal at large among those that hatch: two alleles drawn on their own (Hardy 1908, Weinberg 1908).

    The wild type takes what the mutant alleles leave; the alleles of the heterogametic sex are drawn the same way on each chromosome.
    """
    chances: dict[str, Probability] = {a: frequencies[a] for a in locus.allele_names if frequencies.get(a)}
    rest = 1 - sum(chances.values())
    if rest < 0:
        raise ValueError(f"{locus.name}: allele frequencies add up to more than 1")
    chances[NORMAL] = rest
    by_chromosome = locus.sex_linked and sex is species.heterogametic
    states: dict[Genotype, Probability] = {}
    for a, p in chances.items():
        for b, q in chances.items():
            genotype = Genotype(a, b, by_chromosome)
            rate = locus.hatch_rate(genotype)
            if p * q > 0 and rate > 0:
                weight = p * q if rate == 1.0 else p * q * rate
                states[genotype] = states.get(genotype, 0) + weight
    total = sum(states.values())
    return states if total == 1 else {g: p / total for g, p in states.items()}


def unrecorded_sire(
    species: Species, alleles: Iterable[str], frequency: Probability, *, name: str = "unrecorded sire"
) -> Parent:
    """A male drawn from animals at large: each named allele at one background frequency; all others count as wild type."""
    wanted = set(alleles)
    loci = {
        locus.name: GenotypePrior(
            tuple(hardy_weinberg(species, locus, Sex.MALE, dict.fromkeys(wanted, frequency)).items())
        )
        for locus in species.loci
        if wanted & set(locus.allele_names)
    }
    return Parent(name, Sex.MALE, loci)


def _normalised(states: Mapping[Genotype, Probability], refusal: str) -> GenotypePrior:
    total = sum(states.values())
    if not total > 0:
        raise ContradictionError(f"{refusal}; check the record")
    return GenotypePrior(tuple((g, p / total) for g, p in states.items() if p > 0))
