"""What a pairing may do to its eggs, in words: one place for the command line, the app and plans."""

from __future__ import annotations

from collections.abc import Iterable

from triage.genetics.harm import Of, PairingCaution
from triage.proving.chances import percent


def caution_words(one: PairingCaution) -> str:
    """``spider with champagne: 25 % of eggs``."""
    if one.of is Of.DAM:
        return f"the dam is {one.what}" + ("" if one.chance == 1 else f": {percent(one.chance)}")
    return f"{one.what}: {percent(one.chance)} of {'eggs' if one.of is Of.EGGS else 'the eggs lost'}"


def caution_lines(cautions: Iterable[PairingCaution]) -> tuple[str, ...]:
    """Each with the texts of its cautions; a text that stood before is not said again."""
    said: set[str] = set()
    lines = []
    for one in cautions:
        texts = [text for text in one.texts if text not in said]
        said.update(texts)
        lines.append(f"{caution_words(one)}." + "".join(f" {text}" for text in texts))
    return tuple(lines)


def cautions_json(cautions: Iterable[PairingCaution]) -> list[dict]:
    """As JSON values: what, chance, of what, and the texts."""
    return [{"what": one.what, "chance": one.chance, "of": one.of.value, "cautions": list(one.texts)} for one in cautions]
