"""Hold-back marks of the first version's file become entries, once; what cannot be read is said, not lost silently."""

import json
import threading

import pytest

from triage.errors import TriageWarning
from triage.storage.archive import Archive
from triage.storage.database import Database
from triage.storage.kinds import Animal, Candidate, Clutch, Egg, Pairing
from triage.storage.old_marks import FILE, TAKEN_OVER, take_over_old_marks


def line(act, clutch, hatchling, note="", at="2031-06-02T18:04:11+00:00"):
    return json.dumps({"format": 1, "act": act, "clutch": clutch, "hatchling": hatchling, "note": note, "at": at})


def enter(archive, *clutches):
    """A clutch of each name with one egg, A1; the ids of the eggs."""
    with archive.change("season") as draft:
        dam = draft.add(Animal(name="Juniper", species="ball python", sex="female"))
        sire = draft.add(Animal(name="Basil", species="ball python", sex="male"))
        pairing = draft.add(Pairing(dam=dam, sires=(Candidate(animal=sire),)))
        return [draft.add(Egg(clutch=draft.add(Clutch(name=name, pairing=pairing)), label="A1", state="hatched")) for name in clutches]


def test_marks_that_are_held_are_taken_over_once(archive, tmp_path):
    (egg,) = enter(archive, "2031-1")
    rows = [line("hold", "2031-1", "A1", "pretty"), line("hold", "2031-1", "A2"), line("undo", "2031-1", "A2")]
    rows.append(line("hold", "another", "B7"))
    (tmp_path / FILE).write_text("\n".join(rows) + "\n")
    assert take_over_old_marks(archive, tmp_path) == 2
    marks = {entry.content.label: entry.content for entry in archive.all("hold")}
    assert (marks["A1"].about, marks["A1"].note, marks["A1"].at) == (egg, "pretty", "2031-06-02T18:04:11+00:00")
    assert marks["B7"].about is None and marks["B7"].clutch_name == "another" and marks["B7"].note is None
    assert {one.change for one in archive.history() if one.kind == "hold"} == {2}
    assert not (tmp_path / FILE).exists() and (tmp_path / TAKEN_OVER).read_text() == "\n".join(rows) + "\n"
    assert take_over_old_marks(archive, tmp_path) == 0 and len(archive.all("hold")) == 2 and archive.faults() == ()


def test_a_mark_set_again_after_it_was_taken_back_is_held_by_its_last_time(archive, tmp_path):
    at = "2031-06-03T08:00:00+00:00"
    (tmp_path / FILE).write_text("\n".join([line("hold", "c", "A1"), line("undo", "c", "A1"), line("hold", "c", "A1", "again", at), ""]))
    assert take_over_old_marks(archive, tmp_path) == 1
    (mark,) = archive.all("hold")
    assert (mark.content.note, mark.content.at) == ("again", at)


def test_whoever_was_cut_off_or_enters_at_the_same_time_enters_nothing_twice(address, archive, tmp_path):
    text = line("hold", "2031-1", "A1") + "\n" + line("hold", "2031-1", "A2", at="2031-06-02T20:04:11+02:00") + "\n"
    (tmp_path / FILE).write_text(text)
    assert take_over_old_marks(archive, tmp_path) == 2
    (tmp_path / TAKEN_OVER).rename(tmp_path / FILE)  # entered, but the power went before the file was put aside
    before = archive.history()
    assert take_over_old_marks(archive, tmp_path) == 0 and archive.history() == before
    several = [tmp_path / str(number) for number in range(4)]
    for folder in several:
        folder.mkdir()
        (folder / FILE).write_text(text + line("hold", "2031-2", "A1") + "\n")
    workers = [threading.Thread(target=take_over_old_marks, args=(Archive(Database(address)), folder)) for folder in several]
    for one in workers:
        one.start()
    for one in workers:
        one.join()
    assert len(archive.all("hold")) == 3 and archive.faults() == ()
    assert all((folder / TAKEN_OVER).exists() for folder in several)


def test_marks_set_by_an_older_version_since_do_not_write_over_the_file_put_aside(archive, tmp_path):
    for label in ("A1", "A2", "A3"):
        (tmp_path / FILE).write_text(line("hold", "2031-1", label) + "\n")
        assert take_over_old_marks(archive, tmp_path) == 1
    aside = sorted(tmp_path.glob("hold_marks*"))
    assert len(aside) == 3 and [json.loads(path.read_text())["hatchling"] for path in aside] == ["A3", "A2", "A1"]


def test_of_two_clutches_of_one_name_none_is_guessed(archive, tmp_path):
    enter(archive, "2031-1", "2031-1")
    (tmp_path / FILE).write_text(line("hold", "2031-1", "A1") + "\n")
    assert take_over_old_marks(archive, tmp_path) == 1
    (mark,) = archive.all("hold")
    assert mark.content.about is None and (mark.content.clutch_name, mark.content.label) == ("2031-1", "A1")


def test_a_note_with_any_character_stays_one_line(archive, tmp_path):
    note = "pale\u2028then \u0085 dark \U0001f40d"
    act = {"format": 1, "act": "hold", "clutch": "2031-1", "hatchling": "A1", "note": note, "at": "2031-06-02T18:04:11+00:00"}
    (tmp_path / FILE).write_text(json.dumps(act, ensure_ascii=False) + "\n", "utf-8")
    assert take_over_old_marks(archive, tmp_path) == 1
    assert archive.all("hold")[0].content.note == note


@pytest.mark.parametrize(
    "wrong",
    [
        "no mark",
        "3",
        "[]",
        '{"format": 1, "ac',
        line("hold", "2031-1", "A1", at="yesterday"),
        line("undo", "2031-1", "A1", at="2031-06-03T18:04:11"),
        line("shred", "2031-1", "A1"),
        line("undo", "2031-1", "A1").replace('"format": 1', '"format": 2'),
        line("undo", "2031-1", " "),
        line("undo", "2031-1", ["A1"]),
        line("undo", "2031-1", "A1").replace('"clutch"', '"batch"'),
        "\ufffd\ufffd",
    ],
)
def test_a_line_that_cannot_be_read_takes_no_mark_away(archive, tmp_path, wrong):
    rows = [line("hold", "2031-1", "A1", "kept"), wrong, "", line("hold", "2031-1", "A2"), ""]
    (tmp_path / FILE).write_text("\n".join(rows), "utf-8")
    with pytest.warns(TriageWarning, match=r"hold_marks.jsonl, line 2: cannot be read and was left out") as caught:
        assert take_over_old_marks(archive, tmp_path) == 2
    assert len(caught) == 1
    assert {(entry.content.label, entry.content.note) for entry in archive.all("hold")} == {("A1", "kept"), ("A2", None)}


def test_a_line_that_cannot_be_read_is_named_and_the_others_are_taken(archive, tmp_path):
    (tmp_path / FILE).write_text(line("hold", "2031-1", "A1") + '\n{"format": 1, "ac')
    with pytest.warns(TriageWarning, match="line 2: cannot be read"):
        assert take_over_old_marks(archive, tmp_path) == 1
