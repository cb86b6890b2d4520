"""Animals of a collection as the parents of a cross: what is known of each by locus, and of loci of a line nobody named together."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import replace

from triage.errors import ContradictionError, WorkTooLargeError
from triage.genetics.clutch.worlds import MOST_WORLDS
from triage.genetics.collection.inference import CollectionPosterior, infer_collection
from triage.genetics.collection.members import Animal, Collection
from triage.genetics.knowledge import with_lines
from triage.records import Genotype, GenotypePrior, LineStatement, Parent, Probability, Sex

_NOTHING = 1e-12  # less is a rounding of 0

#: Line variables by key, each with one statement that speaks of it.
Variables = dict[tuple[str, ...], LineStatement]


def as_parents(collection: Collection, posterior: CollectionPosterior, wanted: Mapping[str, tuple[str, Sex]]) -> dict[str, Parent]:
    """Animals as possible parents of one clutch, with everything that is known of them.

    Loci are taken as independent, but for those of a line that nobody named in their forebears: these are known given the line, and
    the line is the same for all of `wanted`.

    Parameters
    ----------
    wanted
        The name and sex to go by, by animal.

    Raises
    ------
    WorkTooLargeError
        Too many lines are open among their forebears.
    """
    variables: Variables = {}
    for animal in wanted:
        variables |= _variables(collection, animal)
    open_of = {id: any(len(posterior.loci[id].get(n, ())) > 1 for one in variables.values() for n in one.loci) for id in wanted}
    if not any(open_of.values()):
        return {id: Parent(name, sex, _priors(posterior, id)) for id, (name, sex) in wanted.items()}
    worlds = _worlds(collection, variables, [name for name, _ in wanted.values()])
    origin = "what the records say of " + ", ".join(" ".join(key) for key in variables)
    stated, parents = tuple(variables.values()), {}
    for id, (name, sex) in wanted.items():
        found = [(words, weight, _priors(one, id)) for words, weight, one in worlds]
        parents[id] = with_lines(name, sex, stated, _priors(posterior, id), found, origin)
    return parents


def line_keys(collection: Collection, animal: str) -> set[tuple[str, ...]]:
    """The line variables of an animal's own papers and of its forebears here."""
    return set(_variables(collection, animal))


def _variables(collection: Collection, animal: str) -> Variables:
    found: Variables = {}
    seen, waiting = {animal}, [animal]
    for name in waiting:  # it grows as it is walked
        one = collection.animals[name]
        found |= {stated.key(name): stated for stated in one.lines}
        parents = collection.clutches[one.clutch].parents if one.clutch is not None else ()
        fresh = [parent for parent in dict.fromkeys(parents) if parent not in seen]
        waiting += fresh
        seen.update(fresh)
    return dict(sorted(found.items()))


def _worlds(collection: Collection, variables: Variables, names: list[str]) -> list[tuple[str, float, CollectionPosterior]]:
    """Each way to fill in some lines: words for it, its weight given all readings, and what is known then."""
    choices = [[(line, p) for line, p in one.chances if p > 0] for one in variables.values()]
    if math.prod(map(len, choices)) > MOST_WORLDS:
        raise WorkTooLargeError(
            f"{' and '.join(names)}: the lines that nobody named among their forebears can be filled in in "
            f"{math.prod(map(len, choices)):,} ways; the bound is {MOST_WORLDS}. Name the lines that are known, or record one line for "
            "animals that came from together"
        )
    found = []
    for chosen in itertools.product(*choices):
        lines = {key: line for key, (line, _) in zip(variables, chosen, strict=True)}
        animals = {name: _filled_in(animal, lines) for name, animal in collection.animals.items()}
        if None in animals.values():
            continue
        try:
            posterior = infer_collection(replace(collection, animals=animals))
        except ContradictionError:
            continue
        chance: Probability = math.prod(float(p) for _, p in chosen)
        found.append((" and ".join(lines.values()), math.log(chance) + posterior.log_evidence, posterior))
    top = max((value for _, value, _ in found), default=0.0)
    if not found:
        raise ContradictionError(f"no lines fit all that is recorded of {' and '.join(names)} and their forebears; check their genes")
    return [(words, math.exp(value - top), posterior) for words, value, posterior in found]


def _filled_in(animal: Animal, lines: Mapping[tuple[str, ...], str]) -> Animal | None:
    """An animal with these lines named; None where its papers exclude one."""
    meant = [(one, lines[one.key(animal.name)]) for one in animal.lines if one.key(animal.name) in lines]
    if not meant:
        return animal
    if any(line not in one.given for one, line in meant):
        return None
    known = {locus: one.at(line, locus) for one, line in meant for locus in one.loci}
    rest = tuple(one for one in animal.lines if one.key(animal.name) not in lines)
    return replace(animal, known={**animal.known, **known}, lines=rest)


def _priors(posterior: CollectionPosterior, animal: str) -> dict[str, GenotypePrior]:
    return {locus: GenotypePrior(tuple(_normalised(table).items())) for locus, table in posterior.loci[animal].items()}


def _normalised(table: Mapping[Genotype, float]) -> dict[Genotype, float]:
    kept = {g: p for g, p in table.items() if p > _NOTHING}
    total = sum(kept.values())
    return {g: p / total for g, p in kept.items()}
