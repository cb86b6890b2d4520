"""Which visual calls are easily taken for one another, and which cannot be told apart by eye at all."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import dataclass
from functools import lru_cache

from triage.records import Appearance, Lookalike, Species, VisualCall
from triage.species.hiding import shown


@lru_cache(maxsize=64)
def _appearance_by_look(species: Species) -> dict[tuple[str, str], Appearance]:
    return {(a.locus, look): a for a in species.appearances for look in a.looks}


def seen_as(species: Species, call: VisualCall) -> tuple[tuple[str, str], ...]:
    """What the eye can get of a call: two calls with the same answer look alike in every photo.

    Looks that cannot be told apart go by their common appearance; what they hide is left out.
    """
    known = _appearance_by_look(species)
    return tuple((pair[0], known[pair].name if pair in known else pair[1]) for pair in shown(species, call).looks)


def seen_name(species: Species, call: VisualCall) -> str:
    """The appearance of a call in words: "blue-eyed leucistic" for any white animal of that series."""
    return " ".join(word for _, word in seen_as(species, call)) or "normal"


@lru_cache(maxsize=50_000)
def lookalikes_of(species: Species, call: VisualCall) -> tuple[tuple[VisualCall, Lookalike], ...]:
    """Every call that one catalogue pair turns this call into, with the pair."""
    return tuple(_swapped(species, call, *_swaps(species)))


def lookalikes_among(species: Species, calls: Collection[VisualCall]) -> dict[VisualCall, list[VisualCall]]:
    """For each of some calls the others that a catalogue pair turns it into; pairs with a look that none of them shows are not tried."""
    shown = {look for call in calls for look in call.looks}

    def about(swaps: Iterable[_Swap]) -> tuple[_Swap, ...]:
        return tuple(swap for swap in swaps if all(not one[1] or one in shown for one in swap.gives))

    always, by_look = _swaps(species)
    always, by_look = about(always), {look: about(by_look[look]) for look in shown & by_look.keys()}
    known = set(calls)
    return {call: [other for other, _ in _swapped(species, call, always, by_look) if other in known] for call in calls}


@dataclass(frozen=True, slots=True)
class _Swap:
    """One side of a catalogue pair: a call that `needs` these looks (empty: wild) turns into one with `gives` instead."""

    needs: tuple[tuple[str, str], ...]
    gives: tuple[tuple[str, str], ...]
    pair: Lookalike


@lru_cache(maxsize=16)
def _swaps(species: Species) -> tuple[tuple[_Swap, ...], dict[tuple[str, str], tuple[_Swap, ...]]]:
    """Swaps that any call may need to be tried for, and those worth trying by a look that they need."""
    always: list[_Swap] = []
    by_look: dict[tuple[str, str], list[_Swap]] = {}
    for pair in species.lookalikes:
        for here, there in ((pair.first, pair.second), (pair.second, pair.first)):
            loci = dict.fromkeys(name for name, _ in (*here.looks, *there.looks))
            needs = tuple((name, here.look(name)) for name in loci)
            swap = _Swap(needs, tuple((name, there.look(name)) for name in loci), pair)
            shown = next((need for need in needs if need[1]), None)
            (always if shown is None else by_look.setdefault(shown, [])).append(swap)
    return tuple(always), {look: tuple(swaps) for look, swaps in by_look.items()}


def _swapped(
    species: Species, call: VisualCall, always: tuple[_Swap, ...], by_look: dict[tuple[str, str], tuple[_Swap, ...]]
) -> Iterator[tuple[VisualCall, Lookalike]]:
    looks = dict(call.looks)
    for swap in itertools.chain(always, *(by_look.get(look, ()) for look in call.looks)):
        if all(looks.get(name, "") == look for name, look in swap.needs):
            yield species.call_of({**looks, **dict(swap.gives)}), swap.pair


@lru_cache(maxsize=16)
def _looks(species: Species) -> tuple[tuple[str, str], ...]:
    """Every look of every locus, the wild ones too."""
    return tuple(dict.fromkeys((locus.name, locus.look(g)) for locus in species.loci for g in locus.genotypes()))


def neighbours(
    species: Species, calls: Iterable[VisualCall], may_be: Callable[[str, str], bool] = lambda locus, look: True
) -> list[VisualCall]:
    """Calls that differ from one of ``calls`` in the look of one locus: any look of the catalogue that ``may_be``."""
    looks = [one for one in _looks(species) if may_be(*one)]
    found: dict[VisualCall, None] = {}
    for call in calls:
        shown = dict(call.looks)
        for name, look in looks:
            if look != shown.get(name, ""):
                found[species.call_of({**shown, name: look})] = None
    return list(found)


def pair_between(species: Species, one: VisualCall, other: VisualCall) -> Lookalike | None:
    """The catalogue's look-alike pair that separates two calls, if one does."""
    return next((pair for call, pair in lookalikes_of(species, one) if call == other), None)


def trade_name(species: Species, call: VisualCall) -> str:
    """A trade combination name for exactly this call, or an empty text."""
    return _names(species).get(call, "")


@lru_cache(maxsize=16)
def _names(species: Species) -> dict[VisualCall, str]:
    from triage.species.shorthand import parse_call

    names: dict[VisualCall, str] = {}
    for locus in species.loci:
        for allele in locus.alleles:
            for synonym in allele.two_copies_synonyms:
                names.setdefault(VisualCall(((locus.name, allele.two_copies_name),)), synonym)
        for compound in locus.compounds:
            for synonym in compound.synonyms:
                names.setdefault(VisualCall(((locus.name, compound.name),)), synonym)
    for combination in species.combinations:
        calls = parse_call(species, combination.name)
        if len(calls) == 1:
            names.setdefault(calls[0], combination.name)
    return names
