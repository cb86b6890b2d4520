"""Enter an animal into the collection: what its papers say, checked while it is typed."""

from __future__ import annotations

import streamlit as st

from triage.app.checks import PAUSE, check_genes
from triage.app.notices import errors_shown, say
from triage.app.shared import species_shown
from triage.records import Sex
from triage.species import species_names, usual_species
from triage.storage.archive import Archive
from triage.storage.kinds import Animal
from triage.workflow.book import add_entry

_SEXES = ("female", "male", "unknown")
#: Fields that are empty again after an animal was entered.
_EMPTY = {"animal-name": "", "animal-genes": "", "animal-weight": None, "animal-hatched": None, "animal-origin": ""}


def show_animal_form(archive: Archive, *, first: bool) -> None:
    """The form in an expander, open where there is no animal yet."""
    state = st.session_state
    if state.pop("animal-entered", None):
        state.update(_EMPTY)  # a field that is forgotten instead would go on showing in the browser what it held
    with st.expander("Enter an animal", expanded=first, key="collection-animal-form"):
        name, sex = st.columns([3, 2])
        called = name.text_input("Name", key="animal-name")
        is_sex = sex.radio("Sex", _SEXES, horizontal=True, key="animal-sex")
        species = st.selectbox("Species", species_names(), index=species_names().index(usual_species()), key="animal-species")
        genes = st.text_input("Its genes, as its papers say", key="animal-genes", placeholder="pastel, 66% het clown", live=PAUSE)
        check = check_genes(species_shown(species), genes, name=called, sex=Sex(is_sex) if is_sex != "unknown" else Sex.FEMALE)
        say(check)
        hatched, weight, origin = st.columns(3)
        day = hatched.date_input("Hatched", value=None, key="animal-hatched")
        grams = weight.number_input("Weight, g", min_value=1.0, value=None, step=10.0, placeholder="not weighed", key="animal-weight")
        came_from = origin.text_input("Where it is from", key="animal-origin")
        if not st.button("Enter it", icon=":material/add:", disabled=not (called.strip() and check.ok), key="animal-enter"):
            return
        with errors_shown():
            entered = add_entry(
                archive,
                Animal(
                    name=called.strip(),
                    species=species,
                    sex=is_sex,
                    genes=genes.strip() or None,
                    hatched=day.isoformat() if day else None,
                    weight_g=grams,
                    origin=came_from.strip() or None,
                    state="kept",
                ),
            )
            state["animal-entered"] = entered.id
            st.rerun()
