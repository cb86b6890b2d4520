"""A cross made ready for inference: blocks of loci with pruned domains and transmission tables.

A *block* is one locus, or two linked ones. Only genotypes that the parents' priors allow are states of a parent, and
only what those states can give are outcomes of a hatchling; loci at which nobody carries anything are left out.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from triage.errors import UnsupportedInheritanceError
from triage.genetics.clutch.worlds import World, parents_of, worlds_of
from triage.genetics.transmission import (
    Diplotype,
    Outcome,
    Outcomes,
    automixis,
    autosomal,
    given_hatched,
    linked,
    phased,
    sex_linked,
)
from triage.records import (
    NORMAL,
    Cross,
    Genotype,
    Linkage,
    Locus,
    Parent,
    Parthenogenesis,
    Sex,
    Species,
    VisualCall,
)

State = Genotype | Diplotype
_NO_STATE = Genotype("none", "none")


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """One locus or linked pair of a cross.

    Attributes
    ----------
    loci
        Locus names, one or two.
    dam_states, sire_states
        Possible states of the dam and, per candidate sire, of the sire.
    dam_prior, sire_priors
        Their probabilities, shapes (n_dam_states,) and (n_sire_states,) per candidate.
    outcomes
        What a hatchling can be; the last axis of every transmission table.
    transmission
        Per candidate sire, P(outcome | dam state, sire state, hatched), shape (n_dam_states, n_sire_states, n_outcomes).
    hatched
        Per candidate sire, share of eggs that hatch, shape (n_dam_states, n_sire_states).
    looks
        Per outcome, the look word at each of ``loci``.
    """

    loci: tuple[str, ...]
    dam_states: tuple[State, ...]
    dam_prior: NDArray[np.float64]
    sire_states: tuple[tuple[State, ...], ...]
    sire_priors: tuple[NDArray[np.float64], ...]
    outcomes: tuple[Outcome, ...]
    transmission: tuple[NDArray[np.float64], ...]
    hatched: tuple[NDArray[np.float64], ...]
    looks: tuple[tuple[str, ...], ...]

    @property
    def sexed(self) -> bool:
        return bool(self.outcomes) and self.outcomes[0].sex is not None

    @property
    def every_pair_has_young(self) -> bool:
        """Whether every pair of parental states has viable young; if not, any egg at all informs about the parents."""
        return all(bool((share > 0).all()) for share in self.hatched)

    def expected(self, candidate: int) -> NDArray[np.float64]:
        """P(outcome | candidate sire) before any reading, shape (n_outcomes,); below 1 in sum where some pairs have no young."""
        return np.einsum("d,s,dso->o", self.dam_prior, self.sire_priors[candidate], self.transmission[candidate])


@dataclass(frozen=True, eq=False)
class CrossModel:
    """A cross with its live blocks. Build it once with ``compile_cross``; it does not depend on the readings.

    Where parents bear words for a line that nobody named, ``worlds`` holds a cross for each way to fill them in, and the blocks are
    those of the loci one by one: what is true of several loci together is true in one of the worlds.
    """

    cross: Cross
    blocks: tuple[Block, ...]
    shares: NDArray[np.float64]
    mixed: float
    worlds: tuple[tuple[World, CrossModel], ...] = ()
    #: What the engine works out once for this cross and keeps, by name.
    kept: dict[str, Any] = field(default_factory=dict, repr=False)

    @property
    def species(self) -> Species:
        return self.cross.species

    @property
    def n_sires(self) -> int:
        return len(self.cross.sires)

    @property
    def sire_names(self) -> tuple[str, ...]:
        return tuple(s.name for s in self.cross.sires)

    @cached_property
    def locus_names(self) -> tuple[str, ...]:
        """Live loci in catalogue order."""
        return self.species.in_order(name for block in self.blocks for name in block.loci)

    def at_share(self, mixed: float) -> CrossModel:
        """The same cross with another chance that several sires share the clutch; nothing is compiled again."""
        if mixed == self.mixed:
            return self
        worlds = tuple((one, model.at_share(mixed)) for one, model in self.worlds)
        cross = replace(self.cross, mixed=mixed)
        model = CrossModel(cross, self.blocks, self.shares, float(mixed), worlds)
        for name in ("look_axes", "calls", "place_of_call", "grid", "_expected_by_shares"):
            if name in self.__dict__:
                model.__dict__[name] = self.__dict__[name]
        return model

    def prior_of(self, animal: Parent) -> dict[str, dict[Genotype, float]]:
        """P(genotype) by live locus of the dam or a sire of the cross, before the clutch."""
        if self.worlds:
            place = parents_of(self.cross).index(animal)
            return mixed_loci(self, [(w.chance, model.prior_of(parents_of(w.cross)[place])) for w, model in self.worlds])
        found: dict[str, dict[Genotype, float]] = {}
        place = None if animal is self.cross.dam else next(k for k, sire in enumerate(self.cross.sires) if sire is animal)
        for block in self.blocks:
            dam = place is None
            states, prior = (block.dam_states, block.dam_prior) if dam else (block.sire_states[place], block.sire_priors[place])
            found |= genotype_marginals(block.loci, states, prior)
        return found

    def sex_chances(self, candidate: int) -> dict[Sex, float]:
        """P(sex) of a hatchling by this candidate; parthenogenesis gives daughters only where females are XX."""
        if isinstance(self.cross.sires[candidate], Parthenogenesis):
            return {Sex.FEMALE: 1.0, Sex.MALE: 0.0}
        return {Sex.FEMALE: 0.5, Sex.MALE: 0.5}

    @cached_property
    def look_axes(self) -> tuple[tuple[tuple[str, ...], ...], ...]:
        """Per block, the distinct look-word tuples of its outcomes, in order of first appearance."""
        return tuple(tuple(dict.fromkeys(block.looks)) for block in self.blocks)

    @cached_property
    def grid(self) -> CallGrid:
        """The calls over the looks of the blocks; crosses with the same looks share one."""
        return _grid(self.locus_names, tuple(block.loci for block in self.blocks), self.look_axes)

    @property
    def n_calls(self) -> int:
        if self.worlds:
            return len(self.calls)
        return math.prod(len(axis) for axis in self.look_axes)

    @cached_property
    def calls(self) -> tuple[VisualCall, ...]:
        """Every visual call the cross could give, in the C order of ``look_axes``; of several worlds those of each in turn."""
        if self.worlds:
            return tuple(dict.fromkeys(call for _, model in self.worlds for call in model.calls))
        return self.grid.calls

    @cached_property
    def place_of_call(self) -> dict[VisualCall, int]:
        """Where each call stands in ``calls``."""
        if self.worlds:
            return {call: place for place, call in enumerate(self.calls)}
        return self.grid.place_of_call

    def places_in(self, model: CrossModel) -> NDArray[np.intp]:
        """Where the calls of one of the worlds stand in ``calls``."""
        places = self.kept.setdefault("places of worlds", {})
        if id(model) not in places:
            places[id(model)] = np.array([self.place_of_call[call] for call in model.calls], dtype=np.intp)
        return places[id(model)]

    def expected_calls(self, candidate: int | None = None) -> NDArray[np.float64]:
        """P(visual call) from the parents alone, in the order of ``calls``; of one candidate sire or by their shares.

        Of a hatchling that exists: parental states that have no viable young do not count. Zeros if none has any.
        """
        return self._expected_by_shares if candidate is None else _normalised(self._call_weights(candidate))

    @cached_property
    def _expected_by_shares(self) -> NDArray[np.float64]:
        """Made once: every egg's answer puts it beside its posterior."""
        table = _normalised(sum(share * self._call_weights(k) for k, share in enumerate(self.shares) if share > 0))
        table.flags.writeable = False
        return table

    def _call_weights(self, candidate: int) -> NDArray[np.float64]:
        """P(visual call, young are viable | candidate sire) in the order of ``calls``."""
        if self.worlds:
            weights = np.zeros(self.n_calls)
            for world, model in self.worlds:
                weights[self.places_in(model)] += world.chance * model._call_weights(candidate)
            return weights
        table = np.ones(1)
        for block, axis in zip(self.blocks, self.look_axes, strict=True):
            place = [axis.index(words) for words in block.looks]
            by_look = np.bincount(place, weights=block.expected(candidate), minlength=len(axis))
            table = np.multiply.outer(table, by_look)
        return table.reshape(-1)


@dataclass(frozen=True, slots=True, eq=False)
class CallGrid:
    """Every way to look at the blocks of a cross, in C order, where each stands, and what the engine keeps of readings of them."""

    calls: tuple[VisualCall, ...]
    place_of_call: dict[VisualCall, int]
    kept: dict[int, Any] = field(default_factory=dict)


@lru_cache(maxsize=8)  # explanations of a misfit ask for the same looks many times over
def _grid(
    names: tuple[str, ...], loci: tuple[tuple[str, ...], ...], look_axes: tuple[tuple[tuple[str, ...], ...], ...]
) -> CallGrid:
    order = {name: i for i, name in enumerate(names)}
    joined: list[tuple] = [()]
    for at, axis in zip(loci, look_axes, strict=True):
        looks = [tuple((order[n], n, word) for n, word in zip(at, words, strict=True) if word) for words in axis]
        joined = [done + more for done in joined for more in looks]
    calls = tuple(VisualCall(tuple((name, word) for _, name, word in sorted(parts))) for parts in joined)
    return CallGrid(calls, {call: place for place, call in enumerate(calls)})


def mixed_loci(
    model: CrossModel,
    parts: Sequence[tuple[float, Mapping[str, Mapping[Genotype, float]]]],
    states: Mapping[str, Iterable[Genotype]] | None = None,
) -> dict[str, dict[Genotype, float]]:
    """Chances by genotype of an animal mixed over the worlds of a cross; a locus that is not live in a world is wild type there.

    `states` are genotypes that get a chance of 0 where no part names them.
    """
    found: dict[str, dict[Genotype, float]] = {n: dict.fromkeys((states or {}).get(n, ()), 0.0) for n in model.locus_names}
    for weight, loci in parts:
        for name, chances in found.items():
            for genotype, p in loci.get(name, _WILD).items():
                chances[genotype] = chances.get(genotype, 0.0) + weight * p
    return found


_WILD = {Genotype(NORMAL, NORMAL): 1.0}  # loci of unnamed lines are autosomal


def _normalised(weights: NDArray[np.float64]) -> NDArray[np.float64]:
    """The weights as chances; zeros where nothing is possible."""
    total = weights.sum()
    return weights / total if total > 0 else weights


def compile_cross(cross: Cross) -> CrossModel:
    """Prune a cross to its live loci and possible genotypes and tabulate transmission.

    Raises
    ------
    UnsupportedInheritanceError
        Two sex-linked loci are live (their linkage to one another is not computed), a linkage names a sex-linked or
        unknown locus, or parthenogenesis is offered for a species with ZW females.
    ContradictionError, WorkTooLargeError
        As `worlds_of`.
    """
    worlds = worlds_of(cross)
    species = cross.species
    parents = [cross.dam, *(s for s in cross.sires if isinstance(s, Parent))]
    live = [species.locus(name) for name in species.in_order(n for p in parents for n in p.loci) if _is_live(name, parents)]
    if sum(locus.sex_linked for locus in live) > 1:
        names = " and ".join(locus.name for locus in live if locus.sex_linked)
        raise UnsupportedInheritanceError(
            f"cross of {cross.dam.name}: {names} are both sex-linked, and linkage between them is not computed; "
            "needed: a cross with at most one sex-linked gene"
        )
    if species.heterogametic is Sex.FEMALE and any(isinstance(s, Parthenogenesis) for s in cross.sires):
        raise UnsupportedInheritanceError(
            f"cross of {cross.dam.name}: parthenogenesis is computed for species with XX females only, not for the {species.name}"
        )
    pairs = _linked_pairs(cross, live)
    blocks = []
    done: set[str] = set()
    for locus in live:
        if locus.name in done:
            continue
        linkage = pairs.get(locus.name)
        names = (linkage.first, linkage.second) if linkage else (locus.name,)
        done.update(names)
        blocks.append(_block(cross, tuple(species.locus(n) for n in names), linkage))
    shares = np.array([float(s) for s in cross.shares])
    return CrossModel(cross, tuple(blocks), shares, float(cross.mixed), tuple((one, compile_cross(one.cross)) for one in worlds))


def _is_live(locus: str, parents: Sequence[Parent]) -> bool:
    """Whether any of the parents may carry a mutant allele of the locus."""
    return any(
        p > 0 and set(g.alleles) != {NORMAL} for parent in parents if locus in parent.loci for g, p in parent.loci[locus].states
    )


def _linked_pairs(cross: Cross, live: Sequence[Locus]) -> dict[str, Linkage]:
    live_names = {locus.name for locus in live}
    pairs: dict[str, Linkage] = {}
    for linkage in cross.linkages:
        for name in (linkage.first, linkage.second):
            if not cross.species.has_locus(name):
                raise UnsupportedInheritanceError(f"linkage names '{name}', which is no locus of the {cross.species.name}")
            if cross.species.locus(name).sex_linked:
                raise UnsupportedInheritanceError(f"linkage of '{name}': linked sex-linked loci are not computed")
            if name in pairs:
                raise UnsupportedInheritanceError(f"locus '{name}' stands in two linkages; only pairs are computed")
        if linkage.first in live_names and linkage.second in live_names:
            pairs[linkage.first] = pairs[linkage.second] = linkage
    return pairs


def _block(cross: Cross, loci: tuple[Locus, ...], linkage: Linkage | None) -> Block:
    dam_states = _states(cross, cross.dam, loci, linkage)
    sires_states = [
        {_NO_STATE: 1.0} if isinstance(sire, Parthenogenesis) else _states(cross, sire, loci, linkage)
        for sire in cross.sires
    ]
    by_name = {locus.name: locus for locus in loci}
    tables: list[list[list[tuple[Outcomes, float]]]] = []
    for sire, states in zip(cross.sires, sires_states, strict=True):
        tables.append(
            [
                [given_hatched(_transmit(cross, loci, linkage, d, sire, s), by_name) for s in states]
                for d in dam_states
            ]
        )
    found = {o for table in tables for row in table for outcomes, _ in row for o in outcomes}
    outcomes = tuple(sorted(found, key=_outcome_order))
    index = {o: i for i, o in enumerate(outcomes)}
    transmission, hatched = [], []
    for states, table in zip(sires_states, tables, strict=True):
        chance = np.zeros((len(dam_states), len(states), len(outcomes)))
        share = np.zeros((len(dam_states), len(states)))
        for i, row in enumerate(table):
            for j, (given, hatch) in enumerate(row):
                share[i, j] = hatch
                for outcome, p in given.items():
                    chance[i, j, index[outcome]] = p
        transmission.append(chance)
        hatched.append(share)
    return Block(
        loci=tuple(by_name),
        dam_states=tuple(dam_states),
        dam_prior=np.array(list(dam_states.values())),
        sire_states=tuple(tuple(s) for s in sires_states),
        sire_priors=tuple(np.array(list(s.values())) for s in sires_states),
        outcomes=outcomes,
        transmission=tuple(transmission),
        hatched=tuple(hatched),
        looks=tuple(tuple(by_name[n].look(g) for n, g in o.genotypes) for o in outcomes),
    )


def egg_chances(model: CrossModel, candidate: int = 0) -> tuple[tuple[Block, dict[Outcome, float]], ...]:
    """P(outcome | candidate sire) by block of an egg as it is laid, whether it hatches or not."""
    cross, sire = model.cross, model.cross.sires[candidate]
    pairs = _linked_pairs(cross, [cross.species.locus(name) for name in model.locus_names])
    found = []
    for block in model.blocks:
        loci, linkage = tuple(cross.species.locus(name) for name in block.loci), pairs.get(block.loci[0])
        chances: dict[Outcome, float] = {}
        for dam, p in zip(block.dam_states, block.dam_prior, strict=True):
            for state, q in zip(block.sire_states[candidate], block.sire_priors[candidate], strict=True):
                for outcome, chance in _transmit(cross, loci, linkage, dam, sire, state).items():
                    chances[outcome] = chances.get(outcome, 0.0) + float(p * q) * chance
        found.append((block, chances))
    return tuple(found)


def _outcome_order(outcome: Outcome) -> tuple:
    return (tuple(str(g) for _, g in outcome.genotypes), outcome.sex or "")


def _states(cross: Cross, parent: Parent, loci: tuple[Locus, ...], linkage: Linkage | None) -> dict[State, float]:
    priors = [parent.prior(locus, cross.species.heterogametic) for locus in loci]
    if linkage is None:
        return {g: float(p) for g, p in priors[0].states if p > 0}
    states: dict[State, float] = {}
    for first, p in priors[0].states:
        for second, q in priors[1].states:
            for diplotype, share in phased(first, second, linkage.phases.get(parent.name)):
                if p * q * share > 0:
                    states[diplotype] = states.get(diplotype, 0.0) + float(p * q) * share
    return states


def _transmit(
    cross: Cross, loci: tuple[Locus, ...], linkage: Linkage | None, dam: State, sire: Parent | Parthenogenesis, state: State
) -> Outcomes:
    heterogametic = cross.species.heterogametic
    if isinstance(sire, Parthenogenesis):
        if linkage is not None:
            raise UnsupportedInheritanceError("parthenogenesis with linked loci is not computed; leave the linkage out")
        return automixis(
            loci[0].name,
            dam,
            sire.kept_heterozygosity,
            linked_to_sex=loci[0].sex_linked,
        )
    if linkage is not None:
        return linked((loci[0].name, loci[1].name), dam, state, linkage.recombination)
    if loci[0].sex_linked:
        return sex_linked(loci[0].name, dam, state, cross.crossover_rate(loci[0]), heterogametic)
    return autosomal(loci[0].name, dam, state)


def genotype_marginals(loci: tuple[str, ...], states: Sequence[State], weights: NDArray) -> Mapping[str, dict[Genotype, float]]:
    """Probability of each genotype by locus from weights over the states of a parent."""
    found: dict[str, dict[Genotype, float]] = {name: {} for name in loci}
    for state, weight in zip(states, weights, strict=True):
        genotypes = state.genotypes() if isinstance(state, Diplotype) else (state,)
        for name, genotype in zip(loci, genotypes, strict=True):
            found[name][genotype] = found[name].get(genotype, 0.0) + float(weight)
    return found
