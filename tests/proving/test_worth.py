"""Holding against selling: closed forms, a recursion that shares no code with it, and scipy. Every price is invented and round."""

import itertools
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from triage.proving.plans.egg_table import HeldBack, Mate, egg_table
from triage.proving.plans.seasons import EggCount, Season
from triage.proving.plans.worth import Costs, LabelPrices, decide, hold
from triage.records import Sex
from triage.species import load_species, parse_parent

SPECIES = load_species("ball python")
SEASON = Season(EggCount.exactly(6), p_lays=0.8, p_slug=0.1, p_lost=0.05)
PRICES = LabelPrices(
    of="het clown", proved={"het clown": 300.0, "no clown": 50.0}, possible={0.66: 120.0, 0.5: 100.0}, plain=50.0
)
COSTS = Costs(
    keeping_per_year=40, breeding_per_season=10, p_death_per_year=0.1, discount_per_year=0.05, years_until_first_result=1.5
)


def table(animal="66% het clown", other="clown", season=SEASON):
    held = HeldBack.of(SPECIES, parse_parent(SPECIES, animal, name="A4", sex=Sex.MALE))
    return egg_table(held, Mate(parse_parent(SPECIES, other, name="mate", sex=Sex.FEMALE)), season)


def p_end(found, end):
    return math.fsum(one.probability for one in found.ends if one.end == end)


def test_one_certain_season_in_closed_form():
    """n young of a visual: he shows it with chance p (1 - 2^-n); no death, no discount."""
    p, n = 2 / 3, 6
    season = Season(EggCount.exactly(n), p_lays=1, p_slug=0, p_lost=0)
    found = hold(table(season=season), season, PRICES, Costs(40, 10, years_until_first_result=2), n_seasons=1)
    proved = p * (1 - 0.5**n)
    assert p_end(found, "het clown") == pytest.approx(proved)
    assert found.mean == pytest.approx(proved * 300 + (1 - proved) * 50 - 2 * 40 - 10)
    low, high = 50 - 90, 300 - 90
    assert (found.quantile(0.1), found.quantile(0.9)) == (low, high)
    assert found.p_above(120) == pytest.approx(proved)


def recursion(p, season_at, eggs_plain, money, alive, years, n_seasons):
    """Mean money of holding by plain recursion over seasons: number of plain young so far is all that matters."""
    step = COSTS.years_until_first_result if season_at == 0 else 1.0
    years += step
    money -= (COSTS.keeping_per_year * step + COSTS.breeding_per_season) / 1.05**years
    survives = 0.9**step
    total = alive * (1 - survives) * money
    for n_eggs, p_eggs in ((0, 0.2), (6, 0.8)):
        for young in range(n_eggs + 1):
            p_young = p_eggs * stats.binom.pmf(young, n_eggs, 0.9 * 0.95)
            shows = p * (1 - 0.5**young)
            weight = alive * survives * p_young
            total += weight * shows * (money + 300 / 1.05**years)
            plain = eggs_plain + young
            left = p * 0.5**young / (1 - shows)
            if left <= 0.05 + 1e-12:
                total += weight * (1 - shows) * (money + 50 / 1.05**years)
            elif season_at + 1 == n_seasons:
                price = 120 if left >= 0.66 else 100 if left >= 0.5 - 1e-9 else 50
                total += weight * (1 - shows) * (money + price / 1.05**years)
            else:
                total += recursion(left, season_at + 1, plain, money, weight * (1 - shows), years, n_seasons)
    return total


@pytest.mark.parametrize("n_seasons", [1, 2, 3])
def test_mean_by_recursion(n_seasons):
    """With deaths, discount, slugs and seasons without a clutch; scipy.stats.binom for the young."""
    found = hold(table(), SEASON, PRICES, COSTS, n_seasons=n_seasons)
    assert sum(e.probability for e in found.ends) == pytest.approx(1, abs=1e-12)
    assert found.mean == pytest.approx(recursion(2 / 3, 0, 0, 0.0, 1.0, 0.0, n_seasons), abs=1e-8)


def test_chance_of_death():
    found = hold(table(), SEASON, PRICES, COSTS, n_seasons=1)
    assert p_end(found, "died") == pytest.approx(1 - 0.9**1.5)
    assert min(e.money for e in found.ends) == pytest.approx(-(40 * 1.5 + 10) / 1.05**1.5)


def test_young_count_at_their_mean():
    """A season's mean: 6 eggs x 0.8 x 0.855 young; of a het half are visual. Invented: 80 a visual, 20 a plain one."""
    costs = Costs(0)
    without = hold(table(), SEASON, PRICES, costs, n_seasons=1)
    found = hold(table(), SEASON, PRICES, costs, n_seasons=1, price_of_young={"clown": 80.0, "normal": 20.0})
    young = 6 * 0.8 * 0.9 * 0.95
    assert found.mean - without.mean == pytest.approx(young * (2 / 3 * 50 + 1 / 3 * 20))


@pytest.mark.parametrize(
    ("chance", "price"), [(1.0, 120), (2 / 3, 120), (0.66, 120), (0.6599, 100), (0.5, 100), (0.4999, 50), (0.0, 50)]
)
def test_an_open_label_never_rounds_up(chance, price):
    assert PRICES.open(chance) == price


def test_flip_against_scipy():
    """scipy.optimize.brentq on the recursion finds the probability at which holding is worth today's price."""
    decision = decide(table(), SEASON, PRICES, COSTS, n_seasons=1)
    assert decision.sell_now == 120
    expected = optimize.brentq(lambda p: recursion(p, 0, 0, 0.0, 1.0, 0.0, 1) - 120, 0.5, 0.93, xtol=1e-10)
    assert decision.flips_at == pytest.approx((expected,), abs=1e-6)
    assert decision.hold == (decision.chance > expected)
    assert decision.gain == pytest.approx(decision.holding.mean - 120)


def test_decision_changes_across_the_flip():
    decision = decide(table(), SEASON, PRICES, COSTS, n_seasons=1)
    (flip,) = decision.flips_at
    for p, today, _, keep in decision.chart:
        assert (keep > today) == (p > flip), p


def test_no_flip_where_nothing_is_gained():
    """A proved het that sells like a plain animal is never worth a year's keeping."""
    worthless = LabelPrices("het clown", {"het clown": 50.0}, {}, 50.0)
    decision = decide(table(), SEASON, worthless, COSTS)
    assert decision.flips_at == () and not decision.hold
    assert "no chance of het clown would change the choice" in decision.words()[-1]


def test_words_say_both_sides():
    words = " ".join(decide(table(), SEASON, PRICES, Costs(1), n_seasons=2).words())
    assert words.startswith("Holding back is worth ")
    assert "against 120 today" in words and "66.7 %" in words
    assert decide(table(), SEASON, PRICES, Costs(500)).words()[0].startswith("Selling now is worth ")


def test_a_rare_end_is_under_one_percent_and_not_none():
    """A female that lays in 1 year of 200: 2/3 x 1/200 at most of a proved het, the one end above today's price."""
    season = Season(EggCount.exactly(6), p_lays=0.005, p_slug=0, p_lost=0)
    words = " ".join(decide(table(season=season), season, PRICES, Costs(1), n_seasons=1).words())
    assert "it ends above today's price with a chance of under 1 %" in words


def test_prices_of_something_else_are_refused():
    with pytest.raises(ValueError, match="'het piebald' is no answer in question; needed one of: het clown, no clown"):
        decide(table(), SEASON, LabelPrices("het piebald", {}, {}, 50.0), COSTS)


@given(st.integers(0, 200), st.integers(0, 200), st.floats(0, 0.5), st.floats(0, 0.3))
@settings(max_examples=25, deadline=None)
def test_dearer_places_deaths_and_delay_never_help(keeping, more, death, discount):
    def mean(cost, p_death, rate):
        return hold(table(), SEASON, PRICES, Costs(cost, 0, p_death, rate), n_seasons=2).mean

    base = mean(keeping, 0, 0)
    assert mean(keeping + more, 0, 0) <= base + 1e-9
    if keeping == 0:
        assert mean(0, death, 0) <= base + 1e-9
        assert mean(0, 0, discount) <= base + 1e-9


def test_ends_are_sorted_and_joined():
    ends = hold(table(), SEASON, PRICES, COSTS, n_seasons=3).ends
    assert all(a.money <= b.money for a, b in itertools.pairwise(ends))
    assert len({(e.money, e.end, e.years) for e in ends}) == len(ends)
