"""Errors and warnings of this program as notices on the page."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager

import streamlit as st

from triage.app.checks import Check
from triage.app.literal import literal
from triage.errors import TriageError, TriageWarning


@contextmanager
def errors_shown() -> Iterator[None]:
    """Show what this program refuses or warns of inside the block; anything else is a mistake and passes on."""
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", TriageWarning)
        try:
            yield
        except TriageError as error:
            st.error(literal(str(error)), icon=":material/error:")
    for one in caught:
        if issubclass(one.category, TriageWarning):
            st.warning(literal(str(one.message)), icon=":material/warning:")
        else:
            warnings.warn_explicit(one.message, one.category, one.filename, one.lineno)


def say(check: Check) -> None:
    """What was understood of a field, or why it was not, below it."""
    if check.ok:
        st.caption(literal(check.words))
    else:
        st.error(literal(check.words), icon=":material/error:")
