"""Whose calls were right by the records, what may not settle a call, and sorting with the keeper's yes alone."""

import json

import pytest

from triage.cli.main import main
from triage.errors import StorageError
from triage.storage.archive import Archive
from triage.storage.database import Database
from triage.storage.kinds import KINDS
from triage.workflow.book import Book, open_archive
from triage.workflow.eye import eye_words, eyes_of, take_eye
from triage.workflow.known import known_of
from triage.workflow.names import find_entry
from triage.workflow.recorded import Clutches
from triage.workflow.settings import Settings
from triage.workflow.sort_again import sort_recorded

AT = "2031-08-01T10:00:00+00:00"


def put(draft, kind, **content):
    return draft.add(KINDS[kind].from_json(content))


@pytest.fixture
def archive(tmp_path):
    return Archive(Database(f"sqlite:///{tmp_path / 'records.sqlite'}"))


def family(archive, calls, *, tested=(), dam="yellow belly", sire="normal", name="2031-1"):
    """A clutch with a call of each egg (who, words); `tested` gives copies of yellow belly by egg. Ids of the eggs."""
    with archive.change("a season") as draft:
        parents = [put(draft, "animal", name=f"{name} {sex}", species="ball python", sex=sex, genes=genes)
                   for sex, genes in (("female", dam), ("male", sire))]  # fmt: skip
        pairing = put(draft, "pairing", dam=parents[0], sires=[{"animal": parents[1]}])
        clutch, eggs = put(draft, "clutch", name=name, pairing=pairing), []
        for number, (by, words) in enumerate(calls):
            eggs.append(put(draft, "egg", clutch=clutch, label=f"A{number}", state="hatched"))
            put(draft, "call", about=eggs[-1], call=words, by=by, at=AT)
        for number, copies in enumerate(tested):
            put(draft, "laboratory", about=eggs[number], gene="yellow belly", copies=copies, at=AT)
    return eggs


TOOK = [("keeper", "normal")] * 3 + [("keeper", "yellow belly")] * 8 + [("keeper", "normal")] * 4


def test_what_laboratories_said_settles_calls_and_says_what_was_taken_for_what(archive):
    family(archive, TOOK, tested=[1] * 11 + [0] * 4)
    (eye,) = eyes_of(archive)
    assert (eye.by, eye.rates.calls, eye.rates.right) == ("keeper", 15, 12) and all(one.itself for one in eye.settled)
    words = eye_words(eye)
    assert words[0].startswith("you had 12 of 15 settled calls right: accuracy 84 %")
    assert any(line.startswith("you took 3 of 11 yellow belly for normal: ") for line in words)


def test_nothing_settles_itself(archive):
    """Calls, however many agree, photos and stated evidence leave every call of an open cross unsettled."""
    eggs = family(archive, TOOK)
    with archive.change("photos") as draft:
        for egg in eggs:
            put(
                draft,
                "reading",
                about=egg,
                at=AT,
                log_likelihoods={"normal": -40.0, "yellow belly": 0.0},
                floor=0.0,
                exponent=0.0,
                shortlist=1.0,
            )
            put(draft, "evidence", about=egg, at=AT, likelihoods={"yellow belly": 1.0}, otherwise=0.0)
    assert eyes_of(archive) == ()
    with pytest.raises(
        StorageError, match="no call of the keeper's was settled yet; needed: a proving, a laboratory, or parents"
    ):
        take_eye(archive)


def test_parents_that_leave_one_look_settle_it(archive):
    family(archive, [("keeper", "pastel"), ("keeper", "normal")], dam="homozygous pinstripe")
    (eye,) = eyes_of(archive)
    assert eye.rates.right == 0 and not any(one.itself for one in eye.settled)
    assert any(line.startswith("you took 1 of 2 pinstripe for normal") for line in eye_words(eye))


def test_a_proving_settles_it_and_a_call_after_it_was_not_blind(archive):
    eggs = family(archive, [("keeper", "normal"), ("keeper", "yellow belly")])
    with archive.change("proved") as draft:
        put(draft, "outcome", animal=eggs[0], says={"yellow belly": 1.0}, at=AT)
        put(draft, "call", about=eggs[0], call="yellow belly", by="keeper", at=AT)  # once it was known
    (eye,) = eyes_of(archive)
    assert (eye.rates.calls, eye.rates.right) == (1, 0)


def test_each_observer_has_an_eye_of_their_own_and_the_last_blind_call_counts(archive):
    eggs = family(archive, [("partner", "normal"), ("keeper", "normal")])
    with archive.change("more calls, then a laboratory") as draft:
        put(draft, "call", about=eggs[0], call="yellow belly", by="keeper", at=AT)
        put(draft, "call", about=eggs[1], call="yellow belly", by="keeper", at=AT)
        put(draft, "laboratory", about=eggs[0], gene="yellow belly", copies=1, at=AT)
        put(draft, "laboratory", about=eggs[1], gene="yellow belly", copies=1, at=AT)
    eyes = {one.by: one for one in eyes_of(archive)}
    assert {by: (one.rates.right, one.rates.calls) for by, one in eyes.items()} == {"partner": (0, 1), "keeper": (2, 2)}
    assert eye_words(eyes["partner"])[0].startswith("partner had 0 of 1")


def test_a_laboratory_that_errs_too_often_settles_nothing(archive):
    eggs = family(archive, [("keeper", "normal")])
    with archive.change("a poor laboratory") as draft:
        put(draft, "laboratory", about=eggs[0], gene="yellow belly", copies=1, false_positive=0.1, false_negative=0.1, at=AT)
    assert eyes_of(archive) == ()


def test_sorting_takes_it_only_with_the_keepers_yes_and_undo_takes_it_back(archive):
    family(archive, TOOK, tested=[1] * 11 + [0] * 4)
    family(archive, [("keeper", "yellow belly"), ("keeper", "normal")], name="2032-1")
    entry = find_entry(archive, "2032-1", ("clutch",))
    before = sort_recorded(archive, entry)
    assert before.settings == Settings() and before.egg("A0").calls[0].probability == pytest.approx(0.9, abs=0.02)
    rates = eyes_of(archive)[0].rates
    assert sort_recorded(archive, entry).settings == Settings(), "knowing it alone changes nothing"
    yes = take_eye(archive)
    after = sort_recorded(archive, entry)
    assert after.settings.keeper_accuracy == rates.accuracy.mean and after.settings.eye == yes.id
    assert after.settings.lookalike_share == rates.lookalike_share.mean
    assert after.egg("A0").calls[0].probability < before.egg("A0").calls[0].probability - 0.02
    known = known_of(archive).posterior
    for egg in after.eggs:
        id = find_entry(archive, f"2032-1/{egg.label}", ("egg",)).id
        for locus, table in egg.loci.items():
            assert all(known.chance(id, locus, g) == pytest.approx(p, abs=1e-9) for g, p in table.items())
    archive.undo(archive.history(yes.id)[-1].change)
    again = sort_recorded(archive, entry)
    assert again.settings == Settings() and again.log_evidence == before.log_evidence


def test_rates_that_were_set_by_hand_stay(archive):
    family(archive, TOOK, tested=[1] * 11 + [0] * 4)
    entry = find_entry(archive, "2031-1", ("clutch",))
    sort_recorded(archive, entry, settings=Settings(keeper_accuracy=0.6))
    take_eye(archive)
    assert Clutches(Book.of(archive)).settings(entry.id).keeper_accuracy == 0.6


def test_the_command_and_a_sheet_sorted_with_the_yes(monkeypatch, tmp_path, capsys):
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path / "data"))
    sheet = tmp_path / "clutch.yaml"
    eggs = "".join(
        f"  - {{label: A{n}, call: {words}, laboratory: [{{gene: yellow belly, copies: {copies}}}]}}\n"
        for n, (words, copies) in enumerate([("normal", 1)] * 3 + [("yellow belly", 1)] * 8 + [("normal", 0)] * 4)
    )
    head = "species: ball python\ndam: {name: Juniper, genes: yellow belly}\nsires: [{name: Basil, genes: normal}]\neggs:\n"
    sheet.write_text(head + eggs)
    new = tmp_path / "new.yaml"
    new.write_text(head + "  - {label: B1, call: yellow belly}\n")

    def chance():
        assert main(["sort", str(new), "--json"]) == 0
        return json.loads(capsys.readouterr().out)["eggs"][0]["calls"][0]["probability"]

    assert main(["eye"]) == 0 and "No call was settled yet" in capsys.readouterr().out
    assert main(["eye", "--use"]) == 2 and "no call of the keeper's was settled yet" in capsys.readouterr().err
    assert main(["keep", str(sheet), "--name", "2031-1"]) == 0
    capsys.readouterr()
    usual = chance()
    assert main(["eye"]) == 0 and "you took 3 of 11 yellow belly for normal" in capsys.readouterr().out and chance() == usual
    assert main(["eye", "--use"]) == 0 and "'triage undo' takes that back" in capsys.readouterr().out
    assert chance() < usual - 0.02
    assert main(["undo"]) == 0 and capsys.readouterr() and chance() == usual
    assert main(["eye", "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["format"] == 1 and said["eyes"][0]["confusions"][0]["k"] == 3 and said["used"] is None


def test_the_page_says_the_same_and_takes_the_yes(opened_page):
    empty = opened_page("eye")
    assert not empty.exception and "No call was settled yet" in empty.info[0].value and not [b for b in empty.button if b.key == "eye-use"]
    archive = open_archive()
    family(archive, TOOK, tested=[1] * 11 + [0] * 4)
    page = opened_page("eye")
    (eye,) = eyes_of(archive)
    said = [one.value.replace("\\", "").removeprefix("- ") for one in page.markdown]
    assert not page.exception and set(eye_words(eye)[1:]) <= set(said) and archive.all("eye") == ()
    page.button(key="eye-use").click().run()
    (taken,) = archive.all("eye")
    assert not page.exception and taken.content.calls == 15 and "84 % of 15 calls right" in page.success[0].value.replace("\\", "")
