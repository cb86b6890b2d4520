"""Shares from mating dates. The rule is this project's own (common practice, no source); stored sperm is published."""

from datetime import date, timedelta
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from triage.genetics.clutch.sires import mating_weight, shares_from_dates

LAID = date(2031, 4, 1)


def before(days):
    return LAID - timedelta(days=days)


@pytest.mark.parametrize(
    ("days", "weight"),
    [
        (-1, 0),
        (0, Fraction(1, 50)),
        (15, Fraction(1, 2)),
        (30, 1),
        (90, 1),
        (150, 1),
        (195, 1 - Fraction(1, 2) * Fraction(49, 50)),
        (240, Fraction(1, 50)),
        (5 * 365, Fraction(1, 50)),
    ],
)
def test_weight_of_one_mating(days, weight):
    """After five years alone a snake had 19 young (Booth and Schuett 2011): a past mate keeps a weight above 0."""
    assert mating_weight(days) == weight


@given(st.integers(0, 4000))
def test_weight_rises_to_the_window_and_falls_behind_it(days):
    assert 0 < mating_weight(days) <= 1
    if days < 150:
        assert mating_weight(days) <= mating_weight(days + 1)
    else:
        assert mating_weight(days) >= mating_weight(days + 1)


def test_shares():
    shares = shares_from_dates({"Basil": [before(60), before(90)], "Thyme": [before(100)]}, LAID)
    assert shares == {"Basil": Fraction(2, 3), "Thyme": Fraction(1, 3)}
    late = shares_from_dates({"Basil": [before(60)], "Thyme": [before(-3)]}, LAID)
    assert late == {"Basil": 1, "Thyme": 0}
    stored = shares_from_dates({"Basil": [before(60)], "Thyme": [before(700)]}, LAID)
    assert stored == {"Basil": Fraction(50, 51), "Thyme": Fraction(1, 51)}


@given(st.dictionaries(st.text(min_size=1, max_size=3), st.lists(st.integers(0, 800), min_size=1, max_size=4), min_size=1, max_size=5))
def test_shares_sum_to_one_exactly(days):
    shares = shares_from_dates({name: [before(d) for d in own] for name, own in days.items()}, LAID)
    assert sum(shares.values()) == 1
    assert set(shares) == set(days)


@pytest.mark.parametrize("matings", [{}, {"Basil": []}, {"Basil": [before(-1)]}])
def test_no_mating_before_laying_is_refused(matings):
    with pytest.raises(ValueError, match="no mating lies before the day of laying"):
        shares_from_dates(matings, LAID)
