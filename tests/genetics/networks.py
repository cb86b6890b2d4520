"""A clutch as a Bayesian network for pyAgrum, built from the mathematics alone; it imports nothing of ``triage.genetics``.

Domains are pruned as the engine's are: states of prior 0 are left out, and a node with one state is no node at all.
"""

from __future__ import annotations

import itertools
import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pyagrum

from triage.records import NORMAL, CallReading, Cross, Egg, Genotype, GenotypeReading, Linkage, Parent, Phase, Sex


@dataclass
class Network:
    """The network, the meaning of each variable's states, and the readings as evidence.

    ``states`` lists what each variable can be; one with a single state is not in ``net``. ``log_scale`` is what the readings
    were divided by to become probabilities of a yes-or-no node.
    """

    net: pyagrum.BayesNet = field(default_factory=pyagrum.BayesNet)
    states: dict[str, list] = field(default_factory=dict)
    evidence: dict[str, list[float]] = field(default_factory=dict)
    log_scale: float = 0.0

    def add(self, name: str, states: Sequence, given: Sequence[str], chance) -> None:
        """A variable; ``chance(state, *states of given)`` is its conditional probability."""
        self.states[name] = list(states)
        if len(states) == 1:
            return
        self.net.add(pyagrum.LabelizedVariable(name, name, len(states)))
        real = [g for g in given if len(self.states[g]) > 1]
        for g in real:
            self.net.addArc(g, name)
        table = np.empty([len(self.states[g]) for g in real] + [len(states)])
        for at in itertools.product(*(range(len(self.states[g])) for g in real)):
            by_name = {g: self.states[g][i] for g, i in zip(real, at)}
            values = [by_name[g] if g in by_name else self.states[g][0] for g in given]
            table[at] = [float(chance(s, *values)) for s in states]
        cpt = self.net.cpt(name)
        names = list(cpt.names)  # the variable itself first, then its parents, in pyAgrum's own order
        axes = {g: i for i, g in enumerate([*real, name])}
        # pyAgrum's arrays list the axes in the reverse of ``names``.
        cpt[:] = np.ascontiguousarray(table.transpose([axes[n] for n in reversed(names)]))

    def chances(self, engine: pyagrum.LazyPropagation, name: str) -> dict:
        """Posterior of a variable by what its states mean."""
        states = self.states[name]
        if len(states) == 1:
            return {states[0]: 1.0}
        return dict(zip(states, map(float, engine.posterior(name).toarray())))

    def engine(self) -> pyagrum.LazyPropagation:
        """A fresh inference with the readings set, not run yet."""
        engine = pyagrum.LazyPropagation(self.net)
        engine.setNumberOfThreads(1)
        for name, values in self.evidence.items():
            engine.addEvidence(name, values)
        return engine


def live_groups(cross: Cross) -> list[tuple[str, ...]]:
    """Loci at which somebody may carry a mutant, linked ones together."""
    animals = [a for a in (cross.dam, *cross.sires) if isinstance(a, Parent)]
    live = [
        x.name
        for x in cross.species.loci
        if any(
            p > 0 and (g.first, g.second) != (NORMAL, NORMAL)
            for a in animals
            if x.name in a.loci
            for g, p in a.loci[x.name].states
        )
    ]
    groups = []
    for name in live:
        linkage = linkage_of(cross, name)
        partner = None if linkage is None else linkage.second if linkage.first == name else linkage.first
        if partner in live:
            if linkage.first == name:
                groups.append((linkage.first, linkage.second))
        else:
            groups.append((name,))
    return groups


def linkage_of(cross: Cross, name: str) -> Linkage | None:
    return next((x for x in cross.linkages if name in (x.first, x.second)), None)


def parent_states(cross: Cross, animal: Parent, group: tuple[str, ...]) -> dict[tuple, float]:
    """Pairs of chromosomes (allele per locus of the group on each) with their prior chances."""
    two_kinds = animal.sex is cross.species.heterogametic
    known = []
    for name in group:
        at = cross.species.locus(name)
        wild = Genotype(NORMAL, NORMAL, at.sex_linked and two_kinds)
        known.append(animal.loci[name].states if name in animal.loci else ((wild, 1),))
    found: dict[tuple, float] = defaultdict(float)
    for combination in itertools.product(*known):
        p = math.prod(float(q) for _, q in combination)
        if p == 0:
            continue
        genotypes = [g for g, _ in combination]
        straight = (tuple(g.first for g in genotypes), tuple(g.second for g in genotypes))
        if len(group) == 1:
            found[straight] += p
            continue
        crossed = ((genotypes[0].first, genotypes[1].second), (genotypes[0].second, genotypes[1].first))
        phase = linkage_of(cross, group[0]).phases.get(animal.name)
        # Coupling: the chromosome with the first locus's (alphabetically first) mutant carries the second's as well.
        mutants = [min(a for a in set(g.alleles) if a != NORMAL) if set(g.alleles) != {NORMAL} else NORMAL for g in genotypes]
        double_het = all(g.first != g.second for g in genotypes)
        if not double_het:
            found[tuple(sorted(straight))] += p
        elif phase is None:
            found[tuple(sorted(straight))] += p / 2
            found[tuple(sorted(crossed))] += p / 2
        else:
            coupled, parted = (straight, crossed) if tuple(mutants) in straight else (crossed, straight)
            found[tuple(sorted(coupled if phase is Phase.COUPLING else parted))] += p
    return dict(found)


def gametes(cross: Cross, group: tuple[str, ...], state: tuple, sex: Sex) -> list[tuple[tuple[str, ...], str, float]]:
    """(alleles, "X" or "Y" carried, chance); parents with one kind of sex chromosome carry "X" always."""
    one, other = state
    two_kinds = sex is cross.species.heterogametic
    if len(group) == 2:
        r = linkage_of(cross, group[0]).recombination[sex]
        return [
            (one, "X", (1 - r) / 2),
            (other, "X", (1 - r) / 2),
            ((one[0], other[1]), "X", r / 2),
            ((other[0], one[1]), "X", r / 2),
        ]
    at = cross.species.locus(group[0])
    if at.sex_linked and two_kinds:
        r = cross.crossover.get(at.name, at.crossover)
        return [(one, "X", (1 - r) / 2), (other, "X", r / 2), (other, "Y", (1 - r) / 2), (one, "Y", r / 2)]
    return [(one, "X", 0.5), (other, "X", 0.5)]


def young(cross: Cross, group: tuple[str, ...], mother: tuple, father: tuple) -> dict[tuple, float]:
    """What the pair gives: (sex or None, genotype per locus) with its chance among those that hatch."""
    sex_linked = len(group) == 1 and cross.species.locus(group[0]).sex_linked
    hetero = cross.species.heterogametic
    found: dict[tuple, float] = defaultdict(float)
    for a, from_mother, p in gametes(cross, group, mother, Sex.FEMALE):
        for b, from_father, q in gametes(cross, group, father, Sex.MALE):
            has_y = "Y" in (from_mother, from_father)
            sex = None
            if sex_linked:
                sex = hetero if has_y else next(s for s in Sex if s is not hetero)
            genotypes = []
            rate = 1.0
            for i, name in enumerate(group):
                if has_y:
                    on_x, on_y = (a[i], b[i]) if from_father == "Y" else (b[i], a[i])
                    genotype = Genotype(on_x, on_y, True)
                else:
                    genotype = Genotype(a[i], b[i])
                genotypes.append(genotype)
                rate *= cross.species.locus(name).hatch_rate(genotype)
            found[(sex, *genotypes)] += p * q * rate
    total = sum(found.values())
    return {outcome: p / total for outcome, p in found.items() if p > 0}


def clutch_network(cross: Cross, eggs: Sequence[Egg], parent_readings: Mapping[str, Sequence] | None = None) -> Network:
    """The network of DESIGN.md section 3: parents, how sires share the clutch, and per egg its sire and genotypes."""
    network = Network()
    groups = live_groups(cross)
    candidates = [k for k, share in enumerate(cross.shares) if share > 0]
    alone = [("all", k) for k in candidates]
    pattern = {**{a: (1 - float(cross.mixed)) * float(cross.shares[a[1]]) for a in alone}, ("each", 0): float(cross.mixed)}
    pattern = {state: p for state, p in pattern.items() if p > 0}
    if len(candidates) == 1:
        pattern = {("all", candidates[0]): 1.0}
    network.add("pattern", list(pattern), [], lambda s: pattern[s])
    for g, group in enumerate(groups):
        prior = parent_states(cross, cross.dam, group)
        network.add(f"dam {g}", list(prior), [], lambda s, prior=prior: prior[s])
        for k, sire in enumerate(cross.sires):
            prior = parent_states(cross, sire, group)
            network.add(f"sire {k} {g}", list(prior), [], lambda s, prior=prior: prior[s])
    for e, egg in enumerate(eggs):
        network.add(
            f"sire of {e}",
            candidates,
            ["pattern"],
            lambda k, how: float(cross.shares[k]) if how[0] == "each" else float(how[1] == k),
        )
        for g, group in enumerate(groups):
            tables = {
                (d, k, s): young(cross, group, d, s)
                for d in network.states[f"dam {g}"]
                for k in candidates
                for s in network.states[f"sire {k} {g}"]
            }
            outcomes = list(dict.fromkeys(o for table in tables.values() for o in table))
            network.add(
                f"egg {e} {g}",
                outcomes,
                ["sire of " + str(e), f"dam {g}", *(f"sire {k} {g}" for k in candidates)],
                lambda o, k, d, *s, tables=tables: tables[d, k, s[candidates.index(k)]].get(o, 0.0),
            )
        _add_readings(network, cross, groups, f"egg {e}", None, egg)
    for animal in (cross.dam, *cross.sires):
        readings = (parent_readings or {}).get(animal.name, ())
        role = "dam" if animal is cross.dam else f"sire {cross.sires.index(animal)}"
        _add_readings(network, cross, groups, role, animal.sex, Egg(role, None, tuple(readings)))
    return network


def genotypes_of(cross: Cross, groups: Sequence[tuple[str, ...]], states: Sequence[tuple], sex: Sex | None) -> dict:
    """Genotypes by locus from an egg's outcomes (``sex`` None) or a parent's pairs of chromosomes, one per group."""
    found = {}
    for group, state in zip(groups, states):
        if sex is None:
            found.update(zip(group, state[1:]))
            continue
        for i, name in enumerate(group):
            two_kinds = cross.species.locus(name).sex_linked and sex is cross.species.heterogametic
            found[name] = Genotype(state[0][i], state[1][i], two_kinds)
    return found


def _add_readings(
    network: Network, cross: Cross, groups, what: str, parent_sex: Sex | None, egg: Egg
) -> None:
    """A yes-or-no node "this was read" whose chance of yes, given the genotypes, is the scaled likelihood."""
    if egg.sex is None and not egg.readings:
        return
    variables = [f"{what} {g}" for g in range(len(groups))]
    sexed = any(network.states[v][0][0] in tuple(Sex) for v in variables)
    values = {}
    for states in itertools.product(*(network.states[v] for v in variables)):
        genotypes = genotypes_of(cross, groups, states, parent_sex)
        value = 1.0
        if egg.sex is not None:
            value *= 0.5 if not sexed else float(egg.sex in [s[0] for s in states])
        for reading in egg.readings:
            if isinstance(reading, CallReading):
                value *= reading.likelihoods.get(cross.species.call(genotypes), reading.otherwise)
            elif isinstance(reading, GenotypeReading) and reading.locus in genotypes:
                value *= reading.likelihoods.get(genotypes[reading.locus], reading.otherwise)
            else:
                value *= reading.of_wild_type()
        values[states] = value
    top = max(values.values())
    network.log_scale += math.log(top)
    if len(values) == 1:
        return
    network.add(
        f"read {what}", [True, False], variables, lambda yes, *s: values[s] / top if yes else 1 - values[s] / top
    )
    network.evidence[f"read {what}"] = [1.0, 0.0]
