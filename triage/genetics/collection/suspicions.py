"""Which parents may carry a gene that nobody recorded, from all their clutches together.

Where an animal's readings name a look that its recorded parents cannot give, that locus is opened: every founder among its
forebears whose papers say nothing there gets Hardy-Weinberg proportions at the background frequency, and the collection is summed
as always. A gene that no reading names is not weighed. Loci that explain the same animals are opened together, so that neither
takes the other's evidence.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from triage.errors import ContradictionError, UnsupportedInheritanceError, WorkTooLargeError
from triage.genetics.collection.grounds import log_odds
from triage.genetics.collection.inference import CollectionPosterior, infer_collection
from triage.genetics.collection.members import Animal, Collection
from triage.genetics.collection.network import Network
from triage.genetics.knowledge import hardy_weinberg
from triage.records import NORMAL, GenotypePrior, GenotypeReading, Probability, Species, VisualCall

#: Expected share of false alarms among those raised.
FALSE_ALARMS = 0.1
#: Loci that explain the same animals and are summed together; each further one multiplies the tables of every egg.
_MOST_TOGETHER = 3
#: A locus that is less likely than this on its own takes no other's evidence.
_RIVAL = 0.05
#: Pairs that are less likely than this are not listed.
_LISTED = 0.5
_NOTHING = 1e-6  # a smaller step of log odds is a rounding


@dataclass(frozen=True, slots=True)
class Opened:
    """By locus: alleles that may be carried unrecorded, founders who may carry them, and looks that young may then have."""

    alleles: Mapping[str, frozenset[str]]
    founders: Mapping[str, frozenset[str]]
    looks: Mapping[str, tuple[str, ...]]

    def at(self, loci: Iterable[str]) -> Opened:
        """The same at some loci alone."""
        wanted = tuple(loci)
        return Opened(*({x: one[x] for x in wanted} for one in (self.alleles, self.founders, self.looks)))

    def calls(self, species: Species, calls: Iterable[VisualCall]) -> tuple[VisualCall, ...]:
        """Calls, and what each may become by a look that was opened."""
        found = dict.fromkeys(calls)
        for locus, looks in self.looks.items():
            words = [({**dict(call.looks), locus: look or call.look(locus)}) for call in found for look in looks]
            found = dict.fromkeys(map(species.call_of, words))
        return tuple(found)


#: Makes the collection with the readings of every animal weighed over the calls that it could show then too.
Make = Callable[[Opened | None], Collection]


@dataclass(frozen=True, slots=True)
class Suspicion:
    """One parent, or two of whom at least one, may carry an allele that nobody recorded.

    Attributes
    ----------
    parents
        One animal, or the dam and a sire of one clutch.
    prior, probability
        P(carried) before and after everything that was seen.
    bayes_factor
        Odds after over odds before; infinite where the readings cannot be true without it.
    alarm
        Whether it stands above the bar that keeps false alarms rare.
    """

    parents: tuple[str, ...]
    locus: str
    allele: str
    prior: float
    probability: float
    bayes_factor: float
    alarm: bool = False


@dataclass(frozen=True, eq=False)
class Weighed:
    """Every suspicion that the readings strengthen, likeliest first.

    `of` holds, by locus, the collection in which it was weighed and what is known there; `tested` counts the pairs of parent and
    allele there are; `refused` says of loci that could not be computed why.
    """

    suspicions: tuple[Suspicion, ...]
    of: Mapping[str, tuple[Collection, CollectionPosterior]]
    tested: int
    refused: Mapping[str, str]


def weigh_suspicions(
    make: Make,
    named: Mapping[str, Sequence[VisualCall]],
    *,
    background: Probability,
    false_alarms: float = FALSE_ALARMS,
) -> Weighed:
    """Every parent of the collection and every allele, by the chance that it is carried unrecorded.

    Exact where the collection's own answer is (`CollectionPosterior.exact`).

    Parameters
    ----------
    named
        By animal, the calls that its readings make likeliest.
    background
        Allele frequency of every gene in an animal nobody recorded.
    false_alarms
        Bound on the mean chance, over the alarms, that one is false: a Bayesian false-discovery rate (Mueller, Parmigiani, Robert
        and Rousseau 2004), over all parents first and then over those pairs of whom neither was raised alone.
    """
    base = make(None)
    parents = tuple(dict.fromkeys(name for clutch in base.clutches.values() for name in clutch.parents))
    opened = to_open(base, named)
    answers: dict[str, _Answer] = {}
    refused: dict[str, str] = {}
    for locus in opened.alleles:
        try:
            answers[locus] = _answer(make, opened, (locus,), parents, background)
        except (ContradictionError, UnsupportedInheritanceError, WorkTooLargeError) as error:
            refused[locus] = str(error)
    for together in _rivals(answers):
        try:
            joint = _answer(make, opened, together, parents, background)
        except (ContradictionError, UnsupportedInheritanceError, WorkTooLargeError):
            continue  # each by itself stands
        answers |= dict.fromkeys(together, joint)
    found = [one for locus, answer in answers.items() for one in answer.suspicions if one.locus == locus and one.bayes_factor > 1]
    n_alleles = sum(len(locus.alleles) for locus in base.species.loci)
    of = {locus: (answer.collection, answer.posterior) for locus, answer in answers.items()}
    return Weighed(_with_alarms(found, false_alarms), of, len(parents) * n_alleles, refused)


def kept_at(probabilities: Iterable[float], false_alarms: float) -> int:
    """How many of the largest probabilities can be kept with a mean chance of error of at most `false_alarms`.

    >>> kept_at([0.99, 0.6, 0.9], 0.1)
    2
    """
    errors = list(itertools.accumulate(1 - p for p in sorted(probabilities, reverse=True)))
    return max((n for n, total in enumerate(errors, 1) if total <= false_alarms * n), default=0)


def to_open(collection: Collection, named: Mapping[str, Sequence[VisualCall]]) -> Opened:
    """The alleles that readings name and recorded parents cannot give, and the founders who may have brought them in."""
    network, species = Network(collection), collection.species
    units = {locus.name: unit.key for unit in network.units for locus in unit.loci}
    alleles: dict[str, set[str]] = {}
    founders: dict[str, set[str]] = {}
    bred = {name for clutch in collection.clutches.values() for name in clutch.parents}
    for name, animal in collection.animals.items():
        line = [one for one in _line(collection, name) if one.clutch is None and one.name in bred]
        seen = [
            (locus, genotype)
            for locus, look in dict.fromkeys(pair for call in named.get(name, ()) for pair in call.looks)
            if look not in _looks(network, units, name, locus)
            for genotype in species.locus(locus).of_look(look)
        ]
        tests = [
            one for one in animal.readings if isinstance(one, GenotypeReading) and one.locus not in units and one.likelihoods
        ]
        seen += [(one.locus, max(one.likelihoods, key=one.likelihoods.__getitem__)) for one in tests]
        for locus, genotype in seen:
            may = [one.name for one in line if locus not in one.known]
            known = {NORMAL}.union(*(_recorded(one, locus) for one in line))
            for one, other in (genotype.alleles, genotype.alleles[::-1]):
                if may and one != NORMAL and (other == one or other in known):  # two strangers at once are not looked for
                    alleles.setdefault(locus, set()).add(one)
                    founders.setdefault(locus, set()).update(may)
    looks = {}
    for locus in (species.locus(x) for x in species.in_order(alleles)):
        about = alleles[locus.name] | {a for one in collection.animals.values() for a in _recorded(one, locus.name)}
        looks[locus.name] = tuple(dict.fromkeys(locus.look(g) for g in locus.genotypes(of=about)))
    return Opened({x: frozenset(alleles[x]) for x in looks}, {x: frozenset(founders[x]) for x in looks}, looks)


def with_opened(collection: Collection, opened: Opened, background: Probability) -> Collection:
    """The collection with those founders as animals at large at those loci."""
    animals = dict(collection.animals)
    for locus, names in opened.founders.items():
        for name in names:
            prior = _at_large(collection, locus, animals[name], opened.alleles[locus], background)
            animals[name] = replace(animals[name], known={**animals[name].known, locus: prior})
    return replace(collection, animals=animals)


@dataclass(frozen=True, slots=True)
class Spoke:
    """What the readings of one animal say of a suspicion: how far they moved its log odds, up where they speak for it."""

    animal: str
    log_odds: float


def spoke_of(weighed: Weighed, one: Suspicion) -> tuple[Spoke, ...]:
    """The parents of a suspicion and their young, each left out in turn: those whose readings bear on it, the strongest first."""
    collection, posterior = weighed.of[one.locus]
    clutches = {clutch.name for clutch in collection.clutches.values() if set(one.parents) & set(clutch.parents)}
    found = []
    for name, animal in collection.animals.items():
        if not animal.readings or not (animal.clutch in clutches or name in one.parents):
            continue
        less = replace(collection, animals={**collection.animals, name: replace(animal, readings=())})
        try:
            left = infer_collection(less, posterior, regroup=False)
        except ContradictionError:
            continue
        found.append(Spoke(name, log_odds(one.probability) - log_odds(_chance((less, left), one))))
    return tuple(sorted((x for x in found if abs(x.log_odds) > _NOTHING), key=lambda x: -abs(x.log_odds)))


def _chance(known: tuple[Collection, CollectionPosterior], one: Suspicion) -> float:
    if len(one.parents) == 1:
        return _carries(known[1], one.parents[0], one.locus, one.allele)
    return _either(known, one.parents, one.locus, one.allele)


@dataclass(frozen=True, eq=False)
class _Answer:
    collection: Collection
    posterior: CollectionPosterior
    suspicions: tuple[Suspicion, ...]


def _answer(make: Make, opened: Opened, loci: Sequence[str], parents: Sequence[str], background: Probability) -> _Answer:
    these = opened.at(loci)
    collection = with_opened(make(these), these, background)
    posterior = infer_collection(collection)
    unseen = replace(collection, animals={n: replace(a, readings=()) for n, a in collection.animals.items() if a.hatched})
    before = infer_collection(unseen)
    found = []
    for locus in loci:
        for allele in sorted(these.alleles[locus], key=collection.species.locus(locus).order):
            own = {
                n: (_carries(before, n, locus, allele), _carries(posterior, n, locus, allele))
                for n in parents
                if n in posterior.loci
            }
            open_ = {n: p for n, p in own.items() if 0 < p[0] < 1 and _unrecorded(collection, these, n, locus)}
            found += [_suspicion((n,), locus, allele, *p) for n, p in open_.items()]
            for pair in _pairs(collection, open_):
                if sum(open_[n][1] for n in pair) < _LISTED:  # a bound of what at least one carries
                    continue
                prior, p = (_either(x, pair, locus, allele) for x in ((unseen, before), (collection, posterior)))
                if p - max(open_[n][1] for n in pair) > _NOTHING:  # otherwise it is one of them
                    found.append(_suspicion(pair, locus, allele, prior, p))
    return _Answer(collection, posterior, tuple(found))


def _suspicion(parents: tuple[str, ...], locus: str, allele: str, prior: float, p: float) -> Suspicion:
    factor = math.inf if p >= 1 else p / (1 - p) / (prior / (1 - prior))
    return Suspicion(parents, locus, allele, prior, p, factor)


def _carries(posterior: CollectionPosterior, animal: str, locus: str, allele: str) -> float:
    return math.fsum(p for g, p in posterior.loci[animal].get(locus, {}).items() if g.copies(allele))


def _either(known: tuple[Collection, CollectionPosterior], names: Iterable[str], locus: str, allele: str) -> float:
    """P(at least one of some animals carries it): 1 less the share of the evidence that is left if none does."""
    collection, posterior = known
    found = collection.species.locus(locus)
    genotypes = found.genotypes() + (found.genotypes(by_chromosome=True) if found.sex_linked else ())
    none = GenotypeReading(locus, {g: 1.0 for g in genotypes if not g.copies(allele)})
    told = {name: replace(collection.animals[name], readings=(*collection.animals[name].readings, none)) for name in names}
    try:
        without = infer_collection(replace(collection, animals={**collection.animals, **told}), posterior, regroup=False)
    except ContradictionError:
        return 1.0
    return min(1.0, max(0.0, -math.expm1(without.log_evidence - posterior.log_evidence)))


def _pairs(collection: Collection, among: Iterable[str]) -> list[tuple[str, str]]:
    """Dam and sire of one clutch, both of them of `among`."""
    found = {(clutch.dam, sire): None for clutch in collection.clutches.values() for sire in clutch.parents[1:]}
    return [pair for pair in found if set(among).issuperset(pair)]


def _unrecorded(collection: Collection, opened: Opened, name: str, locus: str) -> bool:
    """Whether what an animal carries at a locus was opened, in itself or in its forebears."""
    return any(one.name in opened.founders[locus] for one in _line(collection, name))


def _rivals(answers: Mapping[str, _Answer]) -> list[tuple[str, ...]]:
    """Loci, at most so many at a time, that are likely on their own in the same parents; the likeliest first."""
    best = {locus: max((one.probability for one in answer.suspicions), default=0.0) for locus, answer in answers.items()}
    who = {x: {n for one in answers[x].suspicions if one.probability >= _RIVAL for n in one.parents} for x in answers}
    left = sorted((x for x in answers if best[x] >= _RIVAL), key=lambda x: -best[x])
    found = []
    while left:
        group = [left.pop(0)]
        for other in list(left):
            if len(group) < _MOST_TOGETHER and any(who[other] & who[x] for x in group):
                group.append(other)
                left.remove(other)
        if len(group) > 1:
            found.append(tuple(group))
    return found


def _with_alarms(found: Sequence[Suspicion], false_alarms: float) -> tuple[Suspicion, ...]:
    ranked = sorted(found, key=lambda one: -one.probability)
    alone = [one for one in ranked if len(one.parents) == 1]
    raised = alone[: kept_at((one.probability for one in alone), false_alarms)]
    told = {(one.locus, one.allele, *one.parents) for one in raised}
    pairs = [one for one in ranked if len(one.parents) > 1 and not any((one.locus, one.allele, n) in told for n in one.parents)]
    raised += pairs[: kept_at((one.probability for one in pairs), false_alarms)]
    return tuple(replace(one, alarm=one in raised) for one in ranked if len(one.parents) == 1 or one in pairs)


def _looks(network: Network, units: Mapping[str, str], animal: str, locus: str) -> set[str]:
    """What an animal can show at a locus by its papers or its parents."""
    if locus not in units:
        return {""}
    unit = network.unit(units[locus])
    place = [one.name for one in unit.loci].index(locus)
    return {unit.look(state)[place] for state in network.possible(animal, unit.key)}


def _recorded(animal: Animal, locus: str) -> set[str]:
    """Alleles that the papers of an animal give it at a locus."""
    states = animal.known[locus].states if locus in animal.known else ()
    return {a for genotype, p in states if p > 0 for a in genotype.alleles if a != NORMAL}


def _line(collection: Collection, animal: str) -> list[Animal]:
    """An animal and all its forebears."""
    found, waiting = {animal: None}, [animal]
    for name in waiting:  # it grows as it is walked
        clutch = collection.animals[name].clutch
        fresh = [p for p in (collection.clutches[clutch].parents if clutch is not None else ()) if p not in found]
        found |= dict.fromkeys(fresh)
        waiting += fresh
    return [collection.animals[name] for name in found]


def _at_large(
    collection: Collection, locus: str, animal: Animal, alleles: Iterable[str], background: Probability
) -> GenotypePrior:
    found = collection.species.locus(locus)
    states = hardy_weinberg(collection.species, found, animal.sex, dict.fromkeys(alleles, background))
    return GenotypePrior(tuple(states.items()))
