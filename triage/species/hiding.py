"""What a look keeps the eye from seeing at other loci: data of the species, one answer for every observer.

A white animal shows none of its other genes, an albino few that only change black. Whoever looks at an animal gets one of its
``perceived`` calls; a word that is missing from a call is evidence only where the gene would have shown.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache

from triage.records import Hiding, Species, VisualCall

#: A look that is missed at least this often counts as one that cannot be seen.
UNSEEN = 0.9

_Ranked = tuple[int, Hiding]


@lru_cache(maxsize=64)
def _by_look(species: Species) -> dict[tuple[str, str], tuple[_Ranked, ...]]:
    found: dict[tuple[str, str], tuple[_Ranked, ...]] = {}
    for rank, one in enumerate(species.hidings):
        for look in one.looks:
            found[one.locus, look] = (*found.get((one.locus, look), ()), (rank, one))
    return found


def missed(species: Species, call: VisualCall) -> Mapping[str, float]:
    """The chance, by locus, that what an animal of this look has there cannot be seen; loci that nothing hides are left out."""
    known = _by_look(species)
    ranks = {pair[0]: known[pair][0][0] for pair in call.looks if pair in known}
    seen: dict[str, float] = {}
    for pair in call.looks:
        for rank, one in known.get(pair, ()):
            for locus in one.hides if one.hides is not None else species.locus_names:
                stands_before = one.hides is None and ranks.get(locus, rank) < rank
                if locus != one.locus and not stands_before:
                    seen[locus] = seen.get(locus, 1.0) * (1 - one.missed)
    return {locus: 1 - p for locus, p in seen.items()}


def perceived(species: Species, call: VisualCall) -> tuple[tuple[VisualCall, float], ...]:
    """What the eye can get of an animal that truly has this look: calls with their chances, which sum to 1."""
    hidden = missed(species, call) if any(pair in _by_look(species) for pair in call.looks) else {}
    found: list[tuple[tuple[tuple[str, str], ...], float]] = [((), 1.0)]
    for pair in call.looks:
        p = hidden.get(pair[0], 0.0)
        kept = [((*looks, pair), weight * (1 - p)) for looks, weight in found] if p < 1 else []
        found = kept + ([(looks, weight * p) for looks, weight in found] if p > 0 else [])
    return tuple((VisualCall(looks), weight) for looks, weight in found)


def shown(species: Species, call: VisualCall) -> VisualCall:
    """The call without what can hardly ever be seen on such an animal."""
    unseen = unseen_loci(species, call)
    return VisualCall(tuple(pair for pair in call.looks if pair[0] not in unseen)) if unseen else call


def unseen_loci(species: Species, call: VisualCall) -> frozenset[str]:
    """Loci at which hardly anything can be seen of an animal of this look."""
    if not any(pair in _by_look(species) for pair in call.looks):
        return frozenset()
    return frozenset(locus for locus, p in missed(species, call).items() if p >= UNSEEN)


def hiding_words(species: Species, call: VisualCall) -> tuple[str, ...]:
    """What to say of an animal of this look beside its genes: "white: other genes cannot be seen on this animal"."""
    looks = shown(species, call).looks
    return tuple(dict.fromkeys(one.says for pair in looks for _, one in _by_look(species).get(pair, ()) if one.missed >= UNSEEN))
