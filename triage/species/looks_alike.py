"""Which visual calls are easily taken for one another, and which cannot be told apart by eye at all."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator
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
    return tuple(_swapped(species, call))


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


def _swapped(species: Species, call: VisualCall) -> Iterator[tuple[VisualCall, Lookalike]]:
    looks = dict(call.looks)
    always, by_look = _swaps(species)
    for swap in itertools.chain(always, *(by_look.get(look, ()) for look in call.looks)):
        if all(looks.get(name, "") == look for name, look in swap.needs):
            yield species.call_of({**looks, **dict(swap.gives)}), swap.pair


def neighbours(species: Species, calls: Iterable[VisualCall]) -> list[VisualCall]:
    """Calls that differ from one of ``calls`` in the look of one locus, any look of the catalogue."""
    found: dict[VisualCall, None] = {}
    for call in calls:
        for locus in species.loci:
            for look in dict.fromkeys(locus.look(g) for g in locus.genotypes()):
                if look != call.look(locus.name):
                    found[species.call_of({**dict(call.looks), locus.name: look})] = None
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
