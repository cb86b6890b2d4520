"""A short run of the simulated keeper: its accounting, and what the plan is for."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

BENCH = Path(__file__).parents[1] / "bench" / "simulate_keeper.py"


@pytest.fixture(scope="module")
def bench():
    spec = importlib.util.spec_from_file_location("simulate_keeper", BENCH)
    module = importlib.util.module_from_spec(spec)
    sys.modules["simulate_keeper"] = module
    spec.loader.exec_module(module)
    yield module
    del sys.modules["simulate_keeper"]


@pytest.fixture(scope="module")
def found(bench):
    return bench.simulate(4, 20, bench.PRICE_LISTS[0], "genes that show", seed=1)


def test_wrong_labels_follow_from_how_often_a_look_is_misread(bench, found):
    """Sold as called: one look in five is misread (binomial, five standard deviations). Plan: at most what 95 % allows."""
    called = found["sell everything as called"]
    n, wrong = called["animals sold"].sum(), called["wrong labels sold"].sum()
    rate = 1 - bench.ACCURACY
    assert abs(wrong - n * rate) < 5 * np.sqrt(n * rate * (1 - rate))
    plan = found["plan"]
    n, wrong = plan["animals sold"].sum(), plan["wrong labels sold"].sum()
    assert 0 < wrong < n * 0.05 + 5 * np.sqrt(n * 0.05 * 0.95)


def test_the_plan_sells_fewer_wrong_labels_and_earns_more_once_they_come_back(bench, found):
    for way in bench.WAYS[:2]:
        assert (found["plan"]["wrong labels sold"] < found[way]["wrong labels sold"]).all()
        gain = found["plan"]["money after refunds"] - found[way]["money after refunds"]
        assert gain.mean() > 0


def test_selling_everything_proves_nothing(found):
    books = found["sell everything as called"]
    assert not books["held back"].any() and not books["hets proved"].any()
    assert found["plan"]["hets proved"].mean() > 1  # of one keeper it may be none: what is held back need not lay


def test_the_same_seed_gives_the_same_books(bench):
    lines = [bench.Line.of(*pairing) for pairing in bench.COLONIES["genes that hide"]]
    one, two = (bench.run(7, 3, bench.PRICE_LISTS[0], lines) for _ in range(2))
    assert {way: b.money for way, b in one.items()} == {way: b.money for way, b in two.items()}
