"""The same answers as the engine by listing every joint possibility in exact fractions: slow, short, obvious.

It shares no code with the engine: a helper shared with it would hide its own bug. Use it on small clutches only; the work is
the product of everything that can vary.
"""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from triage.records import (
    NORMAL,
    CallReading,
    Cross,
    Egg,
    Genotype,
    Linkage,
    Parent,
    Parthenogenesis,
    Phase,
    Reading,
    Sex,
    VisualCall,
)

HALF = Fraction(1, 2)
#: Stands for what would have been in an egg that did not hatch.
LOST = (Sex.FEMALE, ())
#: One animal over all live loci: genotypes by locus name, plus its phased chromosomes where loci are linked.
Animal = tuple[tuple[tuple[str, Genotype], ...], tuple[tuple[tuple[str, str], tuple[str, str]], ...]]
Hatchling = tuple[Sex, tuple[tuple[str, Genotype], ...]]


@dataclass
class Answer:
    """Posterior by plain dictionaries; every value is a Fraction. ``evidence`` 0 means the readings are impossible."""

    evidence: Fraction = Fraction(0)
    mixed: Fraction = Fraction(0)
    sires: list[dict[str, Fraction]] = field(default_factory=list)
    sex: list[dict[Sex, Fraction]] = field(default_factory=list)
    calls: list[dict[VisualCall, Fraction]] = field(default_factory=list)
    loci: list[dict[str, dict[Genotype, Fraction]]] = field(default_factory=list)
    parents: list[dict[str, dict[Genotype, Fraction]]] = field(default_factory=list)


def enumerate_clutch(
    cross: Cross,
    eggs: Sequence[Egg],
    parent_readings: Mapping[str, Sequence[Reading]] | None = None,
    *,
    other_loss: Fraction | float = Fraction(1, 10),
) -> Answer:
    """Posterior of a clutch by full enumeration of parents, sires of eggs, and hatchlings.

    An egg with ``hatched=False`` keeps its place in the lists of the answer, with one empty call; ``other_loss`` is the chance that
    an egg is lost whatever its genotype. ``Answer.parents`` lists the dam first, then each candidate sire that is an animal.
    """
    readings = parent_readings or {}
    loci = _live_loci(cross)
    animals = [cross.dam, *cross.sires]
    assignments = list(_assignments(cross, len(eggs)))
    sums = _Sums(len(eggs), len(animals))
    filled_in = _lines_filled_in(cross)
    for joint, chance in (
        (joint, chance)
        for lines, chance in filled_in
        for joint in itertools.product(*(_animals(cross, a, loci, lines) for a in animals))
    ):
        weight = chance
        for animal, (state, p) in zip(animals, joint, strict=True):
            weight *= p
            for reading in readings.get(animal.name, ()):
                weight *= _likelihood(cross, reading, dict(state[0]))
        if weight == 0:
            continue
        states = [state for state, _ in joint]
        by_sire = []
        for k, sire in enumerate(cross.sires):
            hatchlings, share = _hatchlings(cross, states[0], sire, states[1 + k], loci)
            hatches = (1 - Fraction(other_loss)) * share if any(egg.hatched is False for egg in eggs) else Fraction(1)
            by_sire.append(
                [
                    [(LOST, VisualCall(), 1 - hatches)]
                    if egg.hatched is False
                    else [(h, call, p * hatches) for h, call, p in _with_readings(cross, hatchlings, egg)]
                    for egg in eggs
                ]
            )
        sums.add(weight, assignments, by_sire, states)
    return sums.answer(cross)


def _live_loci(cross: Cross) -> list[str]:
    carried = set()
    for animal in (cross.dam, *cross.sires):
        if isinstance(animal, Parent):
            for name, prior in animal.loci.items():
                if any(p > 0 and (g.first != NORMAL or g.second != NORMAL) for g, p in prior.states):
                    carried.add(name)
    return [locus.name for locus in cross.species.loci if locus.name in carried]


def _lines_filled_in(cross: Cross) -> list[tuple[dict[tuple[str, str], str], Fraction]]:
    """Every way to say which line each word of each parent means, by (parent, word), with its chance; one origin, one line."""
    stated = [(a, one) for a in (cross.dam, *cross.sires) if isinstance(a, Parent) for one in a.lines]
    found = []
    for chosen in itertools.product(*(one.given for _, one in stated)):
        chance, of_origin = Fraction(1), {}
        for (_, one), line in zip(stated, chosen, strict=True):
            if one.origin is None or (one.origin, one.word) not in of_origin:
                chance *= Fraction(dict(one.chances)[line])
            elif of_origin[one.origin, one.word] != line:
                chance *= 0
            of_origin[one.origin, one.word] = line
        if chance:
            found.append(({(a.name, one.word): line for (a, one), line in zip(stated, chosen, strict=True)}, chance))
    total = sum((chance for _, chance in found), Fraction(0))
    return [(lines, chance / total) for lines, chance in found]


def _assignments(cross: Cross, n_eggs: int):
    """Every way to give each egg a sire, with its prior: one sire for all, or each egg on its own."""
    shares, mixed = [Fraction(s) for s in cross.shares], Fraction(cross.mixed)
    for k, share in enumerate(shares):
        yield False, (k,) * n_eggs, (1 - mixed) * share
    for assignment in itertools.product(range(len(shares)), repeat=n_eggs):
        chance = mixed
        for k in assignment:
            chance *= shares[k]
        yield True, assignment, chance


def _animals(
    cross: Cross, animal: Parent | Parthenogenesis, loci: list[str], lines: Mapping[tuple[str, str], str]
) -> list[tuple[Animal, Fraction]]:
    if isinstance(animal, Parthenogenesis):
        return [(((), ()), Fraction(1))]
    per_locus = []
    for name in loci:
        locus = cross.species.locus(name)
        word = next((one for one in animal.lines if name in one.loci), None)
        if word is not None:
            known = word.given[lines[animal.name, word.word]].get(name)
            states = [(g, Fraction(p)) for g, p in known.states if p > 0] if known else [(Genotype(NORMAL, NORMAL), Fraction(1))]
        elif name in animal.loci:
            states = [(g, Fraction(p)) for g, p in animal.loci[name].states if p > 0]
        else:
            on_chromosomes = locus.sex_linked and animal.sex is cross.species.heterogametic
            states = [(Genotype(NORMAL, NORMAL, on_chromosomes), Fraction(1))]
        per_locus.append([((name, g), p) for g, p in states])
    found = []
    for combination in itertools.product(*per_locus):
        genotypes = tuple(pair for pair, _ in combination)
        chance = Fraction(1)
        for _, p in combination:
            chance *= p
        for phases, share in _phases(cross, animal, dict(genotypes)):
            found.append(((genotypes, phases), chance * share))
    return found


def _phases(cross: Cross, animal: Parent, genotypes: dict[str, Genotype]):
    """Chromosomes of each linkage in turn: ((a, b), (c, d)) with first and second locus's alleles on each."""
    options = []
    for linkage in _linkages(cross, genotypes):
        one, two = genotypes[linkage.first], genotypes[linkage.second]
        straight = ((one.first, two.first), (one.second, two.second))
        crossed = ((one.first, two.second), (one.second, two.first))
        if one.first == one.second or two.first == two.second:
            options.append([(straight, Fraction(1))])
            continue
        mutants_together = straight if (one.first == NORMAL) == (two.first == NORMAL) else crossed
        apart = crossed if mutants_together is straight else straight
        known = linkage.phases.get(animal.name)
        if known is Phase.COUPLING:
            options.append([(mutants_together, Fraction(1))])
        elif known is Phase.REPULSION:
            options.append([(apart, Fraction(1))])
        else:
            options.append([(straight, HALF), (crossed, HALF)])
    for combination in itertools.product(*options):
        share = Fraction(1)
        for _, p in combination:
            share *= p
        yield tuple(c for c, _ in combination), share


def _linkages(cross: Cross, genotypes: Mapping[str, Genotype]) -> list[Linkage]:
    return [x for x in cross.linkages if x.first in genotypes and x.second in genotypes]


def _gametes(cross: Cross, animal: Animal, sex: Sex) -> list[tuple[str | None, dict[str, str], Fraction]]:
    """Every different gamete: (sex chromosome, or None from the sex that has one kind; allele by locus; chance)."""
    genotypes, phases = dict(animal[0]), animal[1]
    two_kinds = sex is cross.species.heterogametic
    gametes: list[tuple[str | None, dict[str, str], Fraction]] = (
        [("shared", {}, HALF), ("own", {}, HALF)] if two_kinds else [(None, {}, Fraction(1))]
    )
    linkages = _linkages(cross, genotypes)
    in_linkage = {name for x in linkages for name in (x.first, x.second)}
    for name, genotype in genotypes.items():
        if name in in_linkage:
            continue
        locus = cross.species.locus(name)
        grown = []
        for chromosome, alleles, p in gametes:
            if locus.sex_linked and two_kinds:
                r = Fraction(cross.crossover.get(name, locus.crossover))
                kept, swapped = genotype.alleles if chromosome == "shared" else (genotype.second, genotype.first)
                grown += [(chromosome, {**alleles, name: kept}, p * (1 - r)), (chromosome, {**alleles, name: swapped}, p * r)]
            else:
                grown += [(chromosome, {**alleles, name: a}, p * HALF) for a in genotype.alleles]
        gametes = grown
    for linkage, ((a, b), (c, d)) in zip(linkages, phases, strict=True):
        r = Fraction(linkage.recombination[sex])
        four = [(a, b, (1 - r) / 2), (c, d, (1 - r) / 2), (a, d, r / 2), (c, b, r / 2)]
        gametes = [
            (chromosome, {**alleles, linkage.first: x, linkage.second: y}, p * q)
            for chromosome, alleles, p in gametes
            for x, y, q in four
        ]
    same: dict[tuple, Fraction] = defaultdict(Fraction)
    for chromosome, alleles, p in gametes:
        same[chromosome, tuple(sorted(alleles.items()))] += p
    return [(chromosome, dict(alleles), p) for (chromosome, alleles), p in same.items() if p > 0]


def _hatchlings(
    cross: Cross, dam: Animal, sire: Parent | Parthenogenesis, sire_state: Animal, loci: list[str]
) -> tuple[dict[Hatchling, Fraction], Fraction]:
    """P(hatchling | parents, hatched), and P(an egg hatches | parents, nothing else kills it)."""
    chances: dict[Hatchling, Fraction] = defaultdict(Fraction)
    other = Sex.MALE if cross.species.heterogametic is Sex.FEMALE else Sex.FEMALE
    if isinstance(sire, Parthenogenesis):
        kept = Fraction(sire.kept_heterozygosity)
        options = []
        for name, g in dam[0]:
            a, b = Genotype(g.first, g.first), Genotype(g.second, g.second)
            options.append([((name, a), (1 - kept) / 2), ((name, b), (1 - kept) / 2), ((name, g), kept)])
        for combination in itertools.product(*options):
            p = Fraction(1)
            for _, q in combination:
                p *= q
            chances[(Sex.FEMALE, tuple(pair for pair, _ in combination))] += p
    else:
        sperm = _gametes(cross, sire_state, Sex.MALE)
        for dam_chromosome, from_dam, p in _gametes(cross, dam, Sex.FEMALE):
            for sire_chromosome, from_sire, q in sperm:
                decisive = dam_chromosome or sire_chromosome
                sex = cross.species.heterogametic if decisive == "own" else other
                shared, own = (from_sire, from_dam) if dam_chromosome else (from_dam, from_sire)
                genotypes = []
                for name in loci:
                    if cross.species.locus(name).sex_linked and sex is cross.species.heterogametic:
                        genotypes.append((name, Genotype(shared[name], own[name], True)))
                    else:
                        genotypes.append((name, Genotype(from_dam[name], from_sire[name])))
                chances[(sex, tuple(genotypes))] += p * q
    alive = {}
    for hatchling, p in chances.items():
        for name, genotype in hatchling[1]:
            p *= Fraction(cross.species.locus(name).hatch_rate(genotype))
        if p > 0:
            alive[hatchling] = p
    hatched = sum(alive.values(), Fraction(0))
    return {h: p / hatched for h, p in alive.items()}, hatched


def _likelihood(cross: Cross, reading: Reading, genotypes: Mapping[str, Genotype]) -> Fraction:
    if isinstance(reading, CallReading):
        return Fraction(reading.likelihoods.get(cross.species.call(genotypes), reading.otherwise))
    if reading.locus not in genotypes:
        return Fraction(reading.of_wild_type())
    return Fraction(reading.likelihoods.get(genotypes[reading.locus], reading.otherwise))


def _with_readings(
    cross: Cross, hatchlings: Mapping[Hatchling, Fraction], egg: Egg
) -> list[tuple[Hatchling, VisualCall, Fraction]]:
    found = []
    for hatchling, p in hatchlings.items():
        genotypes = dict(hatchling[1])
        if egg.sex is not None and egg.sex is not hatchling[0]:
            continue
        for reading in egg.readings:
            p *= _likelihood(cross, reading, genotypes)
        if p > 0:
            found.append((hatchling, cross.species.call(genotypes), p))
    return found


class _Sums:
    """Running sums over joint possibilities, divided by the evidence at the end."""

    def __init__(self, n_eggs: int, n_animals: int) -> None:
        self.total = Fraction(0)
        self.mixed = Fraction(0)
        self.sires = [defaultdict(Fraction) for _ in range(n_eggs)]
        self.eggs: list[dict] = [defaultdict(Fraction) for _ in range(n_eggs)]
        self.parents: list[dict] = [defaultdict(Fraction) for _ in range(n_animals)]

    def add(self, weight: Fraction, assignments, by_sire, states) -> None:
        """Add one joint choice of the parents' states, with every way to give the eggs their sires."""
        totals = [[sum((p for *_, p in found), Fraction(0)) for found in eggs] for eggs in by_sire]
        joint_of_parents = Fraction(0)
        of_egg_and_sire: dict[tuple[int, int], Fraction] = defaultdict(Fraction)
        for together, assignment, chance in assignments:
            joint = weight * chance
            for e, k in enumerate(assignment):
                joint *= totals[k][e]
            if joint == 0:
                continue
            joint_of_parents += joint
            self.mixed += joint if together else 0
            for e, k in enumerate(assignment):
                of_egg_and_sire[e, k] += joint
        self.total += joint_of_parents
        for (e, k), joint in of_egg_and_sire.items():
            self.sires[e][k] += joint
            for hatchling, call, p in by_sire[k][e]:
                self.eggs[e][(hatchling, call)] += joint * p / totals[k][e]
        for animal, state in enumerate(states):
            for pair in state[0]:
                self.parents[animal][pair] += joint_of_parents

    def answer(self, cross: Cross) -> Answer:
        answer = Answer(evidence=self.total)
        if self.total == 0:
            return answer
        answer.mixed = self.mixed / self.total
        for e, seen in enumerate(self.eggs):
            calls: dict = defaultdict(Fraction)
            sex: dict = defaultdict(Fraction)
            loci: dict = defaultdict(lambda: defaultdict(Fraction))
            for ((one_sex, genotypes), call), p in seen.items():
                calls[call] += p / self.total
                sex[one_sex] += p / self.total
                for name, genotype in genotypes:
                    loci[name][genotype] += p / self.total
            answer.calls.append(dict(calls))
            answer.sex.append(dict(sex))
            answer.loci.append({name: dict(found) for name, found in loci.items()})
            answer.sires.append({s.name: self.sires[e][k] / self.total for k, s in enumerate(cross.sires)})
        for animal, seen in zip((cross.dam, *cross.sires), self.parents, strict=True):
            if isinstance(animal, Parent):
                loci = defaultdict(dict)
                for (name, genotype), p in seen.items():
                    loci[name][genotype] = p / self.total
                answer.parents.append(dict(loci))
        return answer
