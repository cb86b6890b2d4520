"""The same answers as the engine by listing every possibility: slow, short, obvious, and sharing no code with it.

For small collections only: the work is the product of everything that can vary.
"""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from triage.genetics.collection.members import Animal, Clutch, Collection
from triage.records import NORMAL, CallReading, Genotype, GenotypePrior, Locus, Parthenogenesis, Phase, Sex, VisualCall


@dataclass
class Answer:
    """Posterior by plain dictionaries, and the probability of all readings."""

    evidence: float = 0.0
    loci: dict[str, dict[str, dict[Genotype, float]]] = field(default_factory=dict)
    sires: dict[str, dict[str, float]] = field(default_factory=dict)
    sex: dict[str, dict[Sex, float]] = field(default_factory=dict)
    calls: dict[str, dict[VisualCall, float]] = field(default_factory=dict)


#: One chromosome set of an animal is an allele for each locus; an animal is its sex and the set it shows on either side.
Strand = tuple[str, ...]
Being = tuple[Sex | None, Strand, Strand]
Sire = str | Parthenogenesis


def enumerate_collection(collection: Collection) -> Answer:
    """Sum over the sires of eggs, then over everything each animal can be, parents before young."""
    loci = [
        locus for locus in collection.species.loci if any(locus.name in a.known for a in collection.animals.values())
    ]
    order = _parents_first(collection)
    sums = Answer()
    weights: dict[tuple, float] = defaultdict(float)
    for lines, of_lines in _lines_filled_in(collection):
        ways = [_lines_known(collection, animal, lines) for animal in order]
        if None in ways:
            continue
        every = (
            (sires, *found)
            for sires, chance in _sires_of_eggs(collection)
            for found in _beings(collection, ways, loci, sires, {}, chance * of_lines)
        )
        for sires, beings, p in every:
            named = tuple((egg, sire if isinstance(sire, str) else sire.name) for egg, sire in sorted(sires.items()))
            weights[named, tuple(beings[a.name] for a in order)] += p
    sums.evidence = sum(weights.values())
    for (sires_of, beings), p in weights.items():
        share = p / sums.evidence
        for egg, sire in sires_of:
            if len(collection.clutches[collection.animals[egg].clutch].sires) > 1 and collection.animals[egg].hatched:
                _add(sums.sires.setdefault(egg, {}), sire, share)
        for animal, being in zip(order, beings, strict=True):
            if being is None:
                continue
            genotypes = _genotypes(collection, loci, being)
            for name, genotype in genotypes.items():
                _add(sums.loci.setdefault(animal.name, {}).setdefault(name, {}), genotype, share)
            if animal.sex is None:
                _add(sums.sex.setdefault(animal.name, {}), being[0], share)
            _add(sums.calls.setdefault(animal.name, {}), collection.species.call(genotypes), share)
    return sums


def _lines_filled_in(collection: Collection) -> Iterator[tuple[dict[tuple[str, str], str], float]]:
    """Every way to say which line each word means, by word and origin (or animal), with its chance."""
    variables = {}
    for animal in collection.animals.values():
        for one in animal.lines:
            variables[one.word, one.origin if one.origin is not None else f"of {animal.name}"] = one.chances
    for chosen in itertools.product(*variables.values()):
        chance = 1.0
        for _, p in chosen:
            chance *= float(p)
        yield {variable: line for variable, (line, _) in zip(variables, chosen, strict=True)}, chance


def _lines_known(collection: Collection, animal: Animal, lines: Mapping[tuple[str, str], str]) -> Animal | None:
    """An animal by its papers with its lines filled in; None where its papers exclude them."""
    known = dict(animal.known)
    for one in animal.lines:
        line = lines[one.word, one.origin if one.origin is not None else f"of {animal.name}"]
        if line not in one.given:
            return None
        wild = GenotypePrior(((Genotype(NORMAL, NORMAL), 1),))
        known |= {locus: one.given[line].get(locus, wild) for locus in one.loci}
    return Animal(animal.name, animal.sex, known, animal.readings, animal.clutch, animal.hatched)


def _add(table: dict, key: object, value: float) -> None:
    table[key] = table.get(key, 0.0) + value


def _genotypes(collection: Collection, loci: list[Locus], being: Being) -> dict[str, Genotype]:
    """What an animal is at each locus; the sex with two kinds of sex chromosome has its first strand on the shared one."""
    sex, first, second = being
    apart = sex is collection.species.heterogametic
    return {locus.name: Genotype(a, b, locus.sex_linked and apart) for locus, a, b in zip(loci, first, second, strict=True)}


def _parents_first(collection: Collection) -> list[Animal]:
    done: list[Animal] = []
    while len(done) < len(collection.animals):
        names = {animal.name for animal in done}
        for animal in collection.animals.values():
            clutch = collection.clutches[animal.clutch] if animal.clutch else None
            parents = {clutch.dam, *(s for s in clutch.sires if isinstance(s, str))} if clutch else set()
            if animal.name not in names and parents <= names:
                done.append(animal)
                break
    return done


def _sires_of_eggs(collection: Collection) -> Iterator[tuple[dict[str, Sire], float]]:
    """Every way to give each egg a sire, with its chance."""
    per_clutch = []
    for clutch in collection.clutches.values():
        eggs = [animal.name for animal in collection.animals.values() if animal.clutch == clutch.name]
        ways: dict[tuple[tuple[str, Sire], ...], float] = defaultdict(float)
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
        sires: dict[str, Sire] = {}
        for way, p in combination:
            chance *= p
            sires.update(way)
        if chance > 0:
            yield sires, chance


def _beings(
    collection: Collection,
    order: list[Animal],
    loci: list[Locus],
    sires: Mapping[str, Sire],
    so_far: dict[str, Being | None],
    p: float,
) -> Iterator[tuple[dict[str, Being | None], float]]:
    if len(so_far) == len(order):
        yield dict(so_far), p
        return
    animal = order[len(so_far)]
    for being, chance in _one(collection, animal, loci, sires, so_far):
        weight = p * chance
        if being is not None:
            for reading in animal.readings:
                weight *= _likelihood(collection, reading, _genotypes(collection, loci, being))
        if weight > 0:
            yield from _beings(collection, order, loci, sires, {**so_far, animal.name: being}, weight)


def _one(
    collection: Collection, animal: Animal, loci: list[Locus], sires: Mapping[str, Sire], so_far: Mapping[str, Being | None]
) -> Iterator[tuple[Being | None, float]]:
    """Everything one animal can be, given its parents; an egg that was lost is nothing, with the chance that it was."""
    if animal.clutch is None:
        yield from _founder(collection, animal, loci)
        return
    clutch = collection.clutches[animal.clutch]
    eggs = _eggs(collection, clutch, loci, so_far[clutch.dam], sires[animal.name], so_far)
    hatch = {being: q * _hatch_rate(collection, loci, being) for being, q in eggs.items()}
    share = sum(hatch.values())
    lost_any = any(one.clutch == clutch.name and not one.hatched for one in collection.animals.values())
    here = (1 - clutch.other_loss) * share if lost_any else 1.0
    if not animal.hatched:
        yield None, 1 - here
        return
    for being, q in hatch.items():
        if q > 0 and (animal.sex is None or being[0] is animal.sex):
            given = q / share * _phase_fits(collection, animal, loci, being)
            # a stated sex has no chance of its own in what a collection's engine calls evidence, but among candidates
            yield being, given * here * (1.0 if animal.sex is None else _of_stated_sex(clutch))


def _of_stated_sex(clutch: Clutch) -> float:
    """The engine counts a stated sex as evidence only where a candidate without a male would make it other than one half."""
    return 1.0 if any(isinstance(sire, Parthenogenesis) for sire in clutch.sires) else 2.0


def _founder(collection: Collection, animal: Animal, loci: list[Locus]) -> Iterator[tuple[Being, float]]:
    """A founder by its papers: its sex where that is open, a genotype at each locus, and which strand each allele lies on."""
    hetero = collection.species.heterogametic
    for sex in [animal.sex] if animal.sex is not None else list(Sex):
        tables = []
        for locus in loci:
            apart = locus.sex_linked and sex is hetero
            if locus.name in animal.known:
                states = dict(animal.known[locus.name].states)
                if animal.sex is None and locus.sex_linked:
                    states = {g: 2 * p for g, p in states.items() if g.by_chromosome == apart and p > 0}
            else:
                states = {Genotype(NORMAL, NORMAL, apart): 1}
            tables.append(states)
        start = 1.0 if animal.sex is not None else 0.5
        for combination in itertools.product(*(table.items() for table in tables)):
            chance = start
            for _, q in combination:
                chance *= float(q)
            ways = _strands(collection, animal, loci, [g for g, _ in combination])
            for first, second, q in ways:
                yield (sex, first, second), chance * q


def _strands(
    collection: Collection, animal: Animal, loci: list[Locus], genotypes: list[Genotype]
) -> list[tuple[Strand, Strand, float]]:
    """Ways in which a founder's alleles lie on its strands; which strand is called the first matters only to linked loci."""
    ways: list[tuple[Strand, Strand, float]] = [((), (), 1.0)]
    for n, genotype in enumerate(genotypes):
        mate = _linked_place(collection, loci, n)
        grown = []
        for first, second, q in ways:
            a, b = genotype.first, genotype.second
            if mate is None or mate > n or a == b or first[mate] == second[mate]:
                grown.append(((*first, a), (*second, b), q))
            else:
                grown.append(((*first, a), (*second, b), q / 2))
                grown.append(((*first, b), (*second, a), q / 2))
        ways = grown
    if all(_linked_place(collection, loci, n) is None for n in range(len(loci))):
        return ways
    fits = [(first, second, q * _phase_fits(collection, animal, loci, (None, first, second))) for first, second, q in ways]
    total = sum(q for *_, q in fits)
    return [(first, second, q / total) for first, second, q in fits if q > 0]


def _linked_place(collection: Collection, loci: list[Locus], place: int) -> int | None:
    """Place of the locus that some clutch says is linked to this one."""
    for clutch in collection.clutches.values():
        for linkage in clutch.linkages:
            pair = {linkage.first, linkage.second}
            if loci[place].name in pair:
                (other,) = pair - {loci[place].name}
                return next((n for n, locus in enumerate(loci) if locus.name == other), None)
    return None


def _phase_fits(collection: Collection, animal: Animal, loci: list[Locus], being: Being) -> float:
    """1 where the strands agree with every phase that is stated of the animal, 0 where one does not."""
    _, first, second = being
    place = {locus.name: n for n, locus in enumerate(loci)}
    for clutch in collection.clutches.values():
        for linkage in clutch.linkages:
            phase = linkage.phases.get(animal.name)
            if phase is None or linkage.first not in place or linkage.second not in place:
                continue
            i, j = place[linkage.first], place[linkage.second]
            if first[i] == second[i] or first[j] == second[j]:
                continue
            # the mutant allele, or the one that is sorted first where both are mutant, of either locus
            here = min((first[i], second[i]), key=lambda a: (a == NORMAL, a))
            there = min((first[j], second[j]), key=lambda a: (a == NORMAL, a))
            together = (first[i] == here) == (first[j] == there)
            if together != (phase is Phase.COUPLING):
                return 0.0
    return 1.0


def _eggs(
    collection: Collection, clutch: Clutch, loci: list[Locus], dam: Being, sire: Sire, so_far: Mapping[str, Being | None]
) -> dict[Being, float]:
    """P(being | parents) of an egg, whether or not it hatches."""
    hetero = collection.species.heterogametic
    eggs: dict[Being, float] = defaultdict(float)
    if isinstance(sire, Parthenogenesis):
        per_locus = []
        for n in range(len(loci)):
            a, b, kept = dam[1][n], dam[2][n], sire.kept_heterozygosity
            per_locus.append([((a, a), (1 - kept) / 2), ((b, b), (1 - kept) / 2), ((a, b), kept)])
        for combination in itertools.product(*per_locus):
            chance = 1.0
            for _, q in combination:
                chance *= q
            pairs = [tuple(sorted(pair)) for pair, _ in combination]
            eggs[Sex.FEMALE, tuple(a for a, _ in pairs), tuple(b for _, b in pairs)] += chance
        return {being: q for being, q in eggs.items() if q > 0}
    for sex in Sex:
        for from_dam, p in _gametes(collection, clutch, loci, dam, Sex.FEMALE, sex).items():
            for from_sire, q in _gametes(collection, clutch, loci, so_far[sire], Sex.MALE, sex).items():
                # on the sex with two kinds of sex chromosome the shared one comes from the parent that has two of it
                first, second = (from_sire, from_dam) if hetero is Sex.FEMALE else (from_dam, from_sire)
                eggs[sex, *_settled(collection, loci, sex, first, second)] += 0.5 * p * q
    return {being: q for being, q in eggs.items() if q > 0}


def _settled(collection: Collection, loci: list[Locus], sex: Sex, first: Strand, second: Strand) -> tuple[Strand, Strand]:
    """Strands with a fixed order where the order says nothing, so that like animals are counted as one."""
    a, b = list(first), list(second)
    done: set[int] = set()
    for n, locus in enumerate(loci):
        if n in done or (locus.sex_linked and sex is collection.species.heterogametic):
            continue
        mate = _linked_place(collection, loci, n)
        places = [n] if mate is None else [n, mate]
        done.update(places)
        if tuple(b[i] for i in places) < tuple(a[i] for i in places):
            for i in places:
                a[i], b[i] = b[i], a[i]
    return tuple(a), tuple(b)


def _gametes(collection: Collection, clutch: Clutch, loci: list[Locus], parent: Being, of: Sex, young: Sex) -> dict[Strand, float]:
    """P(allele at each locus) of one gamete that goes into a young of this sex."""
    _, *strands = parent
    ways: dict[tuple[int, ...], float] = {(): 1.0}  # from which strand each locus is taken
    for n, locus in enumerate(loci):
        mate = _linked_place(collection, loci, n)
        grown: dict[tuple[int, ...], float] = {}
        for taken, p in ways.items():
            for strand in (0, 1):
                if locus.sex_linked and of is collection.species.heterogametic:
                    rate = clutch.crossover.get(locus.name, locus.crossover)
                    own = 1 if young is of else 0
                    q = 1 - rate if strand == own else rate
                elif mate is not None and mate < n:
                    rate = _recombination(clutch, locus.name, loci[mate].name, of)
                    q = 1 - rate if strand == taken[mate] else rate
                else:
                    q = 0.5
                if q > 0:
                    grown[*taken, strand] = grown.get((*taken, strand), 0.0) + p * q
        ways = grown
    found: dict[Strand, float] = defaultdict(float)
    for taken, p in ways.items():
        found[tuple(strands[strand][n] for n, strand in enumerate(taken))] += p
    return found


def _recombination(clutch: Clutch, one: str, other: str, of: Sex) -> float:
    for linkage in clutch.linkages:
        if {linkage.first, linkage.second} == {one, other}:
            return linkage.recombination[of]
    return 0.5


def _hatch_rate(collection: Collection, loci: list[Locus], being: Being) -> float:
    rate = 1.0
    genotypes = _genotypes(collection, loci, being)
    for locus in loci:
        rate *= locus.hatch_rate(genotypes[locus.name])
    return rate


def _likelihood(collection: Collection, reading: object, genotypes: Mapping[str, Genotype]) -> float:
    if isinstance(reading, CallReading):
        return reading.likelihoods.get(collection.species.call(genotypes), reading.otherwise)
    if reading.locus not in genotypes:
        return reading.of_wild_type()
    return reading.likelihoods.get(genotypes[reading.locus], reading.otherwise)
