"""The same answers as the engine by listing every possibility: slow, short, obvious, and sharing no code with it.

For small collections only: the work is the product of everything that can vary.
"""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from triage.genetics.collection.members import Animal, Collection
from triage.records import NORMAL, CallReading, Genotype, GenotypePrior, Locus, Sex, VisualCall


@dataclass
class Answer:
    """Posterior by plain dictionaries, and the probability of all readings."""

    evidence: float = 0.0
    loci: dict[str, dict[str, dict[Genotype, float]]] = field(default_factory=dict)
    sires: dict[str, dict[str, float]] = field(default_factory=dict)
    calls: dict[str, dict[VisualCall, float]] = field(default_factory=dict)


Being = tuple[Sex | None, tuple[tuple[str, Genotype], ...]]


def enumerate_collection(collection: Collection) -> Answer:
    """Sum over the sires of eggs, then over everything each animal can be, parents before young."""
    loci = [
        locus for locus in collection.species.loci if any(locus.name in a.known for a in collection.animals.values())
    ]
    order = _parents_first(collection)
    sums = Answer()
    weights: dict[tuple, float] = defaultdict(float)
    for sires, chance in _sires_of_eggs(collection):
        for beings, p in _beings(collection, order, loci, sires, {}, chance):
            weights[tuple(sorted(sires.items())), tuple(beings[a.name] for a in order)] += p
    sums.evidence = sum(weights.values())
    for (sires_of, beings), p in weights.items():
        share = p / sums.evidence
        for egg, sire in sires_of:
            if len(collection.clutches[collection.animals[egg].clutch].sires) > 1:
                _add(sums.sires.setdefault(egg, {}), sire, share)
        for animal, (_, genotypes) in zip(order, beings, strict=True):
            for name, genotype in genotypes:
                _add(sums.loci.setdefault(animal.name, {}).setdefault(name, {}), genotype, share)
            _add(sums.calls.setdefault(animal.name, {}), collection.species.call(dict(genotypes)), share)
    return sums


def _add(table: dict, key: object, value: float) -> None:
    table[key] = table.get(key, 0.0) + value


def _parents_first(collection: Collection) -> list[Animal]:
    done: list[Animal] = []
    while len(done) < len(collection.animals):
        names = {animal.name for animal in done}
        for animal in collection.animals.values():
            clutch = collection.clutches[animal.clutch] if animal.clutch else None
            if animal.name not in names and (clutch is None or {clutch.dam, *clutch.sires} <= names):
                done.append(animal)
                break
    return done


def _sires_of_eggs(collection: Collection) -> Iterator[tuple[dict[str, str], float]]:
    """Every way to give each egg a sire, with its chance."""
    per_clutch = []
    for clutch in collection.clutches.values():
        eggs = [animal.name for animal in collection.animals.values() if animal.clutch == clutch.name]
        ways: dict[tuple[tuple[str, str], ...], float] = defaultdict(float)
        for sire, share in zip(clutch.sires, clutch.shares, strict=True):
            ways[tuple((egg, sire) for egg in eggs)] += (1 - float(clutch.mixed)) * float(share)
        for drawn in itertools.product(range(len(clutch.sires)), repeat=len(eggs)):
            chance = float(clutch.mixed)
            for k in drawn:
                chance *= float(clutch.shares[k])
            ways[tuple((egg, clutch.sires[k]) for egg, k in zip(eggs, drawn, strict=True))] += chance
        per_clutch.append(list(ways.items()))
    for combination in itertools.product(*per_clutch):
        chance = 1.0
        sires: dict[str, str] = {}
        for way, p in combination:
            chance *= p
            sires.update(way)
        if chance > 0:
            yield sires, chance


def _beings(
    collection: Collection,
    order: list[Animal],
    loci: list[Locus],
    sires: Mapping[str, str],
    so_far: dict[str, Being],
    p: float,
) -> Iterator[tuple[dict[str, Being], float]]:
    if len(so_far) == len(order):
        yield dict(so_far), p
        return
    animal = order[len(so_far)]
    for being, chance in _one(collection, animal, loci, sires, so_far):
        weight = p * chance
        for reading in animal.readings:
            weight *= _likelihood(collection, reading, dict(being[1]))
        if weight > 0:
            yield from _beings(collection, order, loci, sires, {**so_far, animal.name: being}, weight)


def _one(
    collection: Collection, animal: Animal, loci: list[Locus], sires: Mapping[str, str], so_far: Mapping[str, Being]
) -> Iterator[tuple[Being, float]]:
    """Everything one animal can be, given its parents."""
    hetero = collection.species.heterogametic
    if animal.clutch is None:
        wild = lambda locus: Genotype(NORMAL, NORMAL, locus.sex_linked and animal.sex is hetero)  # noqa: E731
        states = [animal.known.get(locus.name, GenotypePrior.known(wild(locus))).states for locus in loci]
        for combination in itertools.product(*states):
            chance = 1.0
            for _, q in combination:
                chance *= float(q)
            yield (animal.sex, tuple((locus.name, g) for locus, (g, _) in zip(loci, combination, strict=True))), chance
        return
    dam = dict(so_far[collection.clutches[animal.clutch].dam][1])
    sire = dict(so_far[sires[animal.name]][1])
    for sex in [animal.sex] if animal.sex is not None else list(Sex):
        tables = [_young(collection, locus, dam[locus.name], sire[locus.name], sex) for locus in loci]
        for combination in itertools.product(*(table.items() for table in tables)):
            chance = 1.0 if animal.sex is not None else 0.5
            for _, q in combination:
                chance *= q
            yield (sex, tuple((locus.name, g) for locus, (g, _) in zip(loci, combination, strict=True))), chance


def _young(collection: Collection, locus: Locus, dam: Genotype, sire: Genotype, sex: Sex) -> dict[Genotype, float]:
    """P(genotype | parents, sex, hatched)."""
    chances: dict[Genotype, float] = defaultdict(float)
    if locus.sex_linked:
        hetero = collection.species.heterogametic
        with_both, other = (sire, dam) if hetero is Sex.MALE else (dam, sire)
        rate = collection.crossover.get(locus.name, locus.crossover)
        own, across = (with_both.second, with_both.first) if sex is hetero else (with_both.first, with_both.second)
        for passed, q in ((own, 1 - rate), (across, rate)):
            for allele in (other.first, other.second):
                chances[Genotype(allele, passed, True) if sex is hetero else Genotype(allele, passed)] += q / 2
    else:
        for a in (dam.first, dam.second):
            for b in (sire.first, sire.second):
                chances[Genotype(a, b)] += 0.25
    hatched = {g: q * locus.hatch_rate(g) for g, q in chances.items() if q * locus.hatch_rate(g) > 0}
    total = sum(hatched.values())
    return {g: q / total for g, q in hatched.items()}


def _likelihood(collection: Collection, reading: object, genotypes: Mapping[str, Genotype]) -> float:
    if isinstance(reading, CallReading):
        return reading.likelihoods.get(collection.species.call(genotypes), reading.otherwise)
    if reading.locus not in genotypes:
        return reading.of_wild_type()
    return reading.likelihoods.get(genotypes[reading.locus], reading.otherwise)
