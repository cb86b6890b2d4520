"""The arithmetic of one clutch: plain arrays in, plain arrays out.

For each candidate sire k the likelihood tensor of the eggs over *classes* of outcomes, ``L[c_1 .. c_B, e]``, is turned into
one over parental states, ``F_k[e, ds_1 .. ds_B]``, one block at a time; then the parents are summed with the sires mixed
per egg. Running the same chain backwards gives every posterior at once, as the derivative of the evidence. Each step
multiplies by one small matrix, so the work is the size of the tensors, which are bounded before anything is allocated.

The axis order turns in a circle: a step consumes the first axis and appends its result as the last, so no step copies.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: Below this product of scaled egg likelihoods the sum over parents moves to logarithms.
_SAFE_PRODUCT = 1e-100
_LARGEST_EXPONENT = 460.0
#: Above this a product may be divided by one of its factors.
_SAFE_DIVISOR = 1e-100


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """One candidate sire's part of the problem.

    ``class_given[b]`` has shape (n_dam_states_b, n_sire_states_b, n_classes_b); ``egg_weight`` (n_eggs,) holds what depends on
    the egg and this sire alone; ``prior`` is the joint prior of this sire's states over the blocks times the
    likelihood of his own readings, one axis a block. ``state_weight`` (n_eggs, n_dam, n_sire), over the joint states of
    dam and sire, holds what an egg says of the pair beyond its classes: that it hatched, or did not.
    """

    share: float
    prior: Array
    class_given: Sequence[Array]
    egg_weight: Array
    state_weight: Array | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Priors:
    """Priors of the parents' joint states, flat, and what they make of the ways the sires can share a clutch.

    ``alone[k]`` (n_dam, n_sire_k) is the prior that candidate k alone fathered the clutch, None where that cannot be;
    ``together`` (n_dam, n_sire_1, ...) that each egg drew its sire, None where that cannot be.
    """

    shares: tuple[float, ...]
    dam: Array
    sires: Sequence[Array]
    alone: Sequence[Array | None]
    together: Array | None

    @classmethod
    def of(cls, dam: Array, sires: Sequence[Array], shares: Sequence[float], mixed: float) -> Priors:
        n = len(sires)
        one_sire = 1.0 if n == 1 or mixed == 0 else 1.0 - mixed
        alone = [
            one_sire * float(share) * dam[:, None] * sire if one_sire * share > 0 else None
            for share, sire in zip(shares, sires, strict=True)
        ]
        together = None
        if one_sire < 1.0:
            together = mixed * dam.reshape(-1, *[1] * n)
            for k, p in enumerate(sires):
                together = together * p.reshape([1, *(len(p) if j == k else 1 for j in range(n))])
        return cls(tuple(map(float, shares)), dam, sires, alone, together)


@dataclass(frozen=True, slots=True, eq=False)
class Sums:
    """What ``sum_clutch`` found; ``evidence`` is 0 times ``exp(log_scale)`` where the readings are impossible.

    Attributes
    ----------
    log_evidence
        Natural logarithm of the summed probability; -inf if impossible.
    sire
        P(sire of egg | everything), shape (n_eggs, n_candidates).
    mixed
        P(several sires shared the clutch | everything).
    classes
        P(classes of each egg | everything), shape (n_eggs, *n_classes).
    split
        Per block asked for, per candidate: P(class, dam state, sire state) of each egg divided by the table entry that made it,
        shape (n_eggs, n_classes, n_dam_states, n_sire_states); multiply by P(outcome | states) to split a class.
    dam, sires
        Joint posterior over parental states, one axis a block.
    """

    log_evidence: float
    sire: Array
    mixed: float
    classes: Array
    split: dict[int, list[Array]]
    dam: Array
    sires: list[Array]


def elements_needed(
    n_eggs: int, n_classes: Sequence[int], n_dam: Sequence[int], n_sires: Sequence[Sequence[int]], *, coupled: bool
) -> int:
    """Largest number of array elements held at once by ``sum_clutch``, counted before anything is allocated."""
    total = 0
    for sire in n_sires:
        size = n_eggs * math.prod(n_classes)
        chain = size
        for c, d, s in zip(n_classes, n_dam, sire, strict=True):
            size = size // max(c, 1) * d * s
            chain += size
        total += 2 * chain
    if coupled:
        total += 4 * n_eggs * math.prod(n_dam) * math.prod(math.prod(s) for s in n_sires)
    return total


def sum_clutch(
    likelihood: Array,
    dam_prior: Array,
    candidates: Sequence[Candidate],
    mixed: float,
    split: Sequence[int] = (),
    lost: NDArray[np.bool_] | None = None,
) -> Sums:
    """Sum over everything unknown of one clutch.

    Parameters
    ----------
    likelihood
        L, shape (*n_classes, n_eggs), 0 or more; at least one block.
    dam_prior
        Joint prior over the dam's states, shape (n_dam_states of each block).
    candidates
        The candidate sires; their shares sum to 1.
    mixed
        Chance that each egg draws its sire on its own instead of one sire for the whole clutch.
    split
        Blocks for which ``Sums.split`` is wanted.
    lost
        Eggs that did not hatch, shape (n_eggs,): of these ``state_weight`` alone speaks. None where no egg is known to be lost.
    """
    n_eggs, n_blocks = likelihood.shape[-1], likelihood.ndim - 1
    n_classes = likelihood.shape[:-1]
    # A reading of a sire counts whether or not he is the father, so its chance is taken out of his prior first.
    masses = [float(c.prior.sum()) for c in candidates]
    if min(masses) <= 0 or not likelihood.size:
        return _impossible(n_eggs, n_classes, candidates, dam_prior)
    candidates = [replace(c, prior=c.prior / mass) for c, mass in zip(candidates, masses, strict=True)]
    tables = [[t.reshape(-1, t.shape[-1]) for t in c.class_given] for c in candidates]
    chains = [_forward(likelihood, table) for table in tables]
    n_dam = dam_prior.shape
    split_shapes = [[(d, s) for d, s in zip(n_dam, c.prior.shape, strict=True)] for c in candidates]
    weighted = [
        _dam_first(chain[-1].reshape(n_eggs, *(n for pair in shapes for n in pair)), n_blocks) * c.egg_weight[:, None, None]
        for chain, shapes, c in zip(chains, split_shapes, candidates, strict=True)
    ]
    if lost is not None:
        weighted = [
            np.where(lost[:, None, None], c.state_weight, w * c.state_weight)
            for w, c in zip(weighted, candidates, strict=True)
        ]
    scale = np.max([w.max((1, 2)) for w in weighted], axis=0)
    if not np.all(scale > 0):
        return _impossible(n_eggs, n_classes, candidates, dam_prior)
    per_state = [w / scale[:, None, None] for w in weighted]
    priors = Priors.of(
        dam_prior.reshape(-1), [c.prior.reshape(-1) for c in candidates], [c.share for c in candidates], mixed
    )
    summed = sum_parents(per_state, priors)
    if summed is None:
        return _impossible(n_eggs, n_classes, candidates, dam_prior)
    evidence, log_scale, slopes, p_mixed, dam, sires = summed
    sire = np.stack([(f * g).sum((1, 2)) for f, g in zip(per_state, slopes, strict=True)], 1) / evidence
    classes = np.zeros((*n_classes, n_eggs))
    parts: dict[int, list[Array]] = {b: [] for b in split}
    for k, candidate in enumerate(candidates):
        slope = slopes[k] * (candidate.egg_weight / scale / evidence)[:, None, None]
        if candidate.state_weight is not None:
            slope = slope * candidate.state_weight
        back = _state_order(slope, n_dam, candidate.prior.shape)
        classes += _backward(back, chains[k], tables[k], n_eggs, parts, split_shapes[k])
    classes *= likelihood
    return Sums(
        log_evidence=math.log(evidence) + log_scale + float(np.log(scale).sum()) + math.fsum(map(math.log, masses)),
        sire=sire,
        mixed=p_mixed,
        classes=np.moveaxis(classes, -1, 0),
        split=parts,
        dam=dam.reshape(n_dam),
        sires=[s.reshape(c.prior.shape) for s, c in zip(sires, candidates, strict=True)],
    )


def _forward(likelihood: Array, tables: Sequence[Array]) -> list[Array]:
    """The chain of tensors; entry b is the input of block b as (n_classes_b, rest), the last the result (rest, n_states)."""
    current = likelihood
    chain = []
    for table in tables:
        current = current.reshape(table.shape[1], -1)
        chain.append(current)
        current = current.T @ table.T
    chain.append(current)
    return chain


def _backward(
    slope: Array,
    chain: Sequence[Array],
    tables: Sequence[Array],
    n_eggs: int,
    parts: dict[int, list[Array]],
    shapes: Sequence[tuple[int, int]],
) -> Array:
    """Derivative of the evidence by the likelihood tensor, shape (*n_classes, n_eggs); fills ``parts`` on the way."""
    current = slope
    after = 1
    for b in range(len(tables) - 1, -1, -1):
        table = tables[b]
        n_states, n_classes = table.shape
        current = current.reshape(-1, n_states)
        if b in parts:
            before = chain[b].shape[1] // (n_eggs * after)
            inputs = chain[b].reshape(n_classes, after, n_eggs, before)
            outer = current.reshape(after, n_eggs, before, n_states)
            inputs = inputs.transpose(2, 0, 1, 3).reshape(n_eggs, n_classes, -1)
            outer = outer.transpose(1, 0, 2, 3).reshape(n_eggs, -1, n_states)
            parts[b].append((inputs @ outer).reshape(n_eggs, n_classes, *shapes[b]))
        current = table.T @ current.T
        after *= n_classes
    return current.reshape(*(t.shape[1] for t in tables), n_eggs)


def _dam_first(states: Array, n_blocks: int) -> Array:
    """(e, d1, s1, d2, s2, ...) -> (e, all dam states, all sire states)."""
    n_dam = math.prod(states.shape[1::2])
    order = (0, *range(1, 2 * n_blocks + 1, 2), *range(2, 2 * n_blocks + 1, 2))
    return states.transpose(order).reshape(states.shape[0], n_dam, -1)


def _state_order(slope: Array, n_dam: Sequence[int], n_sire: Sequence[int]) -> Array:
    """(e, all dam states, all sire states) -> (e, d1, s1, d2, s2, ...), flat."""
    n_blocks = len(n_dam)
    order = [0]
    for b in range(n_blocks):
        order += [1 + b, 1 + n_blocks + b]
    return slope.reshape(-1, *n_dam, *n_sire).transpose(order).reshape(-1)


def sum_parents(per_state: list[Array], priors: Priors, *, careful: bool = True):
    """Sum over the parents' states; None if nothing is left.

    ``per_state[k]`` (n_eggs, n_dam, n_sire_k) is the likelihood of each egg, largest 1 over all k. Returns evidence, its log scale,
    the slopes dZ/dF_k of the same shapes, P(mixed), and the joint posteriors of the parents, flat. Where products of the eggs'
    likelihoods get too small for floats it moves to logarithms, or returns None unless ``careful``.
    """
    n = len(per_state)
    n_eggs = per_state[0].shape[0]
    mix = None if priors.together is None else _broadcast_sum(per_state, priors.shares)
    factors = [None if p is None else f for p, f in zip(priors.alone, per_state, strict=True)]
    log_scale = 0.0
    singles = [None if f is None else _products(f) for f in factors]
    together = None if mix is None else _products(mix)
    weights, mixed_weight = _weights(singles, together, priors)
    if max(float(w.max()) for w in (*weights, mixed_weight) if w is not None) < _SAFE_PRODUCT:
        if not careful:
            return None
        singles = [None if f is None else _log_products(f) for f in factors]
        together = None if mix is None else _log_products(mix)
        tops = [
            float(t[0][p > 0].max())
            for t, p in zip((*singles, together), (*priors.alone, priors.together), strict=True)
            if t is not None and (p > 0).any()
        ]
        log_scale = max(tops, default=-math.inf)
        if log_scale == -math.inf:
            return None
        singles = [None if t is None else _from_logs(t, p, log_scale) for t, p in zip(singles, priors.alone, strict=True)]
        together = None if together is None else _from_logs(together, priors.together, log_scale)
        weights, mixed_weight = _weights(singles, together, priors)
    single_sums = [0.0 if w is None else float(w.sum()) for w in weights]
    mixed_sum = 0.0 if mixed_weight is None else float(mixed_weight.sum())
    alone_sum = sum(single_sums)
    evidence = alone_sum + mixed_sum
    if not evidence > 0:
        return None
    dam = np.zeros(len(priors.dam))
    slopes, sires = [], []
    if together is not None:
        mixed_slope = priors.together * together[1]
        dam += mixed_weight.reshape(len(dam), -1).sum(1)
    for k in range(n):
        posterior = priors.sires[k] * (alone_sum - single_sums[k])
        if singles[k] is None:
            slope = np.zeros(per_state[k].shape)
        else:
            slope = priors.alone[k] * singles[k][1]
            dam += weights[k].sum(1)
            posterior += weights[k].sum(0)
        if together is not None:
            # (eggs, dam states, sires before k, sire k, sires after k)
            before, width = math.prod(mix.shape[2 : 2 + k]), mix.shape[2 + k]
            if priors.shares[k] > 0:
                by_sire = mixed_slope.reshape(n_eggs, len(dam), before, width, -1)
                slope += priors.shares[k] * by_sire.sum((2, 4))
            posterior += mixed_weight.reshape(len(dam) * before, width, -1).sum((0, 2))
        posterior /= evidence
        slopes.append(slope)
        sires.append(posterior)
    dam /= evidence
    return evidence, log_scale, slopes, mixed_sum / evidence, dam, sires


def _weights(singles, together, priors: Priors) -> tuple[list[Array | None], Array | None]:
    """Prior times likelihood of the whole clutch, per candidate alone and for all together."""
    alone = [None if t is None else p * t[0] for t, p in zip(singles, priors.alone, strict=True)]
    return alone, None if together is None else priors.together * together[0]


def _broadcast_sum(per_state: list[Array], shares: Sequence[float]) -> Array:
    """sum_k share_k F_k over the joint states, shape (n_eggs, D, S_1, ..., S_m)."""
    n = len(per_state)
    total = 0.0
    for k, (f, share) in enumerate(zip(per_state, shares, strict=True)):
        shape = [f.shape[0], f.shape[1], *(f.shape[2] if j == k else 1 for j in range(n))]
        total = total + share * f.reshape(shape)
    full = np.broadcast_shapes(total.shape, (1, 1, *(f.shape[2] for f in per_state)))
    return np.broadcast_to(total, full)


def _products(factors: Array) -> tuple[Array, Array]:
    """Product over the first axis, and for each entry the product of all the others."""
    n = factors.shape[0]
    if n == 1:
        return factors[0], np.ones(factors.shape)
    if factors.min() > _SAFE_DIVISOR:
        # Where the product itself underflows the quotient is too small to count beside the largest (see _SAFE_PRODUCT).
        total = np.multiply.reduce(factors, axis=0)
        return total, total / factors
    others = np.empty(factors.shape)
    others[0] = 1.0
    for i in range(1, n):
        np.multiply(others[i - 1], factors[i - 1], out=others[i])
    total = others[n - 1] * factors[n - 1]
    after = np.array(factors[n - 1])
    for i in range(n - 2, -1, -1):
        others[i] *= after
        if i:
            after *= factors[i]
    return total, others


def _log_products(factors: Array) -> tuple[Array, Array]:
    """Logarithms of what ``_products`` gives."""
    with np.errstate(divide="ignore"):
        logs = np.log(factors)
    before = np.zeros(logs.shape)
    np.cumsum(logs[:-1], axis=0, out=before[1:])
    after = np.zeros(logs.shape)
    after[:-1] = np.cumsum(logs[:0:-1], axis=0)[::-1]
    return before[-1] + logs[-1], before + after


def _from_logs(term: tuple[Array, Array], prior: Array, log_scale: float) -> tuple[Array, Array]:
    """Back from logarithms, scaled; states of prior 0 may lie far above the scale and are cut to 0.

    A huge product of the others only ever meets a factor of 0, so it may be cut too.
    """
    total, others = term
    total = np.where(prior > 0, total - log_scale, -math.inf)
    return np.exp(total), np.exp(np.minimum(others - log_scale, _LARGEST_EXPONENT))


def _impossible(n_eggs: int, n_classes: Sequence[int], candidates: Sequence[Candidate], dam_prior: Array) -> Sums:
    return Sums(
        log_evidence=-math.inf,
        sire=np.zeros((n_eggs, len(candidates))),
        mixed=0.0,
        classes=np.zeros((n_eggs, *n_classes)),
        split={},
        dam=np.zeros(dam_prior.shape),
        sires=[np.zeros(c.prior.shape) for c in candidates],
    )
