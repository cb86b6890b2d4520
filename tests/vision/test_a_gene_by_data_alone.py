"""A gene that the reader never learnt, added by data alone: a photo says of each call what it said before, and as much of the others."""

from pathlib import Path

import pytest

import triage.species
from triage.genetics.clutch.model import compile_cross
from triage.genetics.readings import photo_reading
from triage.proving.trays import Tray
from triage.records import Cross, Sex, VisualCall
from triage.species import load_species, load_species_file, parse_parent
from triage.vision.intake import open_photo
from triage.workflow.clutch import ClutchSheet, PhotoSource, SheetEgg
from triage.workflow.demo import FOLDER
from triage.workflow.photos import evidence_of, load_reader, read_photos
from triage.workflow.sort import sort_clutch

DUSK = """
[[locus]]
name = "dusk"

[[locus.allele]]
name = "dusk"
mode = "incomplete dominant"
look_for = "a smoky veil over the whole animal"
[[locus.allele.evidence]]
source = "keeper_practice"
supports = "mode"
grade = "single_claim"
"""
PHOTO = FOLDER / "a6.jpg"  # of a mojave


@pytest.fixture(scope="module")
def plain():
    return load_species("ball python")


@pytest.fixture(scope="module")
def dusky(plain, tmp_path_factory):
    path = tmp_path_factory.mktemp("data") / plain.key / "genes.toml"
    path.parent.mkdir()
    shipped = Path(triage.species.__file__).parent / "data" / plain.key / "genes.toml"
    path.write_text(shipped.read_text("utf-8") + DUSK, "utf-8")
    return load_species_file(path)


@pytest.fixture(scope="module")
def reader(dusky):
    return load_reader(dusky)


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
