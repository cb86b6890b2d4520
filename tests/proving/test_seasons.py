"""Egg counts against scipy, and the earliest dates by hand."""

from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize, stats

from triage.errors import CatalogueError
from triage.proving.plans.seasons import BreedingRules, EggCount, Season, earliest_dates
from triage.records import Sex
from triage.species import load_species

RULES = BreedingRules.rule_of_thumb()


def test_published_clutch_size():
    """4 to 15 eggs, mean 8.1: Gorzula, Nsiah and Oduro 1997 (survey of the royal python in Ghana). Captive clutches of one to
    three eggs happen (common practice, no source): about 4 % here, so the survey's smallest bars none."""
    eggs = EggCount.of_species(load_species("ball python"))
    assert eggs.mean == pytest.approx(8.1, abs=1e-9)
    assert [n for n, p in enumerate(eggs.chances) if p > 0] == list(range(1, 16))
    kept = stats.poisson.pmf(range(1, 16), rate := optimize.brentq(lambda r: _mean_of_kept(r) - 8.1, 1, 20))
    assert eggs.chances[1:] == pytest.approx(kept / kept.sum(), abs=1e-9)
    assert 8.1 < rate < 8.3 and sum(eggs.chances[1:4]) == pytest.approx(0.0375, abs=5e-4)


def _mean_of_kept(rate):
    counts = np.arange(1, 16)
    kept = stats.poisson.pmf(counts, rate)
    return counts @ kept / kept.sum()


@given(st.integers(0, 5), st.integers(2, 20), st.floats(0.02, 0.98))
def test_truncated_poisson_against_scipy(smallest, width, at):
    """scipy.stats.poisson, cut to the bounds, its rate found by scipy.optimize.brentq."""
    largest = smallest + width
    mean = smallest + at * width
    counts = np.arange(smallest, largest + 1)

    def kept(log_rate):
        log_weights = stats.poisson.logpmf(counts, np.exp(log_rate))
        weights = np.exp(log_weights - log_weights.max())
        return weights / weights.sum()

    log_rate = optimize.brentq(lambda x: kept(x) @ counts - mean, -12, 12, xtol=1e-14)
    found = EggCount.truncated_poisson(mean, smallest, largest)
    assert found.chances[smallest:] == pytest.approx(kept(log_rate), abs=1e-9)


@pytest.mark.parametrize(("mean", "smallest", "largest"), [(4, 4, 15), (15, 4, 15), (3, 4, 15), (5, -1, 9)])
def test_a_mean_outside_the_bounds_is_refused(mean, smallest, largest):
    with pytest.raises(ValueError, match="must lie between"):
        EggCount.truncated_poisson(mean, smallest, largest)


def test_species_without_a_clutch_size_is_refused():
    with pytest.raises(CatalogueError, match=r"corn snake: its file states no clutch size.*needed: clutch_mean"):
        EggCount.of_species(load_species("corn snake"))


def test_eggs_of_a_season_against_scipy():
    """Females that lay: scipy.stats.binom; with n eggs each the season's eggs are n times that."""
    season = Season(EggCount.exactly(6), p_lays=0.7, n_females=3)
    expected = np.zeros(19)
    expected[::6] = stats.binom.pmf(range(4), 3, 0.7)
    assert season.eggs.chances == pytest.approx(expected, abs=1e-12)
    mixed = Season(EggCount((0.0, 0.5, 0.5)), p_lays=0.5, n_females=2)
    one = [0.5, 0.25, 0.25]
    by_hand = [sum(one[i] * one[n - i] for i in range(3) if 0 <= n - i < 3) for n in range(5)]
    assert mixed.eggs.chances == pytest.approx(by_hand, abs=1e-15)


@pytest.mark.parametrize(
    ("sex", "hatched", "today", "mass_g", "paired", "waits_for"),
    [
        # 365 days old on 1 August 2027; pairings begin in November.
        (Sex.MALE, date(2026, 8, 1), date(2026, 11, 25), None, date(2027, 11, 1), "the season"),
        # 300 g short at 40 g a month: 7.5 months of 30.4375 days are 228.3, so 229 days.
        (Sex.MALE, date(2025, 8, 1), date(2026, 4, 25), 200, date(2026, 12, 10), "mass"),
        (Sex.MALE, date(2025, 8, 1), date(2026, 11, 25), 600, date(2026, 11, 25), "nothing"),
        (Sex.FEMALE, date(2024, 7, 1), date(2026, 11, 25), 1600, date(2026, 12, 31), "age"),
        (Sex.FEMALE, date(2024, 1, 1), date(2026, 11, 25), 1450, date(2026, 12, 26), "mass"),
    ],
)
def test_earliest_dates(sex, hatched, today, mass_g, paired, waits_for):
    """Ages and masses: common practice, no source; the dates by hand."""
    found = earliest_dates(sex, hatched, today, RULES, mass_g=mass_g)
    assert (found.paired, found.waits_for) == (paired, waits_for)
    assert (found.hatched - paired).days == 90 + 58
    assert found.years_from(today) == pytest.approx((found.first_shed - today).days / 365.25)


def test_rules_are_settings():
    later = BreedingRules({Sex.MALE: 730}, {Sex.MALE: 0}, {Sex.MALE: 1}, season_starts=1, season_months=12)
    found = earliest_dates(Sex.MALE, date(2026, 8, 1), date(2026, 11, 25), later)
    assert found.paired == date(2028, 7, 31)
