"""Entries, their history, undo, references and refusals, on both databases."""

import json
from datetime import UTC, datetime

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import text

from triage.errors import StorageError
from triage.storage.archive import StaleEntryError, as_json
from triage.storage.database import Database
from triage.storage.kinds import KINDS, Candidate, Statement, kind_named, needed_words

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
        ("photo", {"about": "e", "sha256": "a", "source_sha256": "b", "name": "c", "added": AT, "crop": [0, 1]}, "4 numbers, each"),
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


def test_an_address_that_is_none_says_so(tmp_path):
    for address, words in (("nonsense", "not an address"), ("mysql://x/y", "begins with sqlite or postgresql"),
                           (f"sqlite:///{tmp_path}", "check that the database is there")):  # fmt: skip
        with pytest.raises(StorageError, match=words):
            Database(address)


def content_of(of):
    """Contents that a kind takes, drawn from what its fields say of themselves."""
    texts = st.text(st.characters(codec="utf-8", exclude_characters="\x00"), min_size=1, max_size=8).filter(str.strip)

    def value(field):
        low, high = max(field.range.low, -1e6), min(field.range.high, 1e6)
        numbers = st.floats(low, high, exclude_min=field.range.above)
        return {
            "text": texts,
            "reference": texts,
            "choice": st.sampled_from(field.choices or ("x",)),
            "date": st.dates().map(str),
            "dates": st.lists(st.dates().map(str), min_size=1, max_size=3),
            "moment": st.datetimes(timezones=st.just(UTC)).map(datetime.isoformat),
            "number": numbers,
            "whole": st.integers(int(low), int(high)),
            "flag": st.booleans(),
            "texts": st.lists(texts, min_size=field.length or 1, max_size=field.length or 3),
            "numbers": st.lists(numbers, min_size=field.length, max_size=field.length),
            "table": st.dictionaries(texts, numbers, min_size=1, max_size=3),
            "record": st.just({"dam": {"genes": "pastel"}, "sire": {"looks": "clown", "background": 0.1}}) if field.of is None
            else st.deferred(lambda: content_of(field.of)),
            "records": st.lists(st.deferred(lambda: content_of(field.of)), min_size=1, max_size=2) if field.of else st.nothing(),
        }[field.type]

    fields = of.fields()
    needed = {name: value(field) for name, field in fields.items() if field.required}
    others = {name: value(field) for name, field in fields.items() if not field.required}
    return st.fixed_dictionaries(needed, optional=others).filter(lambda content: is_whole(of, content))


def is_whole(of, content):
    """Whether what must hold between fields does."""
    known = {"genes", "looks", "offspring_of", "background"} & set(content)
    if of is Candidate:
        return sum(bool(content.get(way)) for way in ("animal", "unrecorded", "parthenogenesis")) == 1
    if issubclass(of, Statement):
        return known <= {"genes"} or known in ({"looks"}, {"looks", "background"}, {"offspring_of"}, {"offspring_of", "looks"})
    return True


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=25, suppress_health_check=list(HealthCheck))
@given(st.data())
def test_contents_come_back_as_they_went_in(kind, data):
    content = data.draw(content_of(KINDS[kind]))
    made = KINDS[kind].from_json(content)
    assert json.loads(as_json(made.to_json())) == json.loads(json.dumps(content))
    assert KINDS[kind].from_json(made.to_json()) == made


def test_every_kind_can_be_described():
    for kind, of in KINDS.items():
        assert of.fields() and kind == of.KIND
        for name, wanted in of.fields().items():
            assert needed_words(wanted), (kind, name)
            assert all(choice in KINDS for choice in wanted.choices) or wanted.type == "choice", (kind, name)


def test_what_a_candidate_names_is_protected(archive):
    _, sire, pairing, *_ = season(archive)
    with pytest.raises(StorageError, match=f"{pairing} refers to it"), archive.change("remove") as draft:
        draft.remove(archive.find(sire))
