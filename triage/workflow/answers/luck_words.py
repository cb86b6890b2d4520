"""The luck line: how surprising the clutch is given its parents, with the runner-up explanations."""

from __future__ import annotations

from triage.errors import WorkTooLargeError
from triage.genetics.clutch.luck import one_in
from triage.genetics.clutch.model import CrossModel
from triage.genetics.clutch.posterior import Posterior
from triage.genetics.clutch.surprise import surprise
from triage.proving.chances import percent
from triage.records import NORMAL, Genotype

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
    tail, others = surprise(model, posterior, _MOST_RUNNERS_UP)
    sentence = (
        f"Luck: {one_in(tail)} clutches of these parents come out no likelier than this one"
        if tail > 0
        else "Luck: parents that are each what is likeliest of them cannot give this clutch"
    )
    runners_up = [
        f"{one_in(one.tail)} if {one.parent} {_state(model, one.locus, one.genotype)} ({percent(one.probability)})" for one in others
    ]
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
