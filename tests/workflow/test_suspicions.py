"""Suspicions of the records: what is said of them, and that a decision is entered, sorted with, and taken back."""

import json

import pytest

from triage.cli.main import main
from triage.errors import ContradictionError, StorageError
from triage.storage.archive import Archive
from triage.storage.database import Database
from triage.storage.kinds import KINDS
from triage.workflow.book import open_archive
from triage.workflow.known import known_of
from triage.workflow.names import find_entry
from triage.workflow.sort_again import sort_recorded
from triage.workflow.suspicions import Decision, decide, suspicion_words, suspicions_of

AT = "2031-08-01T10:00:00+00:00"
HALF = ("yellow belly", "pastel yellow belly", "normal", "pastel", "yellow belly", "normal")


def put(draft, kind, **content):
    return draft.add(KINDS[kind].from_json(content))


@pytest.fixture
def archive(tmp_path):
    return Archive(Database(f"sqlite:///{tmp_path / 'records.sqlite'}"))


def family(archive, calls=HALF, name="2031-1", dam=None, **more):
    """A pastel dam, a plain sire, and their young as they were called; ids of the parents."""
    with archive.change("a season") as draft:
        dam = dam or put(draft, "animal", name="Juniper", species="ball python", sex="female", genes="pastel")
        sire = put(draft, "animal", name=more.pop("sire", "Basil"), species="ball python", sex="male", **more)
        clutch = put(draft, "clutch", name=name, pairing=put(draft, "pairing", dam=dam, sires=[{"animal": sire}]))
        for number, call in enumerate(calls, 1):
            egg = put(draft, "egg", clutch=clutch, label=f"A{number}", state="hatched")
            put(draft, "call", about=egg, call=call, by="keeper", at=AT)
    return dam, sire


def test_half_a_clutch_is_a_suspicion_with_grounds_and_what_one_more_would_add(archive):
    family(archive)
    found = suspicions_of(archive, eggs=6)
    (one,) = found.alarms
    assert one.names == ("Juniper", "Basil") and one.gene == "yellow belly"
    assert suspicion_words(one).startswith("Juniper or Basil may carry yellow belly: 95 %, 10 % before (odds times 166")
    (clutch,) = one.clutches
    assert {who for who, _ in clutch.speaks_for} == {"2031-1/A1", "2031-1/A2", "2031-1/A5"}
    assert {who for who, _ in clutch.speaks_against} == {"2031-1/A3", "2031-1/A4", "2031-1/A6"}
    settles = {more.parent: more.settles for more in one.one_more}
    assert settles.keys() == {"Juniper", "Basil"} and one.one_more[0].mate == "any normal"
    few = {more.parent: more.settles for more in suspicions_of(archive, eggs=2).alarms[0].one_more}
    assert 0.25 < few["Juniper"] < settles["Juniper"] < 1


def test_another_clutch_says_who_it_is(archive):
    dam, _ = family(archive)
    family(archive, name="2032-1", dam=dam, sire="Reed")
    assert [one.names for one in suspicions_of(archive).alarms] == [("Juniper",)]
    assert len(suspicions_of(archive).alarms[0].clutches) == 2
    basil = suspicions_of(archive, name=find_entry(archive, "Basil").id, explain_all=True)
    assert basil.alarms == () and all("Basil" in one.names for one in basil.all)


def test_an_own_gene_is_weighed_like_any_other(archive):
    with archive.change("a gene") as draft:
        put(draft, "gene", name="dusk", species="ball python", mode="incomplete dominant")
    family(archive, ["dusk", "normal", "pastel dusk", "pastel"])
    (one,) = suspicions_of(archive).alarms
    assert one.gene == "dusk" and one.probability > 0.95


def test_a_photo_alone_is_enough(archive):
    """Half the young are read as yellow belly by a photo and called by nobody."""
    family(archive, ())
    entry = find_entry(archive, "2031-1")
    with archive.change("photos") as draft:
        for number in range(8):
            egg = put(draft, "egg", clutch=entry.id, label=f"B{number}", state="hatched")
            logs = {"normal": -3.0 * (number % 2), "yellow belly": -3.0 * (1 - number % 2), "pastel": -6.0}
            put(draft, "reading", about=egg, at=AT, log_likelihoods=logs, floor=0.01, exponent=0.65, shortlist=1.0)
    assert [one.gene for one in suspicions_of(archive).alarms] == ["yellow belly"]


def test_a_photo_that_never_speaks_of_a_gene_says_nothing_for_or_against_it(archive):
    """Each young was also read, as what it is but for yellow belly, by a model that does not know that look."""
    family(archive)
    before = suspicions_of(archive).all
    with archive.change("photos") as draft:
        for number, call in enumerate(HALF, 1):
            egg = find_entry(archive, f"2031-1/A{number}", ("egg",)).id
            logs = {"normal": 0.0, "pastel": -2.0} if "pastel" not in call else {"normal": -2.0, "pastel": 0.0}
            put(draft, "reading", about=egg, at=AT, log_likelihoods=logs, floor=0.0, exponent=0.65, shortlist=1.0)
    for one, other in zip(before, suspicions_of(archive).all, strict=True):
        assert one.names == other.names and one.probability == pytest.approx(other.probability, abs=0.01)  # pastel is surer now


@pytest.mark.parametrize(
    ("decision", "chance", "words"),
    [(Decision.PROVEN, None, "het yellow belly"), (Decision.POSSIBLE, 0.5, "50% het yellow belly")],
)
def test_taken_as_proven_or_possible_it_stands_in_the_papers_and_sorts_otherwise_and_undo_takes_it_back(
    archive, decision, chance, words
):
    dam, _ = family(archive)
    before = known_of(archive).posterior
    told = decide(archive, dam, "yellow belly", decision, chance=chance)
    assert told.words == f"Juniper: {words}" and told.news
    genes = archive.find(dam).content.genes
    assert genes.startswith("pastel, ") and "yellow belly" in genes
    moved = {one.name: one for one in told.sorted_again}
    assert moved["2031-1/A1"].before[1] == "normal" and moved["2031-1/A1"].after[1] == "yellow belly"
    report = sort_recorded(archive, find_entry(archive, "2031-1"))
    assert report.egg("A1").calls[0].call.name == "yellow belly"
    assert report.egg("A1").calls[0].probability == pytest.approx(moved["2031-1/A1"].after[2])
    assert suspicions_of(archive).alarms == ()
    archive.undo(told.change)
    assert archive.find(dam).content.genes == "pastel" and known_of(archive).posterior.loci == before.loci
    assert [one.gene for one in suspicions_of(archive).alarms] == ["yellow belly"]


def test_taken_as_a_mistake_it_is_the_other_parent_or_nobody(archive):
    dam, sire = family(archive)
    first = decide(archive, dam, "yellow belly", Decision.MISTAKE)
    assert {one.names for one in suspicions_of(archive).all} == {("Basil",)}
    decide(archive, sire, "yellow belly", Decision.MISTAKE)
    assert suspicions_of(archive).all == ()
    with pytest.raises(ContradictionError):
        decide(archive, dam, "yellow belly", Decision.PROVEN)
    assert archive.find(dam).content.genes == "pastel", "nothing of it was kept"
    archive.undo(first.change)
    assert {one.names for one in suspicions_of(archive).all} == {("Juniper",)}


def test_what_cannot_be_entered_is_refused_by_name(archive):
    dam, sire = family(archive, looks="normal")
    for words, call in (
        ("Juniper: its papers speak of pastel already", lambda: decide(archive, dam, "pastel", Decision.PROVEN)),
        ("Juniper: chance None; needed: a chance with 'possible'", lambda: decide(archive, dam, "fire", Decision.POSSIBLE)),
        ("Juniper: chance 0.5; needed: .* none with proven", lambda: decide(archive, dam, "fire", Decision.PROVEN, chance=0.5)),
        ("Juniper: chance 0.001; needed: 0.01 to 0.99", lambda: decide(archive, dam, "fire", Decision.POSSIBLE, chance=0.001)),
        ("Basil: is known by its forebears or its look", lambda: decide(archive, sire, "fire", Decision.PROVEN)),
    ):
        with pytest.raises(StorageError, match=words):
            call()
    with archive.change("bred") as draft:
        egg = find_entry(archive, "2031-1/A1", ("egg",)).id
        young = put(draft, "animal", name="Clove", species="ball python", sex="female", egg=egg)
        loose = put(draft, "animal", name="Reed", species="ball python", sex="unknown")
    with pytest.raises(StorageError, match="Clove: is known by its own clutch; needed: the parent there that brought fire in"):
        decide(archive, young, "fire", Decision.PROVEN)
    with pytest.raises(StorageError, match="Reed: its sex is not recorded"):
        decide(archive, loose, "fire", Decision.PROVEN)


def test_the_command(monkeypatch, tmp_path, capsys):
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path / "data"))
    assert main(["suspicions"]) == 0 and "No parent is suspected" in capsys.readouterr().out
    eggs = "\n".join(f"  - {{label: A{n}, call: {call}}}" for n, call in enumerate(HALF, 1))
    sheet = tmp_path / "clutch.yaml"
    sheet.write_text(
        f"species: ball python\ndam: {{name: Juniper, genes: pastel}}\nsires: [{{name: Basil, genes: normal}}]\neggs:\n{eggs}\n"
    )
    assert main(["keep", str(sheet), "--name", "2031-1"]) == 0
    capsys.readouterr()
    assert main(["suspicions"]) == 0
    words = capsys.readouterr().out
    assert "Juniper or Basil may carry yellow belly: 95 %" in words and "2 more below the bar: --below." in words
    assert "2031-1, for it: " in words and "one more clutch of Basil with any normal would settle it" in words
    assert main(["suspicions", "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["format"] == 1 and said["tested"] == 140 and said["suspicions"][0]["alarm"]
    assert main(["suspicions", "Juniper", "--gene", "yellow belly", "--as", "possible", "--chance", "50%"]) == 0
    words = capsys.readouterr().out
    assert "entered: Juniper: 50% het yellow belly (triage undo 2 takes it back)" in words
    assert "2031-1/A1: look again, yellow belly 89 %; before check parents, normal 98 %" in words
    assert main(["undo", "2"]) == 0 and main(["suspicions", "Juniper", "--as", "proven"]) == 2
    assert "needed: the parent, --gene and --as" in capsys.readouterr().err


def test_the_page_shows_a_suspicion_takes_it_and_says_what_changed(opened_page):
    empty = opened_page("suspicions")
    assert not empty.exception and "No parent is suspected" in empty.info[0].value
    archive = open_archive()
    dam, sire = family(archive)
    page = opened_page("suspicions")
    said = [one.value.replace("\\", "") for one in page.markdown]
    assert not page.exception and suspicion_words(suspicions_of(archive).alarms[0]) in said[0]
    assert sum(one.startswith("2031-1, for it: ") and "2031-1/A2" in one for one in said) == 1
    page.button(key=f"take-0-{sire}-mistake").click().run()
    assert not page.exception and page.success[0].value.replace("\\", "").startswith("Entered: Basil: no yellow belly.")
    assert "No parent is suspected" in page.info[0].value and page.caption[-1].value == "1 more below the bar."
    page.toggle(key="suspicions-below").set_value(True).run()
    page.number_input(key=f"chance-0-{dam}").set_value(60)
    page.button(key=f"take-0-{dam}-possible").click().run()
    assert not page.exception and not page.error and "60% het yellow belly" in archive.find(dam).content.genes
    assert any("2031-1/A1" in one.value.replace("\\", "") for one in page.markdown), "hatchlings that sort otherwise are named"
    archive.undo(archive.history()[-1].change)
    assert "yellow belly" not in archive.find(dam).content.genes
