"""The clutch as it is being entered: plain data behind the fields of the form, without Streamlit.

The form's fields live in a mapping (Streamlit's session state, or a dict in a test) under the keys named here. Sires
and hatchlings are rows with a number of their own that never changes while rows around them come and go.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, MutableMapping, Sequence
from pathlib import PurePath
from typing import Any

from triage.species import usual_species
from triage.workflow.answers.wording import clutch_name, genes_of
from triage.workflow.clutch import ClutchSheet
from triage.workflow.settings import Settings
from triage.workflow.sheet import ClutchForm, EggForm, SireForm

State = MutableMapping[str, Any]

SEX_UNKNOWN = "not sexed"
SEXES = (SEX_UNKNOWN, "female", "male")
MOST_SIRES = 6
_FIXED = (
    "species", "clutch_name", "dam_name", "dam_genes", "mixed_percent", "label_percent", "hold_percent", "hold_genes",
)  # fmt: skip
_SIRE = ("sire_name", "sire_genes", "sire_percent")
_EGG = ("egg_label", "egg_sex", "egg_call")


def field(name: str, row: int) -> str:
    """Key of one field of one row: ``sire_name_1``."""
    return f"{name}_{row}"


def start(state: State) -> None:
    """Give every field a value that has none yet: an empty clutch with one sire."""
    defaults = {
        "species": usual_species(),
        "clutch_name": "",
        "dam_name": "",
        "dam_genes": "",
        "mixed_percent": None,
        "label_percent": 100 * Settings().label_threshold,
        "hold_percent": 100 * Settings().hold_chance,
        "hold_genes": [],
        "sire_rows": [],
        "egg_rows": [],
        "egg_photos": {},
        "next_row": 1,
    }
    for key, value in defaults.items():
        state.setdefault(key, value)
    if not state["sire_rows"]:
        add_sire(state)


def clear(state: State) -> None:
    """Empty the form."""
    for key in form_keys(state):
        state.pop(key, None)
    for key in ("sire_rows", "egg_rows", "egg_photos"):
        state.pop(key, None)
    start(state)


def form_keys(state: Mapping[str, Any]) -> list[str]:
    """Keys of every field that is on the form now."""
    rows = [field(name, row) for row in state.get("sire_rows", ()) for name in _SIRE]
    return [*_FIXED, *rows, *(field(name, row) for row in state.get("egg_rows", ()) for name in _EGG)]


def add_sire(state: State, name: str = "", genes: str = "", percent: float | None = None) -> None:
    row = _new_row(state, "sire_rows")
    state.update({field("sire_name", row): name, field("sire_genes", row): genes, field("sire_percent", row): percent})


def remove_sire(state: State, row: int) -> None:
    state["sire_rows"] = [r for r in state["sire_rows"] if r != row]


def add_hatchling(
    state: State,
    label: str = "",
    sex: str | None = None,
    call: str = "",
    photos: Sequence[tuple[str, bytes]] = (),
) -> None:
    """Add a hatchling; without a label it gets the next free number."""
    taken = {state[field("egg_label", r)] for r in state["egg_rows"]}
    number = len(state["egg_rows"]) + 1
    while not label and str(number) in taken:
        number += 1
    row = _new_row(state, "egg_rows")
    state.update(
        {
            field("egg_label", row): label or str(number),
            field("egg_sex", row): sex or SEX_UNKNOWN,
            field("egg_call", row): call,
        }
    )
    if photos:
        state["egg_photos"] = {**state["egg_photos"], row: tuple(photos)}


def remove_hatchling(state: State, row: int) -> None:
    state["egg_rows"] = [r for r in state["egg_rows"] if r != row]
    state["egg_photos"] = {r: p for r, p in state["egg_photos"].items() if r != row}


def add_photos(state: State, files: Sequence[tuple[str, bytes]]) -> None:
    """Each photo becomes a hatchling with the label of its file name; a photo that is already there is left out."""
    known = {hashlib.sha256(data).digest() for photos in state["egg_photos"].values() for _, data in photos}
    for name, data in files:
        digest = hashlib.sha256(data).digest()
        if digest not in known:
            known.add(digest)
            add_hatchling(state, label=PurePath(name).stem, photos=[(name, data)])


def clutch_form(state: Mapping[str, Any]) -> ClutchForm:
    """What was entered, ready to be sorted. Rows of one label that all have photos are one hatchling seen several times."""
    several = len(state["sire_rows"]) > 1
    sires = tuple(
        SireForm(
            state[field("sire_name", row)],
            state[field("sire_genes", row)],
            _share(state[field("sire_percent", row)]) if several else None,
        )
        for row in state["sire_rows"]
    )
    return ClutchForm(
        dam_name=state["dam_name"],
        dam_genes=state["dam_genes"],
        sires=sires,
        eggs=_merged([_egg(state, row) for row in state["egg_rows"]]),
        species=state["species"],
        mixed=_share(state["mixed_percent"]),
    )


def settings(state: Mapping[str, Any]) -> Settings:
    """The keeper's bars as entered; no gene chosen means any gene."""
    return Settings(
        label_threshold=state["label_percent"] / 100,
        hold_chance=state["hold_percent"] / 100,
        hold_genes=frozenset(state["hold_genes"]) or None,
    )


def chosen_settings(state: Mapping[str, Any]) -> Settings | None:
    """The bars as entered, where they are others than the usual ones; None leaves a clutch of the records its own."""
    chosen = settings(state)
    return None if chosen == Settings() else chosen


def fill_from_sheet(state: State, sheet: ClutchSheet, name: str) -> None:
    """Put a clutch sheet into the form, photos included."""
    clear(state)
    cross = sheet.cross
    state["sire_rows"] = []
    state.update(
        species=sheet.species.name,
        clutch_name=name,
        dam_name=cross.dam.name,
        dam_genes=genes_of(cross, cross.dam),
        mixed_percent=float(cross.mixed) * 100,
    )
    for sire, share in zip(cross.sires, cross.shares, strict=True):
        add_sire(state, sire.name, genes_of(cross, sire), round(float(share) * 100, 6))
    for egg in sheet.eggs:
        photos = [(p.name, p.read()) for p in egg.photos]
        add_hatchling(state, egg.label, egg.sex.value if egg.sex else None, egg.words, photos)


def snapshot(state: Mapping[str, Any]) -> dict[str, Any]:
    """A copy of everything entered, for ``restore``."""
    keys = [*form_keys(state), "sire_rows", "egg_rows", "egg_photos", "next_row"]
    return {key: state[key] for key in keys if key in state}


def restore(state: State, kept: Mapping[str, Any]) -> None:
    """Put back what ``snapshot`` copied."""
    clear(state)
    state.update(kept)


def is_empty(state: Mapping[str, Any]) -> bool:
    """Whether neither an animal nor a hatchling was entered."""
    words = ("clutch_name", "dam_name", "dam_genes", *(field(name, row) for row in state["sire_rows"] for name in _SIRE[:2]))
    return not state["egg_rows"] and not any(str(state.get(key) or "").strip() for key in words)


def title(values: Mapping[str, Any]) -> str:
    """What an unfinished form is of: ``Juniper x Basil, 6 hatchlings``."""
    sires = " or ".join(str(values.get(field("sire_name", row)) or "").strip() or "a sire" for row in values.get("sire_rows", ()))
    parents = f"{str(values.get('dam_name') or '').strip() or 'a dam'} x {sires}"
    name = str(values.get("clutch_name") or "").strip()
    n_eggs = len(values.get("egg_rows", ()))
    return f"{f'{name}: ' if name else ''}{parents}, {n_eggs} hatchling{'s' * (n_eggs != 1)}"


def quick_mark(state: Mapping[str, Any]) -> int:
    """Another number whenever something else is entered, in this process: Python remembers the hash of a photo's bytes."""
    fields = tuple((key, repr(state.get(key))) for key in form_keys(state))
    photos = tuple((row, name, hash(data)) for row in state["egg_rows"] for name, data in state["egg_photos"].get(row, ()))
    return hash((fields, photos, tuple(state["sire_rows"]), tuple(state["egg_rows"])))


def fingerprint(state: Mapping[str, Any]) -> str:
    """A short name for exactly what was entered: the same entries, photos included, have the same."""
    digest = hashlib.sha256()
    for key in form_keys(state):
        digest.update(repr((key, state.get(key))).encode())
    for row in state["egg_rows"]:
        for name, data in state["egg_photos"].get(row, ()):
            digest.update(repr((row, name)).encode() + hashlib.sha256(data).digest())
    return digest.hexdigest()[:16]


def mark_name(sheet: ClutchSheet, typed_name: str) -> str:
    """What hold-back marks of a clutch are kept under: its parents and, if there is one, the name the keeper gave it."""
    parents = clutch_name(sheet.cross)
    typed = typed_name.strip()
    return f"{typed}: {parents}" if typed else parents


def _egg(state: Mapping[str, Any], row: int) -> EggForm:
    sex = state[field("egg_sex", row)]
    return EggForm(
        label=state[field("egg_label", row)].strip(),
        sex=None if sex == SEX_UNKNOWN else sex,
        call=state[field("egg_call", row)].strip() or None,
        photos=state["egg_photos"].get(row, ()),
    )


def _merged(eggs: Sequence[EggForm]) -> tuple[EggForm, ...]:
    merged: list[EggForm] = []
    for egg in eggs:
        twin = next((i for i, e in enumerate(merged) if egg.label and e.label == egg.label), None)
        if twin is None or not (egg.photos and merged[twin].photos) or not _agree(egg, merged[twin]):
            merged.append(egg)
            continue
        other = merged[twin]
        merged[twin] = EggForm(egg.label, other.sex or egg.sex, other.call or egg.call, (*other.photos, *egg.photos))
    return tuple(merged)


def _agree(one: EggForm, other: EggForm) -> bool:
    return all(a is None or b is None or a == b for a, b in ((one.sex, other.sex), (one.call, other.call)))


def _share(percent: float | None) -> float | None:
    return None if percent is None else percent / 100


def _new_row(state: State, rows: str) -> int:
    row = state["next_row"]
    state["next_row"] = row + 1
    state[rows] = [*state[rows], row]
    return row
