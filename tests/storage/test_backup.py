"""Backups hold everything and go into any database; damage to photos and files is found."""

import zipfile

import pytest

from triage.errors import StorageError
from triage.storage.archive import Archive
from triage.storage.backup import back_up, restore
from triage.storage.database import Database
from triage.storage.kinds import kind_named
from triage.storage.photo_files import PhotoFiles

AT = "2031-06-02T10:00:00+00:00"


def put(draft, kind, content):
    return draft.add(kind_named(kind).from_json(content))


@pytest.fixture
def filled(archive, photos):
    sha256 = photos.add(b"jpeg bytes")
    with archive.change("entered") as draft:
        animal = put(draft, "animal", {"name": "Jun\u00edper \U0001f40d", "species": "ball python", "sex": "female"})
        put(draft, "photo", {"about": animal, "sha256": sha256, "source_sha256": "0" * 64, "name": "a.jpg", "added": AT})
    with archive.change("weighed") as draft:
        draft.put(archive.find(animal), weight_g=1500)
    return archive, photos, animal, sha256


@pytest.mark.parametrize("into", ["sqlite", "postgresql"])
def test_a_backup_restores_everything_into_either_database(filled, into, tmp_path, new_postgres):
    archive, photos, animal, sha256 = filled
    manifest = back_up(archive, photos, tmp_path / "b.zip")
    assert (manifest["changes"], manifest["photos"]) == (2, 1)
    other = Archive(Database(new_postgres() if into == "postgresql" else f"sqlite:///{tmp_path / 'other.sqlite'}"))
    other_photos = PhotoFiles(tmp_path / "other")
    restore(tmp_path / "b.zip", other, other_photos)
    assert other.all() == archive.all() and list(other.changes()) == list(archive.changes())
    assert [r.reason for r in other.history(animal)] == ["entered", "weighed"]
    assert other_photos.read(sha256) == b"jpeg bytes" and other.faults() == ()
    other.undo(2)
    assert other.find(animal).content.weight_g is None and other.faults() == ()


def test_a_restore_into_a_filled_archive_is_refused(filled, tmp_path):
    archive, photos, *_ = filled
    back_up(archive, photos, tmp_path / "b.zip")
    before = archive.all()
    with pytest.raises(StorageError, match="holds records already"):
        restore(tmp_path / "b.zip", archive, photos)
    assert archive.all() == before


def test_a_damaged_backup_is_refused_and_nothing_restored(filled, tmp_path):
    archive, photos, *_ = filled
    back_up(archive, photos, tmp_path / "b.zip")
    whole = (tmp_path / "b.zip").read_bytes()
    with pytest.raises(StorageError, match="not overwritten"):
        back_up(archive, photos, tmp_path / "b.zip")
    with zipfile.ZipFile(tmp_path / "b.zip") as source, zipfile.ZipFile(tmp_path / "c.zip", "w") as target:
        for name in source.namelist():
            data = source.read(name)
            target.writestr(name, data.replace(b"1500", b"1600") if name == "changes.jsonl" else data)
    (tmp_path / "d.zip").write_bytes(whole[: len(whole) // 2])
    (tmp_path / "e.zip").write_text("no zip")
    for number, name in enumerate(("c.zip", "d.zip", "e.zip", "missing.zip")):
        empty = Archive(Database(f"sqlite:///{tmp_path / f'{number}.sqlite'}"))
        with pytest.raises(StorageError, match=r"damaged|not a backup"):
            restore(tmp_path / name, empty, photos)
        assert empty.all() == ()


def test_a_flipped_bit_in_a_photo_is_found(filled):
    _, photos, _, sha256 = filled
    path = photos.path(sha256)
    assert photos.faults(iter([sha256])) == ()
    data = bytearray(path.read_bytes())
    data[3] ^= 1
    path.write_bytes(data)
    (fault,) = photos.faults(iter([sha256]))
    assert "damaged on the disk" in fault
    assert photos.add(b"jpeg bytes") == sha256 and photos.faults(iter([sha256])) == ()  # adding it again mends it
    path.unlink()
    assert "restore it from a backup" in photos.faults(iter([sha256]))[0]


def test_a_photo_is_kept_once(photos):
    assert photos.add(b"x") == photos.add(b"x")
    assert len([p for p in photos.folder.rglob("*") if p.is_file()]) == 1
