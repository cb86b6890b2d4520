"""A season's folder in which not everything is a photo: each such thing is told by its name, and the photos are kept."""

import contextlib
import os
import shutil
import socket

import pytest
from PIL import Image

from triage.errors import StorageError
from triage.storage.archive import Archive
from triage.storage.database import Database
from triage.storage.kinds import Animal, Candidate, Clutch, Egg, Pairing
from triage.storage.photo_files import PhotoFiles
from triage.workflow.season import read_folder


@pytest.fixture
def archive(tmp_path):
    """Records of one clutch of corn snakes, whose photos no model reads."""
    archive = Archive(Database(f"sqlite:///{tmp_path / 'records.sqlite'}"))
    with archive.change("a season") as draft:
        dam, sire = (draft.add(Animal(name=n, species="corn snake", sex=s)) for n, s in (("Juniper", "female"), ("Basil", "male")))
        pairing = draft.add(Pairing(dam=dam, sires=(Candidate(animal=sire),)))
        clutch = draft.add(Clutch(name="2031-1", pairing=pairing))
        for number in range(1, 10):
            draft.add(Egg(clutch=clutch, label=f"A{number}", state="hatched"))
    return archive


@pytest.fixture
def photos(tmp_path):
    return PhotoFiles(tmp_path / "photos")


@pytest.fixture
def season(tmp_path):
    (tmp_path / "season/2031-1").mkdir(parents=True)
    return tmp_path / "season"


def put_photo(path, seed=0):
    Image.effect_noise((96, 96), 40 + seed).save(path)


def test_what_is_no_photo_is_told_by_name_and_the_others_are_kept(archive, photos, season):
    inside = season / "2031-1"
    put_photo(inside / "A1.jpg")
    put_photo(season / "elsewhere.png")
    (inside / "A2.jpg").mkdir()
    (inside / "A2 none.jpg").symlink_to("nowhere.jpg")
    (inside / "A2 ring.jpg").symlink_to("A2 ring.jpg")
    (inside / "A2 link.png").symlink_to(season / "elsewhere.png")
    os.mkfifo(inside / "A3 pipe.jpg")
    with socket.socket(socket.AF_UNIX) as listening, contextlib.chdir(inside):  # the path of a socket is short
        listening.bind("A4.jpg")
    (inside / "A5.jpg").symlink_to("/dev/zero")
    (inside / "A6.jpg").symlink_to("/proc/self/mem")  # a regular file whose first byte cannot be read, by root either
    with (inside / "A7.jpg").open("wb") as file:
        file.truncate(5 * 2**30)
    put_photo(os.fsencode(inside) + b"/A8 \xff.jpg")
    (inside / "A9.jpg").write_bytes(b"")
    done = read_folder(archive, photos, season, workers=1)
    kept = {"2031-1/A1.jpg", "2031-1/A2 link.png"}
    assert {entry.content.name for entry in archive.all("photo")} == kept
    for name, words in {
        "A2.jpg": "it is a folder", "A2 none.jpg": "a link that leads nowhere", "A2 ring.jpg": "it cannot be read (Too many levels",
        "A3 pipe.jpg": "it is a pipe", "A4.jpg": "it is a socket", "A5.jpg": "it is a device", "A6.jpg": "it cannot be read (",
        "A7.jpg": "it has 5,120 MiB; up to 40 MiB are read", "A8 \udcff.jpg": "no character", "A9.jpg": "the file is empty",
    }.items():  # fmt: skip
        assert words in done.unread[f"2031-1/{name}"], name
    assert len(done.unread) == len(kept) + 10 and not done.read
    assert done.unmatched == {"elsewhere.png": "stands in no clutch's folder"}


def test_folders_that_are_none_are_told_too(archive, photos, season, monkeypatch):
    (season / "2031-1").rmdir()
    (season / "2031-1").symlink_to("2031-1")
    (season / "gone").symlink_to("nowhere")
    (season / "locked").mkdir()
    real = type(season).iterdir

    def refuse(path):
        if path.name == "locked":  # root may list any folder
            raise PermissionError(13, "Permission denied")
        return real(path)

    monkeypatch.setattr(type(season), "iterdir", refuse)
    done = read_folder(archive, photos, season, workers=1)
    assert done.unmatched.pop("2031-1") == "is named after a clutch and is no folder"
    assert "locked cannot be listed (Permission denied)" in done.unmatched.pop("locked/") and not done.unmatched


@pytest.mark.parametrize(
    ("made", "words"),
    [
        (lambda path: path.mkdir(), "it is a folder"),
        (lambda path: path.symlink_to("/dev/zero"), "it is a device"),
        (lambda path: path.write_bytes(b"\xff\xfe" * 40), "not a text file in UTF-8"),
        (lambda path: path.write_text("photo,clutch,egg\n" + "a" * 11_000_000), "up to 10 MiB are read"),
        (lambda path: path.write_text("photo,clutch,egg\n" + "a" * 200_000), "line 1: cannot be read \\(field larger"),
        (lambda path: path.write_text(f"photo,clutch,egg\n{'a' * 5000}.jpg,2031-1,A1\n"), "which is no photo in"),
    ],
)
def test_a_table_that_is_none_is_refused(archive, photos, season, tmp_path, made, words):
    made(tmp_path / "table.csv")
    with pytest.raises(StorageError, match=words):
        read_folder(archive, photos, season, table=tmp_path / "table.csv", workers=1)
    shutil.rmtree(season)
    with pytest.raises(StorageError, match="no such folder"):
        read_folder(archive, photos, season / ("a" * 5000), workers=1)
