"""Hold-back marks: kept, undone, and safe when writing is cut short."""

import json
import os
import signal
import subprocess
import sys
import textwrap
import threading
import warnings
from datetime import UTC, datetime

import pytest

from triage.errors import StorageError
from triage.storage.folder import data_folder
from triage.storage.marks import HoldJournal, TornEntryWarning


@pytest.fixture
def journal(tmp_path):
    return HoldJournal(tmp_path / "kept" / "marks.jsonl")


def labels(journal, clutch=None):
    return [m.hatchling for m in journal.held(clutch)]


def test_no_journal_means_no_marks_and_no_file(journal):
    assert journal.held() == ()
    assert not journal.path.parent.exists()


def test_a_mark_is_kept_with_its_note_and_time(journal):
    journal.hold("Juniper x Basil", "A4", note="pastel, 66% het clown")
    (mark,) = HoldJournal(journal.path).held()
    assert (mark.clutch, mark.hatchling, mark.note) == ("Juniper x Basil", "A4", "pastel, 66% het clown")
    assert abs((datetime.now(UTC) - mark.at).total_seconds()) < 60


def test_undo_appends_and_takes_only_that_mark_back(journal):
    journal.hold("one", "A1")
    journal.hold("one", "A2")
    journal.hold("two", "A1")
    journal.undo("one", "A1")
    assert labels(journal, "one") == ["A2"]
    assert labels(journal, "two") == ["A1"]
    assert len(journal.path.read_text("utf-8").splitlines()) == 4
    journal.hold("one", "A1")
    assert labels(journal, "one") == ["A2", "A1"]
    assert journal.is_held("one", "A1") and not journal.is_held("two", "A2")


def test_undoing_what_was_never_marked_changes_nothing(journal):
    journal.undo("one", "A1")
    assert journal.held() == ()


def test_any_text_comes_back_as_it_went_in(journal):
    odd = 'Ünïcode "quoted"\nsecond line \u2028 \\ 🐍'
    journal.hold(odd, odd, note=odd)
    (mark,) = journal.held()
    assert (mark.clutch, mark.hatchling, mark.note) == (odd, odd, odd)


@pytest.mark.parametrize("kept_bytes", [1, 20, -2, -1])
def test_a_torn_last_line_is_ignored_with_a_warning_and_cleared_by_the_next_mark(journal, kept_bytes):
    journal.hold("one", "A1")
    whole = journal.path.read_bytes()
    journal.hold("one", "A2")
    torn = journal.path.read_bytes()[len(whole) :][:kept_bytes]
    journal.path.write_bytes(whole + torn)
    with pytest.warns(TornEntryWarning, match="cut off"):
        assert labels(journal) == ["A1"]
    journal.hold("one", "A3")
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert labels(journal) == ["A1", "A3"]


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("not json", "line 2: found 'not json'; needed: one entry"),
        ("[]", "line 2"),
        ('{"format": 2}', "format 2; needed: 1"),
        ('{"format": 1, "act": "hold", "clutch": 3}', "'clutch' is 3; needed: a text"),
        ('{"format": 1, "act": "burn", "clutch": "", "hatchling": "", "note": "", "at": ""}', "'act' is 'burn'"),
        ('{"format": 1, "act": "hold", "clutch": "", "hatchling": "", "note": "", "at": "noon"}', "'at' is 'noon'"),
    ],
)
def test_a_damaged_line_is_refused_by_number(journal, line, message):
    journal.hold("one", "A1")
    with journal.path.open("a", encoding="utf-8") as file:
        file.write(line + "\n")
    with pytest.raises(StorageError, match=message):
        journal.held()


def test_a_folder_that_cannot_be_written_is_named(tmp_path):
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(StorageError, match=r"cannot write the mark.*TRIAGE_DATA"):
        HoldJournal(tmp_path / "file" / "marks.jsonl").hold("one", "A1")


def test_a_folder_in_place_of_the_journal_is_named(tmp_path):
    with pytest.raises(StorageError, match="cannot read the hold-back marks"):
        HoldJournal(tmp_path).held()


def test_the_data_folder_can_be_moved(monkeypatch, tmp_path):
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path / "elsewhere"))
    assert data_folder() == tmp_path / "elsewhere"
    assert HoldJournal().path.parent == tmp_path / "elsewhere"
    monkeypatch.delenv("TRIAGE_DATA")
    assert data_folder().name == "triage"


def test_marks_of_several_writers_at_once_are_all_kept(journal):
    def write(name):
        for number in range(10):
            journal.hold(name, f"{number}")

    writers = [threading.Thread(target=write, args=(f"clutch {n}",)) for n in range(4)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    assert len(journal.held()) == 40


@pytest.mark.skipif(os.name != "posix", reason="needs SIGKILL")
def test_every_confirmed_mark_survives_a_kill(tmp_path):
    """The writer prints a label only after its mark returned; each printed label must be there after kill -9."""
    path = tmp_path / "marks.jsonl"
    code = textwrap.dedent(
        """
        import itertools, sys
        from pathlib import Path
        from triage.storage.marks import HoldJournal
        journal = HoldJournal(Path(sys.argv[1]))
        for number in itertools.count():
            journal.hold("clutch", str(number))
            print(number, flush=True)
        """
    )
    writer = subprocess.Popen([sys.executable, "-c", code, str(path)], stdout=subprocess.PIPE, text=True)
    confirmed = [writer.stdout.readline().strip() for _ in range(25)]
    writer.send_signal(signal.SIGKILL)
    confirmed += writer.communicate()[0].split()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", TornEntryWarning)
        found = labels(HoldJournal(path))
    assert found[: len(confirmed)] == confirmed
    assert len(confirmed) >= 25


def test_entries_are_one_json_object_a_line(journal):
    journal.hold("one", "A1", note="two\nlines")
    (line,) = journal.path.read_text("utf-8").splitlines()
    assert json.loads(line)["note"] == "two\nlines"
