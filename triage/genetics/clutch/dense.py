"""The whole sum of a small clutch in a few matrix products.

What an egg's readings say is a row over the cross's calls (or over combinations of genotypes, where a laboratory or a
stated sex says more), and everything else is a matrix that does not depend on the eggs: P(calls | parental states) forward,
P(genotypes of all loci | parental states) backward. Both are built once per cross and kept with it. What remains per clutch
is a dozen products of small arrays; ``contraction.py`` does the same locus by locus where these matrices would be too
large.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from triage.genetics.clutch.contraction import Priors, sum_parents
from triage.genetics.clutch.model import Block, CrossModel, Diplotype, State
from triage.records import Genotype, Parent, Sex

Array = NDArray[np.float64]

#: Largest number of entries of P(genotypes | parental states); beyond it the locus-by-locus way takes over.
LARGEST_TABLE = 2**21


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """Meaning of the columns of a matrix of genotype chances: per locus its genotypes and where they start."""

    loci: tuple[tuple[str, tuple[Genotype, ...], int], ...]

    def read(self, row: Sequence[float]) -> dict[str, dict[Genotype, float]]:
        """Genotype chances by locus from one row."""
        return {name: dict(zip(genotypes, row[at : at + len(genotypes)])) for name, genotypes, at in self.loci}


@dataclass(frozen=True, slots=True, eq=False)
class Tables:
    """What a cross makes of any clutch; "combination" is one outcome at each informed block.

    Attributes
    ----------
    calls_given
        P(call | parental states), shape (n_calls, n_states); the states of all candidates side by side, each (dam, sire).
    combinations_given
        P(combination | parental states), shape (n_states, n_combinations); combinations of one call stand together.
    outcomes_of
        Per informed block, its place in the cross, and the outcome that each combination has there.
    per_call, first_of_call
        Number of combinations of each call and where they start, shape (n_calls,).
    genotypes_of
        1 where a combination has a genotype (or, in the last two columns, a sex), shape (n_combinations, n_columns).
    by_sire
        P(genotype or sex | candidate) at the blocks that nothing informs, shape (n_candidates, n_columns).
    columns
        The columns of both.
    sexed
        Whether the last two columns hold the sexes, in the order of ``Sex``.
    first_of_candidate
        Where each candidate's states start, shape (n_candidates,).
    dam_genotypes, sire_genotypes
        Per parent, 1 where a joint state has a genotype, and its columns.
    """

    priors: Priors
    calls_given: Array
    combinations_given: Array
    outcomes_of: tuple[tuple[int, NDArray[np.intp]], ...]
    per_call: NDArray[np.intp]
    first_of_call: NDArray[np.intp]
    genotypes_of: Array
    by_sire: Array
    columns: Columns
    sexed: bool
    first_of_candidate: NDArray[np.intp]
    dam_genotypes: tuple[Array, Columns]
    sire_genotypes: tuple[tuple[Array, Columns] | None, ...]


@dataclass(frozen=True, slots=True, eq=False)
class DenseSums:
    """Posterior of a clutch: ``sire`` (n_eggs, n_candidates), ``calls`` (n_eggs, n_calls), ``genotypes`` (n_eggs, n_columns)."""

    log_evidence: float
    sire: Array
    mixed: float
    calls: Array
    genotypes: Array
    dam: Array
    sires: list[Array]


def size(model: CrossModel, informed: Sequence[int]) -> tuple[int, int]:
    """Rows (parental states of all candidates) and columns (combinations) that ``combinations_given`` would have."""
    blocks = [model.blocks[b] for b in informed]
    return sum(_n_states(blocks, k) for k in range(model.n_sires)), math.prod(len(b.outcomes) for b in blocks)


def build(model: CrossModel, informed: Sequence[int]) -> Tables:
    """The tables of a cross; blocks outside ``informed`` have outcomes that no reading tells apart."""
    blocks = [model.blocks[b] for b in sorted(informed)]
    idle = [block for b, block in enumerate(model.blocks) if b not in informed]
    # One look axis a block in the C order of ``model.calls``; idle blocks have one look each and drop out.
    look_at = [_look_of_outcome(block) for block in blocks]
    n_looks = [max(at) + 1 for at in look_at]
    grid = np.indices([len(block.outcomes) for block in blocks]).reshape(len(blocks), -1)
    call_of = np.zeros(grid.shape[1], dtype=np.intp)
    for at, n, chosen in zip(look_at, n_looks, grid, strict=True):
        call_of = call_of * n + np.array(at, dtype=np.intp)[chosen]
    order = np.argsort(call_of, kind="stable")
    grid, call_of = grid[:, order], call_of[order]
    first = np.searchsorted(call_of, np.arange(model.n_calls))
    given = np.concatenate([_joint_table(blocks, k)[:, order] for k in range(model.n_sires)])
    n_states = [_n_states(blocks, k) for k in range(model.n_sires)]
    columns, genotypes_of, by_sire = _columns(model, blocks, grid, idle)
    return Tables(
        priors=Priors.of(
            _joint([b.dam_prior for b in blocks]),
            [_joint([b.sire_priors[k] for b in blocks]) for k in range(model.n_sires)],
            model.shares,
            model.mixed,
        ),
        calls_given=np.ascontiguousarray(np.add.reduceat(given, first, axis=1).T),
        combinations_given=given,
        outcomes_of=tuple(zip(sorted(informed), grid, strict=True)),
        per_call=np.diff(np.append(first, len(call_of))),
        first_of_call=first,
        genotypes_of=genotypes_of,
        by_sire=by_sire,
        columns=columns,
        sexed=any(block.sexed for block in model.blocks),
        first_of_candidate=np.concatenate([[0], np.cumsum(n_states)[:-1]]).astype(np.intp),
        dam_genotypes=_parent_columns(model, blocks, idle, lambda x: x.dam_states, lambda x: x.dam_prior),
        sire_genotypes=tuple(
            _parent_columns(model, blocks, idle, lambda x, k=k: x.sire_states[k], lambda x, k=k: x.sire_priors[k])
            if isinstance(sire, Parent)
            else None
            for k, sire in enumerate(model.cross.sires)
        ),
    )


def sum_dense(
    tables: Tables, likelihood: Array, egg_weight: Array | None = None, outcome_weight: Array | None = None
) -> DenseSums | None:
    """Sum over everything unknown; None where only the careful way of ``contraction.py`` can tell.

    Parameters
    ----------
    likelihood
        Of each call, shape (n_eggs, n_calls).
    egg_weight
        What depends on egg and candidate alone, shape (n_eggs, n_candidates); None for ones.
    outcome_weight
        What else was read of each egg, by combination of outcomes, shape (n_eggs, n_combinations); None for ones.
    """
    priors, n_eggs = tables.priors, len(likelihood)
    first = tables.first_of_candidate
    of_combination = np.repeat(likelihood, tables.per_call, axis=1)
    if outcome_weight is None:
        states = likelihood @ tables.calls_given
    else:
        of_combination *= outcome_weight
        states = of_combination @ tables.combinations_given.T
    if egg_weight is not None:
        weight_of_state = np.repeat(egg_weight, np.diff(np.append(first, states.shape[1])), axis=1)
        states *= weight_of_state
    scale = states.max(1)
    if not scale.min() > 0:
        return None
    states /= scale[:, None]
    ends = [*first[1:], states.shape[1]]
    per_state = [states[:, a:b].reshape(n_eggs, -1, len(s)) for a, b, s in zip(first, ends, priors.sires, strict=True)]
    summed = sum_parents(per_state, priors, careful=False)
    if summed is None:
        return None
    evidence, _, slopes, mixed, dam, sires = summed
    slope = np.concatenate([s.reshape(n_eggs, -1) for s in slopes], axis=1)
    sire = np.add.reduceat(states * slope, first, axis=1) / evidence
    slope /= (scale * evidence)[:, None]
    if egg_weight is not None:
        slope *= weight_of_state
    combinations = slope @ tables.combinations_given
    combinations *= of_combination
    genotypes = combinations @ tables.genotypes_of
    genotypes += sire @ tables.by_sire
    return DenseSums(
        log_evidence=math.log(evidence) + float(np.log(scale).sum()),
        sire=sire,
        mixed=mixed,
        calls=np.add.reduceat(combinations, tables.first_of_call, axis=1),
        genotypes=genotypes,
        dam=dam,
        sires=sires,
    )


def _look_of_outcome(block: Block) -> list[int]:
    axis = {words: i for i, words in enumerate(dict.fromkeys(block.looks))}
    return [axis[words] for words in block.looks]


def _n_states(blocks: Sequence[Block], k: int) -> int:
    return math.prod(len(b.dam_states) * len(b.sire_states[k]) for b in blocks)


def _joint(priors: Sequence[Array]) -> Array:
    joint = np.ones(1)
    for prior in priors:
        joint = np.multiply.outer(joint, prior).reshape(-1)
    return joint


def _joint_table(blocks: Sequence[Block], k: int) -> Array:
    """P(combination | dam states, sire states of candidate k), shape (all dam states x all sire states, n_combinations)."""
    table = np.ones((1, 1, 1))
    for block in blocks:
        given = block.transmission[k]
        table = np.einsum("dso,xyz->dxsyoz", table, given).reshape(
            *(a * b for a, b in zip(table.shape, given.shape, strict=True))
        )
    return table.reshape(-1, table.shape[-1])


def _columns(
    model: CrossModel, blocks: Sequence[Block], grid: NDArray[np.intp], idle: Sequence[Block]
) -> tuple[Columns, Array, Array]:
    found: dict[str, tuple[tuple[Genotype, ...], list[Array], list[Array]]] = {}
    n_combinations, none = grid.shape[1], np.zeros(model.n_sires)
    sexes = [[np.zeros(n_combinations), none] for _ in Sex]
    for block, chosen in (*zip(blocks, grid, strict=True), *((block, None) for block in idle)):
        expected = None if chosen is not None else np.stack([block.expected(k) for k in range(model.n_sires)])

        def column(at: list[bool], chosen=chosen, expected=expected) -> tuple[Array, Array]:
            if chosen is not None:
                return np.array(at, dtype=float)[chosen], none
            return np.zeros(n_combinations), expected[:, at].sum(1)

        for name in block.loci:
            of_outcome = [o.genotype(name) for o in block.outcomes]
            genotypes = tuple(dict.fromkeys(of_outcome))
            pairs = [column([g == h for h in of_outcome]) for g in genotypes]
            found[name] = (genotypes, [a for a, _ in pairs], [b for _, b in pairs])
        if block.sexed:
            sexes = [list(column([o.sex is sex for o in block.outcomes])) for sex in Sex]
    layout, of_combination, of_sire = [], [], []
    for name in model.locus_names:
        genotypes, a, b = found[name]
        layout.append((name, genotypes, len(of_combination)))
        of_combination += a
        of_sire += b
    of_combination += [a for a, _ in sexes]
    of_sire += [b for _, b in sexes]
    return Columns(tuple(layout)), np.stack(of_combination, 1), np.stack(of_sire, 1)


def _parent_columns(
    model: CrossModel,
    blocks: Sequence[Block],
    idle: Sequence[Block],
    states_of: Callable[[Block], Sequence[State]],
    prior_of: Callable[[Block], Array],
) -> tuple[Array, Columns]:
    """1 where a parent's joint state has a genotype; at blocks that nothing informs, the prior whatever the state."""
    grid = np.indices([len(states_of(block)) for block in blocks]).reshape(len(blocks), -1)
    found: dict[str, tuple[tuple[Genotype, ...], list[Array]]] = {}
    for block, chosen in (*zip(blocks, grid, strict=True), *((block, None) for block in idle)):
        for i, name in enumerate(block.loci):
            of_state = [s.genotypes()[i] if isinstance(s, Diplotype) else s for s in states_of(block)]
            genotypes = tuple(dict.fromkeys(of_state))
            has = [np.array([g == h for h in of_state], dtype=float) for g in genotypes]
            columns = [
                h[chosen] if chosen is not None else np.full(grid.shape[1], float(h @ prior_of(block))) for h in has
            ]
            found[name] = (genotypes, columns)
    layout, table = [], []
    for name in model.locus_names:
        genotypes, columns = found[name]
        layout.append((name, genotypes, len(table)))
        table += columns
    return (np.stack(table, 1) if table else np.zeros((grid.shape[1], 0))), Columns(tuple(layout))
