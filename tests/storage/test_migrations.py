"""Every past schema is brought to the newest with its data; a newer one is refused untouched."""

import json

import pytest
from alembic.script import ScriptDirectory
from sqlalchemy import inspect, text

from triage.errors import StorageError
from triage.storage import database as module
from triage.storage.archive import FIRST_HASH, Archive, as_json, hash_of
from triage.storage.database import Database
from triage.storage.schema import metadata

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
    assert archive.find("pairing-a").content == json.loads(EGG_PARENT)
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
        StorageError, match=r"schema 9999 is newer than this program knows \(0002\); nothing was touched"
    ):
        Database(address)
    with archive.database.reading() as connection:
        assert connection.execute(text("SELECT version_num FROM alembic_version")).scalar() == "9999"
