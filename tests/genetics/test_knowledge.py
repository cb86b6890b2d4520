"""Priors of parents from descent, looks and genes at large."""

from fractions import Fraction

import pytest
from support import DOMINANT, INCOMPLETE, RECESSIVE, call, dam, genotype_chances, locus, pair, parent, sire, species

from triage.errors import ContradictionError, UnsupportedInheritanceError
from triage.genetics.clutch.exact import infer
from triage.genetics.clutch.model import compile_cross
from triage.genetics.knowledge import hardy_weinberg, offspring, seen_only_as, unrecorded_sire, with_unknown_hets
from triage.records import CallReading, Egg, Genotype, Sex, VisualCall

OF = species(
    locus("albino", RECESSIVE),
    locus("pastel", INCOMPLETE),
    locus("web", DOMINANT, hatch_rate=0.0),
    locus("gold", INCOMPLETE, crossover=0.1),
)
HET = "albino/normal"


def chances(animal, at):
    return {str(g): float(p) for g, p in animal.loci[at].states if p > 0}


def test_a_normal_sibling_of_a_visual_is_two_thirds_het():
    """2/3: the textbook carrier risk of a normal sibling; "66 % het" in the trade (common practice, no source)."""
    known = offspring(OF, "kept", Sex.FEMALE, dam(albino=HET), sire(albino=HET), look=call())
    assert chances(known, "albino") == pytest.approx({HET: 2 / 3, "normal/normal": 1 / 3}, abs=1e-12)


def test_het_to_normal_is_half_and_visual_to_normal_is_all():
    """"50 % het" and "100 % het" (common practice, no source)."""
    half = offspring(OF, "kept", Sex.FEMALE, dam(albino=HET), sire(), look=call())
    assert chances(half, "albino") == pytest.approx({HET: 0.5, "normal/normal": 0.5})
    sure = offspring(OF, "kept", Sex.FEMALE, dam(albino="albino/albino"), sire(), look=call())
    assert chances(sure, "albino") == {HET: 1.0}


@pytest.mark.parametrize("sex", list(Sex))
@pytest.mark.parametrize("look", [None, call(("pastel", "pastel"), ("gold", "gold")), call(("web", "web"))])
def test_equals_the_engine(sex, look):
    mother = dam(albino={HET: Fraction(2, 3), "normal/normal": Fraction(1, 3)}, pastel="normal/pastel", web="normal/web")
    father = sire(albino=HET, pastel="normal/pastel", web="normal/web", gold="normal|gold")
    readings = () if look is None else (CallReading({look: 1.0}),)
    exact = infer(compile_cross(pair(OF, mother, father)), [Egg("kept", sex, readings)]).eggs[0].loci
    known = offspring(OF, "kept", sex, mother, father, look)
    assert known.sex is sex
    for at, row in exact.items():
        assert chances(known, at) == pytest.approx({str(g): p for g, p in row.items() if p > 0}, abs=1e-12)


def test_an_offspring_can_be_bred_on():
    """AA 5/32, Aa 1/2, aa 11/32 of ((((Aa,aa),(Aa,Aa)),((aa,aa),(aa,AA))),Aa): Rosalind problem MEND, recomputed."""
    genotypes = {"AA": "albino/albino", "Aa": HET, "aa": "normal/normal"}

    def animal(text, sex):
        return parent(text, sex, albino=genotypes[text])

    def cross(one, other, sex):
        return offspring(OF, "bred", sex, one, other)

    female, male = Sex.FEMALE, Sex.MALE
    left = cross(
        cross(animal("Aa", female), animal("aa", male), female), cross(animal("Aa", female), animal("Aa", male), male), female
    )
    right = cross(
        cross(animal("aa", female), animal("aa", male), female), cross(animal("aa", female), animal("AA", male), male), male
    )
    found = genotype_chances(pair(OF, cross(left, right, female), animal("Aa", male)), "albino")
    assert found == pytest.approx({"albino/albino": 5 / 32, HET: 1 / 2, "normal/normal": 11 / 32}, abs=1e-12)


def test_a_look_the_parents_cannot_give_is_refused():
    with pytest.raises(ContradictionError, match="kept: dam and sire cannot give this look at albino; check the record"):
        offspring(OF, "kept", Sex.MALE, dam(albino=HET), sire(), look=call(("albino", "albino")))
    with pytest.raises(ContradictionError, match="kept shows pastel, but neither dam nor sire carries anything at pastel"):
        offspring(OF, "kept", Sex.MALE, dam(albino=HET), sire(), look=call(("pastel", "pastel")))


def test_hardy_weinberg_proportions():
    """p^2, 2pq, q^2 (Hardy 1908, Weinberg 1908), and carriers 2q(1-q) = .18, .5, .32 (Rosalind problem SEXL)."""
    for q, carriers in ((Fraction(1, 10), 0.18), (Fraction(1, 2), 0.5), (Fraction(8, 10), 0.32)):
        row = {str(g): p for g, p in hardy_weinberg(OF, OF.locus("albino"), Sex.MALE, {"albino": q}).items()}
        assert row == {"albino/albino": q * q, HET: 2 * q * (1 - q), "normal/normal": (1 - q) ** 2}
        assert float(row[HET]) == pytest.approx(carriers, abs=1e-12)


def test_hardy_weinberg_by_chromosome_and_viability():
    q = Fraction(1, 4)
    male = {str(g): p for g, p in hardy_weinberg(OF, OF.locus("gold"), Sex.MALE, {"gold": q}).items()}
    assert male == {"gold|gold": q * q, "gold|normal": q * (1 - q), "normal|gold": q * (1 - q), "normal|normal": (1 - q) ** 2}
    lethal = {str(g): p for g, p in hardy_weinberg(OF, OF.locus("web"), Sex.MALE, {"web": q}).items()}
    assert lethal == pytest.approx({"normal/web": 6 / 15, "normal/normal": 9 / 15})
    weak = species(locus("web", DOMINANT, hatch_rate=0.5))
    half = {str(g): p for g, p in hardy_weinberg(weak, weak.locus("web"), Sex.MALE, {"web": q}).items()}
    assert half == pytest.approx({"web/web": 0.5 / 15.5, "normal/web": 6 / 15.5, "normal/normal": 9 / 15.5})
    with pytest.raises(ValueError, match="albino: allele frequencies add up to more than 1"):
        hardy_weinberg(OF, OF.locus("albino"), Sex.MALE, {"albino": 1.5})


def test_a_normal_animal_of_unknown_descent():
    """Albino frequency 1/4: P(NN | normal) = 3/5, P(ND) = 2/5; het by such: 2/5, 1/2, 1/10 (Thompson and Schneider, ex. 3.2)."""
    known = seen_only_as(OF, "bought", Sex.MALE, VisualCall(), {"albino": Fraction(1, 4)}, also=["albino"])
    assert chances(known, "albino") == pytest.approx({"normal/normal": 3 / 5, HET: 2 / 5}, abs=1e-12)
    young = genotype_chances(pair(OF, dam(albino=HET), known), "albino")
    assert young == pytest.approx({"normal/normal": 2 / 5, HET: 1 / 2, "albino/albino": 1 / 10}, abs=1e-12)


def test_two_normal_animals_of_unknown_descent():
    """16/25, 8/25, 1/25: follows from the same exercise (derived)."""
    at_large = [
        seen_only_as(OF, str(sex), sex, VisualCall(), {"albino": Fraction(1, 4)}, also=["albino"]) for sex in (Sex.FEMALE, Sex.MALE)
    ]
    found = genotype_chances(pair(OF, *at_large), "albino")
    assert found == pytest.approx({"normal/normal": 16 / 25, HET: 8 / 25, "albino/albino": 1 / 25}, abs=1e-12)


def test_seen_only_as_opens_the_loci_shown_and_refuses_what_cannot_be():
    known = seen_only_as(OF, "bought", Sex.FEMALE, call(("pastel", "super pastel")), {"pastel": 0.1, "albino": 0.1})
    assert chances(known, "pastel") == {"pastel/pastel": 1.0}
    assert set(known.loci) == {"pastel"}
    with pytest.raises(ContradictionError, match="bought: no genotype of pastel with these background frequencies looks like"):
        seen_only_as(OF, "bought", Sex.FEMALE, call(("pastel", "pastel")), {"albino": 0.1})


def test_unknown_hets():
    """3 of 60 non-ghost animals were het (Lederer et al. 2023 in OMIA:002758-51751): 5 % as the chance of an unrecorded het."""
    animal = with_unknown_hets(dam(pastel="normal/pastel"), OF, {"albino": Fraction(3, 60)})
    assert chances(animal, "albino") == pytest.approx({HET: 0.05, "normal/normal": 0.95})
    assert chances(animal, "pastel") == {"normal/pastel": 1.0}
    stated = with_unknown_hets(dam(albino="albino/albino"), OF, {"albino": Fraction(3, 60)})
    assert chances(stated, "albino") == {"albino/albino": 1.0}
    with pytest.raises(UnsupportedInheritanceError, match="dam: 'pastel' is incomplete dominant and would show in one copy"):
        with_unknown_hets(dam(), OF, {"pastel": 0.1})


def test_unknown_hets_of_one_series_or_a_sex_chromosome_are_refused():
    from triage.records import Allele, Locus

    of = species(
        Locus("series", tuple(Allele(n, RECESSIVE, None, n) for n in ("motley", "stripe"))),
        locus("gold", RECESSIVE, crossover=0.1),
    )
    with pytest.raises(UnsupportedInheritanceError, match=r"dam: two unknown hets at one locus \(series\); name one of them"):
        with_unknown_hets(dam(), of, {"motley": 0.1, "stripe": 0.1})
    with pytest.raises(UnsupportedInheritanceError, match="dam: unknown hets of a sex-linked gene are not computed"):
        with_unknown_hets(dam(), of, {"gold": 0.1})


def test_unrecorded_sire():
    animal = unrecorded_sire(OF, ["albino", "gold"], Fraction(1, 40))
    assert (animal.name, animal.sex, set(animal.loci)) == ("unrecorded sire", Sex.MALE, {"albino", "gold"})
    assert chances(animal, "albino")[HET] == pytest.approx(2 / 40 * 39 / 40)
    assert {g.by_chromosome for g, _ in animal.loci["gold"].states} == {True}
    assert Genotype("normal", "gold", True) in dict(animal.loci["gold"].states)
