"""Fit how far readings are to be believed: exponent, floor, weight of further photos, and the 95 % shortlist.

Fit, calibrate and report use photos of different sets, split by cross.
"""

from __future__ import annotations

import math

import numpy as np
import torch

from triage.training.crosses import CrossTables
from triage.training.photos import draw_photos, draw_truth, photo_seeds
from triage.training.protocol import Case, posterior, read_batch
from triage.vision.likelihood import Calibration, combine_photos, mass_above
from triage.vision.network import ReaderNetwork

_BETAS = np.geomspace(0.15, 1.6, 24)
_FLOORS = np.geomspace(3e-4, 0.3, 14)
#: Share of animals whose true call may be missing from the shortlist.
MISSED = 0.05


def mean_nll(cases: list[Case], beta: float, eps: float) -> float:
    """Mean of -log posterior of the true call."""
    return float(np.mean([-np.log(posterior(case, beta, eps)[case.truth]) for case in cases]))


def fit_temper(cases: list[Case]) -> tuple[float, float]:
    """(beta, eps) of the smallest mean NLL on a grid, refined once around the best point."""
    betas, floors = _BETAS, _FLOORS
    for _ in range(2):
        table = np.array([[mean_nll(cases, b, e) for e in floors] for b in betas])
        i, j = np.unravel_index(table.argmin(), table.shape)
        beta, eps = float(betas[i]), float(floors[j])
        betas = np.geomspace(beta / 1.12, beta * 1.12, 5)
        floors = np.geomspace(eps / 1.6, min(eps * 1.6, 0.5), 5)
    return beta, eps


def fit_photo_exponent(animals: list[list[Case]], beta: float, eps: float) -> float:
    """Exponent in 0..1 of the smallest mean NLL over animals with several photos each; 0 would be independence."""
    tried = np.linspace(0.0, 1.0, 21)
    return float(tried[np.argmin([mean_nll([join_photos(a, x) for a in animals], beta, eps) for x in tried])])


def join_photos(photos: list[Case], exponent: float) -> Case:
    """One case from several photos of one animal."""
    first = photos[0]
    joint = combine_photos(np.stack([p.log_likelihood for p in photos]), exponent)
    return Case(first.codes, first.prior, joint, joint, first.truth, first.stage, first.visible)


def shortlist_limit(above_truth: np.ndarray, missed: float = MISSED) -> float:
    """Mass of likelier calls up to which a call is on the shortlist: split conformal prediction.

    `above_truth` (n,): `mass_above` of the true calls of n crosses not used to fit anything else. The k-th largest with k =
    floor(missed * (n + 1)) is returned: the true call of a further exchangeable cross is at or below it with chance at
    least 1 - missed; over draws of the n crosses the coverage follows Beta(n + 1 - k, k). With too few crosses it is 1.
    """
    k = int(np.floor(missed * (len(above_truth) + 1)))
    return float(np.sort(above_truth)[-k]) if k >= 1 else 1.0


def several_photos(
    network: ReaderNetwork,
    tables: CrossTables,
    log_mix: torch.Tensor,
    animals: int,
    photos: int,
    *,
    seed: int,
    px: int,
    domain: str,
) -> list[list[Case]]:
    """`animals` animals of the twelve-gene recipe with `photos` photos each."""
    found: list[list[Case]] = [[] for _ in range(animals)]
    step = min(128, animals)
    for start in range(0, animals, step):
        seeds = photo_seeds("several photos", start, min(step, animals - start), seed, tables.device)
        truth = draw_truth(tables, seeds, "twelve genes", keep_out=False)
        for number in range(photos):
            batch = draw_photos(truth, px, domain=domain, photo=number)
            for row, case in enumerate(read_batch(network, tables, log_mix, batch)):
                found[start + row].append(case)
    return found


def calibrate(cases: list[Case], animals: list[list[Case]], fitted_on: str) -> Calibration:
    """Even cases fit exponent and floor, odd ones the shortlist; `animals` the weight of further photos."""
    beta, eps = fit_temper(cases[0::2])
    exponent = fit_photo_exponent(animals, beta, eps)
    above_truth = np.array([mass_above(posterior(case, beta, eps))[case.truth] for case in cases[1::2]])
    limit = math.ceil(shortlist_limit(above_truth) * 1e8) / 1e8  # up, so that rounding never shortens a list
    return Calibration(
        round(beta, 4), round(eps, 6), round(exponent, 3), limit, fitted_on
    )
