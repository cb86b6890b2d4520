"""The file of the records: its owner's alone, listed where it can only be read, told of where it is damaged."""

import os
import shutil
import sqlite3
import stat
import tempfile
from contextlib import closing
from pathlib import Path

import pytest

from triage.errors import StorageError
from triage.storage.archive import Archive
from triage.storage.backup import back_up, restore
from triage.storage.database import Database
from triage.storage.kinds import Animal, Line
from triage.storage.photo_files import PhotoFiles
from triage.storage.verify import verify


def add(archive, name):
    with archive.change("entered") as draft:
        return draft.add(Line(name=name))


def modes(folder):
    return {path.name: stat.S_IMODE(path.stat().st_mode) for path in (folder, *folder.rglob("*"))}


def test_records_are_their_owners_alone_whatever_the_umask(tmp_path, photos, monkeypatch):
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path / "data"))
    before = os.umask(0)
    try:
        database = Database()
        photos.folder = tmp_path / "data" / "photos"
        photos.add(b"a photo")
        with database.reading():  # the files beside it are there too
            add(Archive(database), "Juniper")
            found = modes(tmp_path / "data")
    finally:
        os.umask(before)
    assert {"data", "records.sqlite", "records.sqlite-wal", "records.sqlite-shm", "records.sqlite.lock", "photos"} <= found.keys()
    assert set(found.values()) == {0o700, 0o600}


def test_records_of_older_versions_are_closed_to_others(tmp_path):
    for folder in (tmp_path / "data", tmp_path / "mixed"):
        folder.mkdir(mode=0o755)
        Database(f"sqlite:///{folder / 'records.sqlite'}")
    (tmp_path / "mixed" / "letters").mkdir()
    for folder in (tmp_path / "data", tmp_path / "mixed"):
        folder.chmod(0o755)
        (folder / "records.sqlite").chmod(0o644)
        Database(f"sqlite:///{folder / 'records.sqlite'}")
        assert modes(folder)["records.sqlite"] == 0o600
    assert modes(tmp_path / "data")["data"] == 0o700
    assert modes(tmp_path / "mixed")["mixed"] == 0o755  # a folder of other things is not ours to close


@pytest.mark.parametrize("cut_off", [False, True])
def test_where_nothing_can_be_written_records_are_listed_and_changes_refused(monkeypatch, cut_off):
    """`cut_off`: the newest change is still in the write-ahead log."""
    with tempfile.TemporaryDirectory() as place:  # pytest's own folder is closed to others
        os.chmod(place, 0o755)
        folder = Path(place, "a folder, 100% mine?")
        monkeypatch.setenv("TRIAGE_DATA", str(folder))
        said = listed_without_writing(folder, cut_off)
    assert said.startswith("Juniper, 1, (): ") and "lies where nothing can be written, so nothing was changed" in said


def listed_without_writing(folder, cut_off):
    if not os.fork():
        archive = Archive(Database())
        if cut_off:
            keeping = archive.database.engine.connect()
            keeping.exec_driver_sql("BEGIN")
            keeping.exec_driver_sql("SELECT count(*) FROM record").all()
        add(archive, "Juniper")
        os._exit(0)
    os.wait()
    assert bool((folder / "records.sqlite-wal").exists()) == cut_off
    if os.getuid() == 0:  # root may write anywhere: be somebody else
        for path in (folder, *folder.rglob("*")):
            os.chown(path, 65534, 65534)
    for path in folder.rglob("*"):
        path.chmod(0o400)
    folder.chmod(0o500)
    read_end, write_end = os.pipe()
    if not os.fork():
        said = "died"
        try:
            if os.getuid() == 0:
                os.setuid(65534)
            archive = Archive(Database())
            (entry,) = archive.all()
            said = f"{entry.content.name}, {len(archive.history())}, {archive.faults()}"
            add(archive, "Basil")
        except StorageError as error:
            said += f": {error}"
        finally:
            os.write(write_end, said.encode())
            os._exit(0)
    os.wait()
    os.close(write_end)
    with os.fdopen(read_end) as told:
        return told.read()


def test_a_file_that_is_no_database_says_what_to_do(tmp_path):
    path = tmp_path / "records.sqlite"
    path.write_bytes(b"no database, but long enough" * 50)
    with pytest.raises(StorageError, match="not a database; the file is damaged: put it and the files beside it aside, then 'triage restore'"):
        Database(f"sqlite:///{path}")


def test_a_folder_may_have_any_name(tmp_path, monkeypatch):
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path / "50%?a=b#c&d"))
    add(Archive(Database()), "Juniper")
    assert (tmp_path / "50%?a=b#c&d" / "records.sqlite").is_file() and len(Archive(Database()).all()) == 1


def cut_off_writer(names):
    """Enter lines in a process that is ended before the write-ahead log is taken into the file."""
    if not os.fork():
        archive = Archive(Database())
        keeping = archive.database.engine.connect()
        keeping.exec_driver_sql("BEGIN")
        keeping.exec_driver_sql("SELECT count(*) FROM record").all()
        for name in names:
            add(archive, name)
        os._exit(0)
    os.wait()


def test_a_change_lost_with_a_damaged_log_is_told_until_it_is_back(tmp_path, monkeypatch):
    """SQLite cuts the log off where the damage begins, and says nothing of it."""
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path / "data"))
    archive, photos = Archive(Database()), PhotoFiles()
    add(archive, "Juniper")
    cut_off_writer(["Basil", "Clove"])
    shutil.copytree(tmp_path / "data", tmp_path / "whole")
    log = tmp_path / "data" / "records.sqlite-wal"
    data = bytearray(log.read_bytes())
    data[-100] ^= 1
    log.write_bytes(data)
    archive = Archive(Database())
    assert [one.content.name for one in archive.all()] == ["Juniper", "Basil"]
    add(archive, "Dill")
    (fault,) = archive.faults()
    assert "was made and is there no more" in fault and "records.sqlite.newest" in fault
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path / "whole"))
    whole = Archive(Database())
    assert whole.faults() == () and len(whole.all()) == 3
    back_up(whole, photos, tmp_path / "b.zip")
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path / "new"))
    new = Archive(Database())
    restore(tmp_path / "b.zip", new, photos)
    assert new.faults() == () and new.all() == whole.all()
    add(new, "Dill")
    assert new.faults() == ()


def test_a_damaged_note_of_the_newest_change_is_told_and_the_next_change_mends_it(tmp_path):
    archive = Archive(Database(f"sqlite:///{tmp_path / 'records.sqlite'}"))
    add(archive, "Juniper")
    (tmp_path / "records.sqlite.newest").write_bytes(b"\xff")
    (fault,) = archive.faults()
    assert "records.sqlite.newest: is damaged" in fault
    add(archive, "Basil")
    assert archive.faults() == ()


@pytest.mark.parametrize(
    "damage",
    [
        "UPDATE revision SET content = x'00ff'", "UPDATE revision SET content = 7", "UPDATE revision SET place = place + 7",
        "UPDATE revision SET version = 1.5", "UPDATE change SET at = x'ff'", "UPDATE change SET hash = 0",
        "UPDATE record SET content = x'00ff'", "UPDATE record SET kind = 7", "UPDATE record SET version = 'one'",
        "UPDATE reference SET target = x'ff'", "PRAGMA foreign_keys = OFF; DELETE FROM change",
        "PRAGMA writable_schema = ON; UPDATE sqlite_master SET sql = replace(sql, 'content', 'contenu')",
        "PRAGMA writable_schema = ON; UPDATE sqlite_master SET rootpage = 3 WHERE type = 'index'",
    ],
)  # fmt: skip
def test_damage_of_any_row_is_told_and_never_raises(tmp_path, damage):
    path = tmp_path / "records.sqlite"
    archive = Archive(Database(f"sqlite:///{path}"))
    with archive.change("entered") as draft:
        line = draft.add(Line(name="house"))
        draft.add(Animal(name="Juniper", species="ball python", sex="female", line=line))
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(damage)
        connection.commit()
    try:
        found = verify(Archive(Database(f"sqlite:///{path}")), PhotoFiles(tmp_path / "photos"))
    except StorageError:
        return
    assert found.faults and found.ways


def test_a_schema_that_is_no_text_is_told_in_a_line(tmp_path):
    path = tmp_path / "records.sqlite"
    Database(f"sqlite:///{path}")
    path.write_bytes(path.read_bytes().replace(b"NOT NULL", b"NOT\xeeNULL"))
    with pytest.raises(StorageError, match="the file is damaged: put it and the files beside it aside"):
        Database(f"sqlite:///{path}")


def test_what_an_ended_program_left_of_the_note_is_cleared_by_the_next_that_may_write(tmp_path):
    Archive(Database(f"sqlite:///{tmp_path / 'records.sqlite'}"))
    left, other = tmp_path / ".records.sqlite.newest.abcd1234.part", tmp_path / ".keepers.abcd1234.part"
    left.write_bytes(b"half")
    other.write_bytes(b"somebody's own")
    Archive(Database(f"sqlite:///{tmp_path / 'records.sqlite'}"))
    assert not left.exists() and other.exists()
