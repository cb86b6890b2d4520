"""Exact inference over a whole collection.

Unknowns are the genotype of each animal at each locus, the sire of each egg where several males could be, and how each such
clutch came about (by one sire, or each egg by its own). Loci part from one another unless a reading speaks of several at once
or a clutch has several sires; an animal whose genotype is certain cuts the graph. Each connected part is summed exactly by a
junction tree. A part whose best order needs more than `most_numbers` numbers at once is refused exactness by name (`Part.exact`)
and answered with each locus exact and messages between loci (`layers`); `tests/bench/bench_pedigree.py` measures that error.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np

from triage.errors import ContradictionError, UnsupportedInheritanceError, WorkTooLargeError
from triage.genetics.pedigree.collection import Animal, Clutch, Collection
from triage.genetics.pedigree.graph import Factor, Propagated, Table, TooWide, components, propagate
from triage.genetics.pedigree.layers import SIRES, solve_in_layers
from triage.genetics.transmission import autosomal, given_hatched, sex_linked
from triage.records import CallReading, Genotype, GenotypeReading, Locus, Reading, Sex, VisualCall

MOST_NUMBERS = 2_000_000
_LAYER_ROOM = 16  # how much larger the tables of one gene alone may be
_LAYERS = "layers"  # where an answer keeps the messages of the parts that were too wide

#: What an animal can be at a locus; the sex counts at sex-linked loci only.
State = tuple[Sex | None, Genotype]


@dataclass(frozen=True, slots=True)
class Part:
    """One connected part of the graph: whom it concerns, whether its answer is exact, and what it took.

    `residual` is the largest change of a message in the last round where the answer is approximate.
    """

    animals: tuple[str, ...]
    loci: tuple[str, ...]
    exact: bool
    width: int
    log_evidence: float
    residual: float = 0.0


@dataclass(frozen=True, eq=False)
class CollectionPosterior:
    """What is known of everybody.

    Attributes
    ----------
    loci
        P(genotype) by animal and locus; loci at which an animal can only be wild type are left out.
    sires
        P(sire) by egg and candidate, for eggs that could have several.
    log_evidence
        Log of the probability of all readings, likelihoods as given.
    parts
        The connected parts; those that are not exact say so.
    """

    loci: Mapping[str, Mapping[str, Mapping[Genotype, float]]]
    sires: Mapping[str, Mapping[str, float]]
    log_evidence: float
    parts: tuple[Part, ...]
    _solved: Mapping[Any, tuple[Any, ...]] = field(default_factory=dict, repr=False)

    @property
    def exact(self) -> bool:
        return all(part.exact for part in self.parts)

    def chance(self, animal: str, locus: str, genotype: Genotype) -> float:
        """P(genotype); 1 for the wild type where an animal cannot be anything else."""
        found = self.loci.get(animal, {}).get(locus)
        if found is None:
            return 1.0 if set(genotype.alleles) == {"normal"} else 0.0
        return found.get(genotype, 0.0)


def infer_collection(
    collection: Collection, previous: CollectionPosterior | None = None, *, most_numbers: int = MOST_NUMBERS
) -> CollectionPosterior:
    """The posterior of every animal given everything; parts that are as they were in `previous` are taken from there.

    Raises
    ------
    ContradictionError
        The readings of some animals cannot all be true; names them.
    UnsupportedInheritanceError
        Two sex-linked loci vary in one family.
    WorkTooLargeError
        Even one locus alone hangs together too closely.
    """
    graph = _Graph(collection)
    found: dict[int, Table] = {}
    parts: list[Part] = []
    solved: dict[Any, tuple[Any, ...]] = {}
    earlier = previous._solved if previous is not None else {}
    memory: dict[Any, Any] = dict(earlier.get(_LAYERS, {}))
    solved[_LAYERS] = fresh = {}
    by_variable: list[list[int]] = [[] for _ in graph.states]
    for number, factor in enumerate(graph.factors):
        by_variable[factor.variables[0]].append(number)
    for group in components(len(graph.states), graph.factors):
        numbers = [n for variable in group for n in by_variable[variable]]
        key = _key(graph, group, numbers)
        hit = earlier.get(key)
        if hit is None:
            hit = _solve(graph, group, numbers, most_numbers, memory, fresh)
        elif not hit[1]:
            fresh.update(memory)  # kept for the next update
        solved[key] = hit
        answer, exact, residual = hit
        for variable, marginal in zip(group, answer.marginals, strict=True):
            found[variable] = marginal
        names = [graph.names[v] for v in group]
        animals = tuple(dict.fromkeys(name[1] for name in names if name[0] == "genotype"))
        loci = tuple(dict.fromkeys(name[2] for name in names if name[0] == "genotype"))
        parts.append(Part(animals, loci, exact, answer.width, answer.log_total, residual))
    return graph.read(found, tuple(parts), solved)


def call_chances(collection: Collection, animal: str, *, most_numbers: int = MOST_NUMBERS) -> dict[VisualCall, float]:
    """P(visual call) of one animal, likeliest first, with the loci taken together. TooWide where that does not fit."""
    graph = _Graph(collection)
    own = [variable for variable, name in enumerate(graph.names) if name[:2] == ("genotype", animal)]
    fixed = {locus: state[1] for (name, locus), state in graph.certain.items() if name == animal}
    joint = np.ones(())
    if own:
        whole = next(group for group in _groups_with(graph, own))
        sizes = [len(graph.states[v]) for v in whole]
        place = {v: n for n, v in enumerate(whole)}
        factors = [
            Factor(tuple(place[v] for v in f.variables), f.table) for f in graph.factors if f.variables[0] in place
        ]
        axes = tuple(place[v] for v in own)
        joint = np.zeros([sizes[a] for a in axes])
        for states in itertools.product(*(range(sizes[a]) for a in axes)):
            pinned = [Factor((a,), np.eye(sizes[a])[s]) for a, s in zip(axes, states, strict=True)]
            answer = _propagate_groups(sizes, [*factors, *pinned], most_numbers)
            joint[states] = math.exp(answer) if answer is not None else 0.0
        joint = joint / joint.sum()
    chances: dict[VisualCall, float] = {}
    for states in itertools.product(*(range(n) for n in joint.shape)):
        genotypes = dict(fixed)
        for variable, state in zip(own, states, strict=True):
            genotypes[graph.names[variable][2]] = graph.states[variable][state][1]
        call = collection.species.call(genotypes)
        chances[call] = chances.get(call, 0.0) + float(joint[states])
    return dict(sorted(((c, p) for c, p in chances.items() if p > 0), key=lambda one: -one[1]))


def _groups_with(graph: _Graph, wanted: Sequence[int]):
    """The variables of every part that holds one of those wanted, in one list."""
    groups = [group for group in components(len(graph.states), graph.factors) if set(group) & set(wanted)]
    yield [variable for group in groups for variable in group]


def _propagate_groups(sizes: Sequence[int], factors: Sequence[Factor], most_numbers: int) -> float | None:
    """Log of the sum of a product over several parts; None where it is zero."""
    answer = propagate(sizes, factors, most_numbers)
    return None if answer is None else answer.log_total


def _key(graph: _Graph, group: Sequence[int], numbers: Sequence[int]) -> tuple:
    """What a part's answer depends on: its variables and the tables between them."""
    return (
        tuple((graph.names[v], graph.states[v]) for v in group),
        tuple((tuple(graph.names[v] for v in graph.factors[n].variables), graph.marks[n]) for n in numbers),
    )


def _solve(
    graph: _Graph,
    group: Sequence[int],
    numbers: Sequence[int],
    most_numbers: int,
    memory: Mapping[Any, Any],
    fresh: dict[Any, Any],
) -> tuple[Propagated, bool, float]:
    place = {variable: number for number, variable in enumerate(group)}
    sizes = [len(graph.states[v]) for v in group]
    factors = [Factor(tuple(place[v] for v in graph.factors[n].variables), graph.factors[n].table) for n in numbers]
    try:
        answer = propagate(sizes, factors, most_numbers)
    except TooWide:
        layer_of = [graph.names[v][2] if graph.names[v][0] == "genotype" else SIRES for v in group]
        labels, marks = [graph.names[v] + (graph.states[v],) for v in group], [graph.marks[n] for n in numbers]
        try:
            most = _LAYER_ROOM * most_numbers
            answer, residual = solve_in_layers(sizes, layer_of, factors, most, labels, marks, memory, fresh)
        except TooWide as error:
            loci = ", ".join(dict.fromkeys(name[2] for name in (graph.names[v] for v in group) if name[0] == "genotype"))
            raise WorkTooLargeError(
                f"the families linked at {loci} hang together too closely: one gene alone {error}, over the {most:,} allowed; "
                "settle some genotypes in them (a laboratory, or papers you trust), or raise most_numbers"
            ) from error
        if answer is not None:
            kept = Propagated(answer.marginals[: len(group)], answer.log_total, answer.width)
            return kept, False, residual
    if answer is None:
        animals = sorted({graph.names[v][1] for v in group if graph.names[v][0] == "genotype"})
        shown = ", ".join(animals[:6]) + (f" and {len(animals) - 6} more" if len(animals) > 6 else "")
        raise ContradictionError(
            f"what is recorded of {shown} cannot all be true: no genotypes fit; check their parents and what was seen of them"
        )
    return answer, True, 0.0


class _Graph:
    """Variables and factors of a collection; animals that can be one thing only are constants, not variables."""

    def __init__(self, collection: Collection) -> None:
        self.collection = collection
        self.names: list[tuple] = []
        self.states: list[tuple] = []
        self.factors: list[Factor] = []
        self.marks: list[Any] = []  # what each factor's table depends on, by which it is known again
        self.number: dict[tuple, int] = {}
        self.certain: dict[tuple[str, str], State] = {}
        self._log_constant = 0.0
        self._live = _live_loci(collection)
        self._possible: dict[tuple[str, str], tuple[State, ...]] = {}
        for animal in collection.parents_first():
            self._add(animal)
        self._check_sex_linked()

    # ---- building ------------------------------------------------------------------------------------------------

    def _variable(self, name: tuple, states: tuple) -> int:
        self.number[name] = len(self.names)
        self.names.append(name)
        self.states.append(states)
        return self.number[name]

    def _factor(self, variables: Sequence[int], table: Table, mark: Any) -> None:
        if variables:
            self.factors.append(Factor(tuple(variables), table))
            self.marks.append(mark)
        else:
            self._log_constant += float(np.log(table)) if table > 0 else -math.inf

    def _add(self, animal: Animal) -> None:
        clutch = self.collection.clutches[animal.clutch] if animal.clutch is not None else None
        chooser = self._choose_sire(animal, clutch) if clutch is not None and len(clutch.sires) > 1 else None
        for locus in self._live:
            if clutch is None:
                self._add_founder(animal, locus)
            else:
                self._add_offspring(animal, locus, clutch, chooser)
        for reading in animal.readings:
            self._add_reading(animal, reading)

    def _choose_sire(self, animal: Animal, clutch: Clutch) -> int:
        mode = ("mode", clutch.name)
        count = len(clutch.sires)
        shares = np.array([float(share) for share in clutch.shares])
        if mode not in self.number:
            weights = np.append(shares * (1 - float(clutch.mixed)), float(clutch.mixed))
            self._factor([self._variable(mode, (*clutch.sires, "mixed"))], weights, ("mode", tuple(weights)))
        variable = self._variable(("sire", animal.name), clutch.sires)
        table = np.vstack([np.eye(count), shares[None]])
        self._factor([self.number[mode], variable], table, ("sire", tuple(shares)))
        return variable

    def _add_founder(self, animal: Animal, locus: Locus) -> None:
        prior = animal.prior(locus, self.collection.species.heterogametic)
        states = tuple(((animal.sex if locus.sex_linked else None), g) for g, p in prior.states if p > 0)
        weights = np.array([float(p) for _, p in prior.states if p > 0])
        variable = self._settle(animal, locus, states)
        if variable is not None:
            self._factor([variable], weights, ("prior", tuple(weights)))

    def _add_offspring(self, animal: Animal, locus: Locus, clutch: Clutch, chooser: int | None) -> None:
        rate = self.collection.crossover_rate(locus)
        heterogametic = self.collection.species.heterogametic
        dam = self._possible[clutch.dam, locus.name]
        by_sire = []
        for sire in clutch.sires:
            states = self._possible[sire, locus.name]
            by_sire.append(_transmission(locus, dam, states, rate, heterogametic, animal.sex))
        possible = tuple(dict.fromkeys(state for found, _ in by_sire for state in found))
        if not possible:
            raise ContradictionError(
                f"{animal.name}: no young of {clutch.dam} could hatch at {locus.name}; check its parents"
            )
        variable = self._settle(animal, locus, possible)
        d = self.number.get(("genotype", clutch.dam, locus.name))
        for candidate, (sire, (found, table)) in enumerate(zip(clutch.sires, by_sire, strict=True)):
            s = self.number.get(("genotype", sire, locus.name))
            spread = np.zeros((*table.shape[:2], len(possible)))
            spread[:, :, [possible.index(state) for state in found]] = table
            axes = [(d, 0), (s, 1), (variable, 2)]
            keep = [(v, axis) for v, axis in axes if v is not None]
            dropped = tuple(axis for v, axis in axes if v is None)
            reduced = spread.sum(dropped) if dropped else spread  # axes of constants have length 1
            if chooser is None:
                if not (keep and len(keep) == 1 and keep[0][0] != variable):
                    self._factor(
                        [v for v, _ in keep],
                        reduced,
                        ("from", locus.name, dam, self._possible[sire, locus.name], rate, animal.sex, possible),
                    )
                continue
            choice = np.ones((len(clutch.sires), *reduced.shape))
            choice[candidate] = reduced
            if not np.all(choice == 1):
                mark = ("by", candidate, locus.name, dam, self._possible[sire, locus.name], rate, animal.sex, possible)
                self._factor([chooser, *(v for v, _ in keep)], choice, mark)

    def _settle(self, animal: Animal, locus: Locus, states: tuple[State, ...]) -> int | None:
        """Make a variable, or a constant where there is only one state."""
        self._possible[animal.name, locus.name] = states
        if len(states) == 1:
            self.certain[animal.name, locus.name] = states[0]
            return None
        return self._variable(("genotype", animal.name, locus.name), states)

    def _add_reading(self, animal: Animal, reading: Reading) -> None:
        if isinstance(reading, GenotypeReading):
            if reading.locus not in {locus.name for locus in self._live}:
                self._factor([], np.array(reading.of_wild_type()), None)
                return
            states = self._possible[animal.name, reading.locus]
            weights = np.array([reading.likelihoods.get(g, reading.otherwise) for _, g in states])
            variable = self.number.get(("genotype", animal.name, reading.locus))
            self._factor(
                [variable] if variable is not None else [],
                weights if variable is not None else weights[0],
                ("laboratory", tuple(weights)),
            )
            return
        species = self.collection.species
        variables = [(locus, self.number.get(("genotype", animal.name, locus.name))) for locus in self._live]
        fixed = {
            locus.name: locus.look(self._possible[animal.name, locus.name][0][1]) for locus, v in variables if v is None
        }
        open_loci = [(locus, v) for locus, v in variables if v is not None]
        looks = [[locus.look(g) for _, g in self.states[v]] for locus, v in open_loci]
        # loci whose states all look alike say nothing, whatever else the animal is
        telling = [n for n, words in enumerate(looks) if len(set(words)) > 1]
        blind = {open_loci[n][0].name: looks[n][0] for n in range(len(looks)) if n not in telling}
        if len(reading.likelihoods) == 1:
            self._add_single_call(reading, {**fixed, **blind}, [(*open_loci[n], looks[n]) for n in telling])
            return
        shape = [len(looks[n]) for n in telling]
        table = np.zeros(shape)
        cached: dict[tuple[str, ...], float] = {}
        for index in itertools.product(*(range(n) for n in shape)):
            words = tuple(looks[n][i] for n, i in zip(telling, index, strict=True))
            if words not in cached:
                shown = {**fixed, **blind, **{open_loci[n][0].name: w for n, w in zip(telling, words, strict=True)}}
                cached[words] = reading.likelihoods.get(species.call_of(shown), reading.otherwise)
            table[index] = cached[words]
        variables = [open_loci[n][1] for n in telling]
        apart = _as_product(table) if len(telling) > 1 else None
        if apart is None:
            self._factor(variables, table if telling else table.reshape(()), ("look", table.tobytes()))
            return
        for variable, one in zip(variables, apart, strict=True):
            self._factor([variable], one, ("look", one.tobytes()))

    def _add_single_call(
        self, reading: CallReading, said: Mapping[str, str], telling: Sequence[tuple[Locus, int, list[str]]]
    ) -> None:
        """A reading that names one call, against all others: one product of "looks as called", locus by locus."""
        ((call, p),) = reading.likelihoods.items()
        otherwise = reading.otherwise
        wanted = dict(call.looks)
        named = {*said, *(locus.name for locus, _, _ in telling)}
        if any(word != wanted.get(name, "") for name, word in said.items()) or not set(wanted) <= named:
            self._factor([], np.array(otherwise), None)  # the animal cannot be the call
            return
        matches = [
            np.array([float(word == wanted.get(locus.name, "")) for word in words]) for locus, _, words in telling
        ]
        variables = [variable for _, variable, _ in telling]
        if not telling:
            self._factor([], np.array(p), None)
        elif otherwise == 0 or len(telling) == 1:
            for place, (variable, match) in enumerate(zip(variables, matches, strict=True)):
                one = otherwise + (p - otherwise) * match if len(telling) == 1 else match * (p if place == 0 else 1.0)
                self._factor([variable], one, ("look", one.tobytes()))
        else:
            product = matches[0]
            for match in matches[1:]:
                product = np.multiply.outer(product, match)
            table = otherwise + (p - otherwise) * product
            self._factor(variables, table, ("look", table.tobytes()))

    def _check_sex_linked(self) -> None:
        linked = [locus.name for locus in self._live if locus.sex_linked]
        for first, second in itertools.combinations(linked, 2):
            for animal in self.collection.animals:
                if ("genotype", animal, first) in self.number and ("genotype", animal, second) in self.number:
                    raise UnsupportedInheritanceError(
                        f"{animal}: {first} and {second} are both sex-linked and both open, and linkage between them is not computed"
                    )

    # ---- reading the answer ----------------------------------------------------------------------------------------

    def read(
        self, found: Mapping[int, Table], parts: tuple[Part, ...], solved: Mapping[Any, Any]
    ) -> CollectionPosterior:
        if self._log_constant == -math.inf:
            raise ContradictionError(
                "a reading says of an animal what its recorded parents exclude; check the parents of the animal and the reading"
            )
        loci: dict[str, dict[str, dict[Genotype, float]]] = {name: {} for name in self.collection.animals}
        for (animal, locus), (_, genotype) in self.certain.items():
            if set(genotype.alleles) != {"normal"}:
                loci[animal][locus] = {genotype: 1.0}
        sires: dict[str, dict[str, float]] = {}
        for variable, name in enumerate(self.names):
            values = found[variable].tolist()
            if name[0] == "genotype":
                chances: dict[Genotype, float] = {}
                for (_, genotype), p in zip(self.states[variable], values, strict=True):
                    chances[genotype] = chances.get(genotype, 0.0) + p
                loci[name[1]][name[2]] = chances
            elif name[0] == "sire":
                sires[name[1]] = dict(zip(self.states[variable], values, strict=True))
        return CollectionPosterior(
            loci, sires, self._log_constant + sum(part.log_evidence for part in parts), parts, solved
        )


def _live_loci(collection: Collection) -> tuple[Locus, ...]:
    """Loci at which some founder may carry a mutant allele."""
    carried = {
        name
        for animal in collection.animals.values()
        if animal.clutch is None
        for name, prior in animal.known.items()
        if any(p > 0 and set(g.alleles) != {"normal"} for g, p in prior.states)
    }
    return tuple(locus for locus in collection.species.loci if locus.name in carried)


def _as_product(table: Table) -> list[Table] | None:
    """Tables of one axis each whose outer product is `table`, or None: a certain look says something of each locus on its own."""
    total = table.sum()
    if not total > 0:
        return None
    apart = [table.sum(tuple(a for a in range(table.ndim) if a != axis)) for axis in range(table.ndim)]
    product = apart[0]
    for one in apart[1:]:
        product = np.multiply.outer(product, one / total)
    if not np.allclose(product, table, rtol=1e-13, atol=0):
        return None
    return [apart[0], *(one / total for one in apart[1:])]


@lru_cache(maxsize=200_000)
def _transmission(
    locus: Locus,
    dam: tuple[State, ...],
    sire: tuple[State, ...],
    crossover: float | None,
    heterogametic: Sex,
    sex: Sex | None,
) -> tuple[tuple[State, ...], Table]:
    """States of the young and P(state | dam, sire) (n_dam, n_sire, n_young), given that they hatched.

    A young of known sex has that sex's states, with their chances given the sex. Pairs that have no viable young get zeros.
    """
    rows: list[list[dict[State, float]]] = []
    for _, d in dam:
        row = []
        for _, s in sire:
            rate = crossover or 0.0
            outcomes = sex_linked(locus.name, d, s, rate, heterogametic) if locus.sex_linked else autosomal(locus.name, d, s)
            hatched, _ = given_hatched(outcomes, {locus.name: locus})
            chances: dict[State, float] = {}
            for outcome, p in hatched.items():
                if sex is None or outcome.sex in (None, sex):
                    state = (outcome.sex, outcome.genotypes[0][1])
                    chances[state] = chances.get(state, 0.0) + (
                        2 * p if outcome.sex is not None and sex is not None else p
                    )
            row.append(chances)
        rows.append(row)
    states = tuple(sorted({s for row in rows for found in row for s in found}, key=_state_order))
    table = np.array([[[found.get(state, 0.0) for state in states] for found in row] for row in rows])
    table.flags.writeable = False
    return states, table


def _state_order(state: State) -> tuple:
    sex, genotype = state
    return (sex.value if sex else "", genotype.alleles)
