"""What the program understands of the shorthand in a field, said while it is being typed."""

from __future__ import annotations

from dataclasses import dataclass

from triage.errors import TriageError
from triage.records import NORMAL, Sex, Species
from triage.species import parse_call, parse_parent, write_parent

#: Pause after which a field is checked while it is being typed.
PAUSE = "400ms"


@dataclass(frozen=True, slots=True)
class Check:
    """Whether a field can be used, and what to say beside it; an empty ``words`` says nothing."""

    ok: bool
    words: str


def check_genes(species: Species, text: str, *, name: str, sex: Sex) -> Check:
    """The genes of a parent as they were understood, or why not.

    >>> from triage.species import load_species
    >>> check_genes(load_species("ball python"), "het CLOWN pastel", name="Juniper", sex=Sex.FEMALE)
    Check(ok=True, words='Understood: pastel, het clown')
    """
    if not text.strip():
        return Check(True, "Nothing entered: a plain animal that carries none of the known genes")
    try:
        parent = parse_parent(species, text, name=name or "this animal", sex=sex)
        words = write_parent(species, parent)
    except TriageError as error:
        return Check(False, f"Not understood: {error}")
    return Check(True, "Understood: a plain animal" if words == NORMAL else f"Understood: {words}")


def check_call(species: Species, text: str) -> Check:
    """The keeper's call as it was understood, or why not."""
    if not text.strip():
        return Check(True, "")
    try:
        calls = parse_call(species, text)
    except TriageError as error:
        return Check(False, f"Not understood: {error}")
    if len(calls) == 1:
        return Check(True, f"Understood: {calls[0].name}")
    return Check(True, f"Understood: any of {len(calls)} calls that look the same")
