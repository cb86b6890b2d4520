"""The one door for files that somebody named."""

import os
import threading

import pytest

from triage import files
from triage.errors import SheetError

WANTED = {"at_most": 100, "needed": "needed: a file", "error": SheetError}


def test_a_link_is_followed_to_a_regular_file_of_the_largest_size(tmp_path):
    (tmp_path / "file").write_bytes(b"x" * 100)
    (tmp_path / "link").symlink_to("file")
    assert files.read_file(tmp_path / "link", **WANTED) == b"x" * 100


@pytest.mark.parametrize(
    ("made", "words"),
    [
        (lambda path: None, "it: no such file; needed: a file"),
        (lambda path: path.mkdir(), "it: it is a folder; needed"),
        (lambda path: path.symlink_to("none"), "it is a link that leads nowhere"),
        (lambda path: path.symlink_to("it"), "it cannot be read \\(Too many levels"),
        (lambda path: path.symlink_to("/dev/full"), "it is a device"),
        (lambda path: path.write_bytes(b"x" * 101), "it has 101 bytes; up to 100 bytes are read"),
        (lambda path: path.symlink_to("/proc/self/smaps"), "it has over 100 bytes"),  # says that it has none
        (lambda path: path.symlink_to("a" * 300), "it cannot be read \\(File name too long"),
    ],
)
def test_what_is_no_such_file_is_refused(tmp_path, made, words):
    made(tmp_path / "it")
    with pytest.raises(SheetError, match=words):
        files.read_file(tmp_path / "it", **WANTED)


@pytest.mark.parametrize("name", ["a" * 5000, "a\0b"])
def test_a_name_that_no_file_can_have(tmp_path, name):
    with pytest.raises(SheetError, match=r"it cannot be read \(File name too long\)|embedded null"):
        files.read_file(tmp_path / name, **WANTED)


def test_a_file_that_keeps_its_reader_waiting_is_refused(tmp_path, monkeypatch):
    """As the kernel's log does, which is a regular file; a pipe taken for one stands for it here."""
    os.mkfifo(tmp_path / "pipe")
    writer = os.open(tmp_path / "pipe", os.O_RDWR)  # with a writer there is no end, only nothing yet
    monkeypatch.setattr(files, "_refuse_strange", lambda found, at_most: None)
    with pytest.raises(SheetError, match="nothing comes from it; needed: a file"):
        files.read_file(tmp_path / "pipe", **WANTED)
    os.close(writer)


def test_what_was_opened_counts_and_a_pipe_is_not_waited_for(tmp_path, monkeypatch):
    """A file may be another one between the look at it and its opening."""
    (tmp_path / "file").touch()
    os.mkfifo(tmp_path / "pipe")
    looked = os.stat(tmp_path / "file")
    monkeypatch.setattr(files.os, "stat", lambda path: looked)
    said = []

    def read():
        try:
            files.read_file(tmp_path / "pipe", **WANTED)
        except SheetError as error:
            said.append(str(error))

    reading = threading.Thread(target=read, daemon=True)
    reading.start()
    reading.join(10)
    assert not reading.is_alive() and "it is a pipe" in said[0]
