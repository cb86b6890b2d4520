"""How often each observer's calls were right, by what settled them later, and the keeper's yes to sort with that."""

import streamlit as st

from triage.app.literal import literal
from triage.app.notices import errors_shown
from triage.workflow.book import open_archive
from triage.workflow.eye import NONE_SETTLED, eye_words, eyes_of, take_eye
from triage.workflow.recorded import KEEPER

_TOLD = "eye-told"
state = st.session_state


def use() -> None:
    with errors_shown():
        taken = take_eye(open_archive()).content
        state[_TOLD] = f"Clutches are sorted with {100 * taken.accuracy:.0f} % of {taken.calls} calls right from now on; undo under Collection."


st.title("Your eye")
if _TOLD in state:
    st.success(literal(state.pop(_TOLD)))
with errors_shown(), st.spinner("Settling calls by what came out"):
    eyes = eyes_of(open_archive())
    if not eyes:
        st.info(NONE_SETTLED)
    for eye in eyes:
        first, *rest = eye_words(eye)
        st.subheader("You" if eye.by == KEEPER else literal(eye.by))
        st.markdown(f"{literal(first[:1].upper() + first[1:])}.")
        for line in rest:
            st.markdown(f"- {literal(line)}")
        if eye.by == KEEPER:
            st.button("Sort with this from now on", on_click=use, key="eye-use", icon=":material/check:")
