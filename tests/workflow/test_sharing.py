"""The chance that several sires share a clutch: its default, what old records meant, and what answers would be at other shares."""

import sys
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from click.testing import CliRunner

from triage.cli.main import cli
from triage.errors import SheetError, UnsupportedInheritanceError, WorkTooLargeError
from triage.genetics.clutch.exact import infer
from triage.genetics.clutch.model import compile_cross
from triage.genetics.references.clutch import enumerate_clutch
from triage.proving.chances import percent
from triage.species import load_sources, load_species, species_names
from triage.species.sharing import published_text, tried_shares
from triage.storage.archive import Archive
from triage.storage.database import Database
from triage.storage.kinds import KINDS
from triage.workflow import sort
from triage.workflow.answers.as_json import to_json
from triage.workflow.answers.wording import sharing_text
from triage.workflow.book import Book, change_entry
from triage.workflow.recorded import Clutches, recorded_sheet
from triage.workflow.sheet import load_sheet
from triage.workflow.sort import sort_clutch

sys.path.insert(0, str(Path(__file__).parent))
from drawn_sheets import drawn_sheet

AT = "2031-08-01T10:00:00+00:00"
TWO = """
species: ball python
{mixed}
dam: {{name: Juniper, genes: normal}}
sires:
  - {{name: Basil, genes: enchi{basil}}}
  - {{name: Thyme, genes: mojave{thyme}}}
eggs:
  - {{label: A1, evidence: {{mojave: 1}}}}
  - {{label: A2, evidence: {{normal: 1}}}}
"""


def two_sires(mixed=None, basil=None):
    """Two young, a mojave that can only be Thyme's and a normal that can be either's; the sheet."""
    stated = ("", "") if basil is None else (f", share: {basil}", f", share: {round(1 - basil, 9)}")
    return load_sheet(text=TWO.format(mixed="" if mixed is None else f"mixed: {mixed}", basil=stated[0], thyme=stated[1]))


# the default


@pytest.mark.parametrize("name", species_names())
def test_half_of_such_clutches_is_the_default_and_the_published_figures_have_sources(name):
    species = load_species(name)
    assert species.mixed == 0.5
    assert [(one.of, one.share) for one in species.published_shares[:4]] == [
        ("Burmese python", 0.75), ("black ratsnake", 0.88), ("indigo snake", 0.31), ("garter snake", 0.5),
    ]  # fmt: skip
    assert {one.source for one in species.published_shares} <= set(load_sources())
    assert {one.source for one in species.published_shares} == {e.source for e in species.evidence if e.supports == "paternity"}
    assert tried_shares(species) == (0.1, 0.31, 0.88)
    assert "black ratsnake 88 % of 34 clutches" in published_text(species) and f"found for the {name}" in published_text(species)


def test_the_default_by_hand():
    """m = chance of sharing, equal shares. One sire: (1-m) 1/2 1/2 1/2; several: the normal is either's, m 1/16 each.

    By Basil: m/16 of m/8 + (1-m)/8 = m/2: 1/4 at the default, 1/20 at a stated 10 %.
    """
    sheet = two_sires()
    assert sheet.cross.mixed == Fraction(1, 2)
    eggs = sort_clutch(sheet).eggs
    assert eggs[1].sires == pytest.approx({"Basil": 1 / 4, "Thyme": 3 / 4}, abs=1e-12)
    assert sort_clutch(two_sires(0.1)).eggs[1].sires["Basil"] == pytest.approx(1 / 20, abs=1e-12)
    both = [sort.Egg(egg.label, readings=(egg.evidence,)) for egg in sheet.eggs]
    assert enumerate_clutch(sheet.cross, both).sires[1]["Basil"] == Fraction(1, 4)


def test_the_readme_says_the_default_and_the_range():
    readme = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
    shares = [one.share for name in species_names() for one in load_species(name).published_shares]
    assert f"where several sires are named and no `mixed` is stated it is {load_species('corn snake').mixed}" in readme
    assert f"published shares run from {percent(min(shares))} to {percent(max(shares))}" in readme


# what differs at other shares


def test_a_sentence_where_the_likeliest_sire_changes_and_nowhere_else():
    """Basil with share .8: Basil's .04 m against Thyme's .05 (1-m) + .01 m, so he leads above m = .625."""
    first, second = sort_clutch(two_sires(basil=0.8)).eggs
    assert (first.sharing, second.sharing) == ("", "at 88 % shared this egg would be Basil's")
    assert second.sires["Thyme"] > 0.5
    assert sort_clutch(two_sires(0.62, 0.8)).eggs[1].sharing == second.sharing
    assert sort_clutch(two_sires(0.63, 0.8)).eggs[1].sharing == "at 10 % and 31 % shared this egg would be Thyme's"
    assert sort_clutch(two_sires(0.88, 0.8)).eggs[1].sharing == "at 10 % and 31 % shared this egg would be Thyme's"


def test_no_sentence_where_nothing_changes_or_one_sire_is_named():
    assert [egg.sharing for egg in sort_clutch(two_sires()).eggs] == ["", ""]
    sheet = two_sires(basil=0.8)
    alone = replace(sheet, cross=replace(sheet.cross, sires=sheet.cross.sires[1:], shares=(1,)))
    report = sort_clutch(alone)
    assert [egg.sharing for egg in report.eggs] == ["", ""] and not any(note.startswith("Sharing") for note in report.notes)


def test_what_no_single_male_can_give_is_said_to_be_possible_when_shared():
    """Stated 0: an enchi and a mojave cannot be of one male; at any other share each has its sire."""
    text = TWO.format(mixed="mixed: 0", basil="", thyme="").replace("normal: 1", "enchi: 1")
    first, second = sort_clutch(load_sheet(text=text)).eggs
    shares = "at 10 % and 31 % and 88 % shared this egg would be"
    assert first.sharing == f"{shares} Thyme's, most likely be mojave and go to 'label'"
    assert second.sharing == f"{shares} Basil's, most likely be enchi and go to 'label'"


def test_the_same_sentence_everywhere_and_the_published_shares_in_the_notes(tmp_path):
    report = sort_clutch(two_sires(basil=0.8))
    assert to_json(report)["eggs"][1]["sharing"] == report.eggs[1].sharing
    (note,) = [note for note in report.notes if note.startswith("Sharing")]
    assert note.startswith("Sharing: a chance of 50 % is taken that several sires share the clutch. Published shares")
    (tmp_path / "sheet.yaml").write_text(TWO.format(mixed="", basil=", share: 0.8", thyme=", share: 0.2"), "utf-8")
    said = " ".join(CliRunner().invoke(cli, ["sort", str(tmp_path / "sheet.yaml")]).output.split())
    assert f"sharing: {report.eggs[1].sharing}" in said and "Burmese python 3 of 4 clutches" in said


def likeliest(chances):
    best = max(chances.values(), default=0)
    return {name for name, p in chances.items() if p > 0 and p > best - 1e-9}


SEEDS = range(90)


def several_sires(seed):
    """A drawn sheet of several sires that can be sorted, and its report; None otherwise."""
    try:
        sheet = load_sheet(text=drawn_sheet(seed), name="drawn")
        if len(sheet.cross.sires) < 2 or compile_cross(sheet.cross).n_calls > 100:
            return None
        return sheet, sort_clutch(sheet)
    except (SheetError, UnsupportedInheritanceError, WorkTooLargeError):
        return None


@pytest.mark.parametrize("seed", SEEDS)
def test_what_is_said_of_another_share_is_what_sorting_with_it_says(seed):
    found = several_sires(seed)
    if found is None:
        return  # counted below
    sheet, report = found
    for share in tried_shares(sheet.species):
        if share == sheet.cross.mixed:
            continue
        other = sort_clutch(replace(sheet, cross=replace(sheet.cross, mixed=share)), explain=False)
        for now, then in zip(report.eggs, other.eggs, strict=True):
            sires, calls = likeliest(then.sires), likeliest({c.call.name: c.probability for c in then.calls})
            moved = bool(sires) and not sires & likeliest(now.sires)
            renamed = bool(calls) and not calls & likeliest({c.call.name: c.probability for c in now.calls})
            own = [part for part in now.sharing.split("; at ") if percent(share) in part.split(" shared")[0]]
            assert bool(own) == (moved or renamed or now.tray is not then.tray), (now.label, share)
            words = "".join(own)
            assert (" be of no sire" in words or any(f"{name}'s" in words for name in sires)) == moved
            assert ("most likely be" in words and all(call in words for call in calls)) == renamed
            assert (f"go to '{then.tray}'" in words) == (now.tray is not then.tray)


def test_the_drawn_sheets_have_both_kinds_of_eggs():
    found = [egg for seed in SEEDS if (one := several_sires(seed)) is not None for egg in one[1].eggs]
    assert len(found) > 80 and 0.1 < sum(bool(egg.sharing) for egg in found) / len(found) < 0.9


def test_the_engine_at_another_share_is_the_engine_of_that_cross():
    sheet = two_sires(0.5, 0.8)
    model = compile_cross(sheet.cross)
    eggs = [sort.Egg("A1"), sort.Egg("A2")]
    infer(model, eggs)
    for share in (0.0, 0.1, 1.0):
        again = compile_cross(replace(sheet.cross, mixed=share))
        found, there = infer(model.at_share(share), eggs), infer(again, eggs)
        assert found.log_evidence == there.log_evidence and found.eggs[0].sires == there.eggs[0].sires
        assert model.at_share(share).blocks is model.blocks
    assert model.at_share(0.5) is model


def test_where_other_shares_are_too_much_to_work_out_it_says_so(monkeypatch):
    sheet, usual = two_sires(0, 0.8), sort.infer

    def little_memory(model, *readings, **more):
        if model.mixed > 0:
            raise WorkTooLargeError("too large")
        return usual(model, *readings, **more)

    monkeypatch.setattr(sort, "infer", little_memory)
    report = sort_clutch(sheet)
    assert [egg.sharing for egg in report.eggs] == ["", ""]
    assert any(note.endswith("What each answer would be at other shares is too much to work out.") for note in report.notes)


@pytest.mark.parametrize(("percents", "words"), [(0, "one male for the whole clutch (0 %)"), (100, "each egg for itself (100 %)"),
                                                 (50, "one male or several, either as likely (50 %)"), (25, "25 %")])  # fmt: skip
def test_a_chance_of_sharing_in_words(percents, words):
    assert sharing_text(percents) == words


# records


@pytest.fixture
def run(monkeypatch, tmp_path):
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path / "data"))

    def invoke(*words):
        result = CliRunner().invoke(cli, [*words])
        assert result.exit_code == 0, result.output
        return result.output

    return invoke


def kept_before(archive, sires=("Basil", "Thyme")):
    """The clutch of `two_sires` as a version whose default was 10 % kept a pairing that said nothing of it: ids."""

    def put(draft, kind, **content):
        return draft.add(KINDS[kind].from_json(content))

    with archive.change("kept before") as draft:
        genes = {"Juniper": "normal", "Basil": "enchi", "Thyme": "mojave"}
        ids = {name: put(draft, "animal", name=name, species="ball python", sex="female" if name == "Juniper" else "male", genes=words)
               for name, words in genes.items()}  # fmt: skip
        pairing = put(draft, "pairing", dam=ids["Juniper"], sires=[{"animal": ids[name]} for name in sires])
        clutch = put(draft, "clutch", name="2030-1", pairing=pairing)
        for label, look in (("A1", "mojave"), ("A2", "normal")):
            egg = put(draft, "egg", clutch=clutch, label=label, state="hatched")
            put(draft, "evidence", about=egg, at=AT, likelihoods={look: 1.0}, otherwise=0.0)
    return pairing, clutch, ids


@pytest.fixture
def archive(tmp_path):
    return Archive(Database(f"sqlite:///{tmp_path / 'records.sqlite'}"))


def basil(archive, clutch):
    """Chance that A2 is Basil's, sorted as the records stand."""
    sheet, photos = recorded_sheet(Clutches(Book.of(archive)), clutch)
    return sort_clutch(sheet, photos=photos).eggs[1].sires["Basil"]


def test_a_clutch_kept_without_a_chance_says_what_it_said(archive):
    """1/20 as with the 10 % of its time, not 1/4; stating a chance, or naming another male, is a change like any other."""
    pairing, clutch, _ = kept_before(archive)
    assert basil(archive, clutch) == pytest.approx(1 / 20, abs=1e-12)
    change_entry(archive, pairing, {"ended": "2030-03-01"})
    assert archive.find(pairing).content.mixed is None and basil(archive, clutch) == pytest.approx(1 / 20, abs=1e-12)
    change_entry(archive, pairing, {"mixed": 0.5})
    assert basil(archive, clutch) == pytest.approx(1 / 4, abs=1e-12)
    change_entry(archive, pairing, {"mixed": None})  # emptied today: today's default
    assert archive.find(pairing).content.mixed == 0.5
    archive.undo(archive.history(pairing)[-1].change)
    archive.undo(archive.history(pairing)[-3].change)
    assert archive.find(pairing).content.mixed is None and basil(archive, clutch) == pytest.approx(1 / 20, abs=1e-12)


def test_a_backup_of_before_is_restored_as_what_it_said(archive, tmp_path):
    _, clutch, _ = kept_before(archive)
    other = Archive(Database(f"sqlite:///{tmp_path / 'other.sqlite'}"))
    other.replay(archive.changes())
    assert basil(other, clutch) == pytest.approx(1 / 20, abs=1e-12)


def test_a_second_male_named_today_brings_today_s_default(archive):
    pairing, clutch, ids = kept_before(archive, ("Thyme",))
    change_entry(archive, pairing, {"ended": "2030-03-01"})
    assert archive.find(pairing).content.mixed is None
    change_entry(archive, pairing, {"sires": [{"animal": ids["Basil"]}, {"animal": ids["Thyme"]}]})
    assert archive.find(pairing).content.mixed == 0.5 and basil(archive, clutch) == pytest.approx(1 / 4, abs=1e-12)


def test_a_pairing_entered_today_keeps_its_chance(run):
    for name, sex, genes in (("Juniper", "female", "normal"), ("Basil", "male", "enchi"), ("Thyme", "male", "mojave")):
        run("animal", "add", "--name", name, "--sex", sex, "--genes", genes)
    assert "mixed: 0.5" in run("pair", "add", "--dam", "Juniper", "--sires", "Basil", "--sires", "Thyme")
    assert "mixed: 0.2" in run("pair", "add", "--dam", "Juniper", "--sires", "Basil", "--sires", "Thyme", "--mixed", "0.2")
    assert "mixed" not in run("pair", "add", "--dam", "Juniper", "--sires", "Basil")


def test_a_kept_sheet_states_its_chance(run, tmp_path):
    (tmp_path / "sheet.yaml").write_text(TWO.format(mixed="", basil="", thyme=""), "utf-8")
    run("keep", str(tmp_path / "sheet.yaml"), "--name", "2031-1")
    assert '"mixed": 0.5' in run("pair", "list", "--json")
