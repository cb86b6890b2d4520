"""What all sessions share: the photo models, the sorted clutches in memory, small pictures."""

from __future__ import annotations

import base64

import streamlit as st

from triage.app.notices import errors_shown
from triage.app.pages.sort_clutch.shelf import Shelf
from triage.app.thumbnails import enlarged, thumbnail
from triage.errors import TriageError
from triage.records import Species
from triage.species import load_species
from triage.storage.archive import Archive
from triage.workflow.book import keepers_species, open_photos
from triage.workflow.known import Known, known_of


def species_shown(name: str) -> Species:
    """A species with the keeper's own genes; where one of them fits no more the page says so, and the catalogue stands by itself."""
    with errors_shown():
        return keepers_species(name)
    return load_species(name)


def known_in_session(archive: Archive, species: str) -> Known:
    """What the records together say of a species; of what this session knew before, only what changed since is computed."""
    last = st.session_state.get("known")
    known = known_of(archive, species, last if last is not None and last.collection.species.name == species else None)
    st.session_state["known"] = known
    return known


@st.cache_resource(show_spinner="Loading the photo model")
def photo_reader(species: str):
    """The photo model of a species; None where it has none."""
    from triage.workflow.photos import load_reader

    return load_reader(load_species(species))


@st.cache_resource(show_spinner=False)
def shelf() -> Shelf:
    return Shelf()


@st.cache_data(max_entries=200, show_spinner=False)
def small_picture(name: str, data: bytes) -> bytes | None:
    return thumbnail(name, data)


@st.cache_data(max_entries=40, show_spinner=False)
def large_picture(name: str, data: bytes) -> bytes | None:
    return enlarged(name, data)


@st.cache_data(max_entries=300, show_spinner=False)
def drawn_picture(species: str, call: str, stage: str) -> bytes | None:
    from triage.workflow.reference_pictures import drawn_look

    return drawn_look(species, call, stage)


@st.cache_data(max_entries=3000, show_spinner=False)
def table_picture(sha256: str) -> str:
    """A photo of the records as the address of a small picture, for a table; empty where there is none that can be read."""
    from triage.workflow.newest_photo import squared

    if not sha256:
        return ""
    try:
        return f"data:image/jpeg;base64,{base64.b64encode(squared(open_photos().read(sha256), 96)).decode()}"
    except (TriageError, OSError):
        return ""
