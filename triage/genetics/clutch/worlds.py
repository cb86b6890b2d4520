"""Crosses whose parents' words leave open which line is meant: one plain cross for each way to fill them in."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace

from triage.errors import ContradictionError, WorkTooLargeError
from triage.records import Cross, LineStatement, Parent, Probability

#: More ways than this are refused: each is a cross of its own to compute.
MOST_WORLDS = 128

#: A line variable: its key, and who shares it by name.
Key = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class World:
    """One way to fill in every line that nobody named: its chance before anything is read, the line of each variable, the cross then."""

    chance: float
    lines: dict[Key, str]
    cross: Cross


def parents_of(cross: Cross) -> list[Parent]:
    """The dam and every sire that is an animal."""
    return [cross.dam, *(sire for sire in cross.sires if isinstance(sire, Parent))]


def line_variables(cross: Cross) -> dict[Key, list[tuple[Parent, LineStatement]]]:
    """Every line variable of a cross with those who share it."""
    found: dict[Key, list[tuple[Parent, LineStatement]]] = {}
    for parent in parents_of(cross):
        for stated in parent.lines:
            found.setdefault(stated.key(parent.name), []).append((parent, stated))
    return found


def worlds_of(cross: Cross) -> tuple[World, ...]:
    """Every way to fill in the lines of the parents, with chances that sum to 1; empty where nothing is open.

    Raises
    ------
    ContradictionError
        Animals that share a line exclude every one of it between them.
    WorkTooLargeError
        There are more than ``MOST_WORLDS``; names the animals.
    """
    variables = line_variables(cross)
    if not variables:
        return ()
    choices: list[list[tuple[str, Probability]]] = []
    for stated in variables.values():
        first = stated[0][1]
        open_lines = [(line, p) for line, p in first.chances if p > 0 and all(line in one.given for _, one in stated)]
        if not open_lines:
            names = " and ".join(parent.name for parent, _ in stated)
            raise ContradictionError(
                f"{names}: are of one origin, and what is said of their {first.word} excludes every line; check their genes"
            )
        total = sum(p for _, p in open_lines)
        choices.append([(line, p / total) for line, p in open_lines])
    n_worlds = math.prod(map(len, choices))
    if n_worlds > MOST_WORLDS:
        names = ", ".join(dict.fromkeys(parent.name for stated in variables.values() for parent, _ in stated))
        raise WorkTooLargeError(
            f"cross of {cross.dam.name}: the lines that nobody named can be filled in in {n_worlds:,} ways; the bound is {MOST_WORLDS}. "
            f"Name the line of {names}, or record one line for those that came from together"
        )
    worlds = []
    for chosen in itertools.product(*choices):
        lines = {key: line for key, (line, _) in zip(variables, chosen, strict=True)}
        chance = math.prod(float(p) for _, p in chosen)
        dam = in_world(cross.dam, lines)
        sires = tuple(in_world(sire, lines) if isinstance(sire, Parent) else sire for sire in cross.sires)
        worlds.append(World(chance, lines, replace(cross, dam=dam, sires=sires)))
    return tuple(worlds)


def in_world(parent: Parent, lines: dict[Key, str]) -> Parent:
    """An animal with its lines filled in."""
    loci = {locus: one.at(lines[one.key(parent.name)], locus) for one in parent.lines for locus in one.loci}
    return parent.without_lines(loci)
