"""The call of one animal of a collection, its loci taken together."""

from __future__ import annotations

import itertools
import math

import numpy as np

from triage.genetics.pedigree.collection import Collection
from triage.genetics.pedigree.graph import Factor, components, propagate
from triage.genetics.pedigree.inference import MOST_NUMBERS
from triage.genetics.pedigree.network import Network
from triage.records import VisualCall


def call_chances(collection: Collection, animal: str, *, most_numbers: int = MOST_NUMBERS) -> dict[VisualCall, float]:
    """P(visual call) of one animal, likeliest first. TooWide where its loci and relatives do not fit one table."""
    network = Network(collection)
    fragment = network.fragments["animal", animal]
    fixed = {locus: states[0][1] for locus, states in fragment.possible.items() if len(states) == 1}
    own = [v for v in fragment.variables if network.names[v][0] == "genotype"]
    joint = np.ones([network.sizes[v] for v in own])
    if own:
        place = {v: number for number, v in enumerate(network.names)}
        every = [Factor(tuple(place[v] for v in f.variables), f.table) for f in network.factors.values()]
        groups = components(len(place), every)
        near = [member for group in groups if {place[v] for v in own} & set(group) for member in group]
        sizes = list(network.sizes.values())
        local = {member: number for number, member in enumerate(near)}
        factors = [Factor(tuple(local[v] for v in f.variables), f.table) for f in every if f.variables[0] in local]
        for states in np.ndindex(joint.shape):
            pinned = [Factor((local[place[v]],), np.eye(network.sizes[v])[s]) for v, s in zip(own, states, strict=True)]
            answer = propagate([sizes[v] for v in near], [*factors, *pinned], most_numbers)
            joint[states] = math.exp(answer.log_total) if answer is not None else 0.0
        joint = joint / joint.sum()
    chances: dict[VisualCall, float] = {}
    for states in itertools.product(*(range(n) for n in joint.shape)):
        genotypes = dict(fixed)
        for variable, state in zip(own, states, strict=True):
            genotypes[network.names[variable][2]] = network.states[variable][state][1]
        call = collection.species.call(genotypes)
        chances[call] = chances.get(call, 0.0) + float(joint[states])
    return dict(sorted(((c, p) for c, p in chances.items() if p > 0), key=lambda one: -one[1]))
