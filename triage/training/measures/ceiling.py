"""How well any reader could do.

First, exactly: a reader that sees the settings of the drawing themselves (the latent quantities that genes move), each with a
Gaussian error of k times its natural spread. An animal's settings are normal given its genotype: each parameter has its own
spread, and the expression of every locus a common strength, so the covariance is diagonal plus one rank a locus that shows.
Clipping to a parameter's range is left out, so white animals keep what leucism hides: an upper bound.
Second, with the shipped reader: animals of the same protocol seen clean, whole, from above, in neutral light, in one to three
poses.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray

from triage.hatchery import draws
from triage.hatchery.express import _SALT_INDIVIDUAL, _SALT_STRENGTH, _WEAKEST, effect_tables
from triage.training.bench import Bench
from triage.training.calibrate import fit_photo_exponent, fit_temper, join_photos
from triage.training.options import option
from triage.training.photos import draw_truth, photo_seeds, possible_calls
from triage.training.protocol import metrics

_LEAST_SPREAD = 0.03  # parameters that do not vary by nature are seen with an error of k times this
_ERRORS = (0.5, 1.0, 2.0, 3.0)
Numbers = NDArray[np.float64]


@dataclass(frozen=True)
class Options:
    photos: int = option(1000, "crosses for the exact part")
    animals: int = option(0, "animals seen clean; 0 leaves that part out")
    px: int = option(400, "side of a clean photo")
    seed: int = 1


def figures(bench: Bench, options: Options) -> dict[str, Any]:
    """The exact bound by error, and the reader on clean photos."""
    rows = []
    for k in _ERRORS:
        rows.append(settings_seen(bench, k, options.photos, options.seed))
        bench.note(f"settings seen: {rows[-1]}")
    return {"settings seen": rows, **({"clean photos": seen_clean(bench, options)} if options.animals else {})}


def log_density(x: Numbers, mean: Numbers, variance: Numbers, factors: Numbers) -> float:
    """log of the normal density at x (p,), up to the constant, of covariance diag(variance) + factors' factors.

    `factors` (r, p). By the matrix determinant lemma and the identity of Woodbury (1950), in r dimensions.
    """
    inverse, rest = 1 / variance, x - mean
    inner = np.eye(len(factors)) + (factors * inverse) @ factors.T
    along = (factors * inverse) @ rest
    square = (rest * rest * inverse).sum() - along @ np.linalg.solve(inner, along)
    return float(-0.5 * (square + np.log(variance).sum() + np.linalg.slogdet(inner)[1]))


def settings_seen(bench: Bench, k: float, photos: int, seed: int) -> dict[str, Any]:
    """Top-1 and NLL on `photos` crosses of the twelve-gene protocol for an error of k spreads."""
    looks, tables = bench.looks, bench.tables
    effects = effect_tables(looks, bench.device)
    seeds = photo_seeds("report", 0, photos, seed, bench.device)
    truth = draw_truth(tables, seeds, "twelve genes", keep_out=False)
    n_loci = len(looks.loci)
    strength = (1 + looks.expression_spread * draws.normal(seeds, _SALT_STRENGTH, n_loci)).clamp(min=_WEAKEST)
    row = effects.row[torch.arange(n_loci, device=seeds.device), truth.genotypes[..., 0], truth.genotypes[..., 1]]
    own = draws.normal(seeds, _SALT_INDIVIDUAL, len(looks.parameters)) * effects.spread
    latent = _numbers(own + (effects.varying[row] * strength[..., None] + effects.steady[row]).sum(1))
    spread, varying, steady = (_numbers(values) for values in (effects.spread, effects.varying, effects.steady))
    error = k * np.maximum(spread, _LEAST_SPREAD)
    latent = latent + np.random.default_rng(seed).normal(size=latent.shape) * error
    variance = spread**2 + error**2
    class_of, rows, parents = (values.cpu().numpy() for values in (tables.class_of, effects.row, truth.parents))

    right, nll = [], []
    for number, (calls, prior, at) in enumerate(possible_calls(tables, truth)):
        row_of = _rows_in_cross(class_of, rows, parents[number])
        scores = []
        for call in calls:
            shown = [row_of[locus, code] for locus, code in enumerate(call) if code]
            factors = varying[shown]
            factors = factors[np.abs(factors).sum(1) > 0]
            mean = varying[shown].sum(0) + steady[shown].sum(0)
            scores.append(log_density(latent[number], mean, variance, looks.expression_spread * factors))
        weight = np.log(prior) + scores
        weight = np.exp(weight - weight.max())
        weight /= weight.sum()
        right.append(weight.argmax() == at)
        nll.append(-np.log(max(weight[at], 1e-300)))
    return {"k": k, "n": photos, "top1": round(float(np.mean(right)), 4), "nll": round(float(np.mean(nll)), 4)}


def _numbers(values: torch.Tensor) -> Numbers:
    return values.double().cpu().numpy()


def _rows_in_cross(class_of: NDArray[np.int64], row: NDArray[np.int64], parents: NDArray[np.int64]) -> dict[tuple[int, int], int]:
    """(locus, class) -> the row of the effect tables of a pair of alleles that these parents (2, n_loci, 2) can give.

    A class can join pairs of unlike settings that no photo tells apart (white animals), so the parents' own pair is taken.
    Where they can give several such pairs the first stands for all; in the twelve-gene protocol there are no two that differ.
    """
    found: dict[tuple[int, int], int] = {}
    for locus in range(parents.shape[1]):
        for first in parents[0, locus]:
            for second in parents[1, locus]:
                found.setdefault((locus, int(class_of[locus, first, second])), int(row[locus, first, second]))
    return found


def seen_clean(bench: Bench, options: Options) -> dict[str, Any]:
    """The reader on one to three clean photos of an animal; its tempering is fitted on as many others seen so."""
    found = bench.animals(0, 2 * options.animals, 3, seed=options.seed, px=options.px, domain="clean")
    fitting, reported = found[: options.animals], found[options.animals :]
    beta, eps = fit_temper([photos[0] for photos in fitting])
    exponent = fit_photo_exponent(fitting, beta, eps)
    return {
        name: metrics([join_photos(photos[:count], exponent) for photos in reported], beta, eps)
        for name, count in (("one", 1), ("two", 2), ("three", 3))
    }
