"""A collection as variables and tables between them, kept from one state of the records to the next.

Each animal makes a fragment: the variables of its open loci and the tables that its papers, its parents and its readings give. A
fragment is made anew only when what it depends on has changed, and a variable or table that comes out as it was keeps its number;
so a change of the records is a few numbers that go and a few that come (`Change`).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np

from triage.errors import ContradictionError, UnsupportedInheritanceError
from triage.genetics.collection.graph import Factor, Table
from triage.genetics.collection.members import Animal, Clutch, Collection
from triage.genetics.collection.web import SIRES
from triage.genetics.transmission import autosomal, given_hatched, sex_linked
from triage.records import CallReading, Genotype, GenotypeReading, Locus, Reading, Sex

#: What an animal can be at a locus; the sex counts at sex-linked loci only.
State = tuple[Sex | None, Genotype]


@dataclass(frozen=True, slots=True, eq=False)
class Fragment:
    """What one animal, or the sires of one clutch, bring to the network; all its numbers are the network's.

    Attributes
    ----------
    depends
        What it was made from.
    possible
        States by locus, for an animal.
    variables, factors
        Numbers of its variables and tables.
    log_constant
        Log of what tables over nothing open came to.
    """

    depends: tuple
    possible: Mapping[str, tuple[State, ...]]
    variables: tuple[int, ...]
    factors: tuple[int, ...]
    log_constant: float


@dataclass(slots=True)
class Change:
    """Numbers that came and went between two networks, and the animals whose fragments were made anew or are gone."""

    variables: list[int] = field(default_factory=list)
    factors: list[int] = field(default_factory=list)
    gone_variables: list[int] = field(default_factory=list)
    gone_factors: list[int] = field(default_factory=list)
    animals: list[str] = field(default_factory=list)


@dataclass(slots=True)
class _Draft:
    """A fragment being made."""

    variables: list[int] = field(default_factory=list)
    factors: list[int] = field(default_factory=list)
    log_constant: float = 0.0
    possible: dict[str, tuple[State, ...]] = field(default_factory=dict)
    before: Fragment | None = None
    left: dict[tuple[int, ...], list[int]] = field(default_factory=dict)  # tables of before that may be found again


class Network:
    """Variables and factors of a collection, by number; animals that can be one thing only are constants, not variables.

    `previous` is left as it was; `change` says what came and went since.
    """

    def __init__(self, collection: Collection, previous: Network | None = None) -> None:
        self.collection = collection
        self._live = _live_loci(collection)
        if previous is not None and (
            previous._live != self._live
            or previous.collection.species is not collection.species
            or previous.collection.crossover != collection.crossover
        ):
            previous = None
        self.continues = previous is not None  #: whether numbers of `previous` still mean what they did
        self.change = Change()
        self.names: dict[int, tuple] = {} if previous is None else dict(previous.names)
        self.states: dict[int, tuple] = {} if previous is None else dict(previous.states)
        self.sizes: dict[int, int] = {} if previous is None else dict(previous.sizes)
        self.layers: dict[int, str] = {} if previous is None else dict(previous.layers)
        self.factors: dict[int, Factor] = {} if previous is None else dict(previous.factors)
        self.number: dict[tuple, int] = {} if previous is None else dict(previous.number)
        self._next = 0 if previous is None else previous._next
        self._earlier: Mapping[tuple[str, str], Fragment] = {} if previous is None else previous.fragments
        self.fragments: dict[tuple[str, str], Fragment] = {}
        self._draft = _Draft()
        for animal in collection.parents_first():
            self._enter(animal)
        for owner, fragment in self._earlier.items():
            if owner not in self.fragments:
                self._forget(fragment, (), ())
                if owner[0] == "animal":
                    self.change.animals.append(owner[1])
        self.log_constant = math.fsum(fragment.log_constant for fragment in self.fragments.values())
        self._earlier = {}
        self._check_sex_linked()

    def possible(self, animal: str, locus: str) -> tuple[State, ...]:
        """What an animal can be at a live locus before anything is seen."""
        return self.fragments["animal", animal].possible[locus]

    # ---- fragments ----------------------------------------------------------------------------------------------------

    def _enter(self, animal: Animal) -> None:
        clutch = self.collection.clutches[animal.clutch] if animal.clutch is not None else None
        parents = () if clutch is None else (clutch.dam, *clutch.sires)
        several = clutch is not None and len(clutch.sires) > 1
        if several and ("clutch", clutch.name) not in self.fragments:
            self._make(("clutch", clutch.name), (clutch,), lambda: self._add_mode(clutch))
        mode = self.number["mode", clutch.name] if several else None
        depends = (animal, clutch, mode, tuple(self.fragments["animal", name].possible for name in parents))
        if self._make(("animal", animal.name), depends, lambda: self._add(animal, clutch)):
            self.change.animals.append(animal.name)

    def _make(self, owner: tuple[str, str], depends: tuple, add: Callable[[], None]) -> bool:
        """Take a fragment over as it was, or make it; whether it was made."""
        before = self._earlier.get(owner)
        if before is not None and before.depends == depends:
            self.fragments[owner] = before
            return False
        draft = self._draft = _Draft(before=before)
        for number in before.factors if before is not None else ():
            draft.left.setdefault(self.factors[number].variables, []).append(number)
        add()
        fragment = Fragment(depends, draft.possible, tuple(draft.variables), tuple(draft.factors), draft.log_constant)
        self.fragments[owner] = fragment
        if before is not None:
            self._forget(before, fragment.variables, fragment.factors)
        return True

    def _forget(self, fragment: Fragment, variables: Sequence[int], factors: Sequence[int]) -> None:
        for number in set(fragment.variables).difference(variables):
            if self.number.get(self.names[number]) == number:
                del self.number[self.names[number]]
            for table in (self.names, self.states, self.sizes, self.layers):
                del table[number]
            self.change.gone_variables.append(number)
        for number in set(fragment.factors).difference(factors):
            del self.factors[number]
            self.change.gone_factors.append(number)

    def _variable(self, name: tuple, states: tuple) -> int:
        number = self.number.get(name)
        if number is None or self.states[number] != states:
            number, self._next = self._next, self._next + 1
            self.number[name], self.names[number], self.states[number] = number, name, states
            self.sizes[number] = len(states)
            self.layers[number] = name[2] if name[0] == "genotype" else SIRES
            self.change.variables.append(number)
        self._draft.variables.append(number)
        return number

    def _factor(self, variables: Sequence[int], table: Table) -> None:
        draft = self._draft
        if not variables:
            draft.log_constant += float(np.log(table)) if table > 0 else -math.inf
            return
        for number in draft.left.get(tuple(variables), ()):
            if number not in draft.factors and np.array_equal(self.factors[number].table, table):
                draft.factors.append(number)
                return
        number, self._next = self._next, self._next + 1
        self.factors[number] = Factor(tuple(variables), table)
        draft.factors.append(number)
        self.change.factors.append(number)

    # ---- what an animal brings ------------------------------------------------------------------------------------------

    def _add_mode(self, clutch: Clutch) -> None:
        weights = np.append(_shares(clutch) * (1 - float(clutch.mixed)), float(clutch.mixed))
        self._factor([self._variable(("mode", clutch.name), (*clutch.sires, "mixed"))], weights)

    def _add(self, animal: Animal, clutch: Clutch | None) -> None:
        chooser = self._choose_sire(animal, clutch) if clutch is not None and len(clutch.sires) > 1 else None
        for locus in self._live:
            if clutch is None:
                self._add_founder(animal, locus)
            else:
                self._add_offspring(animal, locus, clutch, chooser)
        for reading in animal.readings:
            self._add_reading(animal, reading)

    def _choose_sire(self, animal: Animal, clutch: Clutch) -> int:
        variable = self._variable(("sire", animal.name), clutch.sires)
        table = np.vstack([np.eye(len(clutch.sires)), _shares(clutch)[None]])
        self._factor([self.number["mode", clutch.name], variable], table)
        return variable

    def _add_founder(self, animal: Animal, locus: Locus) -> None:
        prior = animal.prior(locus, self.collection.species.heterogametic)
        states = tuple(((animal.sex if locus.sex_linked else None), g) for g, p in prior.states if p > 0)
        weights = np.array([float(p) for _, p in prior.states if p > 0])
        variable = self._settle(animal, locus, states)
        if variable is not None:
            self._factor([variable], weights)

    def _add_offspring(self, animal: Animal, locus: Locus, clutch: Clutch, chooser: int | None) -> None:
        rate = self.collection.crossover_rate(locus)
        heterogametic = self.collection.species.heterogametic
        dam = self.possible(clutch.dam, locus.name)
        by_sire = []
        for sire in clutch.sires:
            states = self.possible(sire, locus.name)
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
                    self._factor([v for v, _ in keep], reduced)
                continue
            choice = np.ones((len(clutch.sires), *reduced.shape))
            choice[candidate] = reduced
            if not np.all(choice == 1):
                self._factor([chooser, *(v for v, _ in keep)], choice)

    def _settle(self, animal: Animal, locus: Locus, states: tuple[State, ...]) -> int | None:
        """Make a variable, or a constant where there is only one state."""
        self._draft.possible[locus.name] = states
        if len(states) == 1:
            self.number.pop(("genotype", animal.name, locus.name), None)  # it may have been open before
            return None
        return self._variable(("genotype", animal.name, locus.name), states)

    def _add_reading(self, animal: Animal, reading: Reading) -> None:
        if isinstance(reading, GenotypeReading):
            if reading.locus not in {locus.name for locus in self._live}:
                self._factor([], np.array(reading.of_wild_type()))
                return
            states = self._draft.possible[reading.locus]
            weights = np.array([reading.likelihoods.get(g, reading.otherwise) for _, g in states])
            variable = self.number.get(("genotype", animal.name, reading.locus))
            self._factor([variable] if variable is not None else [], weights if variable is not None else weights[0])
            return
        species = self.collection.species
        variables = [(locus, self.number.get(("genotype", animal.name, locus.name))) for locus in self._live]
        fixed = {
            locus.name: locus.look(self._draft.possible[locus.name][0][1]) for locus, v in variables if v is None
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
            self._factor(variables, table if telling else table.reshape(()))
            return
        for variable, one in zip(variables, apart, strict=True):
            self._factor([variable], one)

    def _add_single_call(
        self, reading: CallReading, said: Mapping[str, str], telling: Sequence[tuple[Locus, int, list[str]]]
    ) -> None:
        """A reading that names one call, against all others: one product of "looks as called", locus by locus."""
        ((call, p),) = reading.likelihoods.items()
        otherwise = reading.otherwise
        wanted = dict(call.looks)
        named = {*said, *(locus.name for locus, _, _ in telling)}
        if any(word != wanted.get(name, "") for name, word in said.items()) or not set(wanted) <= named:
            self._factor([], np.array(otherwise))  # the animal cannot be the call
            return
        matches = [
            np.array([float(word == wanted.get(locus.name, "")) for word in words]) for locus, _, words in telling
        ]
        variables = [variable for _, variable, _ in telling]
        if not telling:
            self._factor([], np.array(p))
        elif otherwise == 0 or len(telling) == 1:
            for place, (variable, match) in enumerate(zip(variables, matches, strict=True)):
                one = otherwise + (p - otherwise) * match if len(telling) == 1 else match * (p if place == 0 else 1.0)
                self._factor([variable], one)
        else:
            product = matches[0]
            for match in matches[1:]:
                product = np.multiply.outer(product, match)
            table = otherwise + (p - otherwise) * product
            self._factor(variables, table)

    def _check_sex_linked(self) -> None:
        linked = [locus.name for locus in self._live if locus.sex_linked]
        for first, second in itertools.combinations(linked, 2):
            for animal in self.change.animals:
                if ("genotype", animal, first) in self.number and ("genotype", animal, second) in self.number:
                    raise UnsupportedInheritanceError(
                        f"{animal}: {first} and {second} are both sex-linked and both open, and linkage between them is not computed"
                    )


def _shares(clutch: Clutch) -> Table:
    return np.array([float(share) for share in clutch.shares])


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
