"""How often several sires share a clutch: what is published, in words, and which shares an answer is tried at."""

from __future__ import annotations

from triage.records import Species

#: Answers are tried at this share too, below every published one.
FEW_SHARED = 0.1


def published_text(species: Species) -> str:
    """The published shares of shared clutches, one sentence; empty where none is known."""
    if not species.published_shares:
        return ""
    listed = "; ".join(f"{one.of} {one.words}" for one in species.published_shares)
    own = any(one.of == species.name for one in species.published_shares)
    none = "" if own else f" None was found for the {species.name}."
    return f"Published shares of clutches with several sires, most of them wild: {listed}.{none}"


def tried_shares(species: Species) -> tuple[float, ...]:
    """The least and the largest published share and `FEW_SHARED`, ascending: what answers are tried at."""
    published = [one.share for one in species.published_shares]
    return tuple(sorted({FEW_SHARED, *([min(published), max(published)] if published else [])}))
