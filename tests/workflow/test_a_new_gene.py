"""A gene and its look added by data alone: a photo says of every known call what it said before, and none is refused for it."""

import shutil
from pathlib import Path

import pytest
import torch

import triage.species
from triage.genetics.clutch.model import compile_cross
from triage.genetics.readings import photo_reading
from triage.proving.trays import Tray
from triage.records import Cross, Sex, VisualCall
from triage.species import load_species, load_species_file, loader, parse_parent
from triage.vision.intake import open_photo
from triage.workflow.clutch import ClutchSheet, PhotoSource, SheetEgg
from triage.workflow.demo import FOLDER, demo_sheet_path
from triage.workflow.photos import evidence_of, load_reader, read_photos
from triage.workflow.sheet import load_sheet
from triage.workflow.sort import sort_clutch

ALLELE = """
[[locus.allele]]
name = "{}"
mode = "incomplete dominant"
look_for = "{}"
[[locus.allele.evidence]]
source = "keeper_practice"
supports = "mode"
grade = "single_claim"

"""
DUSK = '[[locus]]\nname = "dusk"\n' + ALLELE.format("dusk", "a smoky veil over the whole animal")
EMBER = ALLELE.format("ember", "as fire, redder")
DATA = Path(triage.species.__file__).parent / "data"
PHOTO = FOLDER / "a6.jpg"  # of a mojave


@pytest.fixture(scope="module")
def reader():
    """On one thread: with several the last bits of a reading depend on how the work was split."""
    threads = torch.get_num_threads()
    torch.set_num_threads(1)
    yield load_reader(load_species("ball python"))
    torch.set_num_threads(threads)


@pytest.fixture(scope="module")
def before(reader):
    return sort_clutch(load_sheet(demo_sheet_path()), reader=reader, explain=False)


@pytest.fixture
def more_genes(tmp_path, monkeypatch):
    """The catalogue with a locus and an allele of a known series more, as somebody would add them to its files."""
    data = tmp_path / "data"
    shutil.copytree(DATA, data)
    genes = data / "python_regius" / "genes.toml"
    text = genes.read_text("utf-8")
    series = text.index('name = "fire series"')
    place = min(found for word in ("[[locus]]", "[[locus.compound]]") if (found := text.find(word, series)) > 0)
    end = text.index("[[combination]]")
    genes.write_text(text[:place] + EMBER.lstrip() + text[place:end] + DUSK + text[end:], "utf-8")
    monkeypatch.setattr(loader, "_DATA", data)
    caches = (loader._species_files, loader._shipped, loader._usual_key)
    for cache in caches:
        cache.cache_clear()
    yield load_species("ball python")
    monkeypatch.undo()
    for cache in caches:
        cache.cache_clear()


def test_photos_without_it_are_read_as_before(before, reader, more_genes):
    assert more_genes.has_locus("dusk")
    after = sort_clutch(load_sheet(demo_sheet_path()), reader=reader, explain=False)
    for one, other in zip(before.photos, after.photos, strict=True):
        for photo, again in zip(one, other, strict=True):
            assert again.remarks == photo.remarks
            known = {call.name: value for call, value in again.evidence.log_likelihoods.items()}
            assert known == pytest.approx({call.name: value for call, value in photo.evidence.log_likelihoods.items()}, rel=0, abs=1e-6)
    for one, other in zip(before.eggs, after.eggs, strict=True):
        assert {c.call.name: c.probability for c in other.calls} == pytest.approx(
            {c.call.name: c.probability for c in one.calls}, rel=0, abs=1e-6
        )


@pytest.mark.parametrize("gene", ["dusk", "ember"])
def test_a_clutch_with_it_is_sorted_and_no_photo_is_refused(gene, reader, more_genes):
    path = demo_sheet_path()
    text = path.read_text("utf-8").replace("genes: pastel, 66% het clown", f"genes: pastel, 66% het clown, {gene}")
    for egg in ("a1", "a2", "a3", "a4", "a5", "a6", "a7"):
        text = text.replace(f"[{egg}.jpg]", f"[{path.parent / egg}.jpg]")
    report = sort_clutch(load_sheet(text=text.replace("call: pastel", f"call: pastel {gene}")), reader=reader, explain=False)
    for egg, (photo,) in zip(report.eggs, report.photos, strict=True):
        assert photo.evidence is not None and "photo" in egg.rests_on
        assert any(remark.startswith("the photo model never learnt") and gene in remark for remark in photo.remarks), photo.remarks
        by_name = {call.name: value for call, value in photo.evidence.log_likelihoods.items()}
        if gene == "dusk":  # a locus it never learnt: nothing for or against
            assert by_name["pastel dusk"] == pytest.approx(by_name["pastel"], abs=1e-9)
    a1 = report.egg("A1")
    assert a1.calls[0].call.name == f"pastel {gene}" or gene == "ember"  # the keeper's own call decides what the photo cannot


@pytest.fixture(scope="module")
def plain():
    return load_species("ball python")


@pytest.fixture(scope="module")
def dusky(plain, tmp_path_factory):
    path = tmp_path_factory.mktemp("data") / plain.key / "genes.toml"
    path.parent.mkdir()
    path.write_text((DATA / plain.key / "genes.toml").read_text("utf-8") + DUSK, "utf-8")
    return load_species_file(path)


@pytest.fixture(scope="module")
def reading(reader):
    return reader.read([open_photo(PHOTO)])[0]


def cross(species, genes_of_dam):
    dam = parse_parent(species, genes_of_dam, name="D", sex=Sex.FEMALE)
    return Cross(species, dam, (parse_parent(species, "enchi", name="S", sex=Sex.MALE),), (1,), 0)


def without_dusk(call):
    return VisualCall(tuple(pair for pair in call.looks if pair[0] != "dusk"))


def evidence(species, dam, reader, reading):
    return evidence_of(compile_cross(cross(species, dam)), (), reader, reading)


def test_in_a_cross_without_it_not_a_bit_moves(plain, dusky, reader, reading):
    assert evidence(dusky, "fire", reader, reading) == evidence(plain, "fire", reader, reading)


def test_in_a_cross_with_it_the_known_calls_are_told_apart_as_before(plain, dusky, reader, reading):
    """Each call stands twice, with and without the gene: the floor is shared by twice as many, and the scale cancels."""
    before, after = evidence(plain, "fire", reader, reading), evidence(dusky, "fire, dusk", reader, reading)
    known = {call: value for call, value in after.log_likelihoods.items() if without_dusk(call) == call}
    assert known == pytest.approx(dict(before.log_likelihoods), rel=0, abs=1e-12)
    one, other = photo_reading([before]).likelihoods, photo_reading([after]).likelihoods
    assert {call: other[call] for call in one} == pytest.approx(one, rel=0, abs=1e-6)
    assert sum(call != without_dusk(call) for call in other) == len(one)
    for call, value in after.log_likelihoods.items():
        assert value == pytest.approx(after.log_likelihoods[without_dusk(call)], abs=1e-12)


@pytest.mark.parametrize("dam", ["fire", "fire, dusk", "fire, super dusk"])
def test_a_photo_that_fits_no_call_of_the_cross_says_so_still(dusky, reader, dam):
    """Where every call has the unlearnt look, those that the parents cannot give are weighed with it too."""
    sheet = ClutchSheet("clutch", dusky, cross(dusky, dam), (SheetEgg("A1", "egg A1", photos=(PhotoSource("a6.jpg", PHOTO),)),))
    (egg,) = sort_clutch(sheet, reader=reader, explain=False).eggs
    assert egg.tray is Tray.CHECK_PARENTS and "it reads best as mojave" in egg.reasons[0]


def test_the_photo_says_once_that_it_never_learnt_the_look(dusky, reader):
    egg = SheetEgg("A1", "egg A1", photos=(PhotoSource("a6.jpg", PHOTO),))
    for dam, wanted in (("fire", 0), ("fire, dusk", 1)):
        ((photo,),) = read_photos([egg], compile_cross(cross(dusky, dam)), reader)
        words = [remark for remark in photo.remarks if "never learnt" in remark]
        assert words == ["the photo model never learnt dusk: it says nothing for or against"] * wanted
