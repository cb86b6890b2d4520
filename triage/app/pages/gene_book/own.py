"""Genes of the keeper's own on the gene book's page: entered, changed, taken out, and the last of it undone."""

from __future__ import annotations

import streamlit as st

from triage.app.literal import literal
from triage.app.notices import errors_shown
from triage.records import Mode, Species
from triage.signs import shown
from triage.storage.archive import Archive, Entry
from triage.storage.database import is_there
from triage.storage.kinds import Gene
from triage.workflow.book import add_entry, change_entry, open_archive
from triage.workflow.gene_use import remove_entry, undo_change

_TOLD = "own-told"
_ALONE = "a locus of its own"
_NEW = "a new one"


def show_own_genes(species: Species) -> None:
    """The keeper's own genes of a species with a form for one of them, or for a new one."""
    _show_told()
    genes = {entry.id: entry for entry in _own_genes() if entry.content.species == species.name}
    with st.expander("Genes of your own", key="own-genes"):
        st.caption(
            "A gene that the catalogue does not have, kept in your records and computed like any other. The photo model says nothing "
            "for or against it."
        )
        names = {_NEW: _NEW} | {id: shown(entry.content.name) for id, entry in genes.items()}
        chosen = st.selectbox("Gene", list(names), key="own-gene", format_func=names.__getitem__)
        _show_form(species, genes.get(chosen))


def _show_form(species: Species, entry: Entry | None) -> None:
    at, said = (entry.id, entry.content) if entry else ("new", None)
    modes = [mode.value for mode in Mode]
    series = [_ALONE, *dict.fromkeys([*species.locus_names, *((said.series,) if said and said.series else ())])]
    with st.form(f"own-form-{at}", border=False):
        name = st.text_input("Name", value=said.name if said else "", key=f"own-name-{at}").strip()
        mode = st.selectbox("Inherited", modes, index=modes.index(said.mode) if said else 0, key=f"own-mode-{at}")
        index = series.index(said.series) if said and said.series else 0
        of = st.selectbox("Allele of", series, index=index, format_func=shown, key=f"own-series-{at}")
        looks = {
            field: st.text_input(title, value=(getattr(said, field) or "") if said else "", key=f"own-{field}-{at}").strip()
            for field, title in (("one_copy", "One copy looks"), ("two_copies", "Two copies look"))
        }
        synonyms = st.text_input(
            "Also called", value=", ".join(said.synonyms or ()) if said else "", key=f"own-synonyms-{at}", placeholder="with commas between"
        )
        note = st.text_input("Note", value=(said.note or "") if said else "", key=f"own-note-{at}").strip()
        with st.container(horizontal=True):
            keep = st.form_submit_button("Keep the gene", icon=":material/save:", key=f"own-keep-{at}")
            gone = entry is not None and st.form_submit_button("Take it out", icon=":material/close:", key=f"own-remove-{at}")
    content = {"name": name, "mode": mode, "series": None if of == _ALONE else of, **looks, "note": note,
               "synonyms": tuple(one for one in map(str.strip, synonyms.split(",")) if one) or None}  # fmt: skip
    with errors_shown():
        if gone:
            archive = open_archive()
            remove_entry(archive, entry.id)
            _done(archive, entry.id, f"{entry.content.name} taken out")
        elif keep and entry is not None:
            archive = open_archive()
            _done(archive, change_entry(archive, entry.id, content).id, f"{name} changed")
        elif keep:
            archive = open_archive()
            _done(archive, add_entry(archive, Gene(species=species.name, **content)).id, f"{name} kept among your own genes")


def _own_genes() -> tuple[Entry, ...]:
    """Those of the records; looking makes none where there are none."""
    found: tuple[Entry, ...] = ()
    with errors_shown():
        found = open_archive().all("gene") if is_there() else ()
    return found


def _done(archive: Archive, id: str, words: str) -> None:
    st.session_state[_TOLD] = (words, archive.history(id)[-1].change)
    st.rerun()


def _show_told() -> None:
    """What was done last, with a button that undoes it."""
    told = st.session_state.get(_TOLD)
    if told is None:
        return
    words, change = told
    row = st.container(horizontal=True, vertical_alignment="center")
    row.success(literal(words))
    if row.button("Undo", key="own-undo", icon=":material/undo:"):
        with errors_shown():
            undo_change(open_archive(), change)
            del st.session_state[_TOLD]
            st.rerun()
