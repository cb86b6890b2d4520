"""Every past schema is brought to the newest with its data; a newer one is refused untouched."""

import hashlib
import itertools
import json
import re
import math
import os
import signal
import threading
import time
import zipfile
from dataclasses import asdict
from datetime import datetime

import pytest
from alembic.script import ScriptDirectory
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import inspect, make_url, text

from triage.errors import StorageError, TriageWarning
from triage.genetics.readings import photo_reading
from triage.records import PhotoEvidence
from triage.species import load_species
from triage.storage import database as module
from triage.storage.archive import FIRST_HASH, Archive, Change, as_json, hash_of
from triage.storage.backup import restore
from triage.storage.database import Database
from triage.storage.kinds import KINDS
from triage.storage.schema import metadata
from triage.storage.upgrade import upgraded
from triage.workflow.known import known_of
from triage.workflow.recorded import photo_evidence

SCHEMAS = [script.revision for script in ScriptDirectory.from_config(module._alembic()).walk_revisions()][::-1]
AT, LATER = "2031-08-01T10:00:00+00:00", "2031-08-02T10:00:00+00:00"
BROUGHT = "records brought to the form of this version"
JUNIPER = {"name": "Juniper", "species": "ball python", "sex": "female"}
PAIRING = {"dam": "animal-a", "sires": [{"animal": "animal-b", "share": 1.0}]}


def old_change(number, before, rows, reason="old"):
    """A change of (id, kind, version, content) after another, as every version wrote them."""
    rows = tuple((id, kind, version, content and as_json(content)) for id, kind, version, content in rows)
    previous = before.hash if before else FIRST_HASH
    return Change(number, AT, "keeper", reason, previous, hash_of(previous, AT, "keeper", reason, rows), rows)


def old_changes(*several):
    found = []
    for number, rows in enumerate(several, 1):
        found.append(old_change(number, found[-1] if found else None, rows))
    return found


def old_references(kind, content):
    """Which fields of an entry pointed where, as schema 0002 kept it."""
    for name in ("about", "egg", "line", "dam", "pairing", "clutch", "photo", "plan", "animal"):
        if name in content:
            yield name, content[name]
    for number, one in enumerate(content.get("sires", ())):
        yield f"sires.{number}", one["animal"]


def fill(address, changes, schema="0002"):
    """A database of a past schema with these changes, and the entries and references as they then were."""
    url = make_url(address)
    engine = module._engine(url, url.get_backend_name() == "sqlite")
    module.upgrade_to(engine, schema)
    entries = {}
    with engine.connect() as connection:
        connection.exec_driver_sql("BEGIN")
        for one in changes:
            connection.execute(text("INSERT INTO change (at, who, reason, previous, hash) VALUES (:at, :who, :reason, :previous, :hash)"),
                               {name: getattr(one, name) for name in ("at", "who", "reason", "previous", "hash")})  # fmt: skip
            for place, (id, kind, version, content) in enumerate(one.revisions):
                entries[id] = {"id": id, "kind": kind, "version": version, "content": content}
                connection.execute(text("INSERT INTO revision (change_id, place, record_id, kind, version, content) "
                                        "VALUES (:change, :place, :id, :kind, :version, :content)"),
                                   {**entries[id], "change": one.id, "place": place})  # fmt: skip
        entries = [one for one in entries.values() if one["content"] is not None]
        for one in entries:
            connection.execute(text("INSERT INTO record (id, kind, version, content) VALUES (:id, :kind, :version, :content)"), one)
        for one in entries if schema != "0001" else ():
            content = json.loads(one["content"])
            today = ((name, target) for name, target, _ in KINDS[one["kind"]].from_json(content).references()) if schema > "0002" else ()
            for name, target in today or old_references(one["kind"], content):
                connection.execute(text("INSERT INTO reference (record_id, field, target) VALUES (:id, :field, :target)"),
                                   {"id": one["id"], "field": name, "target": target})  # fmt: skip
        connection.exec_driver_sql("COMMIT")
    return engine


def everything(engine):
    """All rows of all tables, to see that nothing was touched."""
    with engine.connect() as connection:
        tables = ("change", "revision", "record", "reference", "alembic_version")
        return {name: sorted(map(repr, connection.execute(text(f"SELECT * FROM {name}")))) for name in tables}


def test_there_are_several_schemas_in_one_line():
    assert [f"{number:04d}" for number in range(1, len(SCHEMAS) + 1)] == SCHEMAS and len(SCHEMAS) >= 2


@pytest.mark.parametrize("schema", SCHEMAS[:-1])
def test_data_of_a_past_schema_arrives_whole(address, schema):
    rows = [("animal-a", "animal", 1, JUNIPER), ("animal-b", "animal", 1, {**JUNIPER, "sex": "male"}), ("pairing-a", "pairing", 1, PAIRING)]
    fill(address, old_changes(rows), schema)
    archive = Archive(Database(address))
    assert archive.database.schema() == SCHEMAS[-1]
    assert archive.faults() == () and [one.change for one in archive.history()] == [1, 1, 1]  # all was as it is written today
    assert archive.find("pairing-a").content.to_json() == PAIRING
    with pytest.raises(StorageError, match="refers to it"), archive.change("remove") as draft:
        draft.remove(archive.find("animal-b"))


def test_the_migrations_end_at_the_tables_the_program_uses(archive):
    found = inspect(archive.database.engine)
    assert set(found.get_table_names()) == {*metadata.tables, "alembic_version"}
    for name, table in metadata.tables.items():
        assert {c["name"] for c in found.get_columns(name)} == set(table.columns.keys())
        assert {i["name"] for i in found.get_indexes(name)} >= {i.name for i in table.indexes}


def test_a_newer_schema_is_refused_untouched(archive, address):
    with archive.database.writing() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
        connection.execute(text("CREATE TABLE from_the_future (id integer)"))
    with pytest.raises(
        StorageError, match=r"schema 9999 is newer than this program knows \(0005\); nothing was touched"
    ):
        Database(address)
    with archive.database.reading() as connection:
        assert connection.execute(text("SELECT version_num FROM alembic_version")).scalar() == "9999"


SAID = {"het clown": 0.9, "no clown": 0.1}
SEEN = {"pastel": 0.62, "normal": 0.2, "super pastel": 0.0001}
OLD = [
    ("animal-a", "animal", {"name": "Juniper", "species": "ball python", "sex": "female", "genes": "pastel", "weight_g": -4}),
    ("animal-b", "animal", {"name": "Basil", "species": "ball python", "sex": "male", "hatched": "20280301"}),
    ("pairing-a", "pairing", {"dam": "animal-a", "sires": [{"animal": "animal-b", "share": 1.0}], "mixed": 0.1, "from": "2031-01-01",
                              "to": "2031-03-01"}),
    ("clutch-a", "clutch", {"name": "2031-1", "pairing": "pairing-a", "hatched": "2031-08-01"}),
    ("egg-1", "egg", {"clutch": "clutch-a", "label": "A1", "state": "hatched"}),
    ("egg-2", "egg", {"clutch": "clutch-a", "label": "A2", "state": "hatched", "sex": "male"}),
    ("photo-1", "photo", {"about": "egg-1", "sha256": "0" * 64, "source_sha256": "1" * 64, "name": "a1.jpg", "added": AT}),
    ("reading-1", "reading", {"about": "egg-1", "observer": "photo", "photo": "photo-1", "at": AT, "likelihoods": SEEN, "otherwise": 1e-4}),
    ("reading-2", "reading", {"about": "egg-2", "observer": "evidence", "at": AT, "likelihoods": {"pastel": 0.7}, "otherwise": 0.1}),
    ("call-1", "call", {"about": "egg-1", "call": "pastel", "by": "keeper", "at": AT, "stage": "at hatch"}),
    ("call-2", "call", {"about": "egg-1", "call": "pastel", "by": "sorting (photo, parents)", "at": AT, "probability": 0.97}),
    ("call-3", "call", {"about": "egg-2", "call": "normal", "by": "Hazel", "at": AT, "probability": 0.8}),
    ("tray-0", "tray", {"about": "egg-1", "tray": "look again", "reasons": ["early"], "at": "2031-07-31T10:00:00+00:00"}),
    ("tray-1", "tray", {"about": "egg-1", "tray": "label", "reasons": ["settled"], "at": AT}),
    ("tray-2", "tray", {"about": "egg-2", "tray": "look again", "at": LATER}),
    ("label-1", "label", {"about": "egg-1", "text": "0.0.1; pastel", "rests_on": ["photo"], "at": AT}),
    ("hold-1", "hold", {"clutch_name": "2031-1", "label": "A1", "note": "pretty", "at": AT}),
    ("hold-2", "hold", {"about": "egg-2", "at": AT}),
    ("plan-1", "plan", {"animal": "egg-2", "mate": "any visual clown", "question": "het clown", "prior": {"het clown": 0.5}, "at": AT}),
    ("outcome-1", "outcome", {"plan": "plan-1", "animal": "egg-2", "says": SAID, "by": "laboratory", "at": LATER}),
    ("outcome-2", "outcome", {"animal": "animal-a", "says": {"het clown": 0.5, "no clown": 1.0}, "by": "proving", "at": LATER}),
    ("note-1", "note", {"about": "egg-1", "text": "first meal", "at": AT}),
]  # fmt: skip
SEASON = [(id, kind, 1, content) for id, kind, content in OLD]


def check_season(archive):
    assert archive.faults() == ()
    assert [entry.kind for entry in archive.all()].count("sort") == 1 and len(archive.all()) == len(OLD) - 4 + 1
    assert not {entry.kind for entry in archive.all()} - set(KINDS)
    juniper, basil = archive.find("animal-a").content, archive.find("animal-b").content
    assert juniper.weight_g is None and juniper.genes == "pastel" and basil.hatched == "2028-03-01"
    pairing = archive.find("pairing-a").content
    assert (pairing.begun, pairing.ended, pairing.mixed) == ("2031-01-01", "2031-03-01", 0.1)
    assert [(one.animal, one.share) for one in pairing.sires] == [("animal-b", 1.0)]
    (sort,) = archive.all("sort")
    assert (sort.content.clutch, sort.content.at, sort.content.settings.label_threshold) == ("clutch-a", LATER, 0.95)
    first, second = sort.content.eggs
    assert (first.label, first.tray, first.reasons, dict(first.calls), first.label_text) == ("A1", "label", ("settled",), {"pastel": 0.97},
                                                                                            "0.0.1; pastel")  # fmt: skip
    assert (second.label, second.tray, second.calls) == ("A2", "look again", None)
    seen = photo_evidence(load_species("ball python"), archive.find("reading-1"))
    again = {call.name: p * max(SEEN.values()) for call, p in photo_reading([seen]).likelihoods.items()}
    assert again == pytest.approx(SEEN, rel=1e-9)
    evidence = archive.find("reading-2").content
    assert dict(evidence.likelihoods) == {"pastel": 0.7} and evidence.otherwise == 0.1
    assert archive.find("call-1").content.by == "keeper" and archive.find("label-1").content.text == "0.0.1; pastel"
    assert archive.find("call-3").content.to_json() == {"about": "egg-2", "call": "normal", "by": "Hazel", "at": AT}
    assert archive.find("hold-1").content.clutch_name == "2031-1" and dict(archive.find("outcome-1").content.says) == SAID
    assert archive.find("outcome-2").content.by == "proving" and archive.find("plan-1").content.prior["het clown"] == 0.5
    assert archive.find("note-1").content.text == "first meal" and archive.find("hold-2").content.about == "egg-2"
    assert next(iter(archive.changes())) == old_changes(SEASON)[0]  # the history keeps what was, as it was
    last = [one for one in archive.history() if one.change == 2]
    assert {(one.who, one.reason) for one in last} == {("the program", BROUGHT)} and archive.history()[-1].change == 2
    assert {one.kind for one in last if one.content is None} == {"tray", "call"}
    known = known_of(archive)
    assert known.left_out == () and {known.title(id) for id in known.animals} == {"Juniper", "Basil", "2031-1/A1", "2031-1/A2"}


def check_undo_leaves_nothing_half(archive):
    before = archive.all()
    with pytest.raises(StorageError, match="was changed again after change 1"):
        archive.undo(1)
    with pytest.raises(StorageError, match=r"change 2: .* was kept in an older form before it, which only the history holds now"):
        archive.undo(2)
    assert archive.all() == before and archive.history()[-1].change == 2 and archive.faults() == ()


def test_a_season_of_the_second_schema_opens_with_what_it_said(address):
    engine = fill(address, old_changes(SEASON))
    archive = Archive(Database(address))
    assert archive.database.schema() == "0005"
    opened = everything(engine)
    archive = Archive(Database(address))
    assert everything(engine) == opened  # opened again, nothing more
    check_season(archive)
    check_undo_leaves_nothing_half(archive)


def test_a_backup_of_the_second_schema_is_restored_as_today_s(archive, photos, tmp_path):
    changes = "".join(json.dumps(asdict(one)) + "\n" for one in old_changes(SEASON)).encode()
    manifest = {"format": 1, "changes": 1, "photos": 0, "sha256": {"changes.jsonl": hashlib.sha256(changes).hexdigest()}}
    with zipfile.ZipFile(tmp_path / "old.zip", "w") as file:
        file.writestr("changes.jsonl", changes)
        file.writestr("manifest.json", json.dumps(manifest))
    restore(tmp_path / "old.zip", archive, photos)
    check_season(archive)
    check_undo_leaves_nothing_half(archive)
    other = Archive(Database(f"sqlite:///{tmp_path / 'other.sqlite'}"))
    assert other.replay(archive.changes()) == 2  # and what is of today's form is restored as it is
    assert other.all() == archive.all() and list(other.changes()) == list(archive.changes())


def test_changes_from_before_are_undone_where_that_means_something_today(address):
    weighed, light = {**JUNIPER, "weight_g": 1500}, {**JUNIPER, "weight_g": -4}
    egg = {"clutch": "clutch-a", "label": "A1", "state": "hatched"}
    tray = {"about": "egg-1", "tray": "label", "at": AT}
    fill(address, old_changes(
        [("animal-a", "animal", 1, light), ("animal-b", "animal", 1, {**JUNIPER, "sex": "male"}), ("pairing-a", "pairing", 1, PAIRING),
         ("clutch-a", "clutch", 1, {"name": "2031-1", "pairing": "pairing-a"}), ("egg-1", "egg", 1, egg), ("tray-1", "tray", 1, tray),
         ("reading-1", "reading", 1, {"about": "egg-1", "observer": "photo", "at": AT, "likelihoods": SEEN, "otherwise": 0.0})],
        [("animal-a", "animal", 2, weighed)],
        [("tray-1", "tray", 2, None)],
        [("reading-1", "reading", 2, None)],
        [("pairing-a", "pairing", 2, {**PAIRING, "from": "2031-01-01"})],
    ))  # fmt: skip
    archive = Archive(Database(address))
    assert archive.faults() == () and [one.record_id for one in archive.history() if one.change == 6] == ["pairing-a"]
    archive.undo(2)  # -4 g was no weight
    assert archive.find("animal-a").content.weight_g is None and archive.find("animal-a").version == 3
    with pytest.raises(StorageError, match="change 3: tray-1 was kept in an older form"):
        archive.undo(3)
    archive.undo(4)
    assert archive.find("reading-1").content.log_likelihoods.keys() == SEEN.keys()
    with pytest.raises(StorageError, match="pairing-a: was changed again after change 5"):
        archive.undo(5)
    with pytest.raises(StorageError, match="change 6: pairing-a was kept in an older form"):
        archive.undo(6)
    with archive.change("apart") as draft:
        draft.put(archive.find("pairing-a"), ended="2031-03-01")
    archive.undo(archive.history("pairing-a")[-1].change)
    assert archive.find("pairing-a").content.begun == "2031-01-01" and archive.find("pairing-a").content.ended is None
    assert archive.faults() == ()


def test_what_became_another_kind_does_not_go_back(address):
    stated = {"about": "animal-a", "observer": "evidence", "at": AT, "likelihoods": {"pastel": 0.7}, "otherwise": 0.1}
    fill(address, old_changes([("animal-a", "animal", 1, JUNIPER), ("reading-1", "reading", 1, stated)]))
    archive = Archive(Database(address))
    with pytest.raises(StorageError, match="change 2: reading-1 was kept in an older form before it"):
        archive.undo(2)
    assert archive.find("reading-1").kind == "evidence" and archive.faults() == ()
    with archive.change("removed") as draft:
        draft.remove(archive.find("reading-1"))
    archive.undo(3)
    assert archive.find("reading-1").content.otherwise == 0.1 and archive.faults() == ()


@pytest.mark.parametrize(
    ("row", "words"),
    [
        (("outcome-1", "outcome", 1, {"animal": "animal-a", "says": {"clown": -1}, "at": AT}), "outcome, field 'says' is {'clown': -1}"),
        (("thing-1", "thing", 1, {"about": "animal-a"}), "'thing' is no kind of entry"),
    ],
)  # fmt: skip
def test_an_entry_that_cannot_be_read_stays_as_it_is_and_is_named(address, row, words):
    """One bad number of an older version takes nothing else down, and what made it can be undone."""
    changes = old_changes([("animal-a", "animal", 1, {**JUNIPER, "weight_g": -4}), row])
    engine = fill(address, changes)
    (before,) = [one for one in everything(engine)["record"] if row[0] in one]
    archive = Archive(Database(address))
    assert before in everything(engine)["record"]
    with pytest.warns(TriageWarning, match=f"{row[0]}: cannot be read .{re.escape(words)}.*left out, 'triage history {row[0]}' and"):
        assert [entry.id for entry in archive.all()] == ["animal-a"]
    with pytest.raises(StorageError, match=f"{row[0]}: cannot be read"):
        archive.find(row[0])
    assert any(fault.startswith(f"{row[0]}: cannot be read") for fault in archive.faults())
    assert archive.history(row[0])[0].content == row[3]


def test_a_change_that_holds_an_impossible_number_can_be_undone(archive):
    bad = ("outcome-1", "outcome", 1, {"animal": "animal-a", "says": {"clown": -1}, "at": AT})
    archive.replay(old_changes([("animal-a", "animal", 1, JUNIPER)], [bad]))
    archive.undo(2)
    assert [entry.id for entry in archive.all()] == ["animal-a"] and archive.faults() == ()


def test_a_share_that_was_never_possible_goes_with_the_others_and_its_animal_stays():
    content = {"dam": "animal-a", "sires": [{"animal": "animal-b", "share": 60}, {"animal": "animal-c", "share": 0.4}], "mixed": 2}
    made = upgraded({"pairing-a": ("pairing", content)})["pairing-a"]
    assert made.mixed is None and [(one.animal, one.share) for one in made.sires] == [("animal-b", None), ("animal-c", None)]


@pytest.mark.parametrize("times", [("2031-08-01T20:00:00-05:00", "2031-08-01T23:00:00+00:00"), (AT, AT), (AT, "1970-01-01T00:00:00+00:00")])
def test_of_several_trays_the_one_entered_last_is_taken_whatever_the_clock_said(times):
    entries = {f"egg-{number}": ("egg", {"clutch": "clutch-a", "label": f"A{number}", "state": "hatched"}) for number in (1, 2)}
    entries["tray-2"] = ("tray", {"about": "egg-2", "tray": "label", "at": "2999-01-01T00:00:00+00:00"})
    for number, (tray, at) in enumerate(zip(("label", "look again"), times, strict=True), 3):
        entries[f"tray-{number}"] = ("tray", {"about": "egg-1", "tray": tray, "at": at})
    sort = upgraded(entries)["sort-a"]
    assert [egg.tray for egg in sort.eggs] == ["look again", "label"]
    assert datetime.fromisoformat(sort.at) == datetime.fromisoformat(times[1])


@given(st.dictionaries(st.sampled_from(["normal", "pastel", "clown", "enchi"]), st.floats(1e-12, 1.0), min_size=1))
def test_old_likelihoods_of_a_photo_come_back_up_to_scale(old):
    content = {"about": "egg-1", "observer": "photo", "at": AT, "likelihoods": old, "otherwise": 0.0}
    made = upgraded({"reading-1": ("reading", content)})["reading-1"]
    found = photo_reading([PhotoEvidence(made.log_likelihoods, made.floor, made.exponent, made.shortlist)]).likelihoods
    largest = max(old.values())
    assert {call: p * largest for call, p in found.items()} == pytest.approx(old, rel=1e-9)


def test_a_likelihood_of_nought_becomes_the_least_and_never_rules_out():
    content = {"about": "egg-1", "observer": "photo", "at": AT, "likelihoods": {"pastel": 0.5, "normal": 0.0}, "otherwise": 0.01}
    made = upgraded({"reading-1": ("reading", content)})["reading-1"]
    assert dict(made.log_likelihoods) == pytest.approx({"pastel": math.log(0.5), "normal": math.log(0.01)})


def test_several_who_open_at_once_bring_it_up_to_date_once(address):
    fill(address, old_changes(SEASON))
    failures = []

    def open_it():
        try:
            assert Database(address).schema() == "0005"
        except Exception as error:
            failures.append(repr(error))

    several = [threading.Thread(target=open_it) for _ in range(6)]
    for one in several:
        one.start()
    for one in several:
        one.join()
    archive = Archive(Database(address))
    assert failures == [] and archive.faults() == () and archive.history()[-1].change == 2


def test_a_power_cut_while_records_are_brought_up_to_date_leaves_them_old_or_new(address):
    many = [(f"animal-{number}", "animal", 1, {**JUNIPER, "weight_g": -4}) for number in range(300)]
    engine = fill(address, old_changes(many))
    before, old = everything(engine), 0
    for delay in itertools.count(0.01, 0.02):
        child = os.fork()
        if child == 0:
            try:
                Database(address)
            finally:
                os._exit(0)
        time.sleep(delay)
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        with engine.connect() as connection:
            schema = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
        if schema == "0005":
            break
        assert everything(engine) == before
        old += 1
    archive = Archive(Database(address))
    assert old > 0 and archive.faults() == () and len(archive.history()) == 600
    assert {entry.content.weight_g for entry in archive.all()} == {None}
