"""Fit how far readings are to be believed: exponent, floor, trust by locus, weight of further photos, and the 95 % shortlist.

Fit, calibrate and report use photos of different sets, split by cross.
"""

from __future__ import annotations

import math

import numpy as np
import torch
from scipy.optimize import minimize

from triage.genetics.readings import combine_photos
from triage.training.crosses import CrossTables
from triage.training.photos import draw_photos, draw_truth, photo_seeds
from triage.training.protocol import Case, evidence_by_part, posterior, read_batch, trusted
from triage.vision.likelihood import Calibration
from triage.vision.network import ReaderNetwork
from triage.vision.shortlist import mass_above

_BETAS = np.geomspace(0.15, 1.6, 24)
_FLOORS = np.geomspace(3e-4, 0.3, 14)
#: Share of animals whose true call may be missing from the shortlist.
MISSED = 0.05
#: How far the trust in one locus' evidence may lie from another's: standard deviations of its logarithm, 0 for all alike.
TRUST_SPREADS = (0.0, 0.06, 0.12, 0.25, 0.5)


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


def choose_spread(cases: list[Case], beta: float, eps: float, offsets: np.ndarray) -> float:
    """The smallest of `TRUST_SPREADS` that is no worse than the best of them by more than a standard error.

    What counts is the NLL of either half of the cases under the fit to the other half; the standard error is that of the
    difference, case by case (the rule of one standard error: Breiman et al. 1984, "Classification and Regression Trees", 3.4.3).
    """
    halves = cases[0::2], cases[1::2]

    def missed(spread: float) -> np.ndarray:
        found = []
        for fitted, left_out in (halves, halves[::-1]):
            said = Calibration(beta, eps, 0.0, 1.0, "", *fit_trust(fitted, beta, eps, offsets, spread))
            found += [-np.log(posterior(trusted(c, said, offsets), beta, eps)[c.truth]) for c in left_out]
        return np.array(found)

    nll = {spread: missed(spread) for spread in TRUST_SPREADS}
    best = min(nll.values(), key=np.mean)
    return next(s for s, one in nll.items() if (one - best).mean() <= (one - best).std() / len(cases) ** 0.5)


def fit_trust(
    cases: list[Case], beta: float, eps: float, offsets: np.ndarray, spread: float
) -> tuple[tuple[float, ...], float]:
    """Trust in each locus' evidence, and in what pairs of looks and the critic add, beside `beta`.

    The most probable logarithms a posteriori, each normal around 0 with standard deviation `spread`: a locus that the cases
    say little of keeps a trust near 1. With a `spread` of 0 all are trusted alike: `()` and 1.
    """
    if spread == 0:
        return (), 1.0
    counts = np.array([len(case.prior) for case in cases])
    of = torch.from_numpy(np.repeat(np.arange(len(cases)), counts))
    parts = torch.from_numpy(np.concatenate([evidence_by_part(case, offsets) for case in cases]))
    log_prior = torch.from_numpy(np.log(np.concatenate([case.prior for case in cases])))
    truth = torch.from_numpy(np.cumsum(counts) - counts + np.array([case.truth for case in cases]))
    floor = torch.from_numpy(np.log(eps) - np.log(counts))[of]

    def log_sums(values: torch.Tensor) -> torch.Tensor:
        most = torch.full((len(cases),), -torch.inf, dtype=values.dtype).scatter_reduce(0, of, values.detach(), "amax")
        return torch.zeros(len(cases), dtype=values.dtype).index_add(0, of, (values - most[of]).exp()).log() + most

    def loss(z: np.ndarray) -> tuple[float, np.ndarray]:
        log_trust = torch.tensor(z, requires_grad=True)
        scaled = beta * parts @ log_trust.exp()
        tempered = torch.logaddexp(float(np.log1p(-eps)) + scaled - log_sums(scaled)[of], floor) + log_prior
        nll = (log_sums(tempered) - tempered[truth]).mean()
        total = nll + log_trust.square().sum() / (2 * spread**2 * len(cases))
        total.backward()
        return total.item(), log_trust.grad.numpy()

    found = minimize(loss, np.zeros(len(offsets) + 1), jac=True, method="L-BFGS-B")
    *loci, together = (max(round(float(trust), 3), 0.001) for trust in np.exp(found.x))
    return tuple(loci), together


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


def calibrate(cases: list[Case], animals: list[list[Case]], fitted_on: str, offsets: np.ndarray) -> Calibration:
    """Even cases fit exponent, floor and trust, odd ones the shortlist; `animals` the weight of further photos.

    `offsets` (n_loci,): where each locus' classes begin among all.
    """
    beta, eps = fit_temper(cases[0::2])
    spread = choose_spread(cases[0::2], beta, eps, offsets)
    loci, together = fit_trust(cases[0::2], beta, eps, offsets, spread)
    parts = Calibration(beta, eps, 0.0, 1.0, fitted_on, loci, together)
    cases, animals = [trusted(c, parts, offsets) for c in cases], [[trusted(c, parts, offsets) for c in a] for a in animals]
    beta, eps = fit_temper(cases[0::2])
    exponent = fit_photo_exponent(animals, beta, eps)
    above_truth = np.array([mass_above(posterior(case, beta, eps))[case.truth] for case in cases[1::2]])
    limit = math.ceil(shortlist_limit(above_truth) * 1e8) / 1e8  # up, so that rounding never shortens a list
    return Calibration(round(beta, 4), round(eps, 6), round(exponent, 3), limit, fitted_on, loci, together)
