"""What is entered is kept as it is entered: a reload, a second tab or a restart goes on with it."""

from __future__ import annotations

import streamlit as st

from triage.app.literal import literal
from triage.app.notices import errors_shown
from triage.app.pages.sort_clutch import draft
from triage.errors import StorageError
from triage.workflow.book import new_id, open_unfinished

_ADDRESS = "entry"
_MOST_SHOWN = 5
#: The form as it was last kept or filled in, the id of what is kept of it, and when that was kept last before it was taken up.
_SEEN, _KEPT, _AFTER = "entry-seen", "entry-kept", "entry-after"
_WRITER = "entry-writer"


def take_up(state) -> None:
    """In a new session, the form that the address names."""
    if _SEEN in state:
        return
    id = st.query_params.get(_ADDRESS)
    if id:
        go_on(state, id)
    state.setdefault(_SEEN, draft.quick_mark(state))


def go_on(state, id: str) -> None:
    """Put an unfinished form into the fields; where it is gone or damaged, say so once."""
    try:
        form = open_unfinished().read(id)
    except StorageError as error:
        state["entry-lost"] = str(error)
        st.query_params.pop(_ADDRESS, None)
        return
    draft.restore(state, {**form.values, "egg_photos": dict(form.files)})
    state[_KEPT], state[_AFTER], state[_SEEN] = form.id, form.kept, draft.quick_mark(state)
    st.query_params[_ADDRESS] = form.id


def taken_up(state) -> bool:
    """Whether what is kept of a form stands in the fields."""
    return _KEPT in state


def change_to(state, id: str) -> None:
    """Go on with another form than the one in the fields, which stays kept."""
    state["sorted"] = None
    st.query_params.clear()
    go_on(state, id)


def keep(state) -> None:
    """Keep the form where it has changed; in a new one, once something was entered."""
    mark = draft.quick_mark(state)
    if state.get(_SEEN) == mark:
        return
    if _KEPT not in state and draft.is_empty(state):
        return
    # Whoever types quickly ends a run anywhere: id and writer are in the state before anything is written under them.
    id, writer = state.setdefault(_KEPT, new_id()), state.setdefault(_WRITER, new_id())
    values = draft.snapshot(state)
    photos = values.pop("egg_photos", {})
    with errors_shown():
        if not open_unfinished().keep(id, writer, values, photos, after=state.get(_AFTER)):
            state[_KEPT] = id = new_id()
            open_unfinished().keep(id, writer, values, photos)
            st.info("This clutch was changed elsewhere meanwhile: what stands here is kept beside it, under Unfinished.")
        state[_SEEN] = mark
        st.query_params[_ADDRESS] = id


def as_filled(state) -> None:
    """What was filled in and not typed is not kept until it is changed."""
    state[_SEEN] = draft.quick_mark(state)
    put_aside(state)


def put_aside(state) -> None:
    """The form from now on is another one; what is kept stays."""
    for key in (_KEPT, _AFTER):
        state.pop(key, None)
    st.query_params.pop(_ADDRESS, None)


def done(state) -> None:
    """The clutch is in the records: its form is no longer needed."""
    if _KEPT in state:
        open_unfinished().remove(state[_KEPT])
    put_aside(state)


def show_others(state) -> None:
    """Forms that were begun and not kept, to go on with or throw away."""
    lost = state.pop("entry-lost", "")
    if lost:
        st.warning(literal(lost), icon=":material/warning:")
    others = [form for form in open_unfinished().all() if form.id != state.get(_KEPT)]
    if not others:
        return
    with st.expander(f"Unfinished ({len(others)})", key="unfinished"):
        for form in others[:_MOST_SHOWN]:
            with st.container(horizontal=True, vertical_alignment="center"):
                st.markdown(literal(f"{draft.title(form.values)}, {form.kept.astimezone():%d %B %Y, %H:%M}"))
                st.button("Go on with it", key=f"go-on-{form.id}", on_click=change_to, args=(state, form.id))
                st.button("Throw it away", key=f"away-{form.id}", type="tertiary", on_click=open_unfinished().remove, args=(form.id,))
