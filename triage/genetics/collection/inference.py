"""Exact inference over a whole collection.

Unknowns are the genotype of each animal at each locus, the sire of each egg where several males could be, and how each such
clutch came about (by one sire, or each egg by its own). Loci part from one another unless a reading speaks of several at once
or a clutch has several sires; an animal whose genotype is certain cuts the graph. Each connected part is summed exactly by a
junction tree. A part whose best order needs more than `most_numbers` numbers at once is refused exactness by name (`Part.exact`)
and answered with each locus exact and messages between loci (`web`); `tests/bench/bench_pedigree.py` measures that error.

A posterior keeps the network, the trees and their messages, so that what one more clutch changes is all that is computed again.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from triage.errors import ContradictionError, WorkTooLargeError
from triage.genetics.collection.graph import Factor, TooWide, components
from triage.genetics.collection.members import Collection
from triage.genetics.collection.network import Network
from triage.genetics.collection.web import Web
from triage.records import Genotype, Parthenogenesis, Sex

MOST_NUMBERS = 2_000_000
_NOTHING = np.ones(1)


@dataclass(frozen=True, slots=True)
class Part:
    """One connected part of the graph: whom it concerns, whether its answer is exact, and what it took.

    `residual` is the largest change of a message in the last round where the answer is approximate; `cut` counts the animals
    whose relatives had to be summed apart even at one locus.
    """

    animals: tuple[str, ...]
    loci: tuple[str, ...]
    exact: bool
    width: int
    log_evidence: float
    residual: float = 0.0
    cut: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class _Solved:
    """One group: its numbers, its web, and the part it makes."""

    variables: tuple[int, ...]
    factors: tuple[int, ...]
    web: Web
    part: Part


@dataclass(frozen=True, slots=True, eq=False)
class _State:
    """What a posterior keeps for the next update."""

    network: Network
    solved: tuple[_Solved, ...]
    group_of: Mapping[int, _Solved]
    most_numbers: int


@dataclass(frozen=True, eq=False)
class CollectionPosterior:
    """What is known of everybody.

    Attributes
    ----------
    loci
        P(genotype) by animal and locus; loci at which an animal can only be wild type are left out.
    sires
        P(sire) by egg and candidate, for eggs that could have several.
    sex
        P(sex) of animals whose sex is not recorded.
    log_evidence
        Log of the probability of all readings, likelihoods as given.
    parts
        The connected parts; those that are not exact say so.
    """

    loci: Mapping[str, Mapping[str, Mapping[Genotype, float]]]
    sires: Mapping[str, Mapping[str, float]]
    sex: Mapping[str, Mapping[Sex, float]]
    log_evidence: float
    parts: tuple[Part, ...]
    _state: _State | None = field(default=None, repr=False)

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
    collection: Collection,
    previous: CollectionPosterior | None = None,
    *,
    most_numbers: int = MOST_NUMBERS,
    regroup: bool = True,
) -> CollectionPosterior:
    """The posterior of every animal given everything; what is as it was in `previous` is taken from there.

    Without `regroup`, animals that only a struck-out reading had tied are still computed together: quicker for a what-if, and
    no less right, but a part may then be answered by messages that could be exact.

    Raises
    ------
    ContradictionError
        The readings of some animals cannot all be true; names them.
    UnsupportedInheritanceError
        Two sex-linked loci vary in one family.
    WorkTooLargeError
        The table of one family at one locus alone is too large.
    """
    earlier = previous._state if previous is not None and previous._state.most_numbers == most_numbers else None
    network = Network(collection, earlier.network if earlier is not None else None)
    if network.continues:
        loci, sires, sex = dict(previous.loci), dict(previous.sires), dict(previous.sex)
        solved, moved = _solve_changes(network, earlier, most_numbers, regroup)
    else:
        loci, sires, sex = {}, {}, {}
        solved, moved = _solve_all(network, most_numbers)
    if network.log_constant == -math.inf:
        raise ContradictionError(
            "a reading says of an animal what its recorded parents exclude; check the parents of the animal and the reading"
        )
    group_of = {variable: one for one in solved for variable in one.variables}
    _read(network, group_of, moved, loci, sires, sex)
    parts = tuple(one.part for one in solved)
    evidence = network.log_constant + math.fsum(part.log_evidence for part in parts)
    return CollectionPosterior(loci, sires, sex, evidence, parts, _State(network, solved, group_of, most_numbers))


def _solve_all(network: Network, most_numbers: int) -> tuple[tuple[_Solved, ...], list[int]]:
    """Every group from nothing, and the variables that moved: all."""
    groups = _gathered(list(network.names), list(network.factors), network)
    return tuple(_planted(network, v, f, most_numbers) for v, f in groups), list(network.names)


def _solve_changes(
    network: Network, earlier: _State, most_numbers: int, regroup: bool
) -> tuple[tuple[_Solved, ...], list[int]]:
    """The groups that changed made anew or extended, the others as they were; and the variables that may have moved."""
    change, before, group_of = network.change, earlier.network, earlier.group_of
    dropped: dict[_Solved, list[int]] = {}
    apart: dict[_Solved, None] = {group_of[v]: None for v in change.gone_variables}  # these may fall into several
    for number in change.gone_factors:
        variables = before.factors[number].variables
        dropped.setdefault(group_of[variables[0]], []).append(number)
        if len(variables) > 1 and regroup:
            apart[group_of[variables[0]]] = None

    def key(variable: int) -> Hashable:
        group = group_of.get(variable)
        return variable if group is None or group in apart else group

    loose = [f for group in apart for f in group.factors if f in network.factors] + change.factors
    nodes: dict[Hashable, None] = dict.fromkeys(change.variables)
    nodes.update(dict.fromkeys(v for group in apart for v in group.variables if v in network.names))
    nodes.update(dict.fromkeys(group for group in dropped if group not in apart))
    nodes.update(dict.fromkeys(key(v) for f in loose for v in network.factors[f].variables))
    result = {group: None for group in earlier.solved if group not in apart}
    moved: list[int] = []
    for members, factors in _gathered(list(nodes), loose, network, key):
        groups = [one for one in members if isinstance(one, _Solved)]
        single = [one for one in members if not isinstance(one, _Solved)]
        one, news = _grown(network, groups, single, factors, dropped, most_numbers)
        for group in groups:
            del result[group]
        result[one] = None
        moved += news
    return tuple(result), moved


def _grown(
    network: Network,
    groups: Sequence[_Solved],
    variables: Sequence[int],
    factors: Sequence[int],
    dropped: Mapping[_Solved, Sequence[int]],
    most_numbers: int,
) -> tuple[_Solved, Sequence[int]]:
    """Groups, variables and factors as one group, and the variables of it that may have moved."""
    gone = {number for group in groups for number in dropped.get(group, ())}
    ordered = sorted(groups, key=lambda one: (one.web.exact, -len(one.variables)))
    every = (*(v for group in ordered for v in group.variables), *variables)
    every_factor = (*(f for group in ordered for f in group.factors if f not in gone), *factors)
    if ordered:
        base = ordered[0]
        incoming = {f: network.factors[f] for f in every_factor[len(base.factors) - len(dropped.get(base, ())) :]}
        try:
            web = base.web.extended(
                network.sizes, network.layers, every[len(base.variables) :], incoming, dropped.get(base, ())
            )
        except TooWide:
            pass  # another order may do
        else:
            if web is None:
                raise _contradiction(network, every)
            return _Solved(every, every_factor, web, _part(network, every, web)), web.moved
    return _planted(network, every, every_factor, most_numbers), every


def _planted(network: Network, variables: Sequence[int], factors: Sequence[int], most_numbers: int) -> _Solved:
    """A group solved from nothing."""
    try:
        tables = {number: network.factors[number] for number in factors}
        web = Web.of(network.sizes, network.layers, variables, tables, most_numbers)
    except TooWide as error:
        loci = ", ".join(dict.fromkeys(network.names[v][2] for v in variables if network.names[v][0] == "genotype"))
        raise WorkTooLargeError(
            f"the families linked at {loci} cannot be computed: one gene alone {error}, over the limit of this run; "
            "settle some genotypes in them (a laboratory, or papers you trust), or raise most_numbers"
        ) from error
    if web is None:
        raise _contradiction(network, variables)
    return _Solved(tuple(variables), tuple(factors), web, _part(network, variables, web))


def _gathered(
    nodes: Sequence[Hashable], factors: Sequence[int], network: Network, key: Callable[[int], Hashable] | None = None
) -> list[tuple[list[Hashable], list[int]]]:
    """Nodes that factors tie together, each with those factors; `key` gives a variable's node where it is not itself."""
    place = {node: number for number, node in enumerate(nodes)}
    tied = [
        Factor(tuple(dict.fromkeys(place[v if key is None else key(v)] for v in network.factors[f].variables)), _NOTHING)
        for f in factors
    ]
    groups = components(len(nodes), tied)
    group_of = {member: number for number, group in enumerate(groups) for member in group}
    own: list[list[int]] = [[] for _ in groups]
    for factor, numbered in zip(factors, tied, strict=True):
        own[group_of[numbered.variables[0]]].append(factor)
    return [([nodes[member] for member in group], mine) for group, mine in zip(groups, own, strict=True)]


def _part(network: Network, variables: Sequence[int], web: Web) -> Part:
    names = [network.names[v] for v in variables if network.names[v][0] == "genotype"]
    animals = tuple(dict.fromkeys(n[1] for n in names))
    loci = tuple(locus.name for key in dict.fromkeys(n[2] for n in names) for locus in network.unit(key).loci)
    cut = len({network.names[v][1] for v in web.cut})
    return Part(animals, loci, web.exact, web.width, web.log_total, 0.0 if web.exact else web.residual, cut)


def _contradiction(network: Network, variables: Sequence[int]) -> ContradictionError:
    animals = sorted({network.names[v][1] for v in variables if network.names[v][0] == "genotype"})
    shown = ", ".join(animals[:6]) + (f" and {len(animals) - 6} more" if len(animals) > 6 else "")
    return ContradictionError(
        f"what is recorded of {shown} cannot all be true: no genotypes fit; check their parents and what was seen of them"
    )


def _read(
    network: Network,
    group_of: Mapping[int, _Solved],
    moved: Sequence[int],
    loci: dict[str, dict[str, Mapping[Genotype, float]]],
    sires: dict[str, Mapping[str, float]],
    sex: dict[str, Mapping[Sex, float]],
) -> None:
    """Write what is known of the animals that were made anew, and of the variables that moved, into `loci`, `sires` and `sex`."""
    anew = dict.fromkeys(network.change.animals)
    animals = network.collection.animals
    variables: list[int] = []
    for animal in anew:
        fragment = network.fragments.get(("animal", animal))
        for known in (sires, loci, sex):
            known.pop(animal, None)
        if fragment is None or not animals[animal].hatched:
            continue
        loci[animal] = {}
        variables += fragment.variables
        for key, states in fragment.possible.items():
            if len(states) == 1:
                unit = network.unit(key)
                for locus, genotype in zip(unit.loci, unit.genotypes(states[0]), strict=True):
                    if set(genotype.alleles) != {"normal"}:
                        loci[animal][locus.name] = {genotype: 1.0}
                if unit.sex_linked and animals[animal].sex is None:
                    sex[animal] = {one: float(one is states[0][0]) for one in Sex}
    written: set[str] = set(anew)  # others share their tables with an earlier posterior until they are written to
    for variable in dict.fromkeys([*variables, *moved]):
        name, states = network.names[variable], network.states[variable]
        if name[0] in ("mode", "line") or not animals[name[1]].hatched:
            continue
        values = group_of[variable].web.marginal(variable).tolist()
        if name[0] == "sire":
            sires[name[1]] = dict(zip(states, values, strict=True))
            continue
        if name[1] not in written:
            written.add(name[1])
            loci[name[1]] = dict(loci[name[1]])
        unit = network.unit(name[2])
        found: list[dict[Genotype, float]] = [{} for _ in unit.loci]
        for state, p in zip(states, values, strict=True):
            for chances, genotype in zip(found, unit.genotypes(state), strict=True):
                chances[genotype] = chances.get(genotype, 0.0) + p
        loci[name[1]] |= {locus.name: chances for locus, chances in zip(unit.loci, found, strict=True)}
        if unit.sex_linked and animals[name[1]].sex is None:
            sex[name[1]] = {one: sum(p for state, p in zip(states, values, strict=True) if state[0] is one) for one in Sex}
    if not any(unit.sex_linked for unit in network.units):
        for name in {*anew, *(network.names[v][1] for v in moved if network.names[v][0] != "line")} & animals.keys():
            if animals[name].hatched and animals[name].sex is None:
                sex[name] = _sex_by_sire(network, name, sires)


def _sex_by_sire(network: Network, name: str, sires: Mapping[str, Mapping[str, float]]) -> dict[Sex, float]:
    """P(sex) where no locus tells: either as likely, but for young without a father, who are daughters."""
    animal = network.collection.animals[name]
    clutch = network.collection.clutches[animal.clutch] if animal.clutch is not None else None
    alone = 0.0
    if clutch is not None:
        chances = sires.get(name, {clutch.candidates[0]: 1.0})
        alone = sum(chances[sire.name] for sire in clutch.sires if isinstance(sire, Parthenogenesis))
    return {Sex.FEMALE: (1 + alone) / 2, Sex.MALE: (1 - alone) / 2}
