"""How well any reader could do: `python -m triage.training.ceiling --directory models`.

First, exactly: a reader that sees the settings of the drawing themselves (the latent quantities that genes move), each with a
Gaussian error of k times its natural spread. An animal's settings are normal given its genotype: each parameter has its own
spread, and the expression of every locus a common strength, so the covariance is diagonal plus one rank a locus that shows.
Clipping to a parameter's range is left out, so white animals keep what leucism hides: an upper bound.
Second, with the shipped reader: animals of the same protocol seen clean, whole, from above, in neutral light, in one to three
poses.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray

from triage.hatchery import draws
from triage.hatchery.express import _SALT_INDIVIDUAL, _SALT_STRENGTH, _WEAKEST, effect_tables
from triage.species import load_species
from triage.species.drawing import usual_looks
from triage.training.calibrate import fit_photo_exponent, fit_temper, join_photos, several_photos
from triage.training.crosses import candidate_calls, cross_tables
from triage.training.photos import draw_truth, photo_seeds
from triage.training.protocol import metrics
from triage.training.train import commit_of_code
from triage.vision.vocabulary import build
from triage.vision.weights import load_model

FILE = "ceiling.json"
_LEAST_SPREAD = 0.03  # parameters that do not vary by nature are seen with an error of k times this


def log_density(
    x: NDArray[np.float64], mean: NDArray[np.float64], variance: NDArray[np.float64], factors: NDArray[np.float64]
) -> float:
    """log of the normal density at x (p,), up to the constant, of covariance diag(variance) + factors' factors.

    `factors` (r, p). By the matrix determinant lemma and the identity of Woodbury (1950), in r dimensions.
    """
    inverse, rest = 1 / variance, x - mean
    inner = np.eye(len(factors)) + (factors * inverse) @ factors.T
    along = (factors * inverse) @ rest
    square = (rest * rest * inverse).sum() - along @ np.linalg.solve(inner, along)
    return float(-0.5 * (square + np.log(variance).sum() + np.linalg.slogdet(inner)[1]))


def settings_seen(k: float, photos: int, seed: int) -> dict[str, Any]:
    """Top-1 and NLL on `photos` crosses of the twelve-gene protocol for an error of k spreads."""
    species, looks = load_species("ball python"), usual_looks()
    tables = cross_tables(species, looks, build(species, looks), "cpu")
    effects = effect_tables(looks, "cpu")
    seeds = photo_seeds("report", 0, photos, seed, "cpu")
    truth = draw_truth(tables, seeds, "twelve genes", keep_out=False)
    n_loci = len(looks.loci)
    strength = (1 + looks.expression_spread * draws.normal(seeds, _SALT_STRENGTH, n_loci)).clamp(min=_WEAKEST)
    row = effects.row[torch.arange(n_loci), truth.genotypes[..., 0], truth.genotypes[..., 1]]
    own = draws.normal(seeds, _SALT_INDIVIDUAL, len(looks.parameters)) * effects.spread
    latent = (own + (effects.varying[row] * strength[..., None] + effects.steady[row]).sum(1)).double().numpy()
    error = k * np.maximum(effects.spread.double().numpy(), _LEAST_SPREAD)
    latent = latent + np.random.default_rng(seed).normal(size=latent.shape) * error
    variance = effects.spread.double().numpy() ** 2 + error**2
    varying, steady = effects.varying.double().numpy(), effects.steady.double().numpy()
    class_of = tables.class_of.numpy()

    right, nll = [], []
    for number in range(photos):
        parents = truth.parents[number].numpy()
        calls, prior = candidate_calls(class_of, parents)
        row_of = _rows_in_cross(class_of, effects.row.numpy(), parents)
        scores = []
        for call in calls:
            rows = [row_of[locus, code] for locus, code in enumerate(call) if code]
            factors = varying[rows]
            factors = factors[np.abs(factors).sum(1) > 0]
            mean = varying[rows].sum(0) + steady[rows].sum(0)
            scores.append(log_density(latent[number], mean, variance, looks.expression_spread * factors))
        weight = np.log(prior) + scores
        weight = np.exp(weight - weight.max())
        weight /= weight.sum()
        at = int(np.flatnonzero((calls == truth.codes[number].numpy()).all(1))[0])
        right.append(weight.argmax() == at)
        nll.append(-np.log(max(weight[at], 1e-300)))
    return {"k": k, "n": photos, "top1": round(float(np.mean(right)), 4), "nll": round(float(np.mean(nll)), 4)}


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


def seen_clean(directory: Path, animals: int, px: int, seed: int, device: str) -> dict[str, Any]:
    """The shipped reader on one to three clean photos of an animal; its tempering is fitted on as many others seen so."""
    files = load_model(directory)
    species, looks = load_species("ball python"), usual_looks()
    tables = cross_tables(species, looks, files.vocabulary, device)
    found = several_photos(files.network.to(device), tables, files.log_mix.float().to(device), 2 * animals, 3, seed=seed, px=px,
                           domain="clean")  # fmt: skip
    fitting, reported = found[:animals], found[animals:]
    beta, eps = fit_temper([photos[0] for photos in fitting])
    exponent = fit_photo_exponent(fitting, beta, eps)
    return {
        name: metrics([join_photos(photos[:count], exponent) for photos in reported], beta, eps)
        for name, count in (("one", 1), ("two", 2), ("three", 3))
    }


def main(argv: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(prog="python -m triage.training.ceiling", description=__doc__.splitlines()[0])
    parser.add_argument("--directory", type=Path, default=Path("models"), help="default models")
    parser.add_argument("--photos", type=int, default=1000, help="crosses for the exact part")
    parser.add_argument("--animals", type=int, default=0, help="animals for clean photos (0: leave that part out)")
    parser.add_argument("--px", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--device", default="cpu")
    given = parser.parse_args(argv)
    rows = []
    for k in (0.5, 1.0, 2.0, 3.0):
        rows.append(settings_seen(k, given.photos, given.seed))
        print(rows[-1], file=sys.stderr, flush=True)
    shown = f"--photos {given.photos} --animals {given.animals} --px {given.px} --seed {given.seed}"
    found: dict[str, Any] = {"command": f"python -m triage.training.ceiling {shown}", "commit": commit_of_code(), "settings seen": rows}
    if given.animals:
        found["clean photos"] = seen_clean(given.directory, given.animals, given.px, given.seed, given.device)
        print(found["clean photos"], file=sys.stderr, flush=True)
    (given.directory / FILE).write_text(json.dumps(found, indent=1) + "\n", "utf-8")


if __name__ == "__main__":
    main()
