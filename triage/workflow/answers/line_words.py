"""What a clutch says of lines that nobody named, and what to ask of its keeper where all depends on them."""

from __future__ import annotations

import math
from collections.abc import Sequence

from triage.genetics.clutch.model import CrossModel
from triage.genetics.clutch.posterior import Posterior
from triage.genetics.clutch.worlds import World, line_variables, parents_of
from triage.proving.chances import percent
from triage.records import UnnamedLine
from triage.species.lines import open_lines

_CERTAIN = 1e-12


def lines_of(model: CrossModel) -> tuple[UnnamedLine, ...]:
    """Words of the species for lines that a parent of this cross leaves open."""
    stated = (one for parent in parents_of(model.cross) for one in parent.lines)
    return open_lines(model.species, {locus for one in stated for locus in one.loci})


def line_notes(model: CrossModel, posterior: Posterior | None, settled: float) -> tuple[str, ...]:
    """One sentence for each sire that bears the dam's word for a line, neither of them named: one line or two, or how to say it."""
    variables = line_variables(model.cross)
    before = [(world.chance, world) for world, _ in model.worlds]
    after = [(p, world) for p, world, _ in posterior.worlds] if posterior is not None else before
    dam = model.cross.dam
    found = []
    for mother in [key for key, stated in variables.items() if any(parent is dam for parent, _ in stated)]:
        for key, stated in variables.items():
            sires = [parent.name for parent, one in stated if parent is not dam and one.word == mother[0]]
            if key != mother and sires:
                was, now = (_same(worlds, mother, key) for worlds in (before, after))
                found.append(_words(f"{dam.name} and {' or '.join(sires)}", mother[0], was, now, settled))
    return tuple(found)


def _words(who: str, word: str, was: float, now: float, settled: float) -> str:
    chance = f"one line at {percent(now)}, {percent(was)} before the clutch"
    if now <= 1 - settled:
        sure = "proven" if now <= _CERTAIN else chance
        return f"{who} carry different lines of {word} ({sure}): no young of theirs can show it."
    if now >= settled:
        sure = "proven" if now >= 1 - _CERTAIN else chance
        return f"{who} carry one line of {word} ({sure}): young of theirs can show it."
    return (
        f"{who} both carry {word} of a line that nobody named: of one line, young of theirs can show it; of two lines, none can "
        f"({chance}). Name the lines if you know them, or record one line for both if they came from together."
    )


def _same(worlds: Sequence[tuple[float, World]], one: tuple, other: tuple) -> float:
    return math.fsum(p for p, world in worlds if world.lines[one] == world.lines[other])
