"""Published and worked examples with uncertain genotypes; the source stands beside each value.

What is left out is listed in ``test_published.py``.
"""

import math
from fractions import Fraction
from itertools import combinations

import pytest
from support import (
    RECESSIVE,
    allele,
    call_chances,
    carrier,
    dam,
    eggs_seen,
    genotype_chances,
    hardy_weinberg,
    locus,
    pair,
    proved,
    seen,
    sire,
    species,
)

from triage.genetics.clutch.exact import infer, log_evidence
from triage.genetics.clutch.model import compile_cross
from triage.records import Compound, Egg, Genotype, GenotypeReading, Locus, Parent, Sex

ONE = species(locus("albino", RECESSIVE))
PLAIN, HET, VISUAL = "normal/normal", "albino/normal", "albino/albino"


def possible_het(chance: Fraction) -> dict[str, Fraction]:
    return {HET: chance, PLAIN: 1 - chance}


def p_het(found, name: str) -> float:
    return found.parent(name).loci["albino"][Genotype.parse(HET)]


def test_two_thirds_of_normal_siblings_carry():
    """Textbook (course cards): a normal sibling of a visual from het x het carries with 2/3, "66 % possible het" exactly."""
    found = proved(pair(ONE, dam(albino=HET), sire(albino=HET)), eggs_seen(1, seen()))
    assert carrier(found.eggs[0].loci["albino"], "albino") == pytest.approx(2 / 3, abs=1e-12)


def test_ogino_wilson_2004_three_unaffected():
    """Ogino & Wilson 2004, J Mol Diagn 6:1 (setup); worked in a course note: (1/16) / (1/16 + 1/2) = 1/9."""
    cross = pair(ONE, dam(albino=possible_het(Fraction(1, 2))), sire(albino=VISUAL))
    found = proved(cross, eggs_seen(3, seen()))
    assert p_het(found, "dam") == pytest.approx(1 / 9, abs=1e-12)
    assert math.exp(found.log_evidence) == pytest.approx(1 / 16 + 1 / 2, abs=1e-12)


@pytest.mark.parametrize("n", range(13))
def test_formula_after_n_unaffected(n):
    """medicalalgorithms page (X-linked, prior 1/2): posterior p L^n / (p L^n + 1 - p) with L = 1/2, carried by the X."""
    on_x = species(
        Locus(
            "eye",
            (allele("white", RECESSIVE), allele("no gene", RECESSIVE)),
            (Compound(frozenset({"white", "no gene"}), "white"),),
            crossover=0.0,
        )
    )
    mother = dam(eye={"normal/white": Fraction(1, 2), "normal/normal": Fraction(1, 2)})
    sons = [Egg(f"son {i}", Sex.MALE, (seen(),)) for i in range(n)] or [Egg("not yet seen")]
    found = infer(compile_cross(pair(on_x, mother, sire(eye="normal|no gene"))), sons)
    expected = 0.5 * 0.5**n / (0.5 * 0.5**n + 0.5)
    assert found.parent("dam").loci["eye"][Genotype("normal", "white")] == pytest.approx(expected, abs=1e-12)


#: Posterior that an animal is het after n normal young: 1/2 and 2/3 prior with a visual mate, then with a het mate.
#: Derived from Bayes' rule in exact fractions; a check on a check, no printed source.
AFTER_N_NORMAL = {
    0: ("1/2", "2/3", "1/2", "2/3"),
    1: ("1/3", "1/2", "3/7", "3/5"),
    2: ("1/5", "1/3", "9/25", "9/17"),
    3: ("1/9", "1/5", "27/91", "27/59"),
    4: ("1/17", "1/9", "81/337", "81/209"),
    5: ("1/33", "1/17", "243/1267", "243/755"),
    6: ("1/65", "1/33", "729/4825", "729/2777"),
    8: ("1/257", "1/129", ".0910", ".1668"),
}


@pytest.mark.parametrize("n", AFTER_N_NORMAL)
def test_table_of_posteriors_after_n_normal_young(n):
    columns = [(Fraction(1, 2), VISUAL), (Fraction(2, 3), VISUAL), (Fraction(1, 2), HET), (Fraction(2, 3), HET)]
    for (chance, mate), expected in zip(columns, AFTER_N_NORMAL[n], strict=True):
        cross = pair(ONE, dam(albino=possible_het(chance)), sire(albino=mate))
        found = p_het(proved(cross, eggs_seen(n, seen()) or [Egg("not yet seen")]), "dam")
        if "/" in expected:
            assert found == pytest.approx(float(Fraction(expected)), abs=1e-12)
        else:
            assert round(found, 4) == float(expected)


def test_limousin_leaflet_ten_normal_young():
    """Australian Limousin Breeders, Single genes leaflet: ten normal from a recessive mate, 1/1024 if het: "99.9 %".

    The posterior from even odds is another number, 1/1025 (derived); the two must not be mixed up.
    """
    young = eggs_seen(10, seen())
    known_het = pair(ONE, dam(albino=HET), sire(albino=VISUAL))
    missed = math.exp(log_evidence(compile_cross(known_het), young))
    assert missed == pytest.approx(1 / 1024, rel=1e-12)
    assert round(100 * (1 - missed), 1) == 99.9
    even = pair(ONE, dam(albino=possible_het(Fraction(1, 2))), sire(albino=VISUAL))
    assert p_het(proved(even, young), "dam") == pytest.approx(1 / 1025, abs=1e-12)


def test_mixed_test_mates():
    """albert.io item: a het bull, 2 horned and 3 known het mates, five polled calves: under 12.5 %; 27/256 derived."""
    mates = [VISUAL, VISUAL, HET, HET, HET]
    crosses = [pair(ONE, dam(albino=mate), sire(albino=HET)) for mate in mates]
    chance = math.exp(sum(log_evidence(compile_cross(c), eggs_seen(1, seen())) for c in crosses))
    assert chance == pytest.approx(27 / 256, rel=1e-12)
    assert chance < 0.125


def test_thompson_unknown_normal_animal():
    """Thompson & Schneider, Genetics for Probability, ex. 3.2: albino allele frequency 1/4, a normal animal of it.

    P(NN) 3/5, P(ND) 2/5, passes N with 4/5; het x such gives 2/5, 1/2, 1/10. Both unknown: 16/25, 8/25, 1/25 (derived).
    """
    population = hardy_weinberg({"albino": Fraction(1, 4), "normal": Fraction(3, 4)})
    normal = {"dam": [seen()]}

    def known(cross, readings):
        return proved(cross, [Egg("young")], readings)

    mother = Parent("dam", Sex.FEMALE, {"albino": population})
    found = known(pair(ONE, mother, sire(albino=HET)), normal)
    of_dam = found.parent("dam").loci["albino"]
    assert of_dam == pytest.approx(
        {Genotype.parse(PLAIN): 3 / 5, Genotype.parse(HET): 2 / 5, Genotype.parse(VISUAL): 0.0}, abs=1e-12
    )
    assert of_dam[Genotype.parse(PLAIN)] + of_dam[Genotype.parse(HET)] / 2 == pytest.approx(4 / 5)
    expected = {Genotype.parse(PLAIN): 2 / 5, Genotype.parse(HET): 1 / 2, Genotype.parse(VISUAL): 1 / 10}
    assert found.eggs[0].loci["albino"] == pytest.approx(expected, abs=1e-12)
    father = Parent("sire", Sex.MALE, {"albino": population})
    found = known(pair(ONE, mother, father), {**normal, "sire": [seen()]})
    expected = {Genotype.parse(PLAIN): 16 / 25, Genotype.parse(HET): 8 / 25, Genotype.parse(VISUAL): 1 / 25}
    assert found.eggs[0].loci["albino"] == pytest.approx(expected, abs=1e-12)


def test_rosalind_iprb():
    """Rosalind IPRB: two of 2 homozygous dominant, 2 het, 2 recessive animals mate: .78333 (47/60) dominant young."""
    group = [PLAIN, PLAIN, HET, HET, VISUAL, VISUAL]
    pairs = list(combinations(group, 2))
    chances = [
        1.0
        if one == other == PLAIN  # nobody carries anything: nothing for the engine to do
        else call_chances(pair(ONE, dam(albino=one), sire(albino=other))).get("normal", 0.0)
        for one, other in pairs
    ]
    answer = sum(chances) / len(pairs)
    assert round(answer, 5) == 0.78333
    assert answer == pytest.approx(47 / 60, abs=1e-12)


def test_rosalind_lia():
    """Rosalind LIA, k = 2, N = 1: at least one AaBb among four grandchildren of AaBb, all mates AaBb: .684 (175/256)."""
    of = species(locus("a", RECESSIVE), locus("b", RECESSIVE))
    genotypes = ["a/a", "a/normal", "normal/normal"], ["b/b", "b/normal", "normal/normal"]
    mate = sire(a="a/normal", b="b/normal")

    def double_het(mother) -> float:
        found = proved(pair(of, mother, mate), [Egg("young")]).eggs[0].loci
        return found["a"][Genotype("a", "normal")] * found["b"][Genotype("b", "normal")]

    chances = [double_het(dam(a=a, b=b)) for a in genotypes[0] for b in genotypes[1]]
    assert chances == pytest.approx([1 / 4] * 9)  # whatever the parent, so every generation is alike
    answer = 1 - (1 - chances[0]) ** 4
    assert round(answer, 3) == 0.684
    assert answer == pytest.approx(175 / 256)


@pytest.mark.parametrize("q, expected", [(0.1, 0.18), (0.5, 0.5), (0.8, 0.32)])
def test_rosalind_sexl(q, expected):
    """Rosalind SEXL: carrier females of an X-linked recessive are 2q(1-q): .18, .5, .32."""
    of = species(Locus("x", (allele("recessive", RECESSIVE), allele("no gene", RECESSIVE)), crossover=0.0))
    mother = Parent("dam", Sex.FEMALE, {"x": hardy_weinberg({"recessive": q, "normal": 1 - q})})
    father = sire(x={"recessive|no gene": q, "normal|no gene": 1 - q})
    daughter = proved(pair(of, mother, father), [Egg("daughter", Sex.FEMALE)]).eggs[0]
    assert round(daughter.loci["x"][Genotype("normal", "recessive")], 10) == expected


@pytest.mark.parametrize("affected, expected", [(0.1, 0.532), (0.25, 0.75), (0.5, 0.914)])
def test_rosalind_afrq(affected, expected):
    """Rosalind AFRQ: carriers and affected together from the share of affected: .532, .75, .914 (2 sqrt(a) - a)."""
    population = hardy_weinberg({"albino": math.sqrt(affected), "normal": 1 - math.sqrt(affected)})
    cross = pair(ONE, Parent("dam", Sex.FEMALE, {"albino": population}), Parent("sire", Sex.MALE, {"albino": population}))
    chances = {Genotype.parse(g): p for g, p in genotype_chances(cross, "albino").items()}
    assert chances[Genotype.parse(VISUAL)] == pytest.approx(affected)
    assert round(carrier(chances, "albino"), 3) == expected


def test_pedprobr_two_brothers():
    """pedprobr README (Vigeland; Elston & Stewart 1971, doi 10.1159/000152448): two a/b brothers, a .2, b .8: 0.1856."""
    marker = species(locus("a", RECESSIVE))
    population = hardy_weinberg({"a": 0.2, "normal": 0.8})
    cross = pair(marker, Parent("dam", Sex.FEMALE, {"a": population}), Parent("sire", Sex.MALE, {"a": population}))
    typed = GenotypeReading("a", {Genotype("a", "normal"): 1.0})
    brothers = [Egg("one", Sex.MALE, (typed,)), Egg("other", Sex.MALE, (typed,))]
    # Their sex is given, not observed: the likelihood of the genotypes alone leaves out the two halves.
    found = proved(cross, brothers)
    assert round(4 * math.exp(found.log_evidence), 4) == 0.1856


def test_prior_survives_what_cannot_be_seen():
    """Of a het that cannot be seen only its own young or a laboratory tell; a shared look leaves 2/3 at 2/3."""
    found = proved(
        pair(ONE, dam(albino=HET), sire(albino=possible_het(Fraction(2, 3)))),
        [Egg("one", None, (seen(),)), Egg("other", None, (seen(),))],
    )
    # Each normal egg weighs 3/4 under a het sire and 1 otherwise: 2/3 * 9/16 against 1/3.
    assert p_het(found, "sire") == pytest.approx((2 / 3 * 9 / 16) / (2 / 3 * 9 / 16 + 1 / 3), abs=1e-12)
