"""The exact engine: the posterior of a whole clutch, with every unknown summed out.

    P(D, S, z, g | readings)  ~  P(D) prod_k P(S_k) P(z) prod_e P(g_e | D, S_z) L_e(g_e)

Hatchlings are independent given the parents, so the work is (joint states of the uncertain parental loci) x (eggs) x
(classes of outcomes), not their powers; the general method is Elston and Stewart's (1971, doi 10.1159/000152448).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from triage.errors import ContradictionError, WorkTooLargeError
from triage.genetics.clutch import dense
from triage.genetics.clutch.contraction import Candidate, Sums, elements_needed, sum_clutch
from triage.genetics.clutch.model import Block, CrossModel, Diplotype, State, genotype_marginals, mixed_loci
from triage.genetics.clutch.posterior import EggPosterior, Later, ParentPosterior, Posterior
from triage.genetics.clutch.worlds import World, parents_of
from triage.genetics.transmission import OTHER_LOSS
from triage.records import CallReading, Egg, Genotype, GenotypeReading, Reading, Sex, VisualCall

Array = NDArray[np.float64]

#: Memory the engine may use for one clutch unless told otherwise.
MEMORY_BYTES = 2**30
#: Work one clutch may be, in bytes that pass through memory (about 10 s on two cores); a hatchling alone is some of it.
_MOST_WORK, _WORK_AN_EGG = 3 * 2**30, 2**13
_MOST_CALLS = 700_000  # possible calls times eggs
_MOST_READINGS = 500  # of results: each is left out in turn, to say what moved the calls
_MOST_KEPT = 4_000_000  # numbers in tables of readings that a cross keeps


@dataclass(frozen=True, slots=True, eq=False)
class _Classes:
    """Outcomes of one block grouped so that no reading tells members of a group apart."""

    of_outcome: NDArray[np.intp]
    look_of_class: NDArray[np.intp]
    one_each: bool

    @property
    def n(self) -> int:
        return len(self.look_of_class)


def infer(
    model: CrossModel,
    eggs: Sequence[Egg],
    parent_readings: Mapping[str, Sequence[Reading]] | None = None,
    *,
    other_loss: float = OTHER_LOSS,
    memory_bytes: int = MEMORY_BYTES,
) -> Posterior:
    """Posterior of every hatchling and parent of one clutch.

    Parameters
    ----------
    model
        The cross, from ``compile_cross``.
    eggs
        The hatchlings with their readings. A stated sex is certain, and its chance (1/2) counts as evidence.
    parent_readings
        Readings of the parents themselves, by name.
    other_loss
        Chance that an egg is lost for a reason other than its genotype; used only where an egg is said not to have hatched.
    memory_bytes
        Bound on the memory of the largest arrays; checked before anything is allocated.

    Eggs that did not hatch inform the parents; the posterior lists hatchlings only.

    Raises
    ------
    ContradictionError
        No genotypes of these parents can give what was recorded; names the eggs that clash.
    WorkTooLargeError
        The clutch needs more memory than ``memory_bytes``.
    """
    if model.worlds:
        return _mixed(model, eggs, parent_readings or {}, other_loss, memory_bytes)
    found = _sum_dense(model, eggs, parent_readings or {}, memory_bytes)
    if found is not None:
        return _posterior_of_dense(model, eggs, *found)
    sums, work = _sum(model, eggs, parent_readings or {}, memory_bytes, other_loss)
    if sums.log_evidence == -math.inf:
        raise ContradictionError(_clash(model, eggs, parent_readings or {}, memory_bytes))
    outcomes = [_outcome_chances(model, b, sums, work) for b in range(len(model.blocks))]
    calls = _call_chances(model, sums, work)
    return Posterior(
        model=model,
        log_evidence=sums.log_evidence + work.log_scale,
        mixed=model.mixed if model.n_sires == 1 else sums.mixed,
        eggs=tuple(
            EggPosterior(
                label=egg.label,
                sires=dict(zip(model.sire_names, map(float, sums.sire[e]), strict=True)),
                sex=_sex_chances(model, egg, sums.sire[e], [o[e] for o in outcomes]),
                call_chances=calls[e],
                loci=_egg_loci(model, [o[e] for o in outcomes]),
            )
            for e, egg in enumerate(eggs)
            if egg.hatched is not False
        ),
        parents=_parents(model, sums, work),
    )


def check_work(model: CrossModel, n_eggs: int, n_readings: int = 0) -> None:
    """Refuse a clutch whose sorting would take much longer than a keeper waits, before any of it is done.

    Parameters
    ----------
    n_readings
        How many laboratory results and outcomes there are, of parents and eggs together.

    Raises
    ------
    WorkTooLargeError
        Says how many genes too many, and which could be left out, or how many readings.
    """
    if n_readings > _MOST_READINGS:
        raise WorkTooLargeError(f"{n_readings:,} results and outcomes of {model.cross.dam.name} and {' or '.join(model.sire_names)} and "
                                f"their eggs are too many to weigh one by one; needed: at most {_MOST_READINGS}")  # fmt: skip
    models = [one for _, one in model.worlds] or [model]
    heaviest = max(models, key=lambda one: _work(one, range(len(one.blocks)), n_eggs))
    order = sorted(range(len(heaviest.blocks)), key=lambda b: _n_pairs(heaviest.blocks[b]) * len(heaviest.look_axes[b]))
    left_out = 0
    while left_out < len(order) and len(models) * _work(heaviest, order[: len(order) - left_out], n_eggs) > 1:
        left_out += 1
    if not left_out:
        return
    parents = f"{model.cross.dam.name} and {' or '.join(model.sire_names)}"
    if left_out == len(order):
        raise WorkTooLargeError(f"{n_eggs:,} eggs of {parents} are too many to sort at once; needed: fewer eggs a clutch")
    names = ", ".join(name for b in reversed(order) for name in heaviest.blocks[b].loci if _n_pairs(heaviest.blocks[b]) > 1)
    raise WorkTooLargeError(
        f"{n_eggs:,} eggs of {parents}: too many uncertain genes for an exact answer. Leave out {left_out} of them or settle what "
        f"the parents are, the first of these first: {names}; or sort with fewer candidate sires"
    )


def _n_pairs(block: Block) -> int:
    return len(block.dam_states) * math.prod(len(states) for states in block.sire_states)


def _work(model: CrossModel, blocks: Sequence[int], n_eggs: int) -> float:
    """Work of sorting with these blocks alone, as a share of the most there may be."""
    n_calls = math.prod(len(model.look_axes[b]) for b in blocks)
    n_sires = [[len(model.blocks[b].sire_states[k]) for b in blocks] for k in range(model.n_sires)]
    looks, dams = [len(model.look_axes[b]) for b in blocks], [len(model.blocks[b].dam_states) for b in blocks]
    elements = elements_needed(n_eggs, looks, dams, n_sires, coupled=model.n_sires > 1 and model.mixed > 0)
    once = 8 * (n_eggs * n_calls + elements) + _WORK_AN_EGG * n_eggs
    return max(once * (n_eggs + 8) / _MOST_WORK, n_calls * n_eggs / _MOST_CALLS)


def _mixed(
    model: CrossModel, eggs: Sequence[Egg], parent_readings: Mapping[str, Sequence[Reading]], other_loss: float, memory_bytes: int
) -> Posterior:
    """The posteriors of the worlds, each by its chance and how well it explains the readings."""
    found: list[tuple[float, World, Posterior]] = []
    for world, one in model.worlds:
        try:
            posterior = infer(one, eggs, parent_readings, other_loss=other_loss, memory_bytes=memory_bytes)
        except ContradictionError:
            continue
        found.append((math.log(world.chance) + posterior.log_evidence, world, posterior))
    if not found:
        raise ContradictionError(_clash(model, eggs, parent_readings, memory_bytes))
    top = max(value for value, _, _ in found)
    total = math.fsum(math.exp(value - top) for value, _, _ in found)
    worlds = tuple((math.exp(value - top) / total, world, posterior) for value, world, posterior in found)
    one_world = worlds[0][2]

    def mean(read: Callable[[Posterior], float]) -> float:
        return math.fsum(p * read(posterior) for p, _, posterior in worlds)

    of_young = {name: [o.genotype(name) for o in block.outcomes] for block in model.blocks for name in block.loci}
    mixed_eggs = []
    for e, egg in enumerate(one_world.eggs):
        calls = np.zeros(model.n_calls)
        for p, _, posterior in worlds:
            calls[model.places_in(posterior.model)] += p * posterior.eggs[e].call_chances
        mixed_eggs.append(
            EggPosterior(
                label=egg.label,
                sires={name: mean(lambda x, e=e, name=name: x.eggs[e].sires[name]) for name in egg.sires},
                sex={sex: mean(lambda x, e=e, sex=sex: x.eggs[e].sex[sex]) for sex in egg.sex},
                call_chances=calls,
                loci=Later(partial(mixed_loci, model, [(p, posterior.eggs[e].loci) for p, _, posterior in worlds], of_young)),
            )
        )
    parents = tuple(
        ParentPosterior(
            parent.role,
            parent.name,
            mixed_loci(model, [(p, posterior.parents[i].loci) for p, _, posterior in worlds], model.prior_of(animal)),
        )
        for i, (parent, animal) in enumerate(zip(one_world.parents, parents_of(model.cross), strict=True))
    )
    return Posterior(model, top + math.log(total), mean(lambda x: x.mixed), tuple(mixed_eggs), parents, worlds)


@dataclass(frozen=True, slots=True, eq=False)
class _Plan:
    """What the dense way needs of a cross; ``tables`` is None where they would be too large."""

    tables: dense.Tables | None
    elements: int
    elements_per_egg: int
    place_of_call: Mapping[VisualCall, int]


def _plan(model: CrossModel, touched: frozenset[int]) -> _Plan:
    """The plan of a cross, made once and kept with it; ``touched`` blocks are read by more than calls."""
    plans = model.kept.setdefault("plans", {})
    if touched not in plans:
        classes = [_classes(block, ()) for block in model.blocks]
        order = _contraction_order(model, classes, touched)
        n_states, n_combinations = dense.size(model, order)
        small = bool(order) and 0 < n_states * n_combinations <= dense.LARGEST_TABLE
        plans[touched] = _Plan(
            tables=dense.build(model, order) if small else None,
            elements=2 * n_states * n_combinations,
            elements_per_egg=_elements(model, classes, order, 1) + 3 * n_combinations,
            place_of_call={call: i for i, call in enumerate(model.calls)} if small else {},
        )
    return plans[touched]


def _sum_dense(
    model: CrossModel, eggs: Sequence[Egg], parent_readings: Mapping[str, Sequence[Reading]], memory_bytes: int
) -> tuple[dense.Tables, dense.DenseSums, float] | None:
    """The same sums as ``_sum`` in a few matrix products, and the log of their scale.

    None where this way does not serve: readings of parents, tables too large, or sums that need more care.
    """
    if not eggs or any(parent_readings.values()) or any(egg.hatched is False for egg in eggs):
        return None
    some_sexed = any(egg.sex is not None for egg in eggs)
    laboratory = {r.locus for egg in eggs for r in egg.readings if isinstance(r, GenotypeReading)}
    touched = frozenset(
        b
        for b, block in enumerate(model.blocks)
        if (block.sexed and some_sexed) or not laboratory.isdisjoint(block.loci)
    )
    plan = _plan(model, touched)
    if plan.tables is None or 8 * (plan.elements + len(eggs) * plan.elements_per_egg) > memory_bytes:
        return None
    likelihood = np.stack([_call_row(model, plan, egg.readings) for egg in eggs])
    top = likelihood.max(1)
    if not top.min() > 0:
        return None
    likelihood /= top[:, None]
    egg_weight = outcome_weight = None
    if some_sexed and not plan.tables.sexed:
        egg_weight = np.stack([_sex_weight(model, eggs, k) for k in range(model.n_sires)], 1)
    if touched:
        outcome_weight = _outcome_weight(model, plan.tables, eggs)
    sums = dense.sum_dense(plan.tables, likelihood, egg_weight, outcome_weight)
    if sums is None:
        return None
    return plan.tables, sums, float(np.log(top).sum())


def _outcome_weight(model: CrossModel, tables: dense.Tables, eggs: Sequence[Egg]) -> Array:
    """What stated sex and laboratory say of each combination of outcomes, shape (n_eggs, n_combinations)."""
    weight = np.ones((len(eggs), tables.combinations_given.shape[1]))
    for b, outcome_of in tables.outcomes_of:
        block = model.blocks[b]
        one_each = _Classes(np.arange(len(block.outcomes)), np.arange(len(block.outcomes)), True)
        for e, egg in enumerate(eggs):
            of_outcome = _class_weight(block, one_each, egg)
            if of_outcome is not None:
                weight[e] *= of_outcome[outcome_of]
    return weight


def _call_row(model: CrossModel, plan: _Plan, readings: Sequence[Reading]) -> Array:
    """Product of call readings over the cross's calls, shape (n_calls,)."""
    row = None
    for reading in readings:
        if isinstance(reading, GenotypeReading):
            continue
        n = len(reading.likelihoods)
        if n == len(model.calls) and tuple(reading.likelihoods) == model.calls:
            one = np.fromiter(reading.likelihoods.values(), np.float64, n)
        else:
            one = np.full(len(model.calls), float(reading.otherwise))
            for call, likelihood in reading.likelihoods.items():
                place = plan.place_of_call.get(call)
                if place is not None:
                    one[place] = likelihood
        row = one if row is None else row * one
    row = np.ones(len(model.calls)) if row is None else row
    only_calls = all(isinstance(r, CallReading) for r in readings)
    return row if only_calls else row * _dead_locus_factor(model, readings)


def _posterior_of_dense(
    model: CrossModel, eggs: Sequence[Egg], tables: dense.Tables, sums: dense.DenseSums, log_scale: float
) -> Posterior:
    names, columns = model.sire_names, tables.columns
    sires, genotypes = sums.sire.tolist(), sums.genotypes.tolist()
    found = []
    for e, egg in enumerate(eggs):
        row = genotypes[e]
        if egg.sex is not None:
            sex = {s: float(s is egg.sex) for s in Sex}
        elif tables.sexed:
            sex = dict(zip(Sex, row[-2:], strict=True))
        else:
            sex = {s: float(sum(p * model.sex_chances(k)[s] for k, p in enumerate(sires[e]))) for s in Sex}
        found.append(
            EggPosterior(
                label=egg.label,
                sires=dict(zip(names, sires[e], strict=True)),
                sex=sex,
                call_chances=sums.calls[e],
                loci=Later(partial(columns.read, row)),
            )
        )
    parents = [_parent_of_dense("dam", model.cross.dam.name, tables.dam_genotypes, sums.dam)]
    for sire, table, states in zip(model.cross.sires, tables.sire_genotypes, sums.sires, strict=True):
        if table is not None:
            parents.append(_parent_of_dense("sire", sire.name, table, states))
    return Posterior(
        model=model,
        log_evidence=sums.log_evidence + log_scale,
        mixed=model.mixed if model.n_sires == 1 else sums.mixed,
        eggs=tuple(found),
        parents=tuple(parents),
    )


def _parent_of_dense(role: str, name: str, table: tuple[Array, dense.Columns], states: Array) -> ParentPosterior:
    genotypes_of, columns = table
    return ParentPosterior(role, name, Later(partial(columns.read, (states @ genotypes_of).tolist())))


def log_evidence(
    model: CrossModel,
    eggs: Sequence[Egg],
    parent_readings: Mapping[str, Sequence[Reading]] | None = None,
    *,
    other_loss: float = OTHER_LOSS,
    memory_bytes: int = MEMORY_BYTES,
) -> float:
    """Natural logarithm of the probability of all readings; -inf where they contradict the cross."""
    if model.worlds:
        found = [
            math.log(world.chance) + log_evidence(one, eggs, parent_readings, other_loss=other_loss, memory_bytes=memory_bytes)
            for world, one in model.worlds
        ]
        top = max(found)
        return top + math.log(math.fsum(math.exp(value - top) for value in found)) if top > -math.inf else top
    found = _sum_dense(model, eggs, parent_readings or {}, memory_bytes)
    if found is not None:
        _, dense_sums, log_scale = found
        return dense_sums.log_evidence + log_scale
    sums, work = _sum(model, eggs, parent_readings or {}, memory_bytes, other_loss)
    return sums.log_evidence + work.log_scale


@dataclass(frozen=True, slots=True, eq=False)
class _Work:
    """How the blocks were laid out for one inference."""

    classes: tuple[_Classes, ...]
    order: tuple[int, ...]
    log_scale: float


def _sum(
    model: CrossModel,
    eggs: Sequence[Egg],
    parent_readings: Mapping[str, Sequence[Reading]],
    memory_bytes: int,
    other_loss: float = OTHER_LOSS,
) -> tuple[Sums, _Work]:
    if not eggs:
        raise ValueError("a clutch needs at least one egg")
    classes = tuple(_classes(block, eggs) for block in model.blocks)
    touched = _touched_by_parent_readings(model, parent_readings)
    counted = any(egg.hatched is False for egg in eggs)
    if counted:
        touched = touched | {b for b, x in enumerate(model.blocks) if any((h < 1).any() for h in x.hatched)}
    order = _contraction_order(model, classes, touched)
    _check_memory(model, classes, order, len(eggs), memory_bytes)
    likelihood, log_scale = _likelihood(model, eggs, classes, order)
    dam_prior = _joint_prior([model.blocks[b].dam_prior for b in order])
    dam_prior = dam_prior * _parent_factor(
        model, lambda block: block.dam_states, order, parent_readings.get(model.cross.dam.name, ())
    )
    candidates = []
    for k, sire in enumerate(model.cross.sires):
        prior = _joint_prior([model.blocks[b].sire_priors[k] for b in order])
        factor = _parent_factor(
            model, lambda block, k=k: block.sire_states[k], order, parent_readings.get(sire.name, ())
        )
        candidates.append(
            Candidate(
                share=float(model.shares[k]),
                prior=prior * factor,
                class_given=[_class_table(model.blocks[b], classes[b], k) for b in order] or [np.ones((1, 1, 1))],
                egg_weight=_sex_weight(model, eggs, k),
                state_weight=_hatch_weight(model, order, eggs, k, other_loss) if counted else None,
            )
        )
    split = [i for i, b in enumerate(order) if not classes[b].one_each]
    lost = np.array([egg.hatched is False for egg in eggs]) if counted else None
    return sum_clutch(likelihood, dam_prior, candidates, model.mixed, split, lost), _Work(classes, order, log_scale)


def _hatch_weight(
    model: CrossModel, order: Sequence[int], eggs: Sequence[Egg], candidate: int, other_loss: float
) -> Array:
    """P(each egg hatched, or did not, as recorded | joint states of dam and sire), shape (n_eggs, n_dam, n_sire)."""
    joint = np.ones((1, 1))
    for b in order:
        share = model.blocks[b].hatched[candidate]
        joint = np.einsum("ij,ds->idjs", joint, share).reshape(joint.shape[0] * share.shape[0], -1)
    hatched = (1 - other_loss) * joint
    return np.stack([1 - hatched if egg.hatched is False else hatched for egg in eggs])


def _classes(block: Block, eggs: Sequence[Egg]) -> _Classes:
    by_sex = block.sexed and any(egg.sex is not None for egg in eggs)
    laboratory = [
        r for egg in eggs for r in egg.readings if isinstance(r, GenotypeReading) and r.locus in block.loci
    ]
    axis = {words: i for i, words in enumerate(dict.fromkeys(block.looks))}
    seen: dict[tuple, int] = {}
    look_of_class: list[int] = []
    of_outcome = []
    for outcome, words in zip(block.outcomes, block.looks, strict=True):
        signature = (
            words,
            outcome.sex if by_sex else None,
            *(r.likelihoods.get(outcome.genotype(r.locus), r.otherwise) for r in laboratory),
        )
        if signature not in seen:
            seen[signature] = len(seen)
            look_of_class.append(axis[words])
        of_outcome.append(seen[signature])
    return _Classes(np.array(of_outcome), np.array(look_of_class), len(seen) == len(block.outcomes))


def _contraction_order(model: CrossModel, classes: Sequence[_Classes], touched: set[int]) -> tuple[int, ...]:
    """Blocks that can inform, by a reading or because some parents would have no young; the most shrinking first."""
    informed = [
        b for b, c in enumerate(classes) if c.n > 1 or b in touched or not model.blocks[b].every_pair_has_young
    ]

    def growth(b: int) -> float:
        block = model.blocks[b]
        states = max(len(s) for s in block.sire_states) * len(block.dam_states)
        return states / max(classes[b].n, 1)

    return tuple(sorted(informed, key=growth))


def _check_memory(
    model: CrossModel, classes: Sequence[_Classes], order: Sequence[int], n_eggs: int, memory_bytes: int
) -> None:
    needed = 8 * _elements(model, classes, order, n_eggs)
    if needed > memory_bytes:
        n_sires = [[len(model.blocks[b].sire_states[k]) for b in order] for k in range(model.n_sires)]
        unsure = sum(len(model.blocks[b].dam_states) > 1 for b in order) + sum(n > 1 for row in n_sires for n in row)
        raise WorkTooLargeError(
            f"this clutch needs about {needed / 2**20:,.0f} MiB for {n_eggs} eggs, {len(order)} loci and {unsure} uncertain "
            f"parental loci; the bound is {memory_bytes / 2**20:,.0f} MiB. Settle a possible het, leave out a candidate sire "
            "or a gene nobody asks about, or raise the bound"
        )


def _elements(model: CrossModel, classes: Sequence[_Classes], order: Sequence[int], n_eggs: int) -> int:
    """Array elements that a clutch of ``n_eggs`` needs; proportional to the eggs."""
    return n_eggs * model.n_calls + elements_needed(
        n_eggs,
        [classes[b].n for b in order],
        [len(model.blocks[b].dam_states) for b in order],
        [[len(model.blocks[b].sire_states[k]) for b in order] for k in range(model.n_sires)],
        coupled=model.n_sires > 1 and model.mixed > 0,
    )


def _joint_prior(priors: Sequence[Array]) -> Array:
    joint = np.ones(())
    for prior in priors:
        joint = np.multiply.outer(joint, prior)
    return joint if priors else np.ones(1)


def _likelihood(
    model: CrossModel, eggs: Sequence[Egg], classes: Sequence[_Classes], order: Sequence[int]
) -> tuple[Array, float]:
    """L over classes of the informed blocks, shape (*n_classes, n_eggs), scaled per egg; and the log of the scale."""
    tables = []
    log_scale = 0.0
    for egg in eggs:
        table = np.ones([len(axis) for axis in model.look_axes])
        for reading in egg.readings:
            if isinstance(reading, CallReading):
                table = table * _reading_table(model, reading)
        for b, (block, group) in enumerate(zip(model.blocks, classes, strict=True)):
            if table.shape[b] != group.n or not np.array_equal(group.look_of_class, np.arange(group.n)):
                table = np.take(table, group.look_of_class, axis=b)
            weight = _class_weight(block, group, egg)
            if weight is not None:
                table = table * weight.reshape([-1 if i == b else 1 for i in range(len(model.blocks))])
        idle = tuple(b for b in range(len(model.blocks)) if b not in order)
        table = table * _dead_locus_factor(model, egg.readings)
        kept = [b for b in range(len(model.blocks)) if b in order]
        table = table.reshape([n for b, n in enumerate(table.shape) if b not in idle])
        table = table.transpose([kept.index(b) for b in order])
        top = float(table.max(initial=0.0))
        if top > 0:
            log_scale += math.log(top)
            table = table / top
        tables.append(table if order else table.reshape(1))
    return np.stack(tables, -1), log_scale


def _dead_locus_factor(model: CrossModel, readings: Sequence[Reading]) -> float:
    """What laboratory readings say of loci at which nobody in the cross carries anything."""
    live = {name for block in model.blocks for name in block.loci}
    dead = (r for r in readings if isinstance(r, GenotypeReading) and r.locus not in live)
    return math.prod(r.of_wild_type() for r in dead)


def _reading_table(model: CrossModel, reading: CallReading) -> Array:
    """A call reading over the looks of the blocks, shape (n_looks of each block). Kept with the looks: a clutch is summed several
    times over, in crosses that look the same."""
    kept = model.grid.kept
    found = kept.get(id(reading))
    if found is not None and found[0] is reading:
        return found[1]
    place = model.place_of_call
    table = np.full(model.n_calls, reading.otherwise, dtype=np.float64)
    at = [(place[call], p) for call, p in reading.likelihoods.items() if call in place]
    if at:
        places, values = zip(*at, strict=True)
        table[list(places)] = values
    table = table.reshape([len(axis) for axis in model.look_axes])
    table.flags.writeable = False
    if (len(kept) + 1) * table.size > _MOST_KEPT:
        kept.clear()
    kept[id(reading)] = (reading, table)  # the reading is held too, so that no other can get its id
    return table


def _call_table(blocks: Sequence[Block], axes: Sequence[Sequence[tuple[str, ...]]], readings: Sequence[CallReading]) -> Array:
    """Product of call readings over the looks of the blocks, shape (n_looks of each block)."""
    shape = tuple(len(axis) for axis in axes)
    table = np.ones(shape)
    place = [{words: i for i, words in enumerate(axis)} for axis in axes]
    live = {name for block in blocks for name in block.loci}
    for reading in readings:
        one = np.full(shape, reading.otherwise, dtype=np.float64)
        for call, likelihood in reading.likelihoods.items():
            looks = dict(call.looks)
            if not looks.keys() <= live:
                continue
            at = []
            for block, index in zip(blocks, place, strict=True):
                position = index.get(tuple(looks.get(name, "") for name in block.loci))
                if position is None:
                    break
                at.append(position)
            else:
                one[tuple(at)] = likelihood
        table *= one
    return table


def _class_weight(block: Block, group: _Classes, egg: Egg) -> Array | None:
    """What an egg's stated sex and laboratory readings say of each class of a block; None if nothing."""
    readings = [r for r in egg.readings if isinstance(r, GenotypeReading) and r.locus in block.loci]
    sexed = block.sexed and egg.sex is not None
    if not readings and not sexed:
        return None
    weight = np.ones(group.n)
    for outcome, c in zip(block.outcomes, group.of_outcome, strict=True):
        value = 0.0 if sexed and outcome.sex is not egg.sex else 1.0
        for r in readings:
            value *= r.likelihoods.get(outcome.genotype(r.locus), r.otherwise)
        weight[c] = value
    return weight


def _class_table(block: Block, group: _Classes, candidate: int) -> Array:
    """P(class | dam state, sire state), shape (n_dam_states, n_sire_states, n_classes)."""
    given = block.transmission[candidate]
    if group.one_each:
        return given
    table = np.zeros((*given.shape[:2], group.n))
    for o, c in enumerate(group.of_outcome):
        table[..., c] += given[..., o]
    return table


def _sex_weight(model: CrossModel, eggs: Sequence[Egg], candidate: int) -> Array:
    """P(stated sex | candidate) of each egg, unless a sex-linked block already holds it."""
    if any(block.sexed for block in model.blocks):
        return np.ones(len(eggs))
    chances = model.sex_chances(candidate)
    return np.array([1.0 if egg.sex is None else chances[egg.sex] for egg in eggs])


def _state_genotypes(block: Block, state: State) -> dict[str, Genotype]:
    genotypes = state.genotypes() if isinstance(state, Diplotype) else (state,)
    return dict(zip(block.loci, genotypes, strict=True))


def _touched_by_parent_readings(model: CrossModel, parent_readings: Mapping[str, Sequence[Reading]]) -> set[int]:
    """Blocks whose parental states the readings of the parents can tell apart."""
    if not any(parent_readings.values()):
        return set()
    return {
        b
        for b, block in enumerate(model.blocks)
        if len(block.dam_states) > 1 or any(len(states) > 1 for states in block.sire_states)
    }


def _parent_factor(
    model: CrossModel,
    states: Callable[[Block], Sequence[State]],
    order: Sequence[int],
    readings: Sequence[Reading],
) -> Array:
    """Likelihood of a parent's own readings over its joint states, one axis an informed block.

    Blocks outside ``order`` have one state when there are readings of parents, so their axes have length 1.
    """
    shape = [len(states(model.blocks[b])) for b in order] or [1]
    if not readings:
        return np.ones(shape)
    words, factor = [], np.ones([len(states(block)) for block in model.blocks])
    for b, block in enumerate(model.blocks):
        loci = [model.species.locus(n) for n in block.loci]
        words.append([tuple(x.look(_state_genotypes(block, s)[x.name]) for x in loci) for s in states(block)])
        for reading in readings:
            if isinstance(reading, GenotypeReading) and reading.locus in block.loci:
                found = [_state_genotypes(block, s)[reading.locus] for s in states(block)]
                values = [reading.likelihoods.get(g, reading.otherwise) for g in found]
                factor = factor * np.reshape(values, [-1 if j == b else 1 for j in range(len(model.blocks))])
    axes = [tuple(dict.fromkeys(axis)) for axis in words]
    table = _call_table(model.blocks, axes, [r for r in readings if isinstance(r, CallReading)])
    for b, (axis, unique) in enumerate(zip(words, axes, strict=True)):
        table = np.take(table, [unique.index(w) for w in axis], axis=b)
    table = table * _dead_locus_factor(model, readings)
    return (factor * table).transpose([*order, *(b for b in range(len(model.blocks)) if b not in order)]).reshape(shape)


def _outcome_chances(model: CrossModel, b: int, sums: Sums, work: _Work) -> Array:
    """P(outcome at block b) of each egg, shape (n_eggs, n_outcomes)."""
    block, group = model.blocks[b], work.classes[b]
    if b not in work.order:
        expected = np.stack([block.expected(k) for k in range(model.n_sires)])
        return sums.sire @ expected
    i = work.order.index(b)
    if group.one_each:
        rest = tuple(1 + j for j in range(len(work.order)) if j != i)
        return sums.classes.sum(rest)[:, group.of_outcome]
    chances = np.zeros((sums.sire.shape[0], len(block.outcomes)))
    for k, part in enumerate(sums.split[i]):
        chances += np.einsum("eods,dso->eo", part[:, group.of_outcome], block.transmission[k], optimize=False)
    return chances


def _call_chances(model: CrossModel, sums: Sums, work: _Work) -> Array:
    """P(visual call) of each egg in the order of ``model.calls``, shape (n_eggs, n_calls)."""
    table = sums.classes
    for i, b in enumerate(work.order):
        group = work.classes[b]
        n_looks = len(model.look_axes[b])
        if n_looks != group.n:
            merge = np.zeros((group.n, n_looks))
            merge[np.arange(group.n), group.look_of_class] = 1.0
            table = np.moveaxis(np.tensordot(table, merge, axes=(1 + i, 0)), -1, 1 + i)
        elif not np.array_equal(group.look_of_class, np.arange(group.n)):
            table = np.take(table, np.argsort(group.look_of_class), axis=1 + i)
    if work.order:
        table = table.transpose(0, *(1 + work.order.index(b) for b in sorted(work.order)))
    return table.reshape(table.shape[0], -1)


def _egg_loci(model: CrossModel, outcomes: Sequence[Array]) -> dict[str, dict[Genotype, float]]:
    loci: dict[str, dict[Genotype, float]] = {}
    for block, chances in zip(model.blocks, outcomes, strict=True):
        for outcome, p in zip(block.outcomes, chances, strict=True):
            for name, genotype in outcome.genotypes:
                at = loci.setdefault(name, {})
                at[genotype] = at.get(genotype, 0.0) + float(p)
    return {name: loci[name] for name in model.locus_names}


def _sex_chances(model: CrossModel, egg: Egg, sires: Array, outcomes: Sequence[Array]) -> dict[Sex, float]:
    if egg.sex is not None:
        return {sex: float(sex is egg.sex) for sex in Sex}
    for block, chances in zip(model.blocks, outcomes, strict=True):
        if block.sexed:
            return {
                sex: float(sum(p for o, p in zip(block.outcomes, chances, strict=True) if o.sex is sex)) for sex in Sex
            }
    return {sex: float(sum(p * model.sex_chances(k)[sex] for k, p in enumerate(sires))) for sex in Sex}


def _parents(model: CrossModel, sums: Sums, work: _Work) -> tuple[ParentPosterior, ...]:
    def loci(joint: Array, states, prior) -> dict[str, dict[Genotype, float]]:
        found: dict[str, dict[Genotype, float]] = {}
        for b, block in enumerate(model.blocks):
            weights = prior(block)
            if b in work.order:
                i = work.order.index(b)
                weights = joint.sum(tuple(j for j in range(joint.ndim) if j != i))
            found.update(genotype_marginals(block.loci, states(block), weights))
        return {name: found[name] for name in model.locus_names}

    parents = [
        ParentPosterior("dam", model.cross.dam.name, loci(sums.dam, lambda x: x.dam_states, lambda x: x.dam_prior))
    ]
    for k, sire in enumerate(model.cross.sires):
        if not hasattr(sire, "loci"):
            continue
        found = loci(sums.sires[k], lambda x, k=k: x.sire_states[k], lambda x, k=k: x.sire_priors[k])
        parents.append(ParentPosterior("sire", sire.name, found))
    return tuple(parents)


def _clash(
    model: CrossModel, eggs: Sequence[Egg], parent_readings: Mapping[str, Sequence[Reading]], memory_bytes: int
) -> str:
    """Name a smallest-by-removal set of eggs that cannot be together."""
    clashing = clashing_eggs(model, eggs, parent_readings, memory_bytes=memory_bytes)
    labels = ", ".join(egg.label for egg in clashing)
    if not clashing and not any(parent_readings.values()):
        return (
            f"no genotype that {model.cross.dam.name} and {' or '.join(model.sire_names)} can give hatches, yet there are "
            "hatchlings; check the parents' genes and the hatch rates of the catalogue"
        )
    if not clashing:
        return (
            f"the readings of the parents themselves cannot be true together with what is recorded of {model.cross.dam.name} "
            f"and {', '.join(model.sire_names)}; check the parents' genes"
        )
    what = "what was read of egg" if len(clashing) == 1 else "what was read of eggs"
    return (
        f"{what} {labels} cannot come from {model.cross.dam.name} and {' or '.join(model.sire_names)}; "
        "check these readings, the parents' genes and the list of sires"
    )


def clashing_eggs(
    model: CrossModel,
    eggs: Sequence[Egg],
    parent_readings: Mapping[str, Sequence[Reading]] | None = None,
    *,
    memory_bytes: int = MEMORY_BYTES,
) -> tuple[Egg, ...]:
    """A set of eggs that contradict the cross together, none of which can be left out; empty if nothing clashes."""
    readings = parent_readings or {}

    def possible(some: Sequence[Egg]) -> bool:
        return log_evidence(model, some, readings, memory_bytes=memory_bytes) > -math.inf

    if possible(eggs):
        return ()
    clashing = list(eggs)
    for egg in eggs:
        rest = [e for e in clashing if e is not egg]
        if rest and not possible(rest):
            clashing = rest
    if len(clashing) == 1 and not possible([Egg("nothing")]):
        return ()
    return tuple(clashing)
