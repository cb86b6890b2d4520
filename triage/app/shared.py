"""What all sessions share: the photo model, the sorted clutches in memory, the journal of hold-back marks."""

from __future__ import annotations

import streamlit as st

from triage.app.shelf import Shelf
from triage.app.thumbnails import thumbnail
from triage.storage.marks import HoldJournal


@st.cache_resource(show_spinner="Loading the photo model")
def photo_reader():
    from triage.workflow.photos import load_reader

    return load_reader()


@st.cache_resource(show_spinner=False)
def shelf() -> Shelf:
    return Shelf()


def journal() -> HoldJournal:
    return HoldJournal()


@st.cache_data(max_entries=200, show_spinner=False)
def small_picture(name: str, data: bytes) -> bytes | None:
    return thumbnail(name, data)
