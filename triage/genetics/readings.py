"""What one observer's words are worth: the keeper's own call, and a laboratory's result, as likelihoods."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Sequence

from triage.catalogue.looks_alike import lookalikes_of, seen_as
from triage.records import CallReading, Genotype, GenotypeReading, Locus, Species, VisualCall

#: How much rarer a careless mistake gets with each further locus it is wrong about; a judgement, not a measurement.
_PER_WRONG_LOCUS = 0.1


def keeper_reading(
    species: Species,
    called: Sequence[VisualCall],
    possible: Collection[VisualCall],
    *,
    accuracy: float,
    lookalike_share: float,
) -> CallReading:
    """P(the keeper's call | true visual call) for every possible call.

    A keeper names the right call with chance ``accuracy``. Of the mistakes, ``lookalike_share`` take one of the true call's
    look-alikes for it (the catalogue's pairs, and calls the eye cannot separate), evenly; the rest are careless and fall on
    any call, ten times less often for each further locus at which it is wrong.

    Parameters
    ----------
    called
        The call, or the several calls that the keeper's words describe.
    possible
        Calls the cross can give; the call itself need not be one of them.
    accuracy, lookalike_share
        Between 0 and 1; ``accuracy`` below 1, for a keeper who is never wrong cannot be corrected.
    """
    if not 0 < accuracy < 1 or not 0 <= lookalike_share <= 1:
        raise ValueError("accuracy must lie between 0 and 1 (both excluded) and lookalike_share between 0 and 1")
    candidates = list(dict.fromkeys([*possible, *called]))
    by_sight: dict[tuple, list[VisualCall]] = {}
    for call in candidates:
        by_sight.setdefault(seen_as(species, call), []).append(call)
    known = set(candidates)
    careless = _careless(candidates)
    likelihoods = {}
    for true in candidates:
        alike = {other for other, _ in lookalikes_of(species, true)} & known
        alike |= set(by_sight[seen_as(species, true)])
        alike -= {true}
        wrong = 1 - accuracy
        to_alike = wrong * lookalike_share / len(alike) if alike else 0.0
        rest = wrong * (1 - lookalike_share) if alike else wrong
        likelihoods[true] = sum(
            accuracy if call == true else (to_alike if call in alike else 0.0) + rest * careless(true, call)
            for call in called
        )
    return CallReading(likelihoods, min(likelihoods.values()), "keeper's call")


def _careless(candidates: Sequence[VisualCall]) -> Callable[[VisualCall, VisualCall], float]:
    """P(call | true call, a careless mistake) over the grid of all look words about; sums to 1 over calls other than the true."""
    looks: dict[str, set[str]] = {}
    for call in candidates:
        for locus, look in call.looks:
            looks.setdefault(locus, {""}).add(look)
    total = math.prod(1 + _PER_WRONG_LOCUS * (len(words) - 1) for words in looks.values()) - 1

    def chance(true: VisualCall, call: VisualCall) -> float:
        differ = {locus for locus, _ in set(true.looks) ^ set(call.looks)}
        return _PER_WRONG_LOCUS ** len(differ) / total

    return chance


def laboratory_reading(
    locus: Locus, allele: str, found: int, *, false_positive: float, false_negative: float
) -> GenotypeReading:
    """P(laboratory result | genotype) for a test that counts copies of one allele.

    Parameters
    ----------
    found
        Copies reported, 0 to 2.
    false_positive
        Chance that one absent copy is reported as present.
    false_negative
        Chance that one present copy is missed.

    Each of the two chromosomes is read on its own, so the reported count is a sum of two independent readings.
    """
    if found not in (0, 1, 2):
        raise ValueError(f"a test reports 0, 1 or 2 copies, not {found}")
    if not (0 <= false_positive <= 1 and 0 <= false_negative <= 1):
        raise ValueError("error rates must lie between 0 and 1")

    def chance(genotype: Genotype) -> float:
        seen = [1 - false_negative if a == allele else false_positive for a in genotype.alleles]
        both, neither = seen[0] * seen[1], (1 - seen[0]) * (1 - seen[1])
        return (neither, 1 - both - neither, both)[found]

    genotypes = locus.genotypes() + (locus.genotypes(by_chromosome=True) if locus.sex_linked else ())
    return GenotypeReading(locus.name, {g: chance(g) for g in genotypes}, 0.0, "laboratory")
