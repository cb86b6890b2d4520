"""Calibrate a trained model, into its sidecar: `python -m triage.training.calibrate --directory models`.

Fits how far readings are to be believed: exponent, floor, trust by locus, weight of further photos, and the 95 % shortlist; in the
domain the model was trained on, and for the cautious calibration in the shifted one, which it never saw. Fit, calibrate and report
use photos of different sets, split by cross.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from scipy.optimize import minimize

from triage.genetics.readings import combine_photos
from triage.hatchery import REPORTED_DOMAINS
from triage.training.bench import Bench
from triage.training.options import device_of, option, parse
from triage.training.protocol import Case, evidence_by_part, posterior, trusted
from triage.vision.likelihood import Calibration
from triage.vision.reader import CAUTIOUS, TRAINING_DOMAIN
from triage.vision.shortlist import mass_above
from triage.vision.weights import write_sidecar

_BETAS = np.geomspace(0.15, 1.6, 24)
_FLOORS = np.geomspace(3e-4, 0.3, 14)
#: Share of animals whose true call may be missing from the shortlist.
MISSED = 0.05
#: Recipes of the crosses that are calibrated and reported on.
PROTOCOLS = ("twelve genes", "whole catalogue")
#: The calibration of each reported domain.
OWN_CALIBRATION = dict(zip(REPORTED_DOMAINS, (TRAINING_DOMAIN, CAUTIOUS), strict=True))
#: Animals of the set "several photos" that calibration may take; those after them are reported.
MOST_ANIMALS = 300
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


def fit_trust(cases: list[Case], beta: float, eps: float, offsets: np.ndarray, spread: float) -> tuple[tuple[float, ...], float]:
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


@dataclass(frozen=True)
class Settings:
    """Every default, with its reason."""

    directory: Path = Path("models")
    photos: int = option(6000, "per domain, half of either protocol")
    animals: int = option(MOST_ANIMALS, "with three photos each, per domain; no more than this")
    px: int = option(400, "side of a rendered photo")
    seed: int = 1
    device: str = "auto"


def calibrate_model(settings: Settings) -> dict[str, Calibration]:
    """Read, fit and write the sidecar; returns the calibrations by name."""
    if settings.animals > MOST_ANIMALS:
        raise SystemExit(f"--animals {settings.animals}: those after {MOST_ANIMALS} are kept for reports; needed at most {MOST_ANIMALS}.")
    bench = Bench(settings.directory, device_of(settings.device))
    found = {}
    for domain, name in OWN_CALIBRATION.items():
        asked: dict[str, Any] = {"seed": settings.seed, "px": settings.px, "domain": domain}
        read = [bench.cases(protocol, "calibrate", settings.photos // 2, **asked) for protocol in PROTOCOLS]
        animals = bench.animals(0, settings.animals, 3, **asked)
        mixed = [case for both in zip(*read, strict=True) for case in both]
        words = f"{len(mixed)} crosses and {len(animals)} animals of the {domain} domain"
        found[name] = calibrate([mixed[i] for i in _alternate(len(mixed))], animals, words, bench.offsets)
        bench.note(f"{name}: fitted")
    fitted = {name: calibration.to_json() for name, calibration in found.items()}
    write_sidecar(settings.directory, {**bench.files.sidecar, "calibration": fitted})
    return found


def _alternate(n: int) -> list[int]:
    """Order in which even and odd places hold both protocols alike: 0 2 1 3 4 6 5 7 ..."""
    order = list(range(n))
    for start in range(0, n - 3, 4):
        order[start + 1], order[start + 2] = order[start + 2], order[start + 1]
    return order


def main(argv: list[str] | None = None) -> dict[str, Calibration]:
    return calibrate_model(parse(Settings, "calibrate", __doc__, argv))


if __name__ == "__main__":
    main()
