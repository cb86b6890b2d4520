"""A sale label never promises more than the records support.

That labels claim records and not photos, and the words "66 %", "50 %", "33 %": common practice, no source.
"""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from triage.proving.label_text import label_text, whole_percent
from triage.records import Genotype, Sex
from triage.species import load_species, parse_call


@pytest.fixture(scope="module")
def ball_python():
    return load_species("ball python")


def text(species, words, sex=None, **loci):
    (call,) = parse_call(species, words)
    return label_text(species, call, sex, {k: {Genotype.parse(g): p for g, p in v.items()} for k, v in loci.items()})


@pytest.mark.parametrize(
    ("chance", "words"),
    [
        (2 / 3, "; 66% possible het clown, not proven"),
        (1 / 2, "; 50% possible het clown, not proven"),
        (1 / 3, "; 33% possible het clown, not proven"),
        (1.0, "; 100% het clown"),
        (0.9999, "; 99% possible het clown, not proven"),
        (0.6699, "; 66% possible het clown, not proven"),
        (0.015, "; 1% possible het clown, not proven"),
        (0.0099, ""),
        (0.0, ""),
    ],
)
def test_hets_as_recorded(ball_python, chance, words):
    found = text(ball_python, "normal", clown={"clown/normal": chance, "normal/normal": 1 - chance})
    assert found == f"0.0.1; normal{words}"


def test_the_chance_is_among_animals_of_this_look(ball_python):
    """Of het x het, 2/4 are het and 1/4 visual: of those that look normal, 2/3 are het (common practice, no source)."""
    mendel = {"clown/clown": 0.25, "clown/normal": 0.5, "normal/normal": 0.25}
    assert text(ball_python, "pastel", clown=mendel, pastel={"normal/pastel": 1.0}).endswith("66% possible het clown, not proven")
    assert text(ball_python, "clown", clown=mendel) == "0.0.1; clown"


def test_dominant_one_or_two_copies(ball_python):
    either = {"normal/pinstripe": 2 / 3, "pinstripe/pinstripe": 1 / 3}
    assert text(ball_python, "pinstripe", pinstripe=either) == "0.0.1; pinstripe; pinstripe: one or two copies not proven"
    assert text(ball_python, "pinstripe", pinstripe={"normal/pinstripe": 1.0}) == "0.0.1; pinstripe"


def test_incomplete_dominant_copies_are_seen(ball_python):
    either = {"normal/pastel": 0.5, "pastel/pastel": 0.5}
    assert text(ball_python, "pastel", pastel=either) == "0.0.1; pastel"
    assert text(ball_python, "super pastel", pastel=either) == "0.0.1; super pastel"


@pytest.mark.parametrize(("sex", "mark"), [(Sex.MALE, "1.0"), (Sex.FEMALE, "0.1"), (None, "0.0.1")])
def test_sex_marks(ball_python, sex, mark):
    assert text(ball_python, "pastel", sex) == f"{mark}; pastel"


@given(st.fractions(0, 1, max_denominator=10_000))
def test_whole_percent_rounds_down(chance):
    """Against exact arithmetic in fractions."""
    assert whole_percent(float(chance)) == int(chance * 100)


def test_whole_percent_of_sums_with_binary_noise():
    assert whole_percent(0.1 + 0.2) == 30
    assert whole_percent(0.29) == 29
    assert whole_percent(1 - 1e-6) == 99
    assert whole_percent(float(Fraction(2, 3))) == 66
