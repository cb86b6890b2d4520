"""A junction tree that is kept: a small change of what is known costs the tables it reaches, not all of them.

Variables are summed in the order of least work (`graph`), with a message each way along every edge, so that every marginal comes
from one propagation (Lauritzen and Spiegelhalter 1988). Tables and messages stay, and after a change only those are made anew
whose input moved by more than `still`. A message leaves out what it came from by multiplying the others, never by division, so
that a chance that was zero can become possible again.

Variables and factors are known by any hashable name. `soft` holds weights of single variables that others send (`web`); what a
variable is told by all but one of them is its cavity.
"""

from __future__ import annotations

import heapq
from collections.abc import Hashable, Iterable, Mapping, Sequence

import numpy as np

from triage.genetics.collection.graph import Factor, Table, TooWide, aligned, elimination_order

Name = Hashable
_AT_ONCE = 40  # messages multiplied before they are scaled, so that hundreds of young cannot underflow


class Tree:
    """Variables that hang together, with the tables and messages between them. `copy` before a change: tables are shared."""

    def __init__(self, still: float = 1e-12) -> None:
        self.still = still  # what is no change of a message whose largest entry is 1
        self.sizes: dict[Name, int] = {}
        self.rank: dict[Name, int] = {}  # a variable is summed before those of higher rank
        self.scope: dict[Name, tuple[Name, ...]] = {}  # a variable first, then those of higher rank it is tied to
        self.parent: dict[Name, Name | None] = {}
        self.children: dict[Name, tuple[Name, ...]] = {}
        self.own: dict[Name, dict[Name, Factor]] = {}
        self.home: dict[Name, Name] = {}  # the variable at which a factor is multiplied in
        self.soft: dict[Name, dict[Name, Table]] = {}
        self._base: dict[Name, Table] = {}  # product of a variable's own factors
        self._links: dict[Name, tuple] = {}
        self._table: dict[Name, Table] = {}  # the base times what the children send
        self._up: dict[Name, Table] = {}  # message to the parent, its axes in the order of the parent's scope
        self._log: dict[Name, float] = {}
        self._down: dict[Name, Table] = {}  # message from the parent, axes in the order of this scope
        self._core: dict[Name, Table] = {}  # what everything but `soft` says of a variable
        self._dirty: dict[Name, None] = {}
        self.width = 1

    @classmethod
    def of(
        cls,
        sizes: Mapping[Name, int],
        variables: Sequence[Name],
        factors: Mapping[Name, Factor],
        most_numbers: int,
        still: float = 1e-12,
    ) -> Tree:
        """A tree in the order of least table. TooWide if one would have over `most_numbers` numbers."""
        tree = cls(still)
        place = {variable: number for number, variable in enumerate(variables)}
        order = elimination_order(
            [sizes[v] for v in variables],
            [Factor(tuple(place[v] for v in f.variables), f.table) for f in factors.values()],
            most_numbers,
        )
        for rank, (number, _) in enumerate(order):
            tree._add_variable(variables[number], sizes[variables[number]], rank)
        for number, neighbours in order:
            variable = variables[number]
            tree.scope[variable] = (variable, *(variables[n] for n in neighbours))
            tree._hang(variable)
            tree._measure(variable, most_numbers)
        for name, factor in factors.items():
            tree._assign(name, factor)
        tree._dirty = dict.fromkeys(tree.rank)
        return tree

    def copy(self) -> Tree:
        """A tree of its own that shares the tables."""
        other = Tree.__new__(Tree)
        for name, value in self.__dict__.items():
            setattr(other, name, value.copy() if isinstance(value, dict) else value)
        return other

    # ---- changes ------------------------------------------------------------------------------------------------------

    def join(self, other: Tree) -> None:
        """Take in another tree, whose variables are then summed first."""
        shift = min(self.rank.values(), default=0) - max(other.rank.values(), default=0) - 1
        for name, value in other.__dict__.items():
            if isinstance(value, dict):
                getattr(self, name).update({v: r + shift for v, r in value.items()} if name == "rank" else value)
        self.width = max(self.width, other.width)

    def add(self, name: Name, factor: Factor, most_numbers: int) -> None:
        """One more factor over variables of the tree. TooWide if a table would have over `most_numbers` numbers."""
        self._connect(factor.variables, most_numbers)
        self._assign(name, factor)

    def drop(self, name: Name) -> None:
        """Take a factor out; the tables keep their shape."""
        home = self.home.pop(name)
        self.own[home] = {n: f for n, f in self.own[home].items() if n != name}
        self._base.pop(home, None)
        self._dirty[home] = None

    def tell(self, variable: Name, sender: Name, weights: Table | None) -> None:
        """Set what a sender says of one variable; None takes it back."""
        told = {n: w for n, w in self.soft[variable].items() if n != sender}
        if weights is not None:
            told[sender] = weights
        self.soft[variable] = told
        self._dirty[variable] = None

    def _add_variable(self, variable: Name, size: int, rank: int) -> None:
        self.sizes[variable] = size
        self.rank[variable] = rank
        self.scope[variable] = (variable,)
        self.parent[variable] = None
        self.children[variable] = ()
        self.own[variable] = {}
        self.soft[variable] = {}
        self._dirty[variable] = None

    def _assign(self, name: Name, factor: Factor) -> None:
        home = min(factor.variables, key=self.rank.__getitem__)
        self.home[name] = home
        self.own[home] = {**self.own[home], name: factor}
        self._base.pop(home, None)
        self._dirty[home] = None

    def _connect(self, variables: Iterable[Name], most_numbers: int) -> None:
        """Widen scopes, from the variable that goes first upwards, until one table holds all these together."""
        needed = set(variables)
        while len(needed) > 1:
            first = min(needed, key=self.rank.__getitem__)
            missing = needed.difference(self.scope[first])
            if not missing:
                return
            self.scope[first] += tuple(sorted(missing, key=self.rank.__getitem__))
            self._measure(first, most_numbers)
            self._base.pop(first, None)
            self._links.pop(first, None)
            for child in self.children[first]:  # their messages get the new axes, of length 1
                self._links.pop(child, None)
                if child in self._up:
                    self._up[child] = self._up[child].reshape(self._up[child].shape + (1,) * len(missing))
            self._hang(first)
            self._dirty[first] = None
            needed = set(self.scope[first][1:])

    def _hang(self, variable: Name) -> None:
        """Put a variable below the next one that its scope names."""
        scope = self.scope[variable]
        wanted = min(scope[1:], key=self.rank.__getitem__) if len(scope) > 1 else None
        had = self.parent[variable]
        if wanted == had:
            return
        if had is not None:
            self.children[had] = tuple(c for c in self.children[had] if c != variable)
            self._dirty[had] = None
        self.parent[variable] = wanted
        self._links.pop(variable, None)
        if wanted is not None:
            self.children[wanted] += (variable,)
            self._dirty[wanted] = None

    def _measure(self, variable: Name, most_numbers: int) -> None:
        numbers = 1
        for other in self.scope[variable]:
            numbers *= self.sizes[other]
        if numbers > most_numbers:
            raise TooWide(numbers)
        self.width = max(self.width, numbers)

    # ---- messages -----------------------------------------------------------------------------------------------------

    def settle(self) -> list[Name] | None:
        """Send what changed up and down. The variables whose chances moved; None where nothing is possible."""
        rank = self.rank
        heap = [(rank[v], v) for v in self._dirty]
        heapq.heapify(heap)
        self._dirty = {}
        touched: dict[Name, None] = {}
        while heap:
            _, variable = heapq.heappop(heap)
            if variable in touched:
                continue
            touched[variable] = None
            moved = self._send_up(variable)
            if moved is None:
                return None
            parent = self.parent[variable]
            if moved and parent is not None:
                heapq.heappush(heap, (rank[parent], parent))
        heap = [(-rank[v], v) for v in touched]
        heapq.heapify(heap)
        done: dict[Name, None] = {}
        while heap:
            _, variable = heapq.heappop(heap)
            if variable in done:
                continue
            done[variable] = None
            for child in self._send_down(variable):
                if child not in touched:
                    heapq.heappush(heap, (-rank[child], child))
        return list(done)

    def cavities(self, variable: Name) -> dict[Name, Table]:
        """For each sender, what all but it say of the variable; each sums to 1."""
        told = self.soft[variable]
        core = self._core[variable]
        if len(told) == 1:
            return {sender: scaled(core) for sender in told}
        found = _all_but_each(core, list(told.values()))
        return {sender: scaled(table) for sender, table in zip(told, found, strict=True)}

    def marginal(self, variable: Name) -> Table:
        """P(state) of a variable."""
        weights, _ = self._weights(variable)
        core = self._core[variable]
        return scaled(core if weights is None else core * weights)

    @property
    def log_total(self) -> float:
        """Log of the sum of the product of all factors and weights."""
        return sum(self._log.values())

    def _weights(self, variable: Name) -> tuple[Table | None, float]:
        """The product of what is told of a variable, and the log of what it was divided by."""
        told = self.soft[variable]
        return _multiplied(list(told.values())) if told else (None, 0.0)

    def _product(self, variable: Name) -> Table:
        found = self._base.get(variable)
        if found is None:
            scope = self.scope[variable]
            place = {v: axis for axis, v in enumerate(scope)}
            found = np.ones([self.sizes[v] for v in scope])
            for factor in self.own[variable].values():
                found *= aligned(factor, place, len(scope))
            self._base[variable] = found
        return found

    def _link(self, child: Name) -> tuple:
        """How axes go between a child and its parent: up (order, shape), down (axes to sum over, order)."""
        link = self._links.get(child)
        if link is None:
            above = self.scope[self.parent[child]]
            below = self.scope[child][1:]
            place = {v: axis for axis, v in enumerate(above)}
            axes = [place[v] for v in below]
            order = tuple(sorted(range(len(axes)), key=axes.__getitem__))
            held = set(axes)
            shape = tuple(self.sizes[v] if axis in held else 1 for axis, v in enumerate(above))
            drop = tuple(axis for axis in range(len(above)) if axis not in held)
            left = sorted(axes)
            link = self._links[child] = (order, shape, drop, tuple(left.index(axis) for axis in axes))
        return link

    def _alike(self, variable: Name) -> dict[tuple, list[Name]]:
        """Children by the axes their messages speak of: the young of one pair are multiplied before they meet the rest."""
        found: dict[tuple, list[Name]] = {}
        for child in self.children[variable]:
            found.setdefault(self._link(child)[2], []).append(child)
        return found

    def _send_up(self, variable: Name) -> bool | None:
        table = self._product(variable)
        log = 0.0
        for children in self._alike(variable).values():
            product, scaled_by = _multiplied([self._up[c] for c in children])
            table = table * product
            top = _largest(table, None)
            if not top > 0:
                return None
            table = table / top
            log += float(np.log(top)) + scaled_by
        self._table[variable] = table
        weights, scaled_by = self._weights(variable)
        if weights is None:
            message = _add(table, 0)
        else:
            message = (weights @ table.reshape(len(table), -1)).reshape(table.shape[1:])
            log += scaled_by
        top = _largest(message, None)
        if not top > 0:
            return None
        self._log[variable] = log + float(np.log(top))
        if self.parent[variable] is None:
            return False
        order, shape, _, _ = self._link(variable)
        message = (message / top).transpose(order).reshape(shape)
        old = self._up.get(variable)
        if old is not None and old.shape == message.shape and _largest(np.abs(message - old), None) <= self.still:
            return False
        self._up[variable] = message
        return True

    def _send_down(self, variable: Name) -> list[Name]:
        """Make the core anew, and the message to each child; those whose message moved."""
        table = self._table[variable]
        down = self._down[variable] if self.parent[variable] is not None else None
        flat = table.reshape(len(table), -1)
        self._core[variable] = flat @ down.reshape(-1) if down is not None else _add(flat, 1)
        children = self.children[variable]
        if not children:
            return []
        base = self._product(variable)
        if down is not None:
            base = base * down
        weights, _ = self._weights(variable)
        if weights is not None:
            base = base * weights.reshape(-1, *[1] * (base.ndim - 1))
        moved = []
        alike = self._alike(variable)
        several = len(alike) > 1  # what one group is told leaves nothing but that group out
        products = [_multiplied([self._up[c] for c in group])[0] for group in alike.values()] if several else [base]
        for (drop, children), rest in zip(alike.items(), _all_but_each(base, products), strict=True):
            rest = _add(rest, drop) if drop else rest
            for child, told in zip(children, _all_but_each(rest, [self._up[c].reshape(rest.shape) for c in children]), strict=True):
                message = told.transpose(self._link(child)[3])
                top = _largest(message, None)
                if top > 0:
                    message = message / top
                old = self._down.get(child)
                if old is None or old.shape != message.shape or _largest(np.abs(message - old), None) > self.still:
                    self._down[child] = message
                    moved.append(child)
        return moved


_add, _largest = np.add.reduce, np.maximum.reduce


def _multiplied(tables: Sequence[Table]) -> tuple[Table, float]:
    """The product of tables of one shape, and the log of what it was divided by."""
    product, log = tables[0], 0.0
    for number, table in enumerate(tables[1:], 1):
        product = product * table
        if number % _AT_ONCE == 0 and (top := _largest(product, None)) > 0:
            product = product / top
            log += float(np.log(top))
    return product, log


def _all_but_each(start: Table, others: Sequence[Table]) -> list[Table]:
    """`start` times the product of all `others` but the first, but the second ...; each up to a factor of its own."""
    if len(others) == 1:
        return [start]
    before = [start]
    for number, table in enumerate(others[:-1], 1):
        product = before[-1] * table
        before.append(_by_largest(product) if number % _AT_ONCE == 0 else product)
    after: Table | None = None
    found = [before[-1]]
    for number in range(len(others) - 1, 0, -1):
        after = others[number] if after is None else after * others[number]
        if number % _AT_ONCE == 0:
            after = _by_largest(after)
        found.append(before[number - 1] * after)
    return found[::-1]


def _by_largest(table: Table) -> Table:
    top = table.max()
    return table / top if top > 0 else table


def scaled(table: Table) -> Table:
    """A table that sums to 1; all states alike where nothing is possible."""
    total = _add(table)
    return table / total if total > 0 else np.full_like(table, 1 / table.size)
