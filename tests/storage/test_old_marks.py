"""Hold-back marks of the first version's file become entries, once; what cannot be read is said, not lost silently."""

import json

import pytest

from triage.errors import TriageWarning
from triage.storage.kinds import Animal, Candidate, Clutch, Egg, Pairing
from triage.storage.old_marks import FILE, TAKEN_OVER, take_over_old_marks


def line(act, clutch, hatchling, note="", at="2031-06-02T18:04:11+00:00"):
    return json.dumps({"format": 1, "act": act, "clutch": clutch, "hatchling": hatchling, "note": note, "at": at})


def test_marks_that_are_held_are_taken_over_once(archive, tmp_path):
    with archive.change("season") as draft:
        dam = draft.add(Animal(name="Juniper", species="ball python", sex="female"))
        sire = draft.add(Animal(name="Basil", species="ball python", sex="male"))
        clutch = draft.add(Clutch(name="2031-1", pairing=draft.add(Pairing(dam=dam, sires=(Candidate(animal=sire),)))))
        egg = draft.add(Egg(clutch=clutch, label="A1", state="hatched"))
    rows = [line("hold", "2031-1", "A1", "pretty"), line("hold", "2031-1", "A2"), line("undo", "2031-1", "A2")]
    rows.append(line("hold", "another", "B7"))
    (tmp_path / FILE).write_text("\n".join(rows) + "\n")
    assert take_over_old_marks(archive, tmp_path) == 2
    marks = {entry.content.label: entry.content for entry in archive.all("hold")}
    assert (marks["A1"].about, marks["A1"].note, marks["A1"].at) == (egg, "pretty", "2031-06-02T18:04:11+00:00")
    assert marks["B7"].about is None and marks["B7"].clutch_name == "another"
    assert not (tmp_path / FILE).exists() and (tmp_path / TAKEN_OVER).read_text() == "\n".join(rows) + "\n"
    assert take_over_old_marks(archive, tmp_path) == 0 and len(archive.all("hold")) == 2 and archive.faults() == ()


def test_a_line_that_cannot_be_read_is_named_and_the_others_are_taken(archive, tmp_path):
    (tmp_path / FILE).write_text(line("hold", "2031-1", "A1") + '\n{"format": 1, "ac')
    with pytest.warns(TriageWarning, match="line 2: cannot be read"):
        assert take_over_old_marks(archive, tmp_path) == 1
