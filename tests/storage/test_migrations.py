"""Every past schema is brought to the newest with its data; a newer one is refused untouched."""

import json

import pytest
from alembic.script import ScriptDirectory
from sqlalchemy import inspect, text

from triage.errors import StorageError
from triage.genetics.readings import photo_reading
from triage.species import load_species
from triage.storage import database as module
from triage.storage.archive import FIRST_HASH, Archive, Change, as_json, hash_of
from triage.storage.database import Database
from triage.storage.schema import metadata
from triage.workflow.known import known_of
from triage.workflow.recorded import photo_evidence

SCHEMAS = [script.revision for script in ScriptDirectory.from_config(module._alembic()).walk_revisions()][::-1]
ANIMAL = as_json({"name": "Juniper", "sex": "female", "species": "ball python"})
EGG_PARENT = as_json({"dam": "animal-a", "sires": [{"animal": "animal-b", "share": 1.0}]})


def fill(engine):
    """One change with two animals and a pairing, as the first schema kept them."""
    rows = [
        ("animal-a", "animal", 1, ANIMAL),
        ("animal-b", "animal", 1, ANIMAL),
        ("pairing-a", "pairing", 1, EGG_PARENT),
    ]
    at = "2031-06-02T10:00:00+00:00"
    with engine.connect() as connection:
        connection.execute(text("INSERT INTO change (at, who, reason, previous, hash) VALUES (:at, 'keeper', 'old', :p, :h)"),
                           {"at": at, "p": FIRST_HASH, "h": hash_of(FIRST_HASH, at, "keeper", "old", rows)})  # fmt: skip
        for place, (id, kind, version, content) in enumerate(rows):
            values = {"id": id, "kind": kind, "version": version, "content": content, "place": place}
            connection.execute(text("INSERT INTO revision (change_id, place, record_id, kind, version, content) "
                                    "VALUES (1, :place, :id, :kind, :version, :content)"), values)  # fmt: skip
            connection.execute(
                text("INSERT INTO record (id, kind, version, content) VALUES (:id, :kind, :version, :content)"), values
            )


def test_there_are_several_schemas_in_one_line():
    assert [f"{number:04d}" for number in range(1, len(SCHEMAS) + 1)] == SCHEMAS and len(SCHEMAS) >= 2


@pytest.mark.parametrize("schema", SCHEMAS[:-1])
def test_data_of_a_past_schema_arrives_whole(address, schema):
    from sqlalchemy import make_url

    url = make_url(address)
    engine = module._engine(url, url.get_backend_name() == "sqlite")
    module.upgrade_to(engine, schema)
    fill(engine)
    archive = Archive(Database(address))
    assert archive.database.schema() == SCHEMAS[-1]
    assert archive.faults() == ()
    assert archive.find("pairing-a").content.to_json() == json.loads(EGG_PARENT)
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
        StorageError, match=r"schema 9999 is newer than this program knows \(0003\); nothing was touched"
    ):
        Database(address)
    with archive.database.reading() as connection:
        assert connection.execute(text("SELECT version_num FROM alembic_version")).scalar() == "9999"


AT, LATER = "2031-08-01T10:00:00+00:00", "2031-08-02T10:00:00+00:00"
SAID = {"het clown": 0.9, "no clown": 0.1}
SEEN = {"pastel": 1.0, "normal": 0.2, "super pastel": 0.0001}
OLD = [
    ("animal-a", "animal", {"name": "Juniper", "species": "ball python", "sex": "female", "genes": "pastel", "weight_g": -4}),
    ("animal-b", "animal", {"name": "Basil", "species": "ball python", "sex": "male", "hatched": "20280301"}),
    ("pairing-a", "pairing", {"dam": "animal-a", "sires": [{"animal": "animal-b", "share": 1.0}], "mixed": 0.1, "from": "2031-01-01"}),
    ("clutch-a", "clutch", {"name": "2031-1", "pairing": "pairing-a", "hatched": "2031-08-01"}),
    ("egg-1", "egg", {"clutch": "clutch-a", "label": "A1", "state": "hatched"}),
    ("egg-2", "egg", {"clutch": "clutch-a", "label": "A2", "state": "hatched", "sex": "male"}),
    ("photo-1", "photo", {"about": "egg-1", "sha256": "0" * 64, "source_sha256": "1" * 64, "name": "a1.jpg", "added": AT}),
    ("reading-1", "reading", {"about": "egg-1", "observer": "photo", "photo": "photo-1", "at": AT, "likelihoods": SEEN, "otherwise": 1e-4}),
    ("reading-2", "reading", {"about": "egg-2", "observer": "evidence", "at": AT, "likelihoods": {"pastel": 0.7}, "otherwise": 0.1}),
    ("call-1", "call", {"about": "egg-1", "call": "pastel", "by": "keeper", "at": AT, "stage": "at hatch"}),
    ("call-2", "call", {"about": "egg-1", "call": "pastel", "by": "sorting (photo, parents)", "at": AT, "probability": 0.97}),
    ("tray-0", "tray", {"about": "egg-1", "tray": "look again", "reasons": ["early"], "at": "2031-07-31T10:00:00+00:00"}),
    ("tray-1", "tray", {"about": "egg-1", "tray": "label", "reasons": ["settled"], "at": AT}),
    ("tray-2", "tray", {"about": "egg-2", "tray": "look again", "at": LATER}),
    ("label-1", "label", {"about": "egg-1", "text": "0.0.1; pastel", "rests_on": ["photo"], "at": AT}),
    ("hold-1", "hold", {"clutch_name": "2031-1", "label": "A1", "note": "pretty", "at": AT}),
    ("hold-2", "hold", {"about": "egg-2", "at": AT}),
    ("plan-1", "plan", {"animal": "egg-2", "mate": "any visual clown", "question": "het clown", "prior": {"het clown": 0.5}, "at": AT}),
    ("outcome-1", "outcome", {"plan": "plan-1", "animal": "egg-2", "says": SAID, "by": "laboratory", "at": LATER}),
    ("note-1", "note", {"about": "egg-1", "text": "first meal", "at": AT}),
]  # fmt: skip


def old_change():
    """The whole season as schema 0002 kept it, as one change."""
    rows = [(id, kind, 1, as_json(content)) for id, kind, content in OLD]
    return Change(1, AT, "keeper", "old", FIRST_HASH, hash_of(FIRST_HASH, AT, "keeper", "old", rows), tuple(rows))


def check_season(archive):
    assert archive.faults() == ()
    assert [entry.kind for entry in archive.all()].count("sort") == 1 and len(archive.all()) == len(OLD) - 4 + 1
    juniper, basil = archive.find("animal-a").content, archive.find("animal-b").content
    assert juniper.weight_g is None and juniper.genes == "pastel" and basil.hatched == "2028-03-01"
    pairing = archive.find("pairing-a").content
    assert (pairing.begun, pairing.mixed, pairing.sires[0].animal) == ("2031-01-01", 0.1, "animal-b")
    (sort,) = archive.all("sort")
    assert (sort.content.clutch, sort.content.at, sort.content.settings.label_threshold) == ("clutch-a", LATER, 0.95)
    first, second = sort.content.eggs
    assert (first.label, first.tray, first.reasons, dict(first.calls), first.label_text) == ("A1", "label", ("settled",), {"pastel": 0.97},
                                                                                            "0.0.1; pastel")  # fmt: skip
    assert (second.label, second.tray, second.calls) == ("A2", "look again", None)
    seen = photo_evidence(load_species("ball python"), archive.find("reading-1"))
    again = {call.name: p for call, p in photo_reading([seen]).likelihoods.items()}
    assert again == pytest.approx(SEEN, rel=1e-9)
    evidence = archive.find("reading-2").content
    assert dict(evidence.likelihoods) == {"pastel": 0.7} and evidence.otherwise == 0.1
    assert archive.find("hold-1").content.clutch_name == "2031-1" and dict(archive.find("outcome-1").content.says) == SAID
    assert {one.kind for one in archive.history() if one.change == 1} >= {"tray", "call"}  # the history keeps what was
    assert [one.reason for one in archive.history()][-1] == "records brought to the form of this version"
    known = known_of(archive)
    assert known.left_out == () and {known.title(id) for id in known.animals} == {"Juniper", "Basil", "2031-1/A1", "2031-1/A2"}
    for number in (1, 2):  # neither leaves half: what was made before is undone as a whole or refused in words
        with pytest.raises(StorageError):
            archive.undo(number)
        assert archive.faults() == ()


def test_a_season_of_the_second_schema_opens_with_what_it_said(address):
    from sqlalchemy import make_url

    url = make_url(address)
    engine = module._engine(url, url.get_backend_name() == "sqlite")
    module.upgrade_to(engine, "0002")
    change = old_change()
    with engine.connect() as connection:
        connection.exec_driver_sql("BEGIN")
        connection.execute(text("INSERT INTO change (at, who, reason, previous, hash) VALUES (:at, 'keeper', 'old', :p, :h)"),
                           {"at": AT, "p": FIRST_HASH, "h": change.hash})  # fmt: skip
        for place, (id, kind, version, content) in enumerate(change.revisions):
            values = {"id": id, "kind": kind, "version": version, "content": content, "place": place}
            connection.execute(text("INSERT INTO revision (change_id, place, record_id, kind, version, content) "
                                    "VALUES (1, :place, :id, :kind, :version, :content)"), values)  # fmt: skip
            connection.execute(text("INSERT INTO record (id, kind, version, content) VALUES (:id, :kind, :version, :content)"), values)
        connection.exec_driver_sql("COMMIT")
    archive = Archive(Database(address))
    before = len(archive.history())
    assert archive.database.schema() == "0003" and len(Archive(Database(address)).history()) == before  # opened again, nothing more
    check_season(archive)


def test_a_backup_of_the_second_schema_is_restored_as_today_s(archive):
    archive.replay([old_change()])
    check_season(archive)
