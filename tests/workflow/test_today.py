"""What there is to do on a day: each thing appears when it is due, with its way, and goes when it is done."""

import json
from datetime import date

import pytest

from triage.cli.main import main
from triage.species import load_species, species_names
from triage.storage.kinds import Animal, Call, Candidate, Clutch, Egg, Hold, Pairing, Sort, SortedEgg
from triage.workflow.book import Book, now, open_archive
from triage.workflow.settings import Settings
from triage.workflow.today import AGAIN, DUE, HELD, PARENTS, TO_CALL, due_words, tasks

AT = "2031-06-12T10:00:00+00:00"


@pytest.fixture
def archive(monkeypatch, tmp_path):
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path / "data"))
    return open_archive()


def clutch_of(archive, name="2031-1", **dates):
    with archive.change("entered") as draft:
        dam = draft.add(Animal(name=f"dam of {name}", species="ball python", sex="female"))
        sire = draft.add(Animal(name=f"sire of {name}", species="ball python", sex="male"))
        pairing = draft.add(Pairing(dam=dam, sires=(Candidate(animal=sire),)))
        return draft.add(Clutch(name=name, pairing=pairing, **dates))


def add(archive, content):
    with archive.change("entered") as draft:
        return draft.add(content)


def on(archive, day="2031-06-10"):
    return [(task.group, task.name, task.words) for task in tasks(Book.of(archive), date.fromisoformat(day))]


@pytest.mark.parametrize(
    ("today", "words"),
    [
        ("2031-05-01", "due in 22 to 35 days (23 May 2031 to 5 June 2031)"),
        ("2031-05-22", "due in 1 to 14 days (23 May 2031 to 5 June 2031)"),
        ("2031-05-23", "due now, until 5 June 2031"),
        ("2031-06-05", "due now, until 5 June 2031"),
        ("2031-06-06", "overdue for 1 day: the usual time ended on 5 June 2031"),
    ],
)
def test_a_clutch_laid_on_1_april_by_the_calendar(today, words):
    """52 and 65 days after 1 April are 23 May and 5 June (counted on a calendar)."""
    assert due_words(date(2031, 4, 1), (52, 65), date.fromisoformat(today)) == words


def test_every_species_says_how_long_its_eggs_take_and_that_no_source_says_so():
    for name in species_names():
        species = load_species(name)
        shortest, longest = species.incubation_days
        assert 40 <= shortest < longest <= 80  # common practice, no source; from memory
        assert any(fact.supports == "incubation" and "without a source" in fact.note for fact in species.evidence)


def test_a_clutch_is_due_until_it_hatched(archive):
    clutch = clutch_of(archive, laid="2031-04-01")
    assert on(archive) == [], "without eggs there is nothing to wait for"
    egg = add(archive, Egg(clutch=clutch, label="A1", state="laid"))
    add(archive, Egg(clutch=clutch, label="A2", state="slug"))
    assert on(archive) == [(DUE, "2031-1", "overdue for 5 days: the usual time ended on 5 June 2031")]
    unknown = clutch_of(archive, name="2031-2")
    add(archive, Egg(clutch=unknown, label="B1", state="laid"))
    assert (DUE, "2031-2", "no day of laying is entered, so nobody knows when") in on(archive)
    with archive.change("hatched") as draft:
        draft.put(archive.find(egg), state="dead")
    assert [name for _, name, _ in on(archive)] == ["2031-2"]


def test_a_hatched_egg_is_to_be_called_then_looked_at_again_until_it_is_settled_or_gone(archive):
    clutch = clutch_of(archive, laid="2031-04-01", hatched="2031-06-01")
    eggs = {label: add(archive, Egg(clutch=clutch, label=label, state="hatched")) for label in ("A1", "A2", "A3")}
    assert on(archive) == [(TO_CALL, f"2031-1/{label}", "hatched, neither called nor photographed") for label in eggs]
    for egg in eggs.values():
        add(archive, Call(about=egg, call="pastel", by="keeper", at=now()))
    assert on(archive) == []
    said = {"A1": "look again", "A2": "check parents", "A3": "label"}
    add(archive, Sort(clutch=clutch, at=AT, settings=Settings().bars, eggs=tuple(
        SortedEgg(label=label, tray=tray, reasons=(f"why {label}",)) for label, tray in said.items())))  # fmt: skip
    assert on(archive) == [(AGAIN, "2031-1/A1", "why A1"), (PARENTS, "2031-1/A2", "why A2")]
    add(archive, Animal(name="Clove", species="ball python", sex="female", egg=eggs["A1"], state="sold"))
    assert on(archive) == [(PARENTS, "2031-1/A2", "why A2")]
    add(archive, Sort(clutch=clutch, at=AT, settings=Settings().bars, eggs=(SortedEgg(label="A2", tray="label"),)))
    assert on(archive) == [], "the newest sorting counts"


def test_those_held_back_stand_last_with_their_clutch(archive):
    clutch = clutch_of(archive)
    egg = add(archive, Egg(clutch=clutch, label="A1", state="laid"))
    add(archive, Hold(about=egg, note="66% het clown", at=AT))
    add(archive, Hold(clutch_name="Sage x Rue", label="B2", at=AT))
    found = tasks(Book.of(archive), date(2031, 6, 10))
    assert [(task.group, task.name, task.words, task.clutch) for task in found[1:]] == [
        (HELD, "2031-1/A1", "66% het clown", clutch), (HELD, "Sage x Rue B2", "", ""),
    ]  # fmt: skip


def test_the_command_says_the_same(archive, capsys):
    assert main(["today"]) == 0 and "Nothing to do" in capsys.readouterr().out
    clutch = clutch_of(archive, laid="2031-04-01")
    add(archive, Egg(clutch=clutch, label="A1", state="laid"))
    assert main(["today", "--on", "2031-06-10", "--json"]) == 0
    (row,) = json.loads(capsys.readouterr().out)["tasks"]
    assert (row["group"], row["name"], row["since"]) == (DUE, "2031-1", "2031-05-23") and row["words"] == on(archive)[0][2]
    assert main(["today", "--on", "2031-06-10"]) == 0
    assert capsys.readouterr().out.splitlines() == ["Clutches to hatch", f"  2031-1: {row['words']}"]


def test_the_page_shows_what_there_is_and_the_way_to_it(opened_page, archive):
    empty = opened_page("today")
    assert not empty.exception and "The records are empty" in empty.info[0].value
    clutch = clutch_of(archive, laid="2001-04-01")
    add(archive, Egg(clutch=clutch, label="A*1*", state="laid"))
    add(archive, Hold(clutch_name="Sage x *Rue*", label="B2", at=AT))
    page = opened_page("today")
    assert not page.exception and [one.value for one in page.subheader] == ["Clutches to hatch (1)", "Held back (1)"]
    said = [one.value.replace("\\", "") for one in page.markdown]
    assert "overdue for" in said[0] and "Sage x *Rue* B2" in said[1] and r"\*Rue\*" in page.markdown[1].value
