"""The form in which a clutch is entered."""

from __future__ import annotations

import streamlit as st

from triage.app.checks import PAUSE, check_call, check_genes
from triage.app.literal import literal
from triage.app.notices import say
from triage.app.pages.sort_clutch import draft
from triage.app.pages.sort_clutch.draft import SEXES, field
from triage.app.shared import small_picture, species_shown
from triage.records import Sex, Species
from triage.signs import shown
from triage.species import species_names
from triage.species.explain import list_genes
from triage.species.sharing import published_text
from triage.workflow.answers.wording import SHARING_STOPS, sharing_text

PHOTO_TYPES = ["jpg", "jpeg", "png", "webp", "heic", "heif", "tif", "tiff", "bmp"]


def entry_form(state) -> None:
    """Every field of the form; what is entered lies in ``state``."""
    parents, hatchlings = st.columns([5, 6], gap="large")
    with parents:
        species = _parents(state)
    with hatchlings:
        _hatchlings(state, species)


def _parents(state) -> Species:
    st.subheader("Parents")
    name, kind = st.columns([3, 2])
    name.text_input("Clutch", key="clutch_name", placeholder="a name or the year, if you like")
    kind.selectbox("Species", species_names(), key="species")
    species = species_shown(state["species"])
    st.text_input("Dam", key="dam_name", placeholder="her name")
    st.text_input("Her genes", key="dam_genes", placeholder="pastel, 66% het clown", live=PAUSE)
    say(check_genes(species, state["dam_genes"], name=state["dam_name"], sex=Sex.FEMALE))
    rows = state["sire_rows"]
    for number, row in enumerate(rows, 1):
        with st.container(border=len(rows) > 1, key=field("sire_box", row)):
            _sire(state, species, row, number)
    if len(rows) < draft.MOST_SIRES:
        st.button("Add another possible sire", key="add_sire", on_click=draft.add_sire, args=(state,), icon=":material/add:")
    if len(rows) > 1:
        if state["mixed_percent"] is None:
            state["mixed_percent"] = 100 * species.mixed
        # a stop of the sheet's own stays once it is there: a slider that loses a stop would jump to its first
        state["mixed_stops"] = sorted({*SHARING_STOPS, *state.get("mixed_stops", ()), state["mixed_percent"]})
        st.select_slider(
            "May several males share the clutch?", state["mixed_stops"],
            key="mixed_percent", format_func=sharing_text,
        )  # fmt: skip
        st.caption(literal(published_text(species)))
    with st.expander("Your bars", key="bars"):
        st.number_input("A call is settled for the label at, %", 50.0, 100.0, step=1.0, key="label_percent")
        st.number_input("A hidden gene is worth proving from a chance of, %", 0.0, 100.0, step=5.0, key="hold_percent")
        genes = [gene.name for gene in list_genes(species)]
        state["hold_genes"] = [gene for gene in state["hold_genes"] if gene in genes]
        st.multiselect("Genes worth proving", genes, format_func=shown, key="hold_genes", placeholder="any gene")
    return species


def _sire(state, species: Species, row: int, number: int) -> None:
    several = len(state["sire_rows"]) > 1
    which = f"Sire {number}" if several else "Sire"
    if several:
        name, share = st.columns([3, 2])
        name.text_input(which, key=field("sire_name", row), placeholder="his name")
        share.number_input(
            "Share, %", 0.0, 100.0, step=5.0, key=field("sire_percent", row), placeholder="equal",
            help="How likely he is the father, before anything is seen. Give a share to every sire or to none.",
        )  # fmt: skip
    else:
        st.text_input(which, key=field("sire_name", row), placeholder="his name")
    genes = field("sire_genes", row)
    st.text_input("His genes", key=genes, placeholder="enchi, het clown", live=PAUSE)
    say(check_genes(species, state[genes], name=state[field("sire_name", row)], sex=Sex.MALE))
    if several:
        st.button(
            f"Remove sire {number}", key=field("remove_sire", row), on_click=draft.remove_sire, args=(state, row),
            type="tertiary", icon=":material/close:",
        )  # fmt: skip


def _hatchlings(state, species: Species) -> None:
    st.subheader("Hatchlings")
    state.setdefault("upload_round", 0)
    st.file_uploader(
        "Photos: one hatchling each, named after the file; a phone offers its own camera here", PHOTO_TYPES, accept_multiple_files=True,
        key=_upload_key(state), on_change=_take_uploads, args=(state, _upload_key(state)),
    )  # fmt: skip
    for row in state["egg_rows"]:
        _hatchling(state, species, row)
    if not state["egg_rows"]:
        st.caption("No hatchling yet. Drop photos above, or add one by what you see.")
    st.button(
        "Add a hatchling without a photo", key="add_egg", on_click=draft.add_hatchling, args=(state,), icon=":material/add:"
    )
    if len(state["egg_photos"]) > 1:
        st.caption("Several photos of one hatchling: give their rows the same label.")


def _hatchling(state, species: Species, row: int) -> None:
    photos = state["egg_photos"].get(row, ())
    label, call = field("egg_label", row), field("egg_call", row)
    with st.container(border=True, key=field("egg_box", row)), st.container(horizontal=True, vertical_alignment="bottom"):
        for name, data in photos[:2]:
            picture = small_picture(name, data)
            if picture is None:
                st.caption(literal(f"{name}: no picture to show"))
            else:
                st.image(picture, width=76, alt=f"Photo {shown(name)}")
        st.text_input("Label", key=label, width=110)
        st.selectbox("Sex", SEXES, key=field("egg_sex", row), width=130)
        st.text_input("Your call, if any", key=call, placeholder="what you see", live=PAUSE, width="stretch")
        st.button(
            f"Remove {literal(state[label])}", key=field("remove_egg", row), on_click=draft.remove_hatchling, args=(state, row),
            type="tertiary", icon=":material/close:",
        )  # fmt: skip
        check = check_call(species, state[call])
        if check.words:
            say(check)


def _upload_key(state) -> str:
    return f"upload_{state['upload_round']}"


def _take_uploads(state, key: str) -> None:
    """Take the photos of the field of this key; a quick browser tells of a field again whose round is over."""
    draft.add_photos(state, [(file.name, file.getvalue()) for file in state.get(key) or ()])
    if key == _upload_key(state):
        state["upload_round"] += 1
