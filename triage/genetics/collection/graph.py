"""Tables over variables, which of them hang together, and in which order they are summed with least work.

Variables are numbers 0..n-1 with `sizes` states; a factor is a tuple of variables and an array with an axis for each. Summing out
one variable after another is peeling (Elston and Stewart 1971; Cannings, Thompson and Skolnick 1978) on whatever graph there is.
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


def aligned(factor: Factor, place: dict[int, int], axes: int) -> Table:
    """A factor's table with its axes in the order of a scope, and axes of length 1 for the others."""
    wanted = [place[variable] for variable in factor.variables]
    order = sorted(range(len(wanted)), key=wanted.__getitem__)
    table = factor.table if order == list(range(len(order))) else factor.table.transpose(order)
    shape = [1] * axes
    for axis, source in zip(sorted(wanted), table.shape, strict=True):
        shape[axis] = source
    return table.reshape(shape)
