"""Other explanations of a hatchling that the records explain badly, ranked by Bayes factor.

Each explanation is a cross of its own, computed by the engine; its Bayes factor is P(readings | explanation) /
P(readings | records). Where the readings contradict the records the factor is infinite and the ranking goes by the numerator.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from triage.errors import UnsupportedInheritanceError, WorkTooLargeError
from triage.genetics.clutch.exact import infer, log_evidence
from triage.genetics.clutch.model import compile_cross
from triage.genetics.knowledge import unrecorded_sire
from triage.records import (
    NORMAL,
    CallReading,
    Cross,
    Egg,
    Genotype,
    GenotypePrior,
    Locus,
    Mode,
    Parent,
    Parthenogenesis,
    Sex,
    VisualCall,
)

#: Allele frequency of a gene in an animal nobody recorded. Ghost was het in 3 of 60 unrelated animals (Lederer et al. 2023), an
#: allele frequency of 0.025; used for every gene, for want of others.
BACKGROUND = 0.025


#: An unrecorded gene is looked for in this many of the likeliest looks.
_GENES_FROM = 3


@dataclass(frozen=True, slots=True)
class Explanation:
    """One explanation, the log of P(readings of the egg | explanation), and its Bayes factor against the records."""

    text: str
    log_likelihood: float
    bayes_factor: float


def explanations(
    cross: Cross, eggs: Sequence[Egg], suspect: int, looks: Sequence[VisualCall], *, background: float = BACKGROUND
) -> list[Explanation]:
    """Explanations of one egg's readings other than the records, best first.

    Parameters
    ----------
    eggs
        The whole clutch; the other eggs inform the parents.
    looks
        Visual calls that the egg's readings speak of, likeliest first; an explanation may add genes of the first few.
    background
        Allele frequency of every gene in an animal that nobody recorded.
    """
    egg = eggs[suspect]
    others = [e for i, e in enumerate(eggs) if i != suspect]
    worlds = _informed_worlds(cross, others)
    by_world = [(p, *_in_world(world, others, egg, looks, background)) for p, world in worlds]
    recorded = _mean([(p, alone) for p, alone, _ in by_world])
    texts = dict.fromkeys(text for *_, found in by_world for text in found)
    # A gene added where a world has it already changes nothing there.
    found = [(text, _mean([(p, own.get(text, alone)) for p, alone, own in by_world])) for text in texts]
    ranked = sorted((x for x in found if x[1] > -math.inf), key=lambda x: -x[1])
    return [
        Explanation(text, value, math.exp(min(value - recorded, 700)) if recorded > -math.inf else math.inf)
        for text, value in ranked
    ]


def _informed_worlds(cross: Cross, others: Sequence[Egg]) -> list[tuple[float, Cross]]:
    """The cross for each way to fill in the lines that nobody named, with its chance given the other eggs."""
    model = compile_cross(cross)
    if not model.worlds:
        return [(1.0, cross)]
    if not others or log_evidence(model, others) == -math.inf:
        return [(world.chance, world.cross) for world, _ in model.worlds]
    return [(p, world.cross) for p, world, _ in infer(model, others).worlds]


def _mean(parts: Sequence[tuple[float, float]]) -> float:
    """Log of a mean of chances that are given by their logs."""
    top = max(value for _, value in parts)
    return top + math.log(math.fsum(p * math.exp(value - top) for p, value in parts)) if top > -math.inf else top


def _in_world(
    cross: Cross, others: Sequence[Egg], egg: Egg, looks: Sequence[VisualCall], background: float
) -> tuple[float, dict[str, float]]:
    """Log of P(readings of the egg) by the records, and by each explanation, of a cross whose lines are all named."""
    dam = _informed_dam(cross, others)
    loci = _loci_spoken_of(cross, looks)
    found: list[tuple[str, float]] = []
    male = unrecorded_sire(cross.species, [a for x in loci for a in x.allele_names], background)
    found.append(("another, unrecorded sire", _try(Cross(cross.species, dam, (male,), (1,), 0, cross.crossover), egg)))
    recorded = _recorded_alone(cross, dam, egg)
    for locus in loci:
        for allele in locus.allele_names:
            if not any(allele in look for call in looks[:_GENES_FROM] for _, look in call.looks):
                continue
            for text, changed in _with_gene(cross, dam, locus, allele):
                found.append((text, _try(changed, egg)))
    misread = _flat(egg, looks)
    if misread > 0:
        found.append(("a misread photo or a slip of the pen", math.log(misread)))
    if cross.species.heterogametic is Sex.MALE and not any(isinstance(s, Parthenogenesis) for s in cross.sires):
        alone = Cross(cross.species, dam, (Parthenogenesis(),), (1,), 0, cross.crossover)
        found.append(("no sire at all (parthenogenesis)", _try(alone, egg)))
    return recorded, dict(found)


def _recorded_alone(cross: Cross, dam: Parent, egg: Egg) -> float:
    return _try(replace(cross, dam=dam), egg)


def _try(cross: Cross, egg: Egg) -> float:
    """Log evidence of one egg under a cross; -inf where it cannot be computed at all."""
    try:
        return log_evidence(compile_cross(cross), [egg])
    except (UnsupportedInheritanceError, WorkTooLargeError):
        return -math.inf


def _informed_dam(cross: Cross, others: Sequence[Egg]) -> Parent:
    """The dam as the other eggs leave her, locus by locus."""
    model = compile_cross(cross)
    if not others or log_evidence(model, others) == -math.inf:
        return cross.dam
    posterior = infer(model, others).parents[0]
    loci = dict(cross.dam.loci)
    for name, chances in posterior.loci.items():
        kept = {g: p for g, p in chances.items() if p > 0}
        total = sum(kept.values())
        loci[name] = GenotypePrior(tuple((g, p / total) for g, p in kept.items()))
    return Parent(cross.dam.name, cross.dam.sex, loci)


def _loci_spoken_of(cross: Cross, looks: Sequence[VisualCall]) -> list[Locus]:
    names = {name for call in looks for name, _ in call.looks}
    return [locus for locus in cross.species.loci if locus.name in names]


def _with_gene(cross: Cross, dam: Parent, locus: Locus, allele: str):
    """The cross with one more copy of an allele in one or both parents, where there is room for it."""
    animals = [dam, *(s for s in cross.sires if isinstance(s, Parent))]
    recessive = locus.allele(allele).mode is Mode.RECESSIVE
    changed_dam = _carrying(cross, dam, locus, allele)
    for animal in animals:
        changed = _carrying(cross, animal, locus, allele)
        if changed is None:
            continue
        word = f"het {allele}" if recessive else allele
        if animal is dam:
            yield f"{dam.name} carries {word} unrecorded", _replace(cross, changed, None, None)
        else:
            k = next(i for i, s in enumerate(cross.sires) if s is animal)
            yield f"{animal.name} carries {word} unrecorded", _replace(cross, dam, k, changed)
            if changed_dam is not None:
                both = f"{dam.name} and {animal.name} both carry {word} unrecorded"
                yield both, _replace(cross, changed_dam, k, changed)


def _carrying(cross: Cross, animal: Parent, locus: Locus, allele: str) -> Parent | None:
    """The animal with one more copy of the allele in place of a wild type one; None if it has it already or no room."""
    prior = animal.prior(locus, cross.species.heterogametic)
    if any(allele in g.alleles for g, p in prior.states if p > 0):
        return None
    states: dict[Genotype, float] = {}
    for genotype, p in prior.states:
        if NORMAL not in genotype.alleles or p == 0:
            continue
        if genotype.by_chromosome:
            options = [
                Genotype(*(allele if i == j else a for j, a in enumerate(genotype.alleles)), True)
                for i in (0, 1)
                if genotype.alleles[i] == NORMAL
            ]
        else:
            kept = genotype.first if genotype.second == NORMAL else genotype.second
            options = [Genotype(allele, kept)]
        for option in options:
            states[option] = states.get(option, 0.0) + float(p) / len(options)
    total = sum(states.values())
    if total == 0:
        return None
    known = GenotypePrior(tuple((g, p / total) for g, p in states.items()))
    return Parent(animal.name, animal.sex, {**animal.loci, locus.name: known})


def _replace(cross: Cross, dam: Parent, k: int | None, sire: Parent | None) -> Cross:
    sires = tuple(sire if i == k else s for i, s in enumerate(cross.sires))
    return replace(cross, dam=dam, sires=sires)


def _flat(egg: Egg, looks: Sequence[VisualCall]) -> float:
    """P(readings | they have nothing to do with the animal): their mean over the looks they speak of."""
    if not looks:
        return 0.0
    total = 0.0
    for call in looks:
        value = 1.0
        for reading in egg.readings:
            if isinstance(reading, CallReading):
                value *= reading.likelihoods.get(call, reading.otherwise)
        total += value
    return total / len(looks)
