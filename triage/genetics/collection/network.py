"""A collection as variables and tables between them, kept from one state of the records to the next.

Each animal makes a fragment: the variables of its open loci and the tables that its papers, its parents and its readings give. A
fragment is made anew only when what it depends on has changed, and a variable or table that comes out as it was keeps its number;
so a change of the records is a few numbers that go and a few that come (`Change`).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np

from triage.errors import ContradictionError, UnsupportedInheritanceError
from triage.genetics.collection.graph import Factor, Table
from triage.genetics.collection.members import Animal, Clutch, Collection
from triage.genetics.collection.web import SIRES
from triage.genetics.transmission import Diplotype, Outcomes, automixis, autosomal, phased, sex_linked
from triage.records import (
    CallReading,
    Genotype,
    GenotypePrior,
    GenotypeReading,
    LineStatement,
    Linkage,
    Locus,
    Parthenogenesis,
    Phase,
    Reading,
    Sex,
)

#: What an animal can be at a unit; the sex counts at sex-linked loci only.
State = tuple[Sex | None, Genotype | Diplotype]


@dataclass(frozen=True, slots=True)
class Unit:
    """What makes one variable of an animal: a locus, or two that some clutch says are linked."""

    loci: tuple[Locus, ...]

    @property
    def key(self) -> str:
        return " + ".join(locus.name for locus in self.loci)

    @property
    def sex_linked(self) -> bool:
        return self.loci[0].sex_linked

    def genotypes(self, state: State) -> tuple[Genotype, ...]:
        """The genotype at each locus."""
        return state[1].genotypes() if isinstance(state[1], Diplotype) else (state[1],)

    def look(self, state: State) -> tuple[str, ...]:
        """The look word at each locus."""
        return tuple(locus.look(g) for locus, g in zip(self.loci, self.genotypes(state), strict=True))

    def hatch_rate(self, state: State) -> float:
        return math.prod(locus.hatch_rate(g) for locus, g in zip(self.loci, self.genotypes(state), strict=True))

    @property
    def loses_eggs(self) -> bool:
        """Whether some genotype hatches less often than a plain one."""
        return any(locus.hatch_rate(g) < 1 for locus in self.loci for g in locus.genotypes())


@dataclass(frozen=True, slots=True, eq=False)
class Fragment:
    """What one animal, the sires of one clutch, or a line that nobody named bring to the network; all its numbers are the network's.

    Attributes
    ----------
    depends
        What it was made from.
    possible
        States by unit, for an animal.
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
        self.units = _units(collection)
        self._phases = _phases(collection)
        self._losing = {animal.clutch for animal in collection.animals.values() if not animal.hatched}
        if previous is not None and (
            previous.units != self.units or previous.collection.species is not collection.species
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
        self._earlier: Mapping[tuple[str, ...], Fragment] = {} if previous is None else previous.fragments
        self.fragments: dict[tuple[str, ...], Fragment] = {}
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

    def possible(self, animal: str, unit: str) -> tuple[State, ...]:
        """What an animal can be at a unit before anything is seen."""
        return self.fragments["animal", animal].possible[unit]

    def unit(self, key: str) -> Unit:
        return next(unit for unit in self.units if unit.key == key)

    # ---- fragments ----------------------------------------------------------------------------------------------------

    def _enter(self, animal: Animal) -> None:
        clutch = self.collection.clutches[animal.clutch] if animal.clutch is not None else None
        parents = () if clutch is None else clutch.parents
        several = clutch is not None and len(clutch.sires) > 1
        if several and ("clutch", clutch.name) not in self.fragments:
            self._make(("clutch", clutch.name), (clutch,), lambda: self._add_mode(clutch))
        mode = self.number["mode", clutch.name] if several else None
        for stated in animal.lines:
            owner = ("line", *stated.key(animal.name))
            if owner not in self.fragments:
                self._make(owner, stated.chances, lambda owner=owner, stated=stated: self._add_line(owner, stated))
        lines = tuple(self.number["line", *stated.key(animal.name)] for stated in animal.lines)
        phase = self._phases.get(animal.name, {})
        losing = animal.clutch in self._losing
        depends = (animal, clutch, mode, lines, phase, losing, tuple(self.fragments["animal", name].possible for name in parents))
        if self._make(("animal", animal.name), depends, lambda: self._add(animal, clutch)):
            self.change.animals.append(animal.name)

    def _make(self, owner: tuple[str, ...], depends: tuple, add: Callable[[], None]) -> bool:
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

    def _add_line(self, owner: tuple[str, ...], stated: LineStatement) -> None:
        """Which line a word means, for all animals of one origin."""
        chances = {line: float(p) for line, p in stated.chances if p > 0}
        self._factor([self._variable(owner, tuple(chances))], np.array(list(chances.values())))

    def _add_mode(self, clutch: Clutch) -> None:
        weights = np.append(_shares(clutch) * (1 - float(clutch.mixed)), float(clutch.mixed))
        self._factor([self._variable(("mode", clutch.name), (*clutch.candidates, "mixed"))], weights)

    def _add(self, animal: Animal, clutch: Clutch | None) -> None:
        chooser = self._choose_sire(animal, clutch) if clutch is not None and len(clutch.sires) > 1 else None
        if clutch is not None:
            self._add_sex_of_candidates(animal, clutch, chooser)
            if clutch.name in self._losing:
                self._add_hatching(animal, clutch, chooser)
        if not animal.hatched:
            return
        for unit in self.units:
            if clutch is None:
                self._add_founder(animal, unit)
            else:
                self._add_offspring(animal, unit, clutch, chooser)
            self._add_phase(animal, unit)
        for reading in animal.readings:
            self._add_reading(animal, reading)

    def _choose_sire(self, animal: Animal, clutch: Clutch) -> int:
        variable = self._variable(("sire", animal.name), clutch.candidates)
        table = np.vstack([np.eye(len(clutch.sires)), _shares(clutch)[None]])
        self._factor([self.number["mode", clutch.name], variable], table)
        return variable

    def _add_sex_of_candidates(self, animal: Animal, clutch: Clutch, chooser: int | None) -> None:
        """P(stated sex | candidate): without a male all young are daughters."""
        if animal.sex is None or len(clutch.parents) > len(clutch.sires):
            return
        alone = float(animal.sex is Sex.FEMALE)
        weights = np.array([0.5 if isinstance(sire, str) else alone for sire in clutch.sires])
        self._factor([] if chooser is None else [chooser], weights if chooser is not None else weights[0])

    def _add_hatching(self, animal: Animal, clutch: Clutch, chooser: int | None) -> None:
        """That an egg hatched, or did not, as evidence on its parents: shares of hatching multiply over units and other losses."""
        losing = [unit for unit in self.units if unit.loses_eggs]
        for candidate, sire in enumerate(clutch.sires):
            variables, shares = [], []
            for unit in losing:
                _, _, share = self._young_of(unit, clutch, sire, None)
                axes = [(self.number.get(("genotype", name, unit.key)), axis) for axis, name in enumerate((clutch.dam, sire))]
                shares.append(share.sum(tuple(axis for v, axis in axes if v is None)))  # axes of constants have length 1
                variables.append([v for v, _ in axes if v is not None])
            if animal.hatched:
                for own, share in zip(variables, shares, strict=True):
                    self._of_candidate(own, share, candidate, clutch, chooser)
                self._of_candidate([], np.array(1 - clutch.other_loss), candidate, clutch, chooser)
                continue
            joint = np.array(1 - clutch.other_loss)
            for share in shares:
                joint = np.multiply.outer(joint, share)
            self._of_candidate([v for own in variables for v in own], 1 - joint, candidate, clutch, chooser)

    def _of_candidate(self, variables: list[int], table: Table, candidate: int, clutch: Clutch, chooser: int | None) -> None:
        """A table that holds if the egg is by this candidate; one that says nothing is left out."""
        if np.all(table == 1):
            return
        if chooser is None:
            self._factor(variables, table)
            return
        choice = np.ones((len(clutch.sires), *table.shape))
        choice[candidate] = table
        self._factor([chooser, *variables], choice)

    def _add_founder(self, animal: Animal, unit: Unit) -> None:
        known = {locus.name: animal.prior(locus, self.collection.species.heterogametic) for locus in unit.loci}
        weights = self._founder_weights(animal, unit, known)
        variable = self._settle(animal, unit, tuple(weights))
        stated = [one for one in animal.lines if known.keys() & set(one.loci)]
        if not stated:
            if variable is not None:
                self._factor([variable], np.array(list(weights.values())))
            return
        lines = [self.number["line", *one.key(animal.name)] for one in stated]
        table = np.zeros((*(self.sizes[line] for line in lines), len(weights)))
        for place in np.ndindex(table.shape[:-1]):
            meant = [self.states[line][at] for line, at in zip(lines, place, strict=True)]
            if all(line in one.given for one, line in zip(stated, meant, strict=True)):
                own = {n: one.at(line, n) for one, line in zip(stated, meant, strict=True) for n in known if n in one.loci}
                given = self._founder_weights(animal, unit, known | own)
                table[place] = [given.get(state, 0.0) for state in weights]
        self._factor([*lines, *([] if variable is None else [variable])], table if variable is not None else table[..., 0])

    def _founder_weights(self, animal: Animal, unit: Unit, known: Mapping[str, GenotypePrior]) -> dict[State, float]:
        """P(state) of a founder from what is known at each locus."""
        priors = [known[locus.name] for locus in unit.loci]
        weights: dict[State, float] = {}
        if len(priors) == 1:
            for genotype, p in priors[0].states:
                if p > 0:
                    weights[self._sexed(animal, unit, genotype), genotype] = float(p)
        else:
            phase = self._phases.get(animal.name, {}).get(unit.key)
            for first, p in priors[0].states:
                for second, q in priors[1].states:
                    for diplotype, share in phased(first, second, phase):
                        if p * q > 0:
                            weights[None, diplotype] = weights.get((None, diplotype), 0.0) + float(p * q) * share
        return weights

    def _sexed(self, animal: Animal, unit: Unit, genotype: Genotype) -> Sex | None:
        if not unit.sex_linked:
            return None
        if animal.sex is not None:
            return animal.sex
        hetero = self.collection.species.heterogametic
        return hetero if genotype.by_chromosome else next(sex for sex in Sex if sex is not hetero)

    def _add_phase(self, animal: Animal, unit: Unit) -> None:
        """A stated phase of an animal from a clutch here; a founder has it from the start."""
        phase = self._phases.get(animal.name, {}).get(unit.key)
        if phase is None or animal.clutch is None:
            return
        states = self._draft.possible[unit.key]
        fits = [float(state[1] in dict(phased(*unit.genotypes(state), phase))) for state in states]
        variable = self.number.get(("genotype", animal.name, unit.key))
        self._factor([] if variable is None else [variable], np.array(fits) if variable is not None else np.array(fits[0]))

    def _young_of(
        self, unit: Unit, clutch: Clutch, sire: str | Parthenogenesis, sex: Sex | None
    ) -> tuple[tuple[State, ...], Table, Table]:
        dam = self.possible(clutch.dam, unit.key)
        if isinstance(sire, Parthenogenesis):
            if len(unit.loci) > 1:
                raise UnsupportedInheritanceError(f"clutch {clutch.name}: parthenogenesis with linked loci ({unit.key}) is not computed")
            return _alone(unit, dam, sire.kept_heterozygosity, sex)
        states = self.possible(sire, unit.key)
        if len(unit.loci) == 1:
            rate = clutch.crossover_rate(unit.loci[0])
            return _transmission(unit, dam, states, rate, self.collection.species.heterogametic, sex)
        linkage = _linkage_of(clutch, unit)
        fractions = (linkage.recombination[Sex.FEMALE], linkage.recombination[Sex.MALE]) if linkage else (0.5, 0.5)
        return _linked_transmission(unit, dam, states, *fractions)

    def _add_offspring(self, animal: Animal, unit: Unit, clutch: Clutch, chooser: int | None) -> None:
        by_sire = [self._young_of(unit, clutch, sire, animal.sex)[:2] for sire in clutch.sires]
        possible = tuple(dict.fromkeys(state for found, _ in by_sire for state in found))
        if not possible:
            raise ContradictionError(
                f"{animal.name}: no young of {clutch.dam} could hatch at {unit.key}; check its parents"
            )
        variable = self._settle(animal, unit, possible)
        d = self.number.get(("genotype", clutch.dam, unit.key))
        for candidate, (sire, (found, table)) in enumerate(zip(clutch.sires, by_sire, strict=True)):
            s = self.number.get(("genotype", sire, unit.key)) if isinstance(sire, str) else None
            spread = np.zeros((*table.shape[:2], len(possible)))
            spread[:, :, [possible.index(state) for state in found]] = table
            axes = [(d, 0), (s, 1), (variable, 2)]
            keep = [(v, axis) for v, axis in axes if v is not None]
            dropped = tuple(axis for v, axis in axes if v is None)
            reduced = spread.sum(dropped) if dropped else spread  # axes of constants have length 1
            self._of_candidate([v for v, _ in keep], reduced, candidate, clutch, chooser)

    def _settle(self, animal: Animal, unit: Unit, states: tuple[State, ...]) -> int | None:
        """Make a variable, or a constant where there is only one state."""
        self._draft.possible[unit.key] = states
        if len(states) == 1:
            self.number.pop(("genotype", animal.name, unit.key), None)  # it may have been open before
            return None
        return self._variable(("genotype", animal.name, unit.key), states)

    def _add_reading(self, animal: Animal, reading: Reading) -> None:
        if isinstance(reading, GenotypeReading):
            unit = next((unit for unit in self.units if any(locus.name == reading.locus for locus in unit.loci)), None)
            if unit is None:
                self._factor([], np.array(reading.of_wild_type()))
                return
            place = [locus.name for locus in unit.loci].index(reading.locus)
            found = [unit.genotypes(state)[place] for state in self._draft.possible[unit.key]]
            weights = np.array([reading.likelihoods.get(genotype, reading.otherwise) for genotype in found])
            variable = self.number.get(("genotype", animal.name, unit.key))
            self._factor([variable] if variable is not None else [], weights if variable is not None else weights[0])
            return
        species = self.collection.species
        said: dict[str, str] = {}  # looks that are the same whatever the animal is
        telling: list[tuple[Unit, int, list[tuple[str, ...]]]] = []
        for unit in self.units:
            variable = self.number.get(("genotype", animal.name, unit.key))
            looks = [unit.look(state) for state in self._draft.possible[unit.key]]
            if variable is None or len(set(looks)) == 1:
                said |= _by_locus(unit, looks[0])
            else:
                telling.append((unit, variable, looks))
        if len(reading.likelihoods) == 1:
            self._add_single_call(reading, said, telling)
            return
        shape = [len(looks) for _, _, looks in telling]
        table = np.zeros(shape)
        cached: dict[tuple[tuple[str, ...], ...], float] = {}
        for index in itertools.product(*(range(n) for n in shape)):
            words = tuple(looks[i] for (_, _, looks), i in zip(telling, index, strict=True))
            if words not in cached:
                shown = dict(said)
                for (unit, _, _), own in zip(telling, words, strict=True):
                    shown |= _by_locus(unit, own)
                cached[words] = reading.likelihoods.get(species.call_of(shown), reading.otherwise)
            table[index] = cached[words]
        variables = [variable for _, variable, _ in telling]
        apart = _as_product(table) if len(telling) > 1 else None
        if apart is None:
            self._factor(variables, table if telling else table.reshape(()))
            return
        for variable, one in zip(variables, apart, strict=True):
            self._factor([variable], one)

    def _add_single_call(
        self, reading: CallReading, said: Mapping[str, str], telling: Sequence[tuple[Unit, int, list[tuple[str, ...]]]]
    ) -> None:
        """A reading that names one call, against all others: one product of "looks as called", locus by locus."""
        ((call, p),) = reading.likelihoods.items()
        otherwise = reading.otherwise
        wanted = dict(call.looks)
        named = {*said, *(locus.name for unit, _, _ in telling for locus in unit.loci)}
        if any(word != wanted.get(name, "") for name, word in said.items()) or not set(wanted) <= named:
            self._factor([], np.array(otherwise))  # the animal cannot be the call
            return
        matches = [
            np.array([float(words == tuple(wanted.get(locus.name, "") for locus in unit.loci)) for words in looks])
            for unit, _, looks in telling
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
        linked = [unit.key for unit in self.units if unit.sex_linked]
        for first, second in itertools.combinations(linked, 2):
            for animal in self.change.animals:
                if ("genotype", animal, first) in self.number and ("genotype", animal, second) in self.number:
                    raise UnsupportedInheritanceError(
                        f"{animal}: {first} and {second} are both sex-linked and both open, and linkage between them is not computed"
                    )


def _shares(clutch: Clutch) -> Table:
    return np.array([float(share) for share in clutch.shares])


def _by_locus(unit: Unit, words: Iterable[str]) -> dict[str, str]:
    return {locus.name: word for locus, word in zip(unit.loci, words, strict=True)}


def _units(collection: Collection) -> tuple[Unit, ...]:
    """Loci at which some founder may carry a mutant allele; those that a clutch says are linked together."""
    carried = {
        name
        for animal in collection.animals.values()
        if animal.clutch is None
        for name, prior in animal.known.items()
        if any(p > 0 and set(g.alleles) != {"normal"} for g, p in prior.states)
    }
    partner: dict[str, tuple[str, str]] = {}
    for clutch in collection.clutches.values():
        for linkage in clutch.linkages:
            for one, other in ((linkage.first, linkage.second), (linkage.second, linkage.first)):
                if not collection.species.has_locus(one):
                    raise UnsupportedInheritanceError(
                        f"clutch {clutch.name}: linkage names '{one}', which is no locus of the {collection.species.name}"
                    )
                if collection.species.locus(one).sex_linked:
                    raise UnsupportedInheritanceError(f"clutch {clutch.name}: linkage of '{one}': linked sex-linked loci are not computed")
                known, where = partner.setdefault(one, (other, clutch.name))
                if known != other:
                    raise UnsupportedInheritanceError(
                        f"clutches {where} and {clutch.name} link '{one}' to {known} and to {other}; only pairs are computed"
                    )
    units: list[Unit] = []
    for locus in collection.species.loci:
        if locus.name not in carried or any(locus in unit.loci for unit in units):
            continue
        other = partner.get(locus.name, ("", ""))[0]
        units.append(Unit((locus, collection.species.locus(other)) if other in carried else (locus,)))
    return tuple(units)


def _linkage_of(clutch: Clutch, unit: Unit) -> Linkage | None:
    names = {locus.name for locus in unit.loci}
    return next((one for one in clutch.linkages if {one.first, one.second} == names), None)


def _phases(collection: Collection) -> dict[str, dict[str, Phase]]:
    """Stated phases by animal and unit; ContradictionError where two clutches state different ones."""
    found: dict[str, dict[str, Phase]] = {}
    for clutch in collection.clutches.values():
        for linkage in clutch.linkages:
            order = [locus.name for locus in collection.species.loci if locus.name in (linkage.first, linkage.second)]
            for animal, phase in linkage.phases.items():
                known = found.setdefault(animal, {}).setdefault(" + ".join(order), phase)
                if known is not phase:
                    raise ContradictionError(f"{animal}: {' and '.join(order)} are in {known.value} by one clutch and in {phase.value} by "
                                             f"{clutch.name}; correct one of them")  # fmt: skip
    return found


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


Young = tuple[tuple[State, ...], Table, Table]


@lru_cache(maxsize=200_000)
def _transmission(
    unit: Unit,
    dam: tuple[State, ...],
    sire: tuple[State, ...],
    crossover: float | None,
    heterogametic: Sex,
    sex: Sex | None,
) -> Young:
    """States of the young, P(state | dam, sire) (n_dam, n_sire, n_young) given that they hatched, and the share that does (n_dam, n_sire).

    A young of known sex has that sex's states, with their chances given the sex. Pairs that have no viable young get zeros.
    """
    (locus,) = unit.loci

    def young(d: State, s: State) -> dict[State, float]:
        rate = crossover or 0.0
        return _states(
            sex_linked(locus.name, d[1], s[1], rate, heterogametic) if locus.sex_linked else autosomal(locus.name, d[1], s[1])
        )

    return _tabulated(unit, dam, sire, young, sex, 2.0)


@lru_cache(maxsize=20_000)
def _alone(unit: Unit, dam: tuple[State, ...], kept_heterozygosity: float, sex: Sex | None) -> Young:
    """As `_transmission`, by parthenogenesis, which gives daughters only; the axis of the sire has length 1."""
    (locus,) = unit.loci

    def young(d: State, _: State) -> dict[State, float]:
        return _states(automixis(locus.name, d[1], kept_heterozygosity, linked_to_sex=locus.sex_linked))

    return _tabulated(unit, dam, (dam[0],), young, sex, 1.0)


@lru_cache(maxsize=20_000)
def _linked_transmission(unit: Unit, dam: tuple[State, ...], sire: tuple[State, ...], of_dam: float, of_sire: float) -> Young:
    """As `_transmission`, for two linked loci with the recombination fraction of either parent; the phase of the young is kept."""

    def young(d: State, s: State) -> dict[State, float]:
        found: dict[State, float] = {}
        for one, p in d[1].gametes(of_dam):
            for other, q in s[1].gametes(of_sire):
                if p * q > 0:
                    state = (None, Diplotype(*sorted((one, other))))
                    found[state] = found.get(state, 0.0) + p * q
        return found

    return _tabulated(unit, dam, sire, young, None, 1.0)


def _states(outcomes: Outcomes) -> dict[State, float]:
    return {(outcome.sex, outcome.genotypes[0][1]): p for outcome, p in outcomes.items()}


def _tabulated(
    unit: Unit,
    dam: Sequence[State],
    sire: Sequence[State],
    young: Callable[[State, State], dict[State, float]],
    sex: Sex | None,
    times: float,
) -> Young:
    """Chances among the young that hatch; those of one sex alone are each `times` as likely as with the sex open."""
    rows: list[list[dict[State, float]]] = []
    shares = np.ones((len(dam), len(sire)))
    for i, d in enumerate(dam):
        rows.append([])
        for j, s in enumerate(sire):
            found = young(d, s)
            rates = {state: unit.hatch_rate(state) for state in found}
            if any(rate != 1 for rate in rates.values()):
                hatched = {state: p * rates[state] for state, p in found.items() if p * rates[state] > 0}
                shares[i, j] = share = sum(hatched.values())
                found = {state: p / share for state, p in hatched.items()}
            if sex is not None and unit.sex_linked:
                found = {state: times * p for state, p in found.items() if state[0] is sex}
            rows[-1].append(found)
    states = tuple(sorted({s for row in rows for found in row for s in found}, key=_state_order))
    table = np.array([[[found.get(state, 0.0) for state in states] for found in row] for row in rows])
    table = table.reshape(len(dam), len(sire), len(states))
    table.flags.writeable = False
    return states, table, shares


def _state_order(state: State) -> tuple:
    sex, genotype = state
    return (sex.value if sex else "", (genotype.one, genotype.other) if isinstance(genotype, Diplotype) else genotype.alleles)
