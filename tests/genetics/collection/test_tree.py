"""The kept junction tree by itself: many messages at once, weights told and taken back, cavities, joining."""

import numpy as np
import pytest

from triage.genetics.collection.graph import Factor, TooWide
from triage.genetics.collection.tree import Tree


def chain(lengths, seed=0):
    """Variables in a row with drawn tables between neighbours, and the whole product beside it."""
    draw = np.random.default_rng(seed)
    sizes = dict(enumerate(lengths))
    factors = {n: Factor((n, n + 1), draw.uniform(0.1, 1, (lengths[n], lengths[n + 1]))) for n in range(len(lengths) - 1)}
    return sizes, factors


def whole(sizes, factors, weights=()):
    """The product over all variables, an axis for each."""
    table = np.ones([sizes[v] for v in sorted(sizes)])
    for factor in factors:
        table = table * np.expand_dims(factor.table, [a for a in range(table.ndim) if a not in factor.variables])
    for variable, weight in weights:
        table = table * np.expand_dims(weight, [a for a in range(table.ndim) if a != variable])
    return table


def marginal(table, variable):
    found = table.sum(tuple(a for a in range(table.ndim) if a != variable))
    return found / found.sum()


def test_what_is_told_counts_and_can_be_taken_back():
    sizes, factors = chain([2, 3, 2, 4])
    tree = Tree.of(sizes, list(sizes), factors, 10_000)
    tree.settle()
    weight, other = np.array([0.2, 1.0, 0.0]), np.array([1.0, 0.5, 0.25])
    told = tree.copy()
    told.tell(1, "one", weight)
    told.tell(1, "two", other)
    moved = told.settle()
    product = whole(sizes, factors.values(), [(1, weight), (1, other)])
    assert set(moved) == set(sizes)
    assert told.log_total == pytest.approx(np.log(product.sum()), abs=1e-12)
    for variable in sizes:
        assert told.marginal(variable) == pytest.approx(marginal(product, variable), abs=1e-12)
    without_two = marginal(whole(sizes, factors.values(), [(1, weight)]), 1)
    without_one = marginal(whole(sizes, factors.values(), [(1, other)]), 1)
    assert told.cavities(1)["two"] == pytest.approx(without_two, abs=1e-12)
    assert told.cavities(1)["one"] == pytest.approx(without_one, abs=1e-12)  # though all together it excludes a state
    told.tell(1, "one", None)
    told.tell(1, "two", None)
    told.settle()
    plain = whole(sizes, factors.values())
    for variable in sizes:
        assert tree.marginal(variable) == pytest.approx(marginal(plain, variable), abs=1e-12)  # the copied tree never moved
        assert told.marginal(variable) == pytest.approx(marginal(plain, variable), abs=1e-9)


def test_trees_join_and_take_factors_that_tie_them_in_a_ring():
    sizes, factors = chain([2, 3, 2, 2, 3, 2])
    first = Tree.of({v: sizes[v] for v in (0, 1, 2)}, [0, 1, 2], {0: factors[0], 1: factors[1]}, 1000)
    second = Tree.of({v: sizes[v] for v in (3, 4, 5)}, [3, 4, 5], {3: factors[3], 4: factors[4]}, 1000)
    first.settle(), second.settle()
    ring = Factor((5, 0), np.array([[1.0, 0.3], [0.2, 0.9]]))
    first.join(second)
    first.add("tie", factors[2], 1000)
    first.add("ring", ring, 1000)
    first.settle()
    product = whole(sizes, [*factors.values(), Factor((0, 5), ring.table.T)])
    assert first.log_total == pytest.approx(np.log(product.sum()), abs=1e-12)
    for variable in sizes:
        assert first.marginal(variable) == pytest.approx(marginal(product, variable), abs=1e-12)
    first.drop("ring")
    first.settle()
    for variable in sizes:
        assert first.marginal(variable) == pytest.approx(marginal(whole(sizes, factors.values()), variable), abs=1e-12)
    with pytest.raises(TooWide, match="36 numbers"):
        first.copy().add("wide", Factor((1, 4, 5), np.ones((3, 3, 2))), 30)


@pytest.mark.parametrize("count", [39, 40, 41, 500])
def test_hundreds_of_messages_neither_underflow_nor_lose_one(count):
    """Half say one thing and half the other, a thousand to one each: together they say nothing, but for the last."""
    sizes = {"hub": 2}
    factors = {}
    for number in range(2 * count):
        sizes[number] = 2
        odds = np.array([[1.0, 1e-3], [1e-3, 1.0]]) if number % 2 else np.array([[1e-3, 1.0], [1.0, 1e-3]])
        factors[number] = Factor(("hub", number), odds)
        factors["seen", number] = Factor((number,), np.array([1.0, 0.0]))
    factors["last"] = Factor(("hub",), np.array([0.3, 0.7]))
    tree = Tree.of(sizes, list(sizes), factors, 1000)
    tree.settle()
    assert tree.marginal("hub") == pytest.approx([0.3, 0.7], abs=1e-9)
    assert tree.log_total == pytest.approx(count * np.log(1e-3), rel=1e-12)
    tree.drop(("seen", 0))  # a child that is unsure what it saw: what all others say reaches it
    tree.settle()
    without = np.array([0.3, 0.7]) * [1e3, 1.0]  # the one left out spoke for the second state, so the first gains
    expected = (without / without.sum()) @ factors[0].table
    assert tree.marginal(0) == pytest.approx(expected / expected.sum(), abs=1e-9)
    weights = tree.copy()
    for number in range(2 * count):
        weights.tell("hub", number, np.array([1.0, 1e-3]) if number % 2 else np.array([1e-3, 1.0]))
    weights.settle()
    assert weights.marginal("hub") == pytest.approx(tree.marginal("hub"), abs=1e-9)
    assert weights.log_total - tree.log_total == pytest.approx(count * np.log(1e-3), rel=1e-9)


def test_nothing_possible_is_said():
    tree = Tree.of({0: 2}, [0], {0: Factor((0,), np.array([1.0, 0.0])), 1: Factor((0,), np.array([0.0, 1.0]))}, 10)
    assert tree.settle() is None
