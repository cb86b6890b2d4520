"""Backups hold everything and go into any database; damage to photos and files is found."""

import hashlib
import json
import os
import re
import warnings
import zipfile

import pytest
from sqlalchemy import text

from triage.errors import StorageError, TriageWarning
from triage.storage.archive import Archive
from triage.storage.backup import Done, back_up, restore
from triage.storage.database import Database
from triage.storage.kinds import kind_named
from triage.storage.old_marks import take_over_old_marks
from triage.storage.photo_files import PhotoFiles
from triage.storage.verify import Found, verify

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
    assert back_up(archive, photos, tmp_path / "b.zip") == Done(changes=2, photos=1)
    other = Archive(Database(new_postgres() if into == "postgresql" else f"sqlite:///{tmp_path / 'other.sqlite'}"))
    other_photos = PhotoFiles(tmp_path / "other")
    assert restore(tmp_path / "b.zip", other, other_photos) == Done(changes=2, photos=1)
    assert other.all() == archive.all() and list(other.changes()) == list(archive.changes())
    assert [r.reason for r in other.history(animal)] == ["entered", "weighed"]
    assert other_photos.read(sha256) == b"jpeg bytes" and other.faults() == ()
    other.undo(2)
    assert other.find(animal).content.weight_g is None and other.faults() == ()


def test_restore_gives_back_lost_photos_and_lost_changes_and_counts_what_it_did(filled, tmp_path, new_address):
    archive, photos, animal, sha256 = filled
    back_up(archive, photos, tmp_path / "old.zip")
    with archive.change("weighed again") as draft:
        draft.put(archive.find(animal), weight_g=1600)
    back_up(archive, photos, tmp_path / "new.zip")
    assert restore(tmp_path / "old.zip", archive, photos) == Done(changes=0, photos=0, there=1)  # the archive holds more
    photos.path(sha256).unlink()
    assert restore(tmp_path / "old.zip", archive, photos) == Done(changes=0, photos=1)
    older = Archive(Database(new_address()))
    restore(tmp_path / "old.zip", older, photos)
    assert restore(tmp_path / "new.zip", older, photos) == Done(changes=1, photos=0, there=1)
    assert older.all() == archive.all() and older.faults() == archive.faults() == ()


def test_a_restore_into_other_records_is_refused_and_writes_nothing(filled, tmp_path, new_address):
    archive, photos, *_ = filled
    back_up(archive, photos, tmp_path / "b.zip")
    other, empty = Archive(Database(new_address())), PhotoFiles(tmp_path / "empty")
    with other.change("entered") as draft:
        put(draft, "line", {"name": "mine"})
    before = other.all()
    with pytest.raises(StorageError, match="holds records already, and others than the backup; needed: an empty database"):
        restore(tmp_path / "b.zip", other, empty)
    assert other.all() == before and other.faults() == () and not empty.folder.exists()


@pytest.mark.parametrize("damage", [lambda path: path.unlink(), lambda path: path.write_bytes(b"other"), lambda path: (path.unlink(), os.mkfifo(path))])
def test_one_lost_photo_stops_no_backup_and_is_told(filled, tmp_path, new_address, damage):
    archive, photos, animal, sha256 = filled
    whole = photos.add(b"another")
    with archive.change("photo") as draft:
        put(draft, "photo", {"about": animal, "sha256": whole, "source_sha256": "1" * 64, "name": "b.jpg", "added": AT})
    damage(photos.path(sha256))
    done = back_up(archive, photos, tmp_path / "b.zip")
    assert (done.changes, done.photos, list(done.missing)) == (3, 1, [sha256])
    assert "'triage restore' of a backup that holds it brings it back" in done.missing[sha256]
    with zipfile.ZipFile(tmp_path / "b.zip") as file:
        assert list(json.loads(file.read("manifest.json"))["missing"]) == [sha256]
    other, empty = Archive(Database(new_address())), PhotoFiles(tmp_path / "empty")
    done = restore(tmp_path / "b.zip", other, empty)
    assert (done.changes, done.photos, list(done.missing)) == (3, 1, [sha256])
    assert other.all() == archive.all() and empty.read(whole) == b"another"


def test_a_photo_damaged_in_the_backup_is_left_out_and_told(filled, tmp_path, new_address):
    archive, photos, _, sha256 = filled
    back_up(archive, photos, tmp_path / "b.zip")
    data = (tmp_path / "b.zip").read_bytes()
    (tmp_path / "b.zip").write_bytes(data.replace(b"jpeg bytes", b"jpeg bytfs"))
    other, empty = Archive(Database(new_address())), PhotoFiles(tmp_path / "empty")
    done = restore(tmp_path / "b.zip", other, empty)
    assert (done.changes, done.photos, list(done.missing)) == (2, 0, [sha256]) and len(other.all()) == 2


def test_damaged_changes_make_no_backup(filled, tmp_path):
    archive, photos, *_ = filled
    with archive.database.writing() as connection:
        connection.execute(text("UPDATE change SET reason = 'nothing' WHERE id = 1"))
    with pytest.raises(StorageError, match="change 1: was altered or damaged, so no backup was written"):
        back_up(archive, photos, tmp_path / "b.zip")
    assert not (tmp_path / "b.zip").exists()


def _again(path, to, change, method=zipfile.ZIP_DEFLATED, extra=()):
    """A backup written anew with members as `change` makes them, and more."""
    with zipfile.ZipFile(path) as source, zipfile.ZipFile(to, "w", method) as target:
        for name in source.namelist():
            for new, data in change(name, source.read(name)):
                target.writestr(new, data)
        for name, data in extra:
            target.writestr(name, data)


def _with_line(file, name, data, line):
    """The changes with a line behind them, and the manifest that fits."""
    if name == "manifest.json":
        sums = json.loads(data)
        with zipfile.ZipFile(file) as source:
            sums["sha256"]["changes.jsonl"] = hashlib.sha256(source.read("changes.jsonl") + line).hexdigest()
        data = json.dumps(sums).encode()
    return [(name, data + line if name == "changes.jsonl" else data)]


def same(name, data):
    return [(name, data)]


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda a, b: _again(a, b, same, extra=[("../../x", b"")]), "'../../x' in it is no part of a backup"),
        (lambda a, b: _again(a, b, same, extra=[("photos/" + "0" * 63 + "/.jpg", b"")]), "is no part of a backup"),
        (lambda a, b: _again(a, b, same, extra=[("changes.jsonl", b"")]), "stands in it twice"),
        (lambda a, b: _again(a, b, same, zipfile.ZIP_BZIP2), "is packed in a way that no backup is"),
        (lambda a, b: _again(a, b, lambda n, d: [(n, bytes(3 * 10**7) if n == "changes.jsonl" else d)]), "is shrunk more than any backup"),
        (lambda a, b: _again(a, b, same, extra=[(f"photos/{'0' * 64}.jpg", bytes(130 * 2**20))]), "would have 130 MiB; up to 128 are read"),
        (lambda a, b: _again(a, b, lambda n, d: [] if n == "changes.jsonl" else [(n, d)]), "'changes.jsonl' is not in it"),
        (lambda a, b: _again(a, b, lambda n, d: [(n, b"[]" if n == "manifest.json" else d)]), "this program reads format 1"),
        (lambda a, b: _again(a, b, lambda n, d: [(n, d.replace(b'"format": 1', b'"format": 0'))]), "format '0'; this program reads format 1"),
        (lambda a, b: _again(a, b, lambda n, d: [(n, b"[" * 10**5 if n == "manifest.json" else d)]), "not a backup that can be read"),
        (lambda a, b: _again(a, b, lambda n, d: _with_line(a, n, d, b"{}\n")), "line 3 of 'changes.jsonl' in it is no change"),
        (lambda a, b: _again(a, b, lambda n, d: _with_line(a, n, d, b"[" * 10**5)), "not a backup that can be read"),
        (lambda a, b: b.mkdir(), "it is a folder"),
        (lambda a, b: os.mkfifo(b), "it is a pipe"),
    ],
)  # fmt: skip
def test_what_no_backup_would_hold_is_refused_before_it_is_read(filled, tmp_path, make, words):
    archive, photos, *_ = filled
    back_up(archive, photos, tmp_path / "b.zip")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # zipfile's of the name that stands twice
        make(tmp_path / "b.zip", tmp_path / "c.zip")
    empty = Archive(Database(f"sqlite:///{tmp_path / 'empty.sqlite'}"))
    with pytest.raises(StorageError, match=re.escape(words)):
        restore(tmp_path / "c.zip", empty, PhotoFiles(tmp_path / "empty"))
    assert empty.all() == () and not (tmp_path / "empty").exists()


def test_a_list_of_members_is_bounded_before_it_is_read(filled, tmp_path, monkeypatch):
    archive, photos, *_ = filled
    back_up(archive, photos, tmp_path / "b.zip")
    monkeypatch.setattr("triage.storage.backup._LONGEST_LIST", 100)
    with pytest.raises(StorageError, match="lists 0 MiB of members"):
        restore(tmp_path / "b.zip", archive, photos)


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
    assert photos.fault(sha256) == ""
    data = bytearray(path.read_bytes())
    data[3] ^= 1
    path.write_bytes(data)
    assert "damaged on the disk; 'triage restore' of a backup" in photos.fault(sha256)
    assert photos.add(b"jpeg bytes") == sha256 and photos.fault(sha256) == ""  # adding it again mends it
    path.unlink()
    assert "no such file" in photos.fault(sha256)


@pytest.mark.parametrize("sha256", ["../../secret", "", "a", "A" * 64, "0" * 63 + "/", "0" * 64 + "\n"])
def test_a_checksum_is_never_a_path(photos, sha256):
    with pytest.raises(StorageError, match="that is no checksum; needed: 64 hexadecimal digits"):
        photos.path(sha256)
    content = {"about": "egg-x", "sha256": sha256, "source_sha256": "0" * 64, "name": "a.jpg", "added": AT}
    with pytest.raises(StorageError, match="field 'sha256' is"):
        kind_named("photo").from_json(content)
    with pytest.raises(StorageError, match="field 'source_sha256' is"):
        kind_named("photo").from_json({**content, "sha256": "0" * 64, "source_sha256": sha256})


def test_verify_tells_of_damaged_lost_and_foreign_photos(filled):
    archive, photos, animal, sha256 = filled
    assert verify(archive, photos) == Found(entries=2, photos=1, faults=(), ways=(), strangers=())
    stranger = photos.path(photos.add(b"of no entry"))
    (photos.folder / "letter.txt").write_text("mine")
    (stranger.parent / "tmpabc12345.part").write_bytes(b"half a photo")  # of an older version that was ended
    photos.path(sha256).unlink()
    found = verify(archive, photos)
    assert len(found.faults) == 1 and "no such file" in found.faults[0]
    assert set(found.strangers) == {stranger, photos.folder / "letter.txt"} and len(list(photos.folder.rglob("*.part"))) == 0
    with archive.change("removed") as draft:
        draft.remove(archive.all("photo")[0])
    assert verify(archive, photos).faults == found.faults  # undoing that would want it again


def test_verify_says_what_can_be_mended_and_how(filled):
    archive, photos, animal, _ = filled
    with archive.database.writing() as connection:
        connection.execute(text(f"UPDATE record SET version = 9 WHERE id = '{animal}'"))
    assert "as all changes are whole: 'triage backup'" in verify(archive, photos).ways[0]
    with archive.database.writing() as connection:
        connection.execute(text("UPDATE change SET who = 'x' WHERE id = 2"))
    assert "'triage restore' of a backup makes them anew" in verify(archive, photos).ways[0]


def test_a_photo_is_kept_once(photos):
    assert photos.add(b"x") == photos.add(b"x")
    assert len([p for p in photos.folder.rglob("*") if p.is_file()]) == 1


def test_marks_of_the_first_version_that_could_not_be_taken_over_are_in_the_backup(filled, tmp_path, new_address):
    archive, photos, *_ = filled
    (photos.folder.parent / "hold_marks.jsonl").write_text("half a li\n")
    with pytest.warns(TriageWarning, match="was left out of the records"):
        take_over_old_marks(archive, photos.folder.parent)
    back_up(archive, photos, tmp_path / "b.zip")
    restore(tmp_path / "b.zip", Archive(Database(new_address())), PhotoFiles(tmp_path / "new" / "photos"))
    assert (tmp_path / "new" / "hold_marks.taken-over.jsonl").read_text() == "half a li\n"
    assert restore(tmp_path / "b.zip", archive, photos).changes == 0
