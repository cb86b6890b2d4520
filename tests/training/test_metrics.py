"""Calibration figures against published toy values and outside libraries; conformal coverage against its law."""

from dataclasses import replace

import numpy as np
import pytest

from triage.training.calibrate import (
    choose_spread,
    fit_photo_exponent,
    fit_temper,
    fit_trust,
    join_photos,
    mean_nll,
    shortlist_limit,
)
from triage.training.protocol import (
    Case,
    best_chances,
    brier_score,
    ece_by_chance,
    expected_calibration_error,
    groups,
    metrics,
    posterior,
    trusted,
)
from triage.vision.likelihood import Calibration


def test_ece_equals_the_torchmetrics_docstring():
    """torchmetrics, BinaryCalibrationError, norm l1, two bins: 0.2900. That one bins the positive class's probability."""
    p, y = np.array([0.25, 0.25, 0.55, 0.75, 0.75]), np.array([0.0, 0.0, 1.0, 1.0, 1.0])
    assert expected_calibration_error(p, y, bins=2) == pytest.approx(0.29, abs=1e-4)


def test_multiclass_ece_equals_the_torchmetrics_docstring():
    """torchmetrics, MulticlassCalibrationError, norm l1, three bins: 0.2000."""
    p = np.array([[0.25, 0.20, 0.55], [0.55, 0.05, 0.40], [0.10, 0.30, 0.60], [0.90, 0.05, 0.05]])
    y = np.array([0, 1, 2, 0])
    assert expected_calibration_error(p.max(1), (p.argmax(1) == y).astype(float), bins=3) == pytest.approx(
        0.2, abs=1e-4
    )


def test_luck_alone_gives_the_binomial_law_of_the_ece():
    """All chances alike, so the ECE is the gap of one binomial share: scipy.stats.binom gives its quantiles."""
    stats = pytest.importorskip("scipy.stats")
    n, p = 400, 0.7
    gaps = np.abs(np.arange(n + 1) / n - p)
    order = np.argsort(gaps)
    law = np.cumsum(stats.binom.pmf(np.arange(n + 1), n, p)[order])
    median, high = ece_by_chance(np.full(n, p), draws=4000)
    assert median == pytest.approx(gaps[order][np.searchsorted(law, 0.5)], abs=0.0026)
    assert high == pytest.approx(gaps[order][np.searchsorted(law, 0.95)], abs=0.0051)
    assert ece_by_chance(np.full(4 * n, p), draws=1000)[0] == pytest.approx(median / 2, rel=0.15)
    assert ece_by_chance(np.ones(n)) == (0.0, 0.0)


def test_brier_equals_the_scikit_learn_docstring():
    """scikit-learn, brier_score_loss: 0.0375 for the positive class alone, so 0.075 over both classes."""
    p = np.array([0.1, 0.9, 0.8, 0.3])
    both = np.stack([1 - p, p], 1)
    assert brier_score(both, np.array([0, 1, 1, 0])) == pytest.approx(0.075)
    sklearn = pytest.importorskip("sklearn.metrics")
    assert brier_score(both, np.array([0, 1, 1, 0])) == pytest.approx(2 * sklearn.brier_score_loss([0, 1, 1, 0], p))


def case(log_likelihood, prior, truth, codes=None):
    n = len(prior)
    codes = np.arange(n)[:, None] if codes is None else codes
    log_likelihood = np.asarray(log_likelihood, float)
    return Case(codes, np.asarray(prior, float), log_likelihood, log_likelihood, truth, 0, 1.0)


def test_nll_equals_scikit_learn():
    sklearn = pytest.importorskip("sklearn.metrics")
    generator = np.random.default_rng(0)
    cases = [case(generator.normal(size=4), [0.25] * 4, int(generator.integers(4))) for _ in range(50)]
    p = np.array([posterior(c, 1.0, 1e-12) for c in cases])
    wanted = sklearn.log_loss([c.truth for c in cases], p, labels=range(4))
    assert metrics(cases, 1.0, 1e-12)["nll"] == pytest.approx(wanted, abs=1e-4)
    assert mean_nll(cases, 1.0, 1e-12) == pytest.approx(wanted, abs=1e-9)


def test_posterior_is_bayes_rule():
    one = case(np.log([0.5, 0.1]), [0.25, 0.75], 0)
    assert posterior(one, 1.0, 1e-15)[0] == pytest.approx(0.5 * 0.25 / (0.5 * 0.25 + 0.1 * 0.75))
    assert posterior(one, 1.0, 1e-15, "parents only") == pytest.approx([0.25, 0.75])
    assert posterior(one, 1.0, 1e-15, "photo only")[0] == pytest.approx(5 / 6)


def test_ties_share_the_point():
    assert metrics([case([0, 0, 0, 0], [0.25] * 4, 2)], 1.0, 0.01)["top1"] == pytest.approx(0.25)


def drawn_cases(n, beta, seed=0):
    """Cases whose truth follows the posterior at `beta`, so that exponent is the right one."""
    generator = np.random.default_rng(seed)
    found = []
    for _ in range(n):
        k = int(generator.integers(2, 9))
        c = case(generator.normal(size=k) * 3, generator.dirichlet(np.ones(k)), 0)
        found.append(case(c.log_likelihood, c.prior, int(generator.choice(k, p=posterior(c, beta, 1e-3)))))
    return found


def test_fitting_recovers_a_known_exponent_and_never_raises_nll():
    """Over-confident logits are cooled (Guo et al. 2017): direction and size are known here by construction."""
    cases = drawn_cases(1200, 0.4)
    beta, eps = fit_temper(cases)
    assert beta == pytest.approx(0.4, abs=0.08) and eps < 0.1
    assert mean_nll(cases, beta, eps) <= mean_nll(cases, 1.0, 1e-3)


def test_identical_photos_add_nothing():
    singles = drawn_cases(400, 1.0, seed=3)
    assert fit_photo_exponent([[c, c, c] for c in singles], 1.0, 1e-3) >= 0.85
    assert np.allclose(join_photos([singles[0]] * 3, 1.0).log_likelihood, singles[0].log_likelihood)


def test_shortlist_coverage_follows_its_beta_law():
    """Coverage over calibration draws is Beta(n+1-k, k): for n = 1000, missed 0.1, k = 100: mean .9001, sd .00947,
    5-95 % .8841-.9152 (SOURCES: Vovk et al. 2005; Angelopoulos and Bates, arXiv 2107.07511)."""
    generator = np.random.default_rng(7)
    coverage = np.array([shortlist_limit(generator.random(1000), 0.1) for _ in range(2000)])
    assert coverage.mean() == pytest.approx(0.9001, abs=0.001) and coverage.std() == pytest.approx(0.00947, rel=0.08)
    assert np.percentile(coverage, [5, 95]) == pytest.approx([0.8841, 0.9152], abs=0.002)
    stats = pytest.importorskip("scipy.stats")
    assert stats.kstest(coverage, stats.beta(901, 100).cdf).pvalue > 0.01


def test_too_few_crosses_give_a_shortlist_of_everything():
    assert shortlist_limit(np.array([0.5, 0.9]), 0.05) == 1.0


def test_groups_cover_all_cases():
    cases = drawn_cases(20, 1.0)
    found = groups(cases, 1.0, 0.01, ["a" if i % 3 else "b" for i in range(20)])
    assert found["a"]["n"] + found["b"]["n"] == 20


def two_by_two_by_two(n, trust, together, seed=0):
    """Cases over eight calls of three loci with two looks each; the truth follows the posterior at these trusts."""
    generator = np.random.default_rng(seed)
    offsets, codes = np.array([0, 2, 4]), np.stack(np.meshgrid([0, 1], [0, 1], [0, 1], indexing="ij"), -1).reshape(8, 3)
    found = []
    for _ in range(n):
        ratios = np.float32(generator.normal(size=6) * 2)
        single = ratios.astype(float)[codes + offsets].sum(1)
        more = generator.normal(size=8)
        one = Case(codes, generator.dirichlet(np.ones(8)), single + more, single, 0, 0, 1.0, -1, ratios)
        said = trusted(one, Calibration(1.0, 1e-3, 0.0, 1.0, "", trust, together), offsets)
        found.append(replace(one, truth=int(generator.choice(8, p=posterior(said, 1.0, 1e-3)))))
    return found, offsets


def test_trust_by_locus_is_found_where_it_is_known():
    """Direction and size are known by construction; the prior of the fit pulls a little towards 1."""
    cases, offsets = two_by_two_by_two(2500, (0.4, 1.0, 1.5), 0.6)
    loci, together = fit_trust(cases, 1.0, 1e-3, offsets, 0.5)
    assert loci == pytest.approx((0.4, 1.0, 1.5), abs=0.15) and together == pytest.approx(0.6, abs=0.15)


def test_trust_is_the_most_probable_one():
    """The same objective from `mean_nll`, case by case, minimised by scipy without gradients."""
    optimize = pytest.importorskip("scipy.optimize")
    cases, offsets = two_by_two_by_two(60, (0.5, 1.0, 1.0), 0.7, seed=2)

    def objective(z):
        said = Calibration(0.8, 1e-2, 0.0, 1.0, "", tuple(np.exp(z[:3])), float(np.exp(z[3])))
        prior = (z**2).sum() / (2 * 0.35**2 * len(cases))
        return mean_nll([trusted(c, said, offsets) for c in cases], 0.8, 1e-2) + prior

    wanted = np.exp(optimize.minimize(objective, np.zeros(4), method="Powell", options={"xtol": 1e-5, "ftol": 1e-10}).x)
    loci, together = fit_trust(cases, 0.8, 1e-2, offsets, 0.35)
    assert (*loci, together) == pytest.approx(tuple(wanted), abs=2e-3)


def test_the_spread_is_small_where_all_are_to_be_trusted_alike_and_large_where_not():
    alike, offsets = two_by_two_by_two(600, (1.0, 1.0, 1.0), 1.0, seed=4)
    unlike, _ = two_by_two_by_two(600, (0.2, 1.0, 2.0), 0.3, seed=4)
    assert choose_spread(alike, 1.0, 1e-3, offsets) == 0
    assert choose_spread(unlike, 1.0, 1e-3, offsets) >= 0.25


def test_each_part_of_the_evidence_is_weighed_by_its_own_trust():
    """By hand: two loci of two looks; the second locus at half, pairs and critic at a tenth."""
    codes = np.array([[0, 0], [0, 1], [1, 0], [1, 1]])
    ratios = np.float32([0.0, 2.0, 0.0, -4.0])
    single = np.array([0.0, -4.0, 2.0, -2.0])
    one = Case(codes, np.full(4, 0.25), single + np.array([0.0, 0.0, 0.0, 10.0]), single, 0, 0, 1.0, -1, ratios)
    found = trusted(one, Calibration(1.0, 0.1, 0.0, 1.0, "", (1.0, 0.5), 0.1), np.array([0, 2]))
    assert found.heads_only == pytest.approx([0.0, -2.0, 2.0, 0.0])
    assert found.log_likelihood == pytest.approx([0.0, -2.0, 2.0, 1.0])
    assert trusted(one, Calibration(1.0, 0.1, 0.0, 1.0, ""), np.array([0, 2])) is one


def test_a_case_of_which_no_part_was_kept_cannot_be_weighed():
    with pytest.raises(ValueError, match="without keeping"):
        trusted(case([0.0, 1.0], [0.5, 0.5], 0), Calibration(1.0, 0.1, 0.0, 1.0, "", (0.5,)), np.array([0]))


def test_the_best_calls_chances_are_those_the_figures_use():
    cases = [case([0.0, 2.0, -1.0], [0.5, 0.25, 0.25], truth) for truth in (0, 1, 1, 2)]
    weight = np.array([0.5, 0.25 * np.exp(2.0), 0.25 * np.exp(-1.0)])
    assert best_chances(cases, 1.0, 1e-12) == pytest.approx([weight.max() / weight.sum()] * 4)
