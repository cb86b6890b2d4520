"""Classical crosses and linkage data that the engine must reproduce; the source stands beside each value.

What is left out is listed in ``test_published.py``.
"""

import math
from fractions import Fraction

import pytest
from scipy.optimize import minimize_scalar
from scipy.stats import chisquare
from support import (
    RECESSIVE,
    allele,
    call_chances,
    dam,
    eggs_seen,
    locus,
    pair,
    proved,
    seen,
    sire,
    species,
)

from triage.genetics.clutch.exact import infer, log_evidence
from triage.genetics.clutch.model import compile_cross
from triage.records import Compound, Cross, Egg, Linkage, Locus, Phase, Sex, Species

ONE = species(locus("pea", RECESSIVE))
TWO = species(locus("wrinkled", RECESSIVE), locus("green", RECESSIVE))
DOUBLE_HET = {"wrinkled": "normal/wrinkled", "green": "green/normal"}
CALLS = ("normal", "wrinkled", "green", "wrinkled green")


@pytest.mark.parametrize(
    "plain, recessive, chi_square, p_value",
    [
        (5474, 1850, 0.263, 0.608),
        (6022, 2001, 0.015, 0.903),
        (705, 224, 0.391, 0.532),
        (882, 299, 0.064, 0.801),
        (428, 152, 0.451, 0.502),
        (651, 207, 0.350, 0.554),
        (787, 277, 0.607, 0.436),
    ],
)
def test_mendel_1866_monohybrid_crosses(plain, recessive, chi_square, p_value):
    """Mendel 1866, Verh Naturforsch Ver Brünn 4:3: his seven F2 against the engine's 3:1; chi-square as tabulated since."""
    chances = call_chances(pair(ONE, dam(pea="normal/pea"), sire(pea="normal/pea")))
    n = plain + recessive
    found = chisquare([plain, recessive], [n * chances["normal"], n * chances["pea"]])
    assert round(found.statistic, 3) == chi_square
    assert round(found.pvalue, 3) == p_value


def test_mendel_1866_dihybrid_cross():
    """Mendel 1866: 315, 101, 108, 32 of 556; chi-square 0.4700 on 3 degrees of freedom, p = .9254 (derived)."""
    chances = call_chances(pair(TWO, dam(**DOUBLE_HET), sire(**DOUBLE_HET)))
    found = chisquare([315, 101, 108, 32], [556 * chances[c] for c in CALLS])
    assert round(found.statistic, 4) == 0.4700
    assert round(found.pvalue, 4) == 0.9254


def test_fisher_1936_ten_offspring_miss_a_het():
    """Fisher 1936, Ann Sci 1:115: of Mendel's F3 families of ten, (3/4)^10 = .0563 of the hets show no recessive."""
    selfed = pair(ONE, dam(pea="normal/pea"), sire(pea="normal/pea"))
    missed = math.exp(log_evidence(compile_cross(selfed), eggs_seen(10, seen())))
    assert round(missed, 4) == 0.0563
    # Two thirds of the plain F2 are hets, so the apparent share of hets is .6291 and the ratio 1.887 to 1.113.
    plain = proved(selfed, eggs_seen(1, seen())).eggs[0]
    hets = next(p for g, p in plain.loci["pea"].items() if str(g) == "normal/pea")
    apparent = hets * (1 - missed)
    assert round(apparent, 4) == 0.6291
    assert (round(3 * apparent, 3), round(3 * (1 - apparent), 3)) == (1.887, 1.113)


def test_cattle_dwarfism_1955():
    """J Anim Sci 1955 14:200, doi 10.2527/jas1955.141200x: het x het 3:1, dwarf x dwarf all dwarf, het x dwarf about 1:1."""
    of = species(locus("dwarf", RECESSIVE))
    het, dwarf = "dwarf/normal", "dwarf/dwarf"
    assert call_chances(pair(of, dam(dwarf=het), sire(dwarf=het))) == pytest.approx({"normal": 3 / 4, "dwarf": 1 / 4})
    assert call_chances(pair(of, dam(dwarf=dwarf), sire(dwarf=dwarf))) == pytest.approx({"dwarf": 1.0})
    assert call_chances(pair(of, dam(dwarf=dwarf), sire(dwarf=het))) == pytest.approx({"normal": 1 / 2, "dwarf": 1 / 2})


# Sex linkage: a gene of the X only. The Y's lack of the gene is an allele of its own, silent and never passed to a daughter.

WHITE_EYE = species(
    Locus(
        "eye",
        (allele("white", RECESSIVE), allele("no gene", RECESSIVE)),
        (Compound(frozenset({"white", "no gene"}), "white"),),
        crossover=0.0,
    )
)


def eyes(cross: Cross, sex: Sex) -> dict[str, float]:
    found = proved(cross, [Egg("one", sex)])
    by_call: dict[str, float] = {}
    for c in found.calls(0):
        by_call[c.call.name] = by_call.get(c.call.name, 0.0) + c.probability
    return by_call


def test_morgan_1916_white_eye():
    """Morgan 1916, A Critique of the Theory of Evolution, p. 87: white males x red females, and the reciprocal."""
    red, white = {"normal": pytest.approx(1.0)}, {"white": pytest.approx(1.0)}
    half = {"normal": pytest.approx(0.5), "white": pytest.approx(0.5)}
    first = pair(WHITE_EYE, dam(eye="normal/normal"), sire(eye="white|no gene"))
    assert (eyes(first, Sex.FEMALE), eyes(first, Sex.MALE)) == (red, red)
    second = pair(WHITE_EYE, dam(eye="normal/white"), sire(eye="normal|no gene"))
    assert (eyes(second, Sex.FEMALE), eyes(second, Sex.MALE)) == (red, half)
    assert call_chances(second)["white"] == pytest.approx(1 / 4)  # 3 red to 1 white
    reciprocal = pair(WHITE_EYE, dam(eye="white/white"), sire(eye="normal|no gene"))
    assert (eyes(reciprocal, Sex.FEMALE), eyes(reciprocal, Sex.MALE)) == (red, white)
    brothers_and_sisters = pair(WHITE_EYE, dam(eye="normal/white"), sire(eye="white|no gene"))
    assert (eyes(brothers_and_sisters, Sex.FEMALE), eyes(brothers_and_sisters, Sex.MALE)) == (half, half)


# Linkage


def linked_pair(of: Species, r: dict[Sex, float], phase: Phase, *, test_cross: bool = False) -> Cross:
    """F1 x F1, or F1 dam x double recessive, with the mutants of both double hets in one phase."""
    one, other = (x.name for x in of.loci)
    het = {name: str(min(f"{name}/normal", f"normal/{name}", key=lambda t: t.split("/"))) for name in (one, other)}
    father = {one: f"{one}/{one}", other: f"{other}/{other}"} if test_cross else het
    linkage = Linkage(one, other, r, {"dam": phase, "sire": phase})
    return pair(of, dam(**het), sire(**father), linkages=(linkage,))


def chances_in_order(cross: Cross) -> list[float]:
    one, other = (x.name for x in cross.species.loci)
    chances = call_chances(cross)
    return [chances.get(name, 0.0) for name in ("normal", one, other, f"{one} {other}")]


def likeliest_r(of: Species, counts, phase: Phase, *, test_cross: bool = False, same_in_both: bool = True) -> float:
    """Recombination fraction that maximises the engine's likelihood of counts of the four calls."""

    def surprise(r: float) -> float:
        rates = {Sex.FEMALE: r, Sex.MALE: r if same_in_both else 0.0}
        chances = chances_in_order(linked_pair(of, rates, phase, test_cross=test_cross))
        return -sum(n * math.log(p) for n, p in zip(counts, chances, strict=True))

    return float(minimize_scalar(surprise, bounds=(1e-6, 0.5), method="bounded", options={"xatol": 1e-10}).x)


PEAS = species(locus("red", RECESSIVE), locus("round", RECESSIVE))


def test_bateson_punnett_sweet_peas():
    """Bateson, Saunders & Punnett 1905-06: F2 in coupling 284, 21, 21, 55 of 381 where 215:71:71:24 were expected.

    Derived from the counts: chi-square 134.7; r-hat = 1 - sqrt(.76031) = .1280.
    """
    unlinked = chances_in_order(pair(PEAS, dam(red="normal/red", round="normal/round"), sire(red="normal/red", round="normal/round")))
    # Printed as 215, 71, 71, 24: the first is 214.3, which the source rounds up to make the four sum to 381.
    assert [round(381 * p, 1) for p in unlinked] == [214.3, 71.4, 71.4, 23.8]
    assert round(chisquare([284, 21, 21, 55], [381 * p for p in unlinked]).statistic, 1) == 134.7
    r = likeliest_r(PEAS, [284, 21, 21, 55], Phase.COUPLING)
    assert round(r, 4) == 0.1280
    assert round((1 - r) ** 2, 5) == 0.76031


def test_maize_f2_in_repulsion():
    """Maize F2, repulsion: 1997, 906, 904, 32 of 3,839; theta-hat .0357 with theta = r squared (Fisher & Balmukand 1928)."""
    counts = [1997, 906, 904, 32]
    r = likeliest_r(PEAS, counts, Phase.REPULSION)
    assert r**2 == pytest.approx(0.03570979, abs=1e-4)
    assert round(r, 4) == 0.1890
    fitted = chances_in_order(linked_pair(PEAS, dict.fromkeys(Sex, r), Phase.REPULSION))
    assert round(chisquare(counts, [3839 * p for p in fitted]).statistic, 3) == 2.015


def test_rao_1973_linkage_data():
    """Rao 1973; Dempster, Laird & Rubin 1977: 125, 18, 20, 34 give theta-hat = .6268214980 with theta = (1 - r)^2."""
    r = likeliest_r(PEAS, [125, 18, 20, 34], Phase.COUPLING)
    assert (1 - r) ** 2 == pytest.approx(0.6268214980, abs=1e-7)


@pytest.mark.parametrize("counts, percent", [([778, 158, 162, 785], 17), ([415, 92, 88, 405], 18)])
def test_black_vestigial_test_cross(counts, percent):
    """Two course tables of the black-vestigial test cross: 17 % and 18 % recombinants.

    The tables list wild, double, and the two recombinant kinds; here wild, one, other, double.
    """
    of = species(locus("black", RECESSIVE), locus("vestigial", RECESSIVE))
    assert round(100 * likeliest_r(of, counts, Phase.COUPLING, test_cross=True)) == percent


def test_morgan_1916_no_crossing_over_in_males():
    """Morgan 1916, fig. 66: F1 females give 83 % parental and 17 % cross-over young, F1 males parental kinds only."""
    of = species(locus("black", RECESSIVE), locus("vestigial", RECESSIVE))
    rates = {Sex.FEMALE: 0.17, Sex.MALE: 0.0}
    het, both = {"black": "black/normal", "vestigial": "normal/vestigial"}, {"black": "black/black", "vestigial": "vestigial/vestigial"}
    linkage = (Linkage("black", "vestigial", rates, {"dam": Phase.COUPLING, "sire": Phase.COUPLING}),)
    from_females = call_chances(pair(of, dam(**het), sire(**both), linkages=linkage))
    assert from_females["normal"] + from_females["black vestigial"] == pytest.approx(0.83)
    assert from_females["black"] + from_females["vestigial"] == pytest.approx(0.17)
    from_males = call_chances(pair(of, dam(**both), sire(**het), linkages=linkage))
    assert from_males == pytest.approx({"normal": 0.5, "black vestigial": 0.5})


def test_log_evidence_adds_up_over_known_parents():
    """With both parents known every egg is a draw of its own, so the evidence of counts is their multinomial kernel."""
    cross = linked_pair(PEAS, dict.fromkeys(Sex, 0.128), Phase.COUPLING)
    chances = chances_in_order(cross)
    looks = [(), (("red", "red"),), (("round", "round"),), (("red", "red"), ("round", "round"))]
    counts = [28, 2, 2, 6]
    eggs = [egg for i, n in enumerate(counts) for egg in eggs_seen(n, seen(*looks[i]), start=100 * i)]
    expected = sum(n * math.log(p) for n, p in zip(counts, chances, strict=True))
    assert log_evidence(compile_cross(cross), eggs) == pytest.approx(expected, rel=1e-12)
    assert infer(compile_cross(cross), eggs).log_evidence == pytest.approx(expected, rel=1e-12)


def test_rosalind_mend():
    """Rosalind MEND: ((((Aa,aa),(Aa,Aa)),((aa,aa),(aa,AA))),Aa) gives .156, .5, .344 (exactly 5/32, 1/2, 11/32)."""
    of = species(locus("a", RECESSIVE))
    known = {"AA": "normal/normal", "Aa": "a/normal", "aa": "a/a"}

    def child(tree) -> dict[str, Fraction | float]:
        if isinstance(tree, str):
            return {known[tree]: Fraction(1)}
        mother, father = (child(t) for t in tree)
        found = proved(pair(of, dam(a=mother), sire(a=father)), [Egg("child")])
        return {str(g): p for g, p in found.eggs[0].loci["a"].items()} if found.model.blocks else {"normal/normal": 1.0}

    tree = (((("Aa", "aa"), ("Aa", "Aa")), (("aa", "aa"), ("aa", "AA"))), "Aa")
    answer = child(tree)
    assert [round(answer[known[g]], 3) for g in ("AA", "Aa", "aa")] == [0.156, 0.5, 0.344]
    assert answer == pytest.approx({known["AA"]: 5 / 32, known["Aa"]: 1 / 2, known["aa"]: 11 / 32}, abs=1e-12)
