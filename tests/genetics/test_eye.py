"""An eye's rates from settled calls: scipy's Beta, a quadrature of the likelihood of `keeper_reading`, and simulated keepers."""

import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.stats import beta, dirichlet

from triage.genetics.eye import SettledCall, confusions, eye_rates, rate_of
from triage.genetics.readings import keeper_reading, ways_to_call
from triage.species import load_species, parse_call

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))
import bench_eye

SPECIES = load_species("ball python")
USUAL = {"accuracy": 0.9, "lookalike_share": 0.8}
POSSIBLE = bench_eye.calls_of(("yellow belly", "special", "enchi"))


def settled(true, called, possible=POSSIBLE):
    return SettledCall(SPECIES, parse_call(SPECIES, called), parse_call(SPECIES, true)[0], tuple(possible))


CALLS = [
    *[settled("yellow belly", "yellow belly")] * 8,
    *[settled("yellow belly", "normal")] * 3,
    settled("enchi", "normal"),
    settled("normal", "yellow belly enchi"),
    settled("yellow belly", "special"),
]


def test_the_ways_are_those_that_a_call_is_weighed_by():
    """accuracy, share and the three ways give the likelihood that sorting takes, whatever was called, possible or not."""
    for called in ("yellow belly", "normal", "clown", "special enchi", "pastel"):
        said = parse_call(SPECIES, called)
        reading = keeper_reading(SPECIES, said, POSSIBLE, accuracy=0.7, lookalike_share=0.6)
        for true, p in reading.likelihoods.items():
            ways = ways_to_call(SPECIES, said, true, POSSIBLE)
            if true in POSSIBLE:
                assert p == pytest.approx(0.7 * ways.right + 0.3 * (0.6 * ways.alike + 0.4 * ways.careless), abs=1e-15)


def test_the_ways_of_one_truth_sum_to_one_over_all_calls():
    for true in POSSIBLE:
        ways = [ways_to_call(SPECIES, (said,), true, POSSIBLE) for said in POSSIBLE]
        assert [sum(w.right for w in ways), sum(w.alike for w in ways), sum(w.careless for w in ways)] == pytest.approx([1, 1, 1])


def test_accuracy_is_a_beta():
    """8 of 14 right beside a prior of 9 in 10: Beta(17, 7), its ends by scipy.stats.beta."""
    rates = eye_rates(CALLS, **USUAL)
    assert (rates.calls, rates.right) == (14, 8)
    assert rates.accuracy.mean == pytest.approx(17 / 24)
    assert (rates.accuracy.low, rates.accuracy.high) == pytest.approx(beta(17, 7).interval(0.95))


def test_the_share_of_lookalikes_is_what_quadrature_of_the_likelihood_gives():
    """Prior Beta(4, 1) times P(call | truth) of every mistake, integrated by scipy.integrate.quad."""
    ways = [one.ways for one in CALLS if not one.is_right]
    assert any(w.alike > 0 for w in ways) and any(w.alike == 0 for w in ways)

    def density(s):
        return beta.pdf(s, 4, 1) * np.prod([s * w.alike + (1 - s) * w.careless for w in ways])

    total = quad(density, 0, 1, epsabs=0, epsrel=1e-12)[0]
    share = eye_rates(CALLS, **USUAL).lookalike_share
    assert share.mean == pytest.approx(quad(lambda s: s * density(s), 0, 1, epsabs=0, epsrel=1e-12)[0] / total, rel=1e-9)
    for end, p in ((share.low, 0.025), (share.high, 0.975)):
        assert end == pytest.approx(
            brentq(lambda s, p=p: quad(density, 0, s, epsabs=0, epsrel=1e-12)[0] / total - p, 0, 1), rel=1e-6
        )


def test_without_a_call_the_usual_rates_stand():
    rates = eye_rates([], **USUAL)
    assert (rates.accuracy.mean, rates.lookalike_share.mean) == pytest.approx((0.9, 0.8))
    assert (rates.lookalike_share.low, rates.lookalike_share.high) == pytest.approx(beta(4, 1).interval(0.95))


def test_many_mistakes_do_not_underflow():
    share = eye_rates([settled("normal", "yellow belly special enchi")] * 3000, **USUAL).lookalike_share
    assert 0 <= share.low < share.mean < share.high < 0.01


def test_what_was_taken_for_what():
    """3 of 12 yellow bellies for normal; one called special is another confusion; an enchi called normal counts among enchis."""
    found = {(one.true.name, one.taken_for.name): one for one in confusions(CALLS, **USUAL)}
    assert {names: (one.k, one.n) for names, one in found.items()} == {
        ("yellow belly", "normal"): (3, 12),
        ("yellow belly", "special"): (1, 12),
        ("enchi", "normal"): (1, 1),
        ("normal", "enchi yellow belly"): (1, 1),
    }
    one = found["yellow belly", "normal"]
    ways = ways_to_call(SPECIES, parse_call(SPECIES, "normal"), parse_call(SPECIES, "yellow belly")[0], POSSIBLE)
    usual = 0.1 * (0.8 * ways.alike + 0.2 * ways.careless)
    rest = np.array([10 * usual + 3, 10 * (1 - usual) + 9])  # the other calls of a Dirichlet, taken together
    assert one.rate.mean == pytest.approx(dirichlet(rest).mean()[0])


def test_a_rate_moves_from_the_usual_to_what_was_seen():
    few, many = rate_of(1, 2, 0.9), rate_of(500, 1000, 0.9)
    assert few.mean == pytest.approx(10 / 12) and many.mean == pytest.approx(0.504, abs=1e-3)
    assert many.high - many.low < few.high - few.low


def test_what_is_hidden_makes_no_mistake():
    """A white animal that carries pastel, called white: right, for nobody can see the pastel."""
    white, both = parse_call(SPECIES, "super mojave"), parse_call(SPECIES, "pastel super mojave")
    assert SettledCall(SPECIES, white, both[0], (*white, *both)).is_right


def test_simulated_keepers_lie_within_their_intervals_as_often_as_said():
    """400 drawn keepers; `tests/bench/bench_eye.py` has more. 93 to 97 in 100 of either rate."""
    within = bench_eye.coverage(np.random.default_rng(5), 400)
    assert all(0.93 <= one <= 0.97 for one in within)
