"""The answer where a part is too wide to be summed at once: each locus exactly, what couples loci by messages.

A layer holds the variables of one locus (or of the sires of eggs) and is summed exactly, loops and all. A factor over several
layers - a look that speaks of several loci, the sire of an egg - sends each of its variables what the others make of it, and
takes back what the layer makes of that, until nothing changes: belief propagation (Pearl 1988) between exact parts, as in
expectation propagation with factorised messages (Minka 2001). It is exact where the couplings form no loop across layers.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from typing import Any

import numpy as np

from triage.genetics.pedigree.graph import Factor, Propagated, Table, components, propagate

_ROUNDS, _TOLERANCE = 40, 1e-6
_ROUNDS_WHOLE, _KEEP = 10, 0.5  # from then on this share of an old message stays, in case they go round in circles


def solve_in_layers(
    sizes: Sequence[int],
    layer_of: Sequence[Hashable],
    factors: Sequence[Factor],
    most_numbers: int,
    labels: Sequence[Hashable],
    marks: Sequence[Hashable],
    memory: Mapping[Hashable, Any],
    left: dict[Hashable, Any],
) -> tuple[Propagated | None, float]:
    """Approximate marginals of one part, and the largest change of a message in the last round.

    `layer_of` names the layer of each variable, `labels` the variable itself, `marks` what each factor's table depends on. By
    these, what an earlier answer left in `memory` is used again: its last messages to start from, and every layer's part that
    is as it was. What this answer leaves goes into `left`. None where a layer's product is zero everywhere; TooWide where even
    one layer does not fit.
    """
    sizes, layer_of, labels, factors, marks = _with_copies(list(sizes), list(layer_of), list(labels), factors, marks)
    single = [len({layer_of[v] for v in f.variables}) == 1 for f in factors]
    inner = [f for f, one in zip(factors, single, strict=True) if one]
    inner_marks = [m for m, one in zip(marks, single, strict=True) if one]
    couplings = [f for f, one in zip(factors, single, strict=True) if not one]
    keys = [
        (tuple(labels[v] for v in f.variables), m) for f, m, one in zip(factors, marks, single, strict=True) if not one
    ]
    parts = components(len(sizes), inner)
    part_of = {v: number for number, part in enumerate(parts) for v in part}
    own: list[list[Factor]] = [[] for _ in parts]
    signs: list[list[Hashable]] = [[] for _ in parts]
    for factor, mark in zip(inner, inner_marks, strict=True):
        own[part_of[factor.variables[0]]].append(factor)
        signs[part_of[factor.variables[0]]].append((tuple(labels[v] for v in factor.variables), mark))
    names = [hash((tuple(labels[v] for v in part), tuple(sign))) for part, sign in zip(parts, signs, strict=True)]
    at_part: list[list[tuple[int, int]]] = [[] for _ in parts]
    for number, coupling in enumerate(couplings):
        for axis, variable in enumerate(coupling.variables):
            at_part[part_of[variable]].append((number, axis))
    sent = {
        (n, axis): np.full(sizes[v], 1 / sizes[v])
        for n, c in enumerate(couplings)
        for axis, v in enumerate(c.variables)
    }
    for n, key in enumerate(keys):
        for axis, message in enumerate(memory.get(key, ())):
            sent[n, axis] = message
    cavity = dict(sent)
    answers: list[Propagated] = [Propagated([], 0.0, 0)] * len(parts)
    last_name: list[Hashable] = [None] * len(parts)
    stale = set(range(len(parts)))
    change = 0.0
    for turn in range(_ROUNDS):
        keep = 0.0 if turn < _ROUNDS_WHOLE else _KEEP
        for number in stale:
            part = parts[number]
            place = {v: n for n, v in enumerate(part)}
            whole = [Factor(tuple(place[v] for v in f.variables), f.table) for f in own[number]]
            whole += [Factor((place[couplings[n].variables[axis]],), sent[n, axis]) for n, axis in at_part[number]]
            name = (
                "part",
                names[number],
                tuple((keys[n], axis, sent[n, axis].tobytes()) for n, axis in at_part[number]),
            )
            answer = memory.get(name) or propagate([sizes[v] for v in part], whole, most_numbers)
            if answer is None:
                return None, change
            answers[number], last_name[number] = answer, name
            for n, axis in at_part[number]:
                marginal = answer.marginals[place[couplings[n].variables[axis]]]
                message = sent[n, axis]
                cavity[n, axis] = _scaled(np.divide(marginal, message, out=np.zeros_like(marginal), where=message > 0))
        change, stale = 0.0, set()
        for n, coupling in enumerate(couplings):
            for axis, variable in enumerate(coupling.variables):
                fresh = _scaled(_message(coupling.table, axis, [cavity[n, a] for a in range(coupling.table.ndim)]))
                fresh = _scaled(keep * sent[n, axis] + (1 - keep) * fresh)
                moved = float(np.abs(fresh - sent[n, axis]).max())
                if moved > _TOLERANCE:
                    sent[n, axis] = fresh
                    stale.add(part_of[variable])
                    change = max(change, moved)
        if not stale:
            break
    left.update(zip(last_name, answers, strict=True))
    left.update({key: tuple(sent[n, axis] for axis in range(len(key[0]))) for n, key in enumerate(keys)})
    marginals: list[Table] = [np.ones(0)] * len(sizes)
    for part, answer in zip(parts, answers, strict=True):
        for variable, marginal in zip(part, answer.marginals, strict=True):
            marginals[variable] = marginal
    log_total = sum(answer.log_total for answer in answers)
    for n, coupling in enumerate(couplings):
        incoming = [cavity[n, axis] for axis in range(coupling.table.ndim)]
        log_total += float(np.log(_message(coupling.table, 0, incoming) @ incoming[0]))
        log_total -= sum(float(np.log(sent[n, axis] @ incoming[axis])) for axis in range(len(incoming)))
    return Propagated(marginals, log_total, max(answer.width for answer in answers)), change


def _with_copies(
    sizes: list[int],
    layer_of: list[Hashable],
    labels: list[Hashable],
    factors: Sequence[Factor],
    marks: Sequence[Hashable],
) -> tuple[list[int], list[Hashable], list[Hashable], list[Factor], list[Hashable]]:
    """Give each layer a copy of a variable of another layer that its factors name, tied to the first by equality.

    A factor of transmission names the sire of an egg beside genotypes of one locus; its layer is the locus.
    """
    copies: dict[tuple[int, Hashable], int] = {}
    result: list[Factor] = []
    signs: list[Hashable] = []
    for factor, mark in zip(factors, marks, strict=True):
        layers = {layer_of[v] for v in factor.variables}
        loci = layers - {SIRES}
        if SIRES in layers and len(loci) == 1:
            (layer,) = loci
            renamed = []
            for variable in factor.variables:
                if layer_of[variable] == SIRES:
                    if (variable, layer) not in copies:
                        copies[variable, layer] = len(sizes)
                        sizes.append(sizes[variable])
                        layer_of.append(layer)
                        labels.append((labels[variable], layer))
                        result.append(Factor((variable, copies[variable, layer]), np.eye(sizes[variable])))
                        signs.append("same")
                    variable = copies[variable, layer]
                renamed.append(variable)
            factor = Factor(tuple(renamed), factor.table)
        result.append(factor)
        signs.append(mark)
    return sizes, layer_of, labels, result, signs


#: The layer of the sires of eggs and of how clutches came about.
SIRES = "sires"


def _message(table: Table, axis: int, incoming: Sequence[Table]) -> Table:
    """Sum of a table times what comes in on every axis but one."""
    for other, message in enumerate(incoming):
        if other != axis:
            shape = [1] * table.ndim
            shape[other] = -1
            table = table * message.reshape(shape)
    return table.sum(tuple(a for a in range(table.ndim) if a != axis))


def _scaled(table: Table) -> Table:
    total = table.sum()
    return table / total if total > 0 else np.full_like(table, 1 / table.size)
