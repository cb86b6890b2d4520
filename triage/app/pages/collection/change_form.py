"""Change what is recorded of an animal or hatchling: name, sex, weight, genes, dates, state."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

import streamlit as st

from triage.app.checks import check_genes
from triage.app.notices import errors_shown, say
from triage.records import Sex
from triage.storage.archive import Archive
from triage.workflow.book import change_entry
from triage.workflow.known import Known

_NOT_SEXED = "not sexed"
_WORDS = {
    "name": "now called {}", "sex": "sexed {}", "weight_g": "weighed {:g} g", "genes": "genes {}", "hatched": "hatched {}",
    "origin": "from {}", "state": "marked {}",
}  # fmt: skip


def change_words(changed: Mapping[str, Any]) -> str:
    """What was changed, for the history: ``weighed 320 g, sexed female``; what was emptied is taken out."""
    taken = {"weight_g": "weight", "hatched": "hatch day"}
    return ", ".join(
        f"{taken.get(field, field)} taken out" if value is None else _WORDS[field].format(value) for field, value in changed.items()
    )


def show_change_form(archive: Archive, known: Known, id: str) -> None:
    """The form in an expander; what is left as it is stays as it is."""
    entry = known.book[id]
    content, at = entry.content, f"{id}-{entry.version}"  # after a change the fields hold what is recorded now
    with st.expander("Change it: sex, weight, name, state", key="collection-change"), st.form(f"change-{at}", border=False):
        if entry.kind == "egg":
            sexes = [_NOT_SEXED, "female", "male"]
            sex = st.radio("Sex", sexes, index=sexes.index(content.sex or _NOT_SEXED), horizontal=True, key=f"change-sex-{at}")
            states = ["laid", "slug", "dead", "hatched"]
            state = st.radio("State", states, index=states.index(content.state), horizontal=True, key=f"change-state-{at}")
            given = {"sex": None if sex == _NOT_SEXED else sex, "state": state}
        else:
            given = _fields_of_animal(content, at)
            say(check_genes(known.collection.species, given["genes"] or "", name=given["name"], sex=_sex(given["sex"])))
        if not st.form_submit_button("Change it", icon=":material/edit:"):
            return
        changed = {field: value for field, value in given.items() if value != getattr(content, field)}
        if not changed:
            st.caption("Nothing was changed.")
            return
        with errors_shown():
            change_entry(archive, id, changed, reason=f"{known.title(id)}: {change_words(changed)}", version=entry.version)
            st.rerun()


def _fields_of_animal(content, at: str) -> dict[str, Any]:
    name = st.text_input("Name", value=content.name, key=f"change-name-{at}")
    sexes = ["female", "male", "unknown"]
    sex = st.radio("Sex", sexes, index=sexes.index(content.sex), horizontal=True, key=f"change-sex-{at}")
    genes = st.text_input("Its genes, as its papers say", value=content.genes or "", key=f"change-genes-{at}")
    first, second, third = st.columns(3)
    weight = first.number_input(
        "Weight, g", min_value=1.0, value=content.weight_g, step=10.0, placeholder="not weighed", key=f"change-weight-{at}"
    )
    day = date.fromisoformat(content.hatched) if content.hatched else None
    hatched = second.date_input("Hatched", value=day, key=f"change-hatched-{at}")
    origin = third.text_input("Where it is from", value=content.origin or "", key=f"change-origin-{at}")
    states = [*dict.fromkeys(["kept", "dead", *([content.state] if content.state else [])])]
    state = st.radio("State", states, index=states.index(content.state or "kept"), horizontal=True, key=f"change-state-{at}")
    return {
        "name": name.strip(), "sex": sex, "genes": genes.strip() or None, "weight_g": weight,
        "hatched": hatched.isoformat() if hatched else None, "origin": origin.strip() or None,
        "state": content.state if state == (content.state or "kept") else state,
    }  # fmt: skip


def _sex(word: str) -> Sex:
    return Sex(word) if word != "unknown" else Sex.FEMALE
