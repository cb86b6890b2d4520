"""Products of small tables, summed exactly: a junction tree by elimination, with a message each way along every edge.

Variables are numbers 0..n-1 with `sizes` states; a factor is a tuple of variables and an array with an axis for each. The
method is peeling (Elston and Stewart 1971; Cannings, Thompson and Skolnick 1978) on whatever graph there is, in the order of
least work, and both passes of Lauritzen and Spiegelhalter (1988), so that every marginal comes from one propagation.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Table = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Factor:
    """A table over some variables; `table.shape` is their sizes, in this order."""

    variables: tuple[int, ...]
    table: Table


@dataclass(frozen=True, slots=True)
class Propagated:
    """Marginals of every variable (1-d arrays that sum to 1), log of the sum of the whole product, and the largest table's size."""

    marginals: list[Table]
    log_total: float
    width: int


class TooWide(Exception):
    """The best order found needs a table of this many numbers."""

    def __init__(self, numbers: int) -> None:
        super().__init__(f"needs a table of {numbers:,} numbers")
        self.numbers = numbers


def components(n_variables: int, factors: Iterable[Factor]) -> list[list[int]]:
    """Groups of variables that no factor connects to others, each in ascending order."""
    root = list(range(n_variables))

    def find(x: int) -> int:
        while root[x] != x:
            root[x] = root[root[x]]
            x = root[x]
        return x

    for factor in factors:
        first = find(factor.variables[0])
        for other in factor.variables[1:]:
            root[find(other)] = first
    groups: dict[int, list[int]] = {}
    for variable in range(n_variables):
        groups.setdefault(find(variable), []).append(variable)
    return list(groups.values())


def elimination_order(
    sizes: Sequence[int], factors: Sequence[Factor], most_numbers: int, left: dict[int, set[int]] | None = None
) -> list[tuple[int, tuple[int, ...]]]:
    """(variable, its neighbours when it goes), least table first. TooWide if one would have over `most_numbers` numbers.

    With `left` given, what is then left goes there, each with its neighbours, and nothing is raised.
    """
    near: list[set[int]] = [set() for _ in sizes]
    for factor in factors:
        for variable in factor.variables:
            near[variable].update(factor.variables)
    for variable, others in enumerate(near):
        others.discard(variable)

    def weight(variable: int) -> int:
        total = sizes[variable]
        for other in near[variable]:
            total *= sizes[other]
        return total

    current = [weight(variable) for variable in range(len(sizes))]
    heap = [(cost, variable) for variable, cost in enumerate(current)]
    heapq.heapify(heap)
    gone = [False] * len(sizes)
    order = []
    while heap:
        cost, variable = heapq.heappop(heap)
        if gone[variable] or cost != current[variable]:
            continue
        if cost > most_numbers:
            if left is None:
                raise TooWide(cost)
            left.update({other: near[other] for other in range(len(sizes)) if not gone[other]})
            break
        gone[variable] = True
        neighbours = near[variable]
        order.append((variable, tuple(neighbours)))
        for other in neighbours:
            near[other] |= neighbours
            near[other].discard(other)
            near[other].discard(variable)
            cost = weight(other)
            if cost != current[other]:
                current[other] = cost
                heapq.heappush(heap, (cost, other))
    return order


def widest_variables(sizes: Sequence[int], factors: Sequence[Factor], most_numbers: int) -> list[int]:
    """Variables to take out so that the others can be summed with tables of at most `most_numbers` numbers.

    Where the elimination of least table needs more, the variable with most neighbours left goes; so those who link most families.
    """
    out: set[int] = set()
    while True:
        left = [v for v in range(len(sizes)) if v not in out]
        place = {v: number for number, v in enumerate(left)}
        kept = [Factor(tuple(place[v] for v in f.variables if v in place), f.table) for f in factors]
        try:
            near = _stuck([sizes[v] for v in left], [f for f in kept if f.variables], most_numbers)
        except TooWide:
            return []  # a single variable does not fit
        if not near:
            return sorted(out)
        worth = sorted(near, key=lambda v: (-len(near[v]), v))
        out |= {left[v] for v in worth[: max(1, len(worth) // 50)]}


def _stuck(sizes: Sequence[int], factors: Sequence[Factor], most_numbers: int) -> dict[int, set[int]]:
    """What is left, with its neighbours, where no variable's table fits any more; empty if all could go."""
    left: dict[int, set[int]] = {}
    elimination_order(sizes, factors, most_numbers, left)
    if any(size > most_numbers for size in sizes):
        raise TooWide(max(sizes))
    return left


def propagate(sizes: Sequence[int], factors: Sequence[Factor], most_numbers: int = 2_000_000) -> Propagated | None:
    """Exact marginals of one component; None where the product is zero everywhere. TooWide where it would not fit."""
    order = elimination_order(sizes, factors, most_numbers)
    position = {variable: place for place, (variable, _) in enumerate(order)}
    scopes = [(variable, *neighbours) for variable, neighbours in order]
    parents = [min((position[n] for n in neighbours), default=-1) for _, neighbours in order]
    assigned: list[list[Factor]] = [[] for _ in order]
    for factor in factors:
        assigned[min(position[v] for v in factor.variables)].append(factor)

    tables: list[Table] = []
    messages: list[Factor] = []
    log_total, width = 0.0, 1
    for place, scope in enumerate(scopes):
        table = _product(scope, [sizes[v] for v in scope], assigned[place])
        width = max(width, table.size)
        message = table.sum(0)
        top = message.max()
        if not top > 0:
            return None
        log_total += float(np.log(top))
        tables.append(table)
        sent = Factor(scope[1:], message / top)
        messages.append(sent)
        if parents[place] >= 0:
            assigned[parents[place]].append(sent)

    marginals: list[Table] = [np.ones(0)] * len(sizes)
    for place in range(len(scopes) - 1, -1, -1):
        scope, table = scopes[place], tables[place]
        if parents[place] >= 0:
            above = parents[place]
            belief = _sum_onto(scopes[above], tables[above], scope[1:])
            sent = messages[place].table
            # what the rest of the graph says: the parent's belief with this message taken out again; 0/0 counts as 0
            rest = np.divide(belief, sent, out=np.zeros_like(belief), where=sent > 0)
            table = table * rest[None]
        total = table.sum()
        table = table / total
        tables[place] = table
        marginals[scope[0]] = table.reshape(len(table), -1).sum(1)
    return Propagated(marginals, log_total, width)


def _product(scope: tuple[int, ...], shape: list[int], factors: Sequence[Factor]) -> Table:
    table = np.ones(shape)
    place = {variable: axis for axis, variable in enumerate(scope)}
    for factor in factors:
        table *= aligned(factor, place, len(scope))
    return table


def aligned(factor: Factor, place: dict[int, int], axes: int) -> Table:
    """A factor's table with its axes in the order of a scope, and axes of length 1 for the others."""
    wanted = [place[variable] for variable in factor.variables]
    order = sorted(range(len(wanted)), key=wanted.__getitem__)
    table = factor.table if order == list(range(len(order))) else factor.table.transpose(order)
    shape = [1] * axes
    for axis, source in zip(sorted(wanted), table.shape, strict=True):
        shape[axis] = source
    return table.reshape(shape)


def _sum_onto(scope: tuple[int, ...], table: Table, kept: tuple[int, ...]) -> Table:
    """Sum over the variables of `scope` that are not in `kept`; axes in the order of `kept`."""
    drop = tuple(axis for axis, variable in enumerate(scope) if variable not in kept)
    left = [variable for variable in scope if variable in kept]
    summed = table.sum(drop) if drop else table
    return summed.transpose([left.index(variable) for variable in kept])
