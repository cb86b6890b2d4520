"""What follows of one hatchling from its look as a fact: what the look hides, and lines that nobody named."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from triage.errors import ContradictionError
from triage.genetics.clutch.exact import infer
from triage.genetics.clutch.model import CrossModel
from triage.genetics.readings import look_readings
from triage.proving.trays import Hidden
from triage.records import NORMAL, CallReading, Egg, Genotype, GenotypeReading, Reading, VisualCall
from triage.species.hiding import shown, unseen_loci
from triage.species.lines import under_one_word
from triage.workflow.answers.line_words import lines_of

Readings = Mapping[str, Sequence[Reading]]
Loci = Mapping[str, Mapping[Genotype, float]]


def look_fact(model: CrossModel, call: VisualCall) -> tuple[Reading, ...]:
    """Readings that say of a hatchling that it looks so; `call` as it is shown, the lines that nobody named under one word."""
    lines = lines_of(model)
    of_lines = {locus for one in lines for locus in one.loci}
    found = look_readings(model.species, call, [name for name in model.locus_names if name not in of_lines])
    if not lines:
        return found
    fitting = [one for one in model.calls if under_one_word(shown(model.species, one), lines) == call]
    return (*found, CallReading(dict.fromkeys(fitting, 1.0), 0.0, "look"))


def with_look(model: CrossModel, eggs: Sequence[Egg], label: str, call: VisualCall) -> list[Egg]:
    """The eggs with the look of one as a fact."""
    return [replace(e, readings=(*e.readings, *look_fact(model, call))) if e.label == label else e for e in eggs]


def loci_given_look(
    model: CrossModel, eggs: Sequence[Egg], label: str, loci: Loci, call: VisualCall, parent_readings: Readings, other_loss: float
) -> Loci:
    """P(genotype) by locus of an egg if it looks as called, from its `loci` by themselves.

    A look says what it hides only together with all else that it shows, so where it hides something the clutch is worked out with
    that look; elsewhere each locus is read by its own look. Loci of lines that nobody named are left out.
    """
    if unseen_loci(model.species, call):
        loci = infer(model, with_look(model, eggs, label, call), parent_readings, other_loss=other_loss).egg(label).loci
    left_out = {locus for one in lines_of(model) for locus in one.loci}
    return {name: table for name, table in loci.items() if name not in left_out} if left_out else loci


def carried_of_lines(
    model: CrossModel, eggs: Sequence[Egg], label: str, call: VisualCall, parent_readings: Readings, other_loss: float
) -> tuple[Hidden, ...]:
    """Of each line that nobody named and the look does not show: the chance that the egg carries one of its genes, taken together."""
    found = []
    for line in lines_of(model):
        if call.look(line.loci[0]) == line.word:
            continue
        seen = with_look(model, eggs, label, call)
        wild = {Genotype(NORMAL, NORMAL): 1.0}
        plain = tuple(GenotypeReading(locus, wild, 0.0, "look") for locus in line.loci if locus in model.locus_names)
        without = [replace(e, readings=(*e.readings, *plain)) if e.label == label else e for e in seen]
        all_of = infer(model, seen, parent_readings, other_loss=other_loss).log_evidence
        try:
            none = math.exp(infer(model, without, parent_readings, other_loss=other_loss).log_evidence - all_of)
        except ContradictionError:
            none = 0.0
        found.append(Hidden(line.loci[0], f"het {line.word} of a line not named", max(0.0, 1 - none)))
    return tuple(found)
