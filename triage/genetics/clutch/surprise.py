"""How surprising a clutch is if its parents are what they most likely are, and if one of them is something else."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from triage.genetics.clutch.luck import multinomial_tail
from triage.genetics.clutch.model import CrossModel, compile_cross
from triage.genetics.clutch.posterior import ParentPosterior, Posterior
from triage.records import Cross, Genotype, GenotypePrior, Parent, VisualCall


@dataclass(frozen=True, slots=True)
class RunnerUp:
    """The next likely genotype of a parent at a locus, its chance, and how often a clutch comes out no likelier than this if it is so."""

    parent: str
    locus: str
    genotype: Genotype
    probability: float
    tail: float


def surprise(model: CrossModel, posterior: Posterior, most: int) -> tuple[float, tuple[RunnerUp, ...]]:
    """P(a clutch no likelier than this one) with the parents at their likeliest genotypes, and the same for runner-up genotypes.

    Each hatchling counts at its likeliest call, and lines that nobody named as they are likeliest. WorkTooLargeError where there are
    too many outcomes to count.
    """
    if posterior.worlds:
        _, _, likeliest = max(posterior.worlds, key=lambda one: one[0])
        return surprise(likeliest.model, likeliest, most)
    seen = [model.calls[int(egg.call_chances.argmax())] for egg in posterior.eggs]
    others = []
    for parent in posterior.parents:
        for locus, chances in parent.loci.items():
            ranked = sorted(chances, key=lambda genotype: -chances[genotype])
            if len(ranked) > 1 and chances[ranked[1]] > 0:
                others.append((chances[ranked[1]], parent.name, locus, ranked[1]))
    runners_up = []
    for chance, parent, locus, genotype in sorted(others, key=lambda one: -one[0])[:most]:
        tail = _tail(_at_likeliest(model.cross, posterior.parents, (parent, locus, genotype)), seen)
        runners_up.append(RunnerUp(parent, locus, genotype, chance, tail))
    return _tail(_at_likeliest(model.cross, posterior.parents, None), seen), tuple(runners_up)


def _tail(cross: Cross, seen: Sequence[VisualCall]) -> float:
    model = compile_cross(cross)
    place = {call: i for i, call in enumerate(model.calls)}
    if any(call not in place for call in seen):
        return 0.0
    counts = [0] * model.n_calls
    for call in seen:
        counts[place[call]] += 1
    return multinomial_tail(counts, [float(p) for p in model.expected_calls()])


def _at_likeliest(
    cross: Cross, parents: tuple[ParentPosterior, ...], instead: tuple[str, str, Genotype] | None
) -> Cross:
    by_name = {p.name: p for p in parents}

    def fixed(parent):
        if not isinstance(parent, Parent):
            return parent
        loci = dict(parent.loci)
        for name, chances in by_name[parent.name].loci.items():
            genotype = max(chances, key=lambda g: chances[g])
            if instead is not None and instead[:2] == (parent.name, name):
                genotype = instead[2]
            loci[name] = GenotypePrior.known(genotype)
        return Parent(parent.name, parent.sex, loci)

    return replace(cross, dam=fixed(cross.dam), sires=tuple(fixed(s) for s in cross.sires))
