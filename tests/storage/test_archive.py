"""Entries, their history, undo, references and refusals, on both databases."""

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import text

from triage.errors import StorageError
from triage.storage.archive import Archive, StaleEntryError, as_json
from triage.storage.database import Database
from triage.storage.kinds import KINDS, check

ANIMAL = {"name": "Juniper", "species": "ball python", "sex": "female", "genes": "pastel"}


def add(archive, kind, content, reason="entered"):
    with archive.change(reason) as draft:
        return archive, draft.add(kind, content)


def season(archive):
    """Two animals, a pairing, a clutch and its egg; their ids."""
    with archive.change("season", at=datetime(2031, 6, 2, tzinfo=UTC)) as draft:
        dam = draft.add("animal", ANIMAL)
        sire = draft.add("animal", {**ANIMAL, "name": "Basil", "sex": "male"})
        pairing = draft.add("pairing", {"dam": dam, "sires": [{"animal": sire, "share": 1.0}]})
        clutch = draft.add("clutch", {"name": "2031-1", "pairing": pairing, "laid": "2031-06-02"})
        egg = draft.add("egg", {"clutch": clutch, "label": "A1", "state": "laid"})
    return dam, sire, pairing, clutch, egg


def test_what_is_written_is_read_and_every_version_is_kept(archive):
    dam, *_ = season(archive)
    with archive.change("weighed") as draft:
        draft.put(archive.find(dam), weight_g=1510.5)
    with archive.change("sold") as draft:
        draft.put(archive.find(dam), state="sold", genes=None)
    assert archive.find(dam).version == 3
    assert archive.find(dam).get("genes") is None and archive.find(dam)["weight_g"] == 1510.5
    found = archive.history(dam)
    assert [one.reason for one in found] == ["season", "weighed", "sold"]
    assert [one.content.get("weight_g") for one in found] == [None, 1510.5, 1510.5]
    assert found[0].at == datetime(2031, 6, 2, tzinfo=UTC)
    assert archive.faults() == ()


def test_entries_come_in_the_order_they_were_made_and_by_field(archive):
    dam, sire, *_ = season(archive)
    assert [one.id for one in archive.all("animal")] == [dam, sire]
    assert [one.id for one in archive.all("animal", sex="male")] == [sire]
    assert len(archive.all()) == 5


def test_a_change_that_fails_writes_nothing(archive):
    before = archive.all()
    with pytest.raises(ZeroDivisionError), archive.change("broken") as draft:
        draft.add("animal", ANIMAL)
        1 / 0  # noqa: B018
    with pytest.raises(StorageError), archive.change("broken") as draft:
        draft.add("animal", ANIMAL)
        draft.add("egg", {"clutch": "clutch-nothing", "label": "A1", "state": "laid"})
    assert archive.all() == before and archive.history() == ()


def test_nothing_is_lost_when_two_change_the_same_entry(archive):
    dam, *_ = season(archive)
    read_by_both = archive.find(dam)
    with archive.change("first") as draft:
        draft.put(read_by_both, weight_g=1500)
    with pytest.raises(StaleEntryError, match="was changed meanwhile"), archive.change("second") as draft:
        draft.put(read_by_both, weight_g=1700)
    assert archive.find(dam)["weight_g"] == 1500


def test_undo_puts_back_and_is_itself_kept_and_undone(archive):
    dam, *_ = season(archive)
    with archive.change("weighed") as draft:
        draft.put(archive.find(dam), weight_g=1500)
    weighed = archive.history(dam)[-1].change
    archive.undo(weighed)
    assert archive.find(dam).get("weight_g") is None
    archive.undo(archive.history(dam)[-1].change)
    assert archive.find(dam)["weight_g"] == 1500
    assert len(archive.history(dam)) == 4 and archive.faults() == ()


def test_undoing_a_making_removes_and_undoing_that_brings_back(archive):
    archive, id = add(archive, "animal", ANIMAL)
    archive.undo(1)
    with pytest.raises(StorageError, match="no such entry"):
        archive.find(id)
    archive.undo(2)
    assert archive.find(id).content == ANIMAL and archive.find(id).version == 3


def test_changes_of_one_entry_are_undone_one_after_another(archive):
    with archive.change("entered") as draft:
        dam = draft.add("animal", {"name": "J", "species": "ball python", "sex": "female"})
    for grams in (1400.0, 1500.0):
        with archive.change("weighed") as draft:
            draft.put(archive.find(dam), weight_g=grams)
    with pytest.raises(StorageError, match="changed again after change 2"):
        archive.undo(2)
    archive.undo(3)
    assert archive.find(dam)["weight_g"] == 1400
    archive.undo(2)
    assert "weight_g" not in archive.find(dam).content
    archive.undo(1)
    assert archive.all("animal") == () and archive.faults() == ()
    archive.undo(6)  # and back again, the last undoing first
    archive.undo(5)
    archive.undo(4)
    assert archive.find(dam)["weight_g"] == 1500 and archive.faults() == ()


def test_undo_of_what_others_build_on_is_refused(archive):
    dam, *_ = season(archive)
    archive.undo(1)  # all five together can go
    assert archive.all() == ()
    dam, *_ = season(archive)
    with archive.change("weighed") as draft:
        draft.put(archive.find(dam), weight_g=1500)
    with pytest.raises(StorageError, match="changed again after change"):
        archive.undo(archive.history(dam)[0].change)
    with pytest.raises(StorageError, match="there is none"):
        archive.undo(999)


def test_what_is_referred_to_cannot_be_removed(archive):
    dam, _, pairing, _, egg = season(archive)
    with pytest.raises(StorageError, match=f"{pairing} refers to it"), archive.change("remove") as draft:
        draft.remove(archive.find(dam))
    with archive.change("remove") as draft:
        draft.remove(archive.find(egg))
    assert archive.faults() == ()


@pytest.mark.parametrize(
    ("kind", "content", "words"),
    [
        ("snake", {}, "'snake' is no kind of entry; needed: one of line, animal"),
        (
            "animal",
            {"name": "J", "species": "ball python"},
            "field 'sex' is missing; needed: one of male, female, unknown",
        ),
        ("animal", {**ANIMAL, "sex": "girl"}, "field 'sex' is 'girl'"),
        ("animal", {**ANIMAL, "colour": "brown"}, "unknown field 'colour'; needed: name, species"),
        ("animal", {**ANIMAL, "hatched": "2031-13-01"}, "needed: a date such as 2031-06-02"),
        ("animal", {**ANIMAL, "weight_g": "heavy"}, "needed: a number"),
        ("animal", {**ANIMAL, "weight_g": True}, "needed: a number"),
        ("pairing", {"dam": "animal-x", "sires": []}, "a list of {animal, share}"),
        ("note", {"about": "animal-x", "text": "t", "at": "2031-06-02T10:00:00"}, "a time with its zone"),
        ("note", {"about": "animal-x", "text": "t", "at": "2031-06-02T10:00:00+00:00"}, "'animal-x' is nothing"),
    ],
)
def test_wrong_contents_are_refused_with_what_is_needed(archive, kind, content, words):
    with pytest.raises(StorageError) as caught:
        add(archive, kind, content)
    assert words in str(caught.value)


def test_a_reference_to_the_wrong_kind_is_refused(archive):
    dam, _, pairing, *_ = season(archive)
    with pytest.raises(StorageError, match="is an entry of kind animal; needed: the id of clutch"):
        add(archive, "egg", {"clutch": dam, "label": "B1", "state": "laid"})
    assert pairing


def test_meddling_with_the_tables_shows(archive):
    dam, *_ = season(archive)
    meddle = [
        ("UPDATE record SET content = replace(content, 'pastel', 'clown')", "differs from its last change"),
        ("UPDATE change SET reason = 'nothing'", "was altered after it was written"),
        (f"DELETE FROM reference WHERE target = '{dam}'", "is not what the entry says"),
    ]
    for statement, words in meddle:
        with archive.database.writing() as connection:
            connection.execute(text(statement))
        assert any(words in fault for fault in archive.faults()), statement


def test_an_address_that_is_none_says_so(tmp_path):
    for address, words in (("nonsense", "not an address"), ("mysql://x/y", "begins with sqlite or postgresql"),
                           (f"sqlite:///{tmp_path}", "check that the database is there")):  # fmt: skip
        with pytest.raises(StorageError, match=words):
            Database(address)


@given(
    st.dictionaries(st.text(max_size=5), st.floats(allow_nan=False, allow_infinity=False, width=32), max_size=4),
    st.text(max_size=20),
)
def test_contents_come_back_as_they_went_in(table, words):
    import json

    content = {
        "about": "egg-1",
        "observer": words or "x",
        "at": "2031-06-02T10:00:00+00:00",
        "likelihoods": table,
        "otherwise": 0.5,
    }
    assert json.loads(as_json(check("reading", content))) == content


def test_every_kind_can_be_described():
    for kind, fields in KINDS.items():
        assert fields, kind
        for name, wanted in fields.items():
            assert all(choice in KINDS for choice in wanted.choices) or wanted.type == "choice", (kind, name)
    assert Archive
