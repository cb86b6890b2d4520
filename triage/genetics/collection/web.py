"""The answer for animals that hang together: one tree over everything where that fits, else several trees that tell each other.

Where one tree is too wide, a layer holds the variables of one locus (or of the sires of eggs) and is summed exactly, loops and
all. A factor over several layers - a look that speaks of several loci, the sire of an egg - sends each of its variables what the
others make of it, and takes back what the layer makes of that, until nothing changes: belief propagation (Pearl 1988) between
exact parts, as in expectation propagation with factorised messages (Minka 2001). It is exact where the couplings form no loop.
Where even one locus is too wide, the variables with most relatives are cut out of their tables in the same way: each table gets a
copy of its own, tied to the animal by messages (join-graph propagation; Dechter, Kask and Mateescu 2002).
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping, Sequence

import numpy as np

from triage.genetics.collection.graph import Factor, Table, TooWide, components, widest_variables
from triage.genetics.collection.tree import Name, Tree, scaled

_ROOM, _MOST = 16, 2_000_000  # how much larger the tables of one locus may be than those of all together, and never over
_ROUNDS, _TOLERANCE = 60, 1e-6
_ROUNDS_WHOLE, _KEEP = 10, 0.5  # from then on this share of an old message stays, in case they go round in circles
_EXACT, _STILL = 1e-12, 1e-7  # what is no change of a message within one tree, by itself and among others
_NARROW = 64  # a locus that has to be cut is cut to tables this much smaller, since the cut is not exact anyway

#: The layer of the sires of eggs and of how clutches came about.
SIRES = "sires"


class Web:
    """The solved state of one connected group. `extended` gives a new one; the old one stays as it was.

    Attributes
    ----------
    exact
        Everything is in one tree.
    cut
        Variables whose relatives were summed apart.
    residual
        The largest change of a message in the last round.
    moved
        Variables whose chances may differ from those of the web that this one extends.
    """

    def __init__(self, sizes: Mapping[int, int], layers: Mapping[int, Hashable], most_numbers: int) -> None:
        self.sizes, self.layers, self.most_numbers = sizes, layers, most_numbers
        self.exact = True
        self.cut: frozenset[int] = frozenset()
        self.residual = 0.0
        self.moved: Sequence[Name] = ()
        self.trees: dict[int, Tree] = {}
        self.part_of: dict[Name, int] = {}
        self.couplings: dict[Name, Factor] = {}
        self.at: dict[Name, tuple[tuple[Name, int], ...]] = {}
        self.cavity: dict[tuple[Name, int], Table] = {}
        self.term: dict[Name, float] = {}
        self._next = 0
        self._shared: set[int] = set()  # trees that an earlier web uses too

    @classmethod
    def of(
        cls,
        sizes: Mapping[int, int],
        layers: Mapping[int, Hashable],
        variables: Sequence[int],
        factors: Mapping[int, Factor],
        most_numbers: int,
    ) -> Web | None:
        """Solve a group. None where nothing is possible; TooWide where even a cut locus does not fit."""
        web = cls(sizes, layers, most_numbers)
        try:
            web._plant({v: sizes[v] for v in variables}, variables, factors, most_numbers)
        except TooWide:
            empty = cls(sizes, layers, max(most_numbers, min(_ROOM * most_numbers, _MOST)))
            empty.exact = False
            web = empty._taking(variables, factors)
        return web if web._settle(web.trees) else None

    def extended(
        self,
        sizes: Mapping[int, int],
        layers: Mapping[int, Hashable],
        variables: Sequence[int],
        factors: Mapping[int, Factor],
        dropped: Iterable[int] = (),
    ) -> Web | None:
        """With more variables and factors, and without some factors; variables stay together that these had tied.

        None where nothing is possible any more; TooWide where the tables would no longer fit, so that a new web is called for.
        """
        start = self._copy()
        start.sizes, start.layers = sizes, layers
        web = start._taking(variables, factors)
        if web._without(dropped):
            web._hear_again()
        changed = [t for t, tree in web.trees.items() if self.trees.get(t) is not tree]
        return web if web._settle(changed) else None

    def marginal(self, variable: Name) -> Table:
        """P(state) of a variable."""
        return self.trees[self.part_of[variable]].marginal(variable)

    @property
    def width(self) -> int:
        return max((tree.width for tree in self.trees.values()), default=1)

    @property
    def log_total(self) -> float:
        """Log of the sum of the whole product (Bethe's approximation where not exact)."""
        return sum(tree.log_total for tree in self.trees.values()) + sum(self.term.values())

    # ---- building -----------------------------------------------------------------------------------------------------

    def _copy(self) -> Web:
        other = Web.__new__(Web)
        for name, value in self.__dict__.items():
            setattr(other, name, value.copy() if isinstance(value, (dict, set)) else value)
        other._shared = set(self.trees)
        return other

    def _own_tree(self, number: int) -> Tree:
        if number in self._shared:
            self.trees[number] = self.trees[number].copy()
            self._shared.discard(number)
        return self.trees[number]

    def _taking(self, variables: Sequence[int], factors: Mapping[int, Factor]) -> Web:
        """A copy with more variables and factors, cutting what has to be cut."""
        cut = self.cut
        while True:
            web = self._copy()
            web.cut = cut
            try:
                web._take(variables, factors)
            except _Cut as more:
                cut |= more.variables
            else:
                return web

    def _take(self, variables: Sequence[int], factors: Mapping[int, Factor]) -> None:
        """Add variables and factors: to trees what is of one layer, as couplings what is not. _Cut where a table is too wide."""
        new: dict[Name, int] = {v: self.sizes[v] for v in variables}
        inner: dict[Name, Factor] = {}
        coupled: dict[Name, Factor] = {}
        for name, factor in factors.items():
            self._translate(name, factor, new, inner, coupled)
        self._grow(new, inner)
        for name, coupling in coupled.items():
            self.couplings[name] = coupling
            for axis, variable in enumerate(coupling.variables):
                self.at[variable] = (*self.at.get(variable, ()), (name, axis))
                size = coupling.table.shape[axis]
                self._own_tree(self.part_of[variable]).tell(variable, (name, axis), np.full(size, 1 / size))

    def _without(self, dropped: Iterable[int]) -> bool:
        """Take factors out; whether there were any."""
        any_gone = False
        for name in dropped:
            any_gone = True
            coupling = self.couplings.pop(name, None)
            if coupling is None:
                home = next(number for number, tree in self.trees.items() if name in tree.home)
                self._own_tree(home).drop(name)
                continue
            del self.term[name]
            for axis, variable in enumerate(coupling.variables):
                self.at[variable] = tuple(key for key in self.at[variable] if key != (name, axis))
                if not self.at[variable]:
                    del self.at[variable]
                self._own_tree(self.part_of[variable]).tell(variable, (name, axis), None)
        return any_gone

    def _hear_again(self) -> None:
        """Forget messages that call something impossible: what went may have been the reason, and they may have kept each other so."""
        for name, coupling in self.couplings.items():
            for axis, variable in enumerate(coupling.variables):
                message = self.trees[self.part_of[variable]].soft[variable][name, axis]
                if message.min() < _TOLERANCE:
                    self._own_tree(self.part_of[variable]).tell(
                        variable, (name, axis), np.full_like(message, 1 / message.size)
                    )

    def _translate(
        self,
        name: int,
        factor: Factor,
        new: dict[Name, int],
        inner: dict[Name, Factor],
        coupled: dict[Name, Factor],
    ) -> None:
        """Sort a factor, giving it copies of variables that it may not share a tree with."""
        if self.exact:
            inner[name] = factor
            return
        layers = {self.layers[v] for v in factor.variables}
        loci = layers - {SIRES}
        renamed: list[Name] = []
        for variable in factor.variables:
            copy: Name = variable
            if len(factor.variables) > 1 and len(loci) <= 1:
                if variable in self.cut:
                    copy = (variable, name)
                elif loci and self.layers[variable] == SIRES:
                    copy = (variable, next(iter(loci)))
            if copy != variable and copy not in new and copy not in self.part_of:
                new[copy] = self.sizes[variable]
                coupled["same", copy] = Factor((variable, copy), np.eye(self.sizes[variable]))
            renamed.append(copy)
        (inner if len(loci) <= 1 else coupled)[name] = Factor(tuple(renamed), factor.table)

    def _grow(self, new: Mapping[Name, int], inner: Mapping[Name, Factor]) -> None:
        """Plant what is new, then tie it to what was there."""
        among = {n: f for n, f in inner.items() if all(v in new for v in f.variables)}
        names = list(new)
        place = {v: number for number, v in enumerate(names)}
        local = [Factor(tuple(place[v] for v in f.variables), f.table) for f in among.values()]
        groups = components(len(names), local)
        of_group: dict[int, dict[Name, Factor]] = {group[0]: {} for group in groups}
        first = {member: group[0] for group in groups for member in group}
        for (name, factor), numbered in zip(among.items(), local, strict=True):
            of_group[first[numbered.variables[0]]][name] = factor
        still = _EXACT if self.exact else _STILL
        planted = []
        too_wide: set[int] = set()
        for group in groups:
            variables, factors = [names[member] for member in group], of_group[group[0]]
            try:
                planted.append((variables, Tree.of(new, variables, factors, self.most_numbers, still)))
            except TooWide:
                narrow = max(1, self.most_numbers // _NARROW)
                cut = widest_variables([new[v] for v in variables], [
                    Factor(tuple(variables.index(v) for v in f.variables), f.table) for f in factors.values()
                ], narrow)  # fmt: skip
                new_cuts = {variables[number] for number in cut if isinstance(variables[number], int)} - self.cut
                if not new_cuts:
                    raise
                too_wide |= new_cuts
        if too_wide:
            raise _Cut(frozenset(too_wide))
        for variables, tree in planted:
            number, self._next = self._next, self._next + 1
            self.trees[number] = tree
            self.part_of.update(dict.fromkeys(variables, number))
        for name, factor in inner.items():
            if name in among:
                continue
            parts = sorted({self.part_of[v] for v in factor.variables}, key=lambda t: len(self.trees[t].rank))
            *others, base = parts
            tree = self._own_tree(base)
            for other in others:
                tree.join(self.trees[other])
                self.part_of.update(dict.fromkeys(self.trees.pop(other).rank, base))
                self._shared.discard(other)
            try:
                tree.add(name, factor, self.most_numbers)
            except TooWide:
                old = {v for v in factor.variables if isinstance(v, int) and v not in new} - self.cut
                if self.exact or not old:
                    raise
                raise _Cut(frozenset(old)) from None

    def _plant(
        self, sizes: Mapping[int, int], variables: Sequence[int], factors: Mapping[int, Factor], most: int
    ) -> None:
        self.trees[0] = Tree.of(sizes, variables, factors, most)
        self.part_of = dict.fromkeys(variables, 0)
        self._next = 1

    # ---- messages -----------------------------------------------------------------------------------------------------

    def _settle(self, changed: Iterable[int]) -> bool:
        """Send messages until none moves by more than the tolerance. False where nothing is possible."""
        stale = dict.fromkeys(changed)
        everyone: dict[Name, None] = {}
        for turn in range(_ROUNDS):
            moved: dict[Name, None] = {}
            for number in stale:
                variables = self._own_tree(number).settle()
                if variables is None:
                    return False
                tree = self.trees[number]
                everyone.update(dict.fromkeys(variables))
                for variable in variables:
                    for key in self.at.get(variable, ()):
                        moved[key[0]] = None
                    if variable in self.at:
                        self.cavity.update(tree.cavities(variable))
            keep = 0.0 if turn < _ROUNDS_WHOLE else _KEEP
            stale, self.residual = {}, 0.0
            fresh: list[tuple[Name, int, Name, Table]] = []
            for name in moved:
                coupling = self.couplings[name]
                incoming = [self.cavity[name, axis] for axis in range(len(coupling.variables))]
                sent = []
                for axis, variable in enumerate(coupling.variables):
                    tree = self.trees[self.part_of[variable]]
                    old = tree.soft[variable][name, axis]
                    message = scaled(_message(name, coupling.table, axis, incoming))
                    message = keep * old + (1 - keep) * message
                    change = float(np.abs(message - old).max())
                    if change > _TOLERANCE:
                        fresh.append((name, axis, variable, message))
                        self.residual = max(self.residual, change)
                        old = message
                    sent.append(old)
                total = float(_message(name, coupling.table, 0, incoming) @ incoming[0])
                if not total > 0:
                    return False
                apart = [float(s @ c) for s, c in zip(sent, incoming, strict=True)]
                self.term[name] = float(np.log(total)) - sum(np.log(x) if x > 0 else 0.0 for x in apart)
            for name, axis, variable, message in fresh:
                number = self.part_of[variable]
                self._own_tree(number).tell(variable, (name, axis), message)
                stale[number] = None
            if not stale:
                break
        for number in stale:  # the last round's messages are heard, if the rounds ran out
            variables = self._own_tree(number).settle()
            if variables is None:
                return False
            everyone.update(dict.fromkeys(variables))
        self.moved = [v for v in everyone if isinstance(v, int)]
        return True


class _Cut(Exception):
    """These variables have to be cut before the locus fits."""

    def __init__(self, variables: frozenset[int]) -> None:
        super().__init__(f"{len(variables)} variables to cut")
        self.variables = variables


def _message(name: Name, table: Table, axis: int, incoming: Sequence[Table]) -> Table:
    """Sum of a table times what comes in on every axis but one."""
    if isinstance(name, tuple):  # an equality
        return incoming[1 - axis]
    for other, message in enumerate(incoming):
        if other != axis:
            shape = [1] * table.ndim
            shape[other] = -1
            table = table * message.reshape(shape)
    return table.sum(tuple(a for a in range(table.ndim) if a != axis))
