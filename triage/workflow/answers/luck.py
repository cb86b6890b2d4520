"""The luck line: how surprising the clutch is given its parents, with the runner-up explanations."""

from __future__ import annotations

from dataclasses import replace

from triage.errors import WorkTooLargeError
from triage.genetics.clutch.luck import multinomial_tail, one_in
from triage.genetics.clutch.model import CrossModel, compile_cross
from triage.genetics.clutch.posterior import ParentPosterior, Posterior
from triage.proving.chances import percent
from triage.records import NORMAL, Cross, Genotype, GenotypePrior, Parent

#: Runner-up explanations shown.
_MOST_RUNNERS_UP = 2


def luck_sentence(model: CrossModel, posterior: Posterior) -> str:
    """How often a clutch comes out no likelier than this one, each hatchling counted at its likeliest call.

    Parents are taken at their likeliest genotypes; the runner-up genotypes of what was open stand beside it.
    """
    try:
        return _sentence(model, posterior)
    except WorkTooLargeError:
        return f"Luck: not computed, {len(posterior.eggs)} hatchlings in {model.n_calls} calls have too many outcomes to count."


def _sentence(model: CrossModel, posterior: Posterior) -> str:
    seen = [model.calls[int(egg.call_chances.argmax())] for egg in posterior.eggs]
    settled = _at_likeliest(model.cross, posterior.parents, None)
    sentence = f"Luck: {one_in(_tail(settled, seen))} clutches of these parents come out no likelier than this one"
    others = []
    for parent in posterior.parents:
        for name, chances in parent.loci.items():
            ranked = sorted((g for g in chances), key=lambda g: -chances[g])
            if len(ranked) > 1 and chances[ranked[0]] > 0:
                others.append((chances[ranked[1]], parent.name, name, ranked[1]))
    runners_up = []
    for chance, parent, name, other in sorted(others, key=lambda x: -x[0])[:_MOST_RUNNERS_UP]:
        tail = _tail(_at_likeliest(model.cross, posterior.parents, (parent, name, other)), seen)
        runners_up.append(f"{one_in(tail)} if {parent} {_state(model, name, other)} ({percent(chance)})")
    return "; ".join([sentence, *runners_up]) + "."


def _state(model: CrossModel, name: str, genotype: Genotype) -> str:
    """A genotype as the end of a sentence about an animal: "is het clown", "carries no clown"."""
    locus = model.species.locus(name)
    look = locus.look(genotype)
    mutants = [a for a in genotype.alleles if a != NORMAL]
    if genotype.by_chromosome and len(mutants) == 1:
        shared, own = model.species.sex_chromosomes
        return f"carries {mutants[0]} on the {own if genotype.first == NORMAL else shared}"
    if look:
        return f"is {look}"
    return f"is het {mutants[0]}" if mutants else f"carries nothing at {name}"


def _tail(cross: Cross, seen) -> float:
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
