"""The protocol every model is measured by: a photo, its own cross, the calls possible in it, Mendel's prior.

A case keeps log prior and log-likelihood per possible call, so calibration and every figure are cheap afterwards.
"""

from __future__ import annotations

import copy
import itertools
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any, TypeVar

import numpy as np
import torch
import torch.nn.functional as F
from torch import Tensor

from triage.genetics.readings import temper
from triage.hatchery.domains import Domain
from triage.training.crosses import CrossTables, held_out
from triage.training.photos import Batch, draw_photos, draw_truth, photo_seeds, possible_calls
from triage.vision.crop import MARGIN, WIDE_ENOUGH, boxes_of, cut, stay_inside
from triage.vision.likelihood import Calibration, divide_out_training_mix, joint_log_likelihood
from triage.vision.network import Outputs, ReaderNetwork
from triage.vision.shortlist import mass_above

SHARES_SEEN = ("under 1/4", "1/4 to 1/2", "1/2 to 3/4", "over 3/4")
_AT_ONCE, _AT_ONCE_ON_A_GPU = 64, 256
Value = TypeVar("Value")


@dataclass(frozen=True)
class Case:
    """One photo. `codes` (n, n_loci), `prior` (n,), `log_likelihood` (n,), all over the calls its cross can give.

    `heads_only` (n,) leaves the pair terms out; `truth` is the row of the true call; `seed` is the photo's. `ratios` float32
    (n_total,): what the heads say of every class, of which `heads_only` is the sum over loci; None where it was not kept.
    """

    codes: np.ndarray
    prior: np.ndarray
    log_likelihood: np.ndarray
    heads_only: np.ndarray
    truth: int
    stage: int
    visible: float
    seed: int = -1
    ratios: np.ndarray | None = None


def evidence_by_part(case: Case, offsets: np.ndarray) -> np.ndarray:
    """Log-likelihoods of a case by part (n, n_loci + 1): of each locus alone, last of pairs of looks and the critic."""
    if case.ratios is None:
        raise ValueError("the case was read without keeping what each locus says")
    single = case.ratios.astype(np.float64)[case.codes + offsets]
    return np.concatenate([single, (case.log_likelihood - case.heads_only)[:, None]], 1)


def trusted(case: Case, calibration: Calibration, offsets: np.ndarray) -> Case:
    """The case with each part of its evidence weighed by the calibration's trust in it."""
    if not calibration.loci and calibration.together == 1.0:
        return case
    parts = evidence_by_part(case, offsets) * np.array([*(calibration.loci or [1.0] * len(offsets)), calibration.together])
    return replace(case, log_likelihood=parts.sum(1), heads_only=parts[:, :-1].sum(1))


def read_images(network: ReaderNetwork, images: Tensor) -> tuple[Outputs, Tensor]:
    """Read square photos uint8 (B, 3, h, h) as the reader does: find the animal, cut it out, read the cut.

    Returns the outputs and whether each photo was cut, bool (B,).
    """
    px, looking = network.shape.input_px, network.shape.looking_px
    device_type = images.device.type
    whole = torch.tensor([[0.5, 0.5, 1.0]], device=images.device).expand(len(images), 3)
    with torch.inference_mode(), torch.autocast(device_type, torch.bfloat16, enabled=device_type == "cuda"):
        source = images.float() / 255
        first = network(F.interpolate(source, (looking, looking), mode="bilinear", antialias=True, align_corners=False))
        boxes = stay_inside(boxes_of(first.mask.sigmoid(), MARGIN))
        small = boxes[:, 2] < WIDE_ENOUGH
        boxes = torch.where(small[:, None], boxes, whole)
        second = network(cut(source, boxes, px))
    return second, small


def read_batch(network: ReaderNetwork, tables: CrossTables, log_mix: Tensor, batch: Batch) -> list[Case]:
    """Cases of rendered photos."""
    outputs, _ = read_images(network, batch.images)
    ratios = divide_out_training_mix(outputs.looks.float(), log_mix, network.shape.n_classes).double().cpu()
    pairs, embedding = outputs.pairs.double().cpu(), network.pair_embedding.detach().double().cpu()
    critic, encoder = outputs.critic.double().cpu(), network.look_encoder
    encoder = None if encoder is None else copy.deepcopy(encoder).double().cpu().requires_grad_(False)
    offsets = tables.offsets.cpu()
    stages, visible, seeds = batch.stages.tolist(), batch.visible.tolist(), batch.truth.seeds.tolist()
    cases = []
    for row, (options, prior, truth) in enumerate(possible_calls(tables, batch.truth)):
        choice = torch.from_numpy(options)
        here = slice(row, row + 1)
        joint = joint_log_likelihood(ratios[here], pairs[here], embedding, choice, offsets, critic[here], encoder)[0]
        single = ratios[row][choice + offsets].sum(1)
        said = ratios[row].float().numpy()
        cases.append(Case(options, prior, joint.numpy(), single.numpy(), truth, stages[row], visible[row], seeds[row], said))
    return cases


def read_protocol(
    network: ReaderNetwork,
    tables: CrossTables,
    log_mix: Tensor,
    recipe: str,
    photo_set: str,
    count: int,
    *,
    seed: int,
    px: int,
    domain: str | Domain = "training",
    only_held_out: bool = False,
    note: Callable[[int], None] = lambda read: None,
) -> list[Case]:
    """`count` photos of a set, each of its own cross, rendered at `px` and read. Same arguments, same cases.

    With `only_held_out`, crosses are drawn until `count` animals show a combination kept out of training. `note` takes the
    number of photos read so far.
    """
    network.eval()
    if only_held_out:
        seeds = _held_out_seeds(tables, recipe, photo_set, count, seed)
    else:
        seeds = photo_seeds(photo_set, 0, count, seed, tables.device)
    cases: list[Case] = []
    for part in seeds.split(_AT_ONCE if tables.device == "cpu" else _AT_ONCE_ON_A_GPU):
        truth = draw_truth(tables, part, recipe, keep_out=False)
        cases += read_batch(network, tables, log_mix, draw_photos(truth, px, domain=domain))
        note(len(cases))
    return cases


def _held_out_seeds(tables: CrossTables, recipe: str, photo_set: str, count: int, seed: int) -> Tensor:
    """Seeds (count,) of photos that show a combination kept out of training, at most 256 from each 10,240 of the set: about one in
    25 does."""
    found, kept = torch.empty(0, dtype=torch.int64, device=tables.device), 256
    for first in itertools.count(0, 40 * kept):
        many = photo_seeds(photo_set, first, 40 * kept, seed, tables.device)
        shown = held_out(tables, draw_truth(tables, many, recipe, keep_out=False).codes)
        found = torch.cat([found, many[shown][:kept]])
        if len(found) >= count:
            return found[:count]


def posterior(case: Case, beta: float, eps: float, use: str = "both") -> np.ndarray:
    """Posterior over the calls of a case (n,). `use`: "both", "parents only", "photo only" or "heads only"."""
    log_likelihood = temper(case.heads_only if use == "heads only" else case.log_likelihood, beta, eps)
    prior = np.full(len(case.prior), 1 / len(case.prior)) if use == "photo only" else case.prior
    weight = prior.copy() if use == "parents only" else prior * np.exp(log_likelihood - log_likelihood.max())
    return weight / weight.sum()


def expected_calibration_error(p: np.ndarray, right: np.ndarray, bins: int = 15) -> float:
    """Mean gap between stated and observed share right, weighted by bin, bins of equal width (Guo et al. 2017, eq. 3)."""
    place = np.minimum((p * bins).astype(int), bins - 1)
    gap = 0.0
    for number in range(bins):
        here = place == number
        if here.any():
            gap += here.mean() * abs(p[here].mean() - right[here].mean())
    return float(gap)


def ece_by_chance(p: np.ndarray, draws: int = 400, seed: int = 0) -> tuple[float, float]:
    """Median and 95th percentile of the ECE if every stated chance `p` (n,) of the best call were exactly right.

    A finite number of photos leaves gaps in the bins by luck alone; the outcomes are drawn `draws` times from the chances
    themselves (consistency resampling: Broecker and Smith 2007, Weather and Forecasting 22, 651-661).
    """
    random = np.random.default_rng(seed)
    found = [expected_calibration_error(p, (random.random(len(p)) < p).astype(float)) for _ in range(draws)]
    return float(np.median(found)), float(np.percentile(found, 95))


def best_chances(cases: list[Case], beta: float, eps: float) -> np.ndarray:
    """Posterior of the likeliest call of each case (n,)."""
    return np.array([posterior(case, beta, eps).max() for case in cases])


def luck_of(cases: list[Case], beta: float, eps: float) -> dict[str, float]:
    """`ece_by_chance` of the likeliest calls of cases: "median" and "95 %", for files of figures."""
    median, high = ece_by_chance(best_chances(cases, beta, eps))
    return {"median": round(median, 4), "95 %": round(high, 4)}


def brier_score(p: np.ndarray, truth: int | np.ndarray) -> float:
    """Sum over classes of squared error, one case or the mean over rows."""
    p = np.atleast_2d(p)
    one_hot = np.zeros_like(p)
    one_hot[np.arange(len(p)), np.atleast_1d(truth)] = 1
    return float(((p - one_hot) ** 2).sum(1).mean())


def metrics(
    cases: list[Case], beta: float, eps: float, use: str = "both", shortlist: float | None = None
) -> dict[str, Any]:
    """Top-1, NLL, ECE, Brier, calls above 95 % and how many of those are wrong; with `shortlist`, its coverage."""
    posteriors = [posterior(case, beta, eps, use) for case in cases]
    top = np.array([p.max() for p in posteriors])
    # equal chances share the point: without a photo the likeliest calls are often tied
    right = np.array([(p[c.truth] >= p.max() - 1e-12) / (p >= p.max() - 1e-12).sum() for p, c in zip(posteriors, cases)])
    at_truth = np.array([p[c.truth] for p, c in zip(posteriors, cases)])
    sure = top > 0.95
    found = {
        "n": len(cases),
        "top1": float(right.mean()),
        "nll": float(-np.log(at_truth).mean()),
        "ece": expected_calibration_error(top, right),
        "brier": float(np.mean([brier_score(p, c.truth) for p, c in zip(posteriors, cases)])),
        "above_95": float(sure.mean()),
        "wrong_above_95": float(1 - right[sure].mean()) if sure.any() else 0.0,
        "calls_median": float(np.median([len(p) for p in posteriors])),
    }
    if shortlist is not None:
        above = [mass_above(p) for p in posteriors]
        found["shortlist_coverage"] = float(np.mean([a[c.truth] <= shortlist for a, c in zip(above, cases)]))
        found["shortlist_size"] = float(np.mean([(a <= shortlist).sum() for a in above]))
    return {name: round(value, 4) if isinstance(value, float) else value for name, value in found.items()}


def quartiles(values: Sequence[float]) -> dict[str, float]:
    """Number of values and their quartiles, three decimals.

    >>> quartiles([0.0, 0.1, 0.2, 0.3, 0.4])
    {'n': 5, 'lower quartile': 0.1, 'median': 0.2, 'upper quartile': 0.3}
    """
    low, middle, high = np.quantile(np.asarray(values, np.float64), (0.25, 0.5, 0.75))
    return {"n": len(values), "lower quartile": round(float(low), 3), "median": round(float(middle), 3),
            "upper quartile": round(float(high), 3)}  # fmt: skip


def grouped(values: Iterable[Value], names: Iterable[str]) -> dict[str, list[Value]]:
    """The values of each name, in the order in which names first appear."""
    found: dict[str, list[Value]] = {}
    for value, name in zip(values, names, strict=True):
        found.setdefault(name, []).append(value)
    return found


def groups(cases: list[Case], beta: float, eps: float, names: list[str]) -> dict[str, dict[str, Any]]:
    """`metrics` per group that has a case, sorted by name."""
    return {name: metrics(part, beta, eps) for name, part in sorted(grouped(cases, names).items())}


def share_in_words(share: float) -> str:
    """The quarter in which the share of the body lies that is seen, one of SHARES_SEEN."""
    return SHARES_SEEN[(share >= 0.25) + (share >= 0.5) + (share >= 0.75)]
