"""Entries, their history, undo, references and refusals, on both databases."""

from datetime import UTC, datetime

import pytest
from sqlalchemy import text

from triage.errors import StorageError
from triage.storage.archive import StaleEntryError
from triage.storage.database import Database
from triage.storage.kinds import kind_named

AT = "2031-06-02T10:00:00+00:00"
ANIMAL = {"name": "Juniper", "species": "ball python", "sex": "female", "genes": "pastel"}


def put(draft, kind, content):
    return draft.add(kind_named(kind).from_json(content))


def add(archive, kind, content, reason="entered"):
    with archive.change(reason) as draft:
        return archive, put(draft, kind, content)


def season(archive):
    """Two animals, a pairing, a clutch and its egg; their ids."""
    with archive.change("season", at=datetime(2031, 6, 2, tzinfo=UTC)) as draft:
        dam = put(draft, "animal", ANIMAL)
        sire = put(draft, "animal", {**ANIMAL, "name": "Basil", "sex": "male"})
        pairing = put(draft, "pairing", {"dam": dam, "sires": [{"animal": sire, "share": 1.0}]})
        clutch = put(draft, "clutch", {"name": "2031-1", "pairing": pairing, "laid": "2031-06-02"})
        egg = put(draft, "egg", {"clutch": clutch, "label": "A1", "state": "laid"})
    return dam, sire, pairing, clutch, egg


def test_what_is_written_is_read_and_every_version_is_kept(archive):
    dam, *_ = season(archive)
    with archive.change("weighed") as draft:
        draft.put(archive.find(dam), weight_g=1510.5)
    with archive.change("sold") as draft:
        draft.put(archive.find(dam), state="sold", genes=None)
    assert archive.find(dam).version == 3
    assert archive.find(dam).content.genes is None and archive.find(dam).content.weight_g == 1510.5
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
        put(draft, "animal", ANIMAL)
        1 / 0  # noqa: B018
    with pytest.raises(StorageError), archive.change("broken") as draft:
        put(draft, "animal", ANIMAL)
        put(draft, "egg", {"clutch": "clutch-nothing", "label": "A1", "state": "laid"})
    assert archive.all() == before and archive.history() == ()


def test_nothing_is_lost_when_two_change_the_same_entry(archive):
    dam, *_ = season(archive)
    read_by_both = archive.find(dam)
    with archive.change("first") as draft:
        draft.put(read_by_both, weight_g=1500)
    with pytest.raises(StaleEntryError, match="was changed meanwhile"), archive.change("second") as draft:
        draft.put(read_by_both, weight_g=1700)
    assert archive.find(dam).content.weight_g == 1500


def test_undo_puts_back_and_is_itself_kept_and_undone(archive):
    dam, *_ = season(archive)
    with archive.change("weighed") as draft:
        draft.put(archive.find(dam), weight_g=1500)
    weighed = archive.history(dam)[-1].change
    archive.undo(weighed)
    assert archive.find(dam).content.weight_g is None
    archive.undo(archive.history(dam)[-1].change)
    assert archive.find(dam).content.weight_g == 1500
    assert len(archive.history(dam)) == 4 and archive.faults() == ()


def test_undoing_a_making_removes_and_undoing_that_brings_back(archive):
    archive, id = add(archive, "animal", ANIMAL)
    archive.undo(1)
    with pytest.raises(StorageError, match="no such entry"):
        archive.find(id)
    archive.undo(2)
    assert archive.find(id).content.to_json() == ANIMAL and archive.find(id).version == 3


def test_changes_of_one_entry_are_undone_one_after_another(archive):
    with archive.change("entered") as draft:
        dam = put(draft, "animal", {"name": "J", "species": "ball python", "sex": "female"})
    for grams in (1400.0, 1500.0):
        with archive.change("weighed") as draft:
            draft.put(archive.find(dam), weight_g=grams)
    with pytest.raises(StorageError, match="changed again after change 2"):
        archive.undo(2)
    archive.undo(3)
    assert archive.find(dam).content.weight_g == 1400
    archive.undo(2)
    assert archive.find(dam).content.weight_g is None
    archive.undo(1)
    assert archive.all("animal") == () and archive.faults() == ()
    archive.undo(6)  # and back again, the last undoing first
    archive.undo(5)
    archive.undo(4)
    assert archive.find(dam).content.weight_g == 1500 and archive.faults() == ()


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
        ("animal", {**ANIMAL, "colour": "brown"}, "unknown field 'colour'; needed: genes,"),
        ("animal", {**ANIMAL, "hatched": "2031-13-01"}, "needed: a date such as 2031-06-02"),
        ("animal", {**ANIMAL, "weight_g": "heavy"}, "needed: a number"),
        ("animal", {**ANIMAL, "weight_g": True}, "needed: a number"),
        ("animal", {**ANIMAL, "weight_g": -4}, "animal, field 'weight_g' is -4; needed: a number above 0, up to 100000"),
        ("animal", {**ANIMAL, "weight_g": float("nan")}, "needed: a number above 0"),
        ("animal", {**ANIMAL, "looks": "pastel"}, "'genes' beside 'offspring_of' or 'looks'"),
        ("animal", {"name": "J", "species": "x", "sex": "male", "background": 0.1}, "'background' without 'looks' alone"),
        ("animal", {"name": "J", "species": "x", "sex": "male", "offspring_of": {"dam": {}}}, "descent: field 'sire' is missing"),
        ("animal", {"name": "J", "species": "x", "sex": "male", "unknown_hets": {"clown": 2}}, "each a number from 0 to 1"),
        ("pairing", {"dam": "animal-x", "sires": [{"share": 1.5, "animal": "a"}]}, "candidate, field 'share' is 1.5; needed: a number"),
        ("pairing", {"dam": "animal-x", "sires": [{"animal": "a", "unrecorded": True}]}, "each either an animal, or unrecorded"),
        ("pairing", {"dam": "animal-x", "sires": ["a"]}, "candidate is 'a'; needed: names with values"),
        ("clutch", {"name": "c", "pairing": "p", "crossover": {"banana": 0.7}}, "each a number from 0 to 0.5"),
        ("laboratory", {"about": "egg-x", "gene": "clown", "copies": 1.5, "at": AT}, "a whole number from 0 to 2"),
        ("photo", {"about": "e", "sha256": "0" * 64, "source_sha256": "1" * 64, "name": "c", "added": AT, "crop": [0, 1]}, "4 numbers, each"),
        ("pairing", {"dam": "animal-x", "sires": []}, "a list of names with values"),
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
    with pytest.raises(StorageError, match="is an entry of kind animal; needed: clutch"):
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


@pytest.mark.parametrize("damage", ["{", "[]", '{"name":"J"}', '{"name":"J","sex":"female","species":"x","weight_g":-4}'])
def test_an_entry_that_is_damaged_is_named_beside_whatever_else_is_wrong(archive, damage):
    dam, sire, pairing, *_ = season(archive)
    with archive.database.writing() as connection:
        for table in ("revision", "record"):
            statement = text(f"UPDATE {table} SET content = :damage WHERE {'id' if table == 'record' else 'record_id'} = :id")
            connection.execute(statement, {"damage": damage, "id": sire})
        connection.execute(text("UPDATE record SET version = 9 WHERE id = :id"), {"id": dam})
    faults = archive.faults()
    assert any(fault.startswith(f"{sire}: cannot be read (") for fault in faults)
    assert any(fault == f"{dam}: differs from its last change" for fault in faults)
    assert any(fault.startswith("change 1: was altered") for fault in faults)
    for look in (lambda: archive.find(sire), archive.all):
        with pytest.raises(StorageError, match=f"{sire}: cannot be read"):
            look()
    assert archive.find(pairing).content.dam == dam


def test_text_that_is_none_is_refused_where_it_comes_in(archive):
    season(archive)
    before = archive.history()
    with pytest.raises(StorageError, match="holds what is no character; needed: text in UTF-8"):
        add(archive, "animal", {**ANIMAL, "name": "Junip\udcffr"})
    with pytest.raises(StorageError, match="holds what is no character; needed: text in UTF-8"):
        add(archive, "animal", ANIMAL, reason="\udcff")
    for look in (archive.find, archive.history):
        with pytest.raises(StorageError, match="holds what is no character; needed: text in UTF-8"):
            look("\udcff")
    assert archive.history() == before and archive.faults() == ()


def test_an_address_that_is_none_says_so(tmp_path):
    for address, words in (("nonsense", "not an address"), ("mysql://x/y", "begins with sqlite or postgresql"),
                           (f"sqlite:///{tmp_path}", "cannot be made \\(Is a directory\\)")):  # fmt: skip
        with pytest.raises(StorageError, match=words):
            Database(address)


def test_what_a_candidate_names_is_protected(archive):
    _, sire, pairing, *_ = season(archive)
    with pytest.raises(StorageError, match=f"{pairing} refers to it"), archive.change("remove") as draft:
        draft.remove(archive.find(sire))
