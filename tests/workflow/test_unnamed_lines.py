"""Words for a line that nobody named, from a sheet to its label. At least four lines of axanthic: a second reader, 90 % sure, no source."""

import math

import pytest

from triage.errors import SheetError, StorageError
from triage.proving.trays import Tray
from triage.species import load_species
from triage.storage.archive import Archive
from triage.storage.database import Database
from triage.storage.kinds import Animal
from triage.storage.photo_files import PhotoFiles
from triage.workflow.book import add_entry
from triage.workflow.keep import keep_clutch
from triage.workflow.known import known_of
from triage.workflow.label import sale_labels
from triage.workflow.prove import plan_for
from triage.workflow.sheet import load_sheet
from triage.workflow.sort import sort_clutch
from triage.workflow.sort_again import sort_recorded

N = len(load_species("ball python").unnamed_lines[0].lines)


def sheet_of(dam, sire, *eggs, more=("", "")):
    said = "".join(f"  - {{label: A{n}{f', call: {call}' if call else ''}}}\n" for n, call in enumerate(eggs, 1))
    text = (
        f"species: ball python\ndam: {{name: Juniper, genes: '{dam}'{more[0]}}}\nsires: [{{name: Basil, genes: '{sire}'{more[1]}}}]\n"
        f"eggs:\n{said}"
    )
    return load_sheet(text=text, name="lines")


def chances(egg):
    return {one.call.name: one.probability for one in egg.calls}


def test_four_lines_are_known():
    assert N == 4


def test_nobody_knows_whether_two_axanthics_are_of_one_line():
    """P(normal young) = 1 - 1/4: of one line all show it, of two none."""
    (egg,) = sort_clutch(sheet_of("axanthic", "axanthic", "")).eggs
    assert chances(egg) == pytest.approx({"normal": 1 - 1 / N, "axanthic": 1 / N}, abs=1e-12)


def test_the_clutch_says_whether_it_is_one_line():
    """All are axanthic or none is: three eggs have one chance, whether anybody called them or not."""
    report = sort_clutch(sheet_of("axanthic", "axanthic", "axanthic", "axanthic", ""))
    seen = [chances(egg)["axanthic"] for egg in report.eggs]
    assert seen == pytest.approx([seen[0]] * 3, abs=1e-12) and seen[0] > 0.95
    assert report.eggs[0].tray is Tray.LABEL and report.eggs[0].label_text == "0.0.1; axanthic; line of axanthic not named"
    assert any("Juniper and Basil carry one line of axanthic" in note for note in report.notes)


def test_young_that_look_normal_tell_two_lines_and_carry_both():
    report = sort_clutch(sheet_of("axanthic", "axanthic", "normal", "normal"))
    egg = report.eggs[0]
    assert egg.tray is Tray.LABEL and egg.calls[0].call.name == "normal"
    assert egg.label_text == "0.0.1; normal; 100% het axanthic of a line not named"
    told = "Juniper and Basil carry different lines of axanthic (one line at under 1 %, 25 % before"
    assert any(note.startswith(told) for note in report.notes)


def test_where_it_decides_it_is_asked_for():
    notes = sort_clutch(sheet_of("axanthic", "axanthic", "")).notes
    assert notes[0].startswith("Juniper and Basil both carry axanthic of a line that nobody named") and "one line at 25 %" in notes[0]
    assert not any("line" in note for note in sort_clutch(sheet_of("axanthic", "pastel", "")).notes)


def test_animals_that_came_from_together_are_of_one_line():
    more = (", line: from one house", ", line: from one house")
    (egg,) = sort_clutch(sheet_of("axanthic", "axanthic", "", more=more)).eggs
    assert chances(egg) == {"axanthic": 1.0}
    assert egg.label_text == "0.0.1; axanthic; line of axanthic not named"


@pytest.mark.parametrize(
    ("dam", "sire", "normal", "carried"),
    [
        ("het axanthic", "normal", 1.0, 1 / 2),
        ("axanthic", "normal", 1.0, 1.0),
        ("66% het axanthic", "normal", 1.0, 1 / 3),
        # of one line 3/4 look normal, of which 2/3 carry it; of two lines all do, and 3/4 carry one or both
        ("het axanthic", "het axanthic", 1 / 4 * 3 / 4 + 3 / 4, (1 / 4 * 1 / 2 + 3 / 4 * 3 / 4) / (1 / 4 * 3 / 4 + 3 / 4)),
    ],
)
def test_what_is_carried_is_counted_over_the_lines_together(dam, sire, normal, carried):
    (egg,) = sort_clutch(sheet_of(dam, sire, "")).eggs
    assert chances(egg)["normal"] == pytest.approx(normal, abs=1e-12)
    if egg.label_text:
        part = egg.label_text.split("; ")[-1]
        shown = 100 if carried == 1 else math.floor(100 * carried + 1e-9)
        assert part.startswith(f"{shown}% ") and "het axanthic of a line not named" in part
    else:
        assert normal < 0.95


def test_a_named_line_beside_a_word_settles_what_can_be():
    (egg,) = sort_clutch(sheet_of("axanthic line A", "axanthic", "")).eggs
    assert chances(egg)["normal"] == pytest.approx(3 / 4, abs=1e-12)


def test_kept_known_sorted_again_and_printed_are_the_same(tmp_path):
    archive = Archive(Database(f"sqlite:///{tmp_path / 'records.sqlite'}"))
    for name, more in (("apart", ("", "")), ("together", (", line: one house", ", line: one house"))):
        sheet = sheet_of("axanthic", "axanthic", "axanthic", "", more=more)
        sheet = load_sheet(
            text=f"species: ball python\ndam: {{name: Juniper {name}, genes: axanthic{more[0]}}}\n"
            f"sires: [{{name: Basil {name}, genes: axanthic{more[1]}}}]\neggs: [{{label: A1, call: axanthic}}, {{label: A2}}]\n",
            name=name,
        )
        report = sort_clutch(sheet)
        kept = keep_clutch(archive, PhotoFiles(tmp_path / "photos"), report)
        again = sort_recorded(archive, archive.find(kept.clutch))
        for one, other in zip(report.eggs, again.eggs, strict=True):
            assert chances(other) == pytest.approx(chances(one), abs=1e-9)
            assert (other.tray, other.label_text) == (one.tray, one.label_text)
        known = known_of(archive)
        assert [label.text for label in sale_labels(known, kept.eggs.values())] == [egg.label_text for egg in report.eggs]
        for egg in report.eggs:
            for locus, table in egg.loci.items():
                found = known.posterior.loci[kept.eggs[egg.label]].get(locus)
                if found is not None:
                    wanted = {g: p for g, p in table.items() if p > 1e-12}
                    assert {g: p for g, p in found.items() if p > 1e-12} == pytest.approx(wanted, abs=1e-9)


@pytest.mark.parametrize(
    ("dam", "more", "words"),
    [
        ("axanthic, axanthic line A, axanthic line B, axanthic line C, axanthic line D", "", "axanthic"),
        ("pastel", ", line: one house", "'line' of Juniper says nothing"),
    ],
)
def test_words_that_leave_nothing_open_are_refused(dam, more, words):
    with pytest.raises(SheetError, match=words):
        sheet_of(dam, "normal", "", more=(more, ""))


def test_a_proving_of_a_line_not_named_is_refused_by_name_and_of_another_gene_planned(tmp_path):
    archive = Archive(Database(f"sqlite:///{tmp_path / 'records.sqlite'}"))
    one = add_entry(archive, Animal(name="Heather", species="ball python", sex="female", genes="66% het axanthic")).id
    other = add_entry(archive, Animal(name="Rowan", species="ball python", sex="male", genes="66% het axanthic, 66% het clown")).id
    known = known_of(archive)
    with pytest.raises(StorageError, match="Heather: which line of axanthic it may carry is not named, and a proving is of one gene"):
        plan_for(known, one)
    assert plan_for(known, other).held.loci == ("clown",)
