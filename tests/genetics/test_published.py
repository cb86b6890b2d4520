"""Published facts of pythons and colubrids that the engine must reproduce, one test per source.

The classical crosses stand in ``test_published_crosses.py``, uncertain genotypes in ``test_published_uncertain.py``, paternity
in ``test_published_paternity.py``. Values are rounded as printed; "derived" marks arithmetic from a printed input.

Left out, with the reason:

- Mallery & Carrillo's crossing-over rate and offspring counts, Morgan's (1910) white-eye counts, Mendel's F3 counts, Fisher's
  total chi-square (41.6): known to us from memory only, so no test may rest on them.
- Gene identities (TFEC, MC1R, PMEL, LYST, MITF, SMARCE1, OCA2 insert sizes) and the spider's ear: no number an inheritance
  engine computes; the modes they support are facts of the catalogue.
- Ullate-Agote & Tzika 2021 and Iwanishi 2018 (one look, several lines): no cross is reported; the model of it is the
  complementation test of Bechtel & Bechtel below.
- Stored sperm (Booth & Schuett 2011; Levine 2021): dates turn into shares outside this part; a share is all it sees.
- Clutch sizes, hatchling sizes, incubation (Gorzula 1997; Aubret 2003, 2005): not inheritance.
- Multiple-paternity rates of single papers other than those below: they set a prior the keeper chooses; nothing to compute.
- Linked-marker risk (Lange, problem 7): its figure was not seen. PAP test pedigrees: their numbers were cut off.
- Two-locus founder tests of pedprobr: a rule, no printed number.
- "Prior .001 gives 99.9966 %" beside a paternity index of 2,920,823: Bayes' rule gives 99.9658 % there and 99.9966 % for a prior
  of .01, so the printed pair cannot be both; the prior of .1 in the same table is tested.
- Offspring needed (5/7, 11/17, 23/35): no citable table was found; the formula is tested in ``test_rules_of_thumb.py``.
"""

import itertools
from fractions import Fraction

import pytest
from support import (
    INCOMPLETE,
    RECESSIVE,
    allele,
    call_chances,
    dam,
    eggs_seen,
    genotype_chances,
    locus,
    pair,
    parent,
    proved,
    seen,
    sire,
    species,
    verify,
)

from triage.errors import ContradictionError
from triage.genetics.clutch.exact import infer, log_evidence
from triage.genetics.clutch.model import compile_cross
from triage.records import Compound, Cross, Egg, Genotype, GenotypeReading, Locus, Parthenogenesis, Sex
from triage.species.loader import load_species

BALL_PYTHON = load_species("ball python")
CORN_SNAKE = load_species("corn snake")
KINGSNAKE = load_species("California kingsnake")

HALF = Fraction(1, 2)
BANANA = ("banana", "banana")


def test_gamble_2017_pythons_are_xy():
    """Gamble et al. 2017, Curr Biol 27:2148, doi 10.1016/j.cub.2017.06.010: XY in a boa and a python."""
    assert BALL_PYTHON.heterogametic is Sex.MALE
    assert BALL_PYTHON.sex_chromosomes == ("X", "Y")
    # The sex with two kinds of chromosome is the one in which the place of the gene decides the young.
    male_maker = pair(BALL_PYTHON, dam(), sire(banana="normal|banana"))
    daughters, sons = banana_by_sex(male_maker)
    assert daughters < HALF < sons


def test_pmc11721783_colubrids_are_zw():
    """PMC11721783 (abstract): ZZ/ZW is the rule of colubrids; two or three other changes to it among snakes."""
    assert CORN_SNAKE.heterogametic is Sex.FEMALE
    assert CORN_SNAKE.sex_chromosomes == ("Z", "W")
    # In a ZZ/ZW species the dam's chromosomes decide, and the sire's genotype gives daughters and sons alike.
    of = species(locus("banana", INCOMPLETE, crossover=0.05), heterogametic=Sex.FEMALE)
    daughters, sons = banana_by_sex(pair(of, dam(banana="normal|banana"), sire()))
    assert (daughters, sons) == pytest.approx((0.95, 0.05))
    daughters, sons = banana_by_sex(pair(of, dam(banana="normal|normal"), sire(banana="banana/normal")))
    assert (daughters, sons) == pytest.approx((0.5, 0.5))


def banana_by_sex(cross: Cross) -> tuple[float, float]:
    """P(gene shows | daughter), P(gene shows | son)."""
    found = proved(cross, [Egg("daughter", Sex.FEMALE), Egg("son", Sex.MALE)])
    shows = [i for i, c in enumerate(found.model.calls) if "banana" in c.name]
    return tuple(float(found.eggs[e].call_chances[shows].sum()) for e in (0, 1))


@pytest.mark.parametrize("r", [0.0, 0.05, 0.07, 0.1])
def test_mallery_carrillo_2016_sex_linked_sire_direction(r):
    """Mallery & Carrillo 2016, Phyllomedusa 15(1): mostly sons from gene-carrying sires' sons, mostly daughters otherwise.

    The paper's direction is the check; its rate is a parameter here. Males sired by a male with the gene carry it on the Y, males out
    of a dam with the gene carry it on the X.
    """
    of = species(locus("banana", INCOMPLETE, crossover=r))
    y_daughters, y_sons = banana_by_sex(pair(of, dam(), sire(banana="normal|banana")))
    assert (y_daughters, y_sons) == pytest.approx((r, 1 - r), abs=1e-12)
    x_daughters, x_sons = banana_by_sex(pair(of, dam(), sire(banana="banana|normal")))
    assert (x_daughters, x_sons) == pytest.approx((1 - r, r), abs=1e-12)
    assert y_daughters < y_sons and x_daughters > x_sons
    # An XX dam with one copy gives it to half of either sex.
    assert banana_by_sex(pair(of, dam(banana="banana/normal"), sire())) == pytest.approx((0.5, 0.5))
    # The son of a sire with the gene carries it on the Y, the son of a dam with the gene on the X.
    son = genotypes_of_son(pair(of, dam(), sire(banana="normal|banana")))
    assert son.get("normal|banana", 0) == pytest.approx(1 - r)
    son = genotypes_of_son(pair(of, dam(banana="banana/normal"), sire()))
    assert son == {"banana|normal": pytest.approx(0.5), "normal|normal": pytest.approx(0.5)}


def genotypes_of_son(cross: Cross) -> dict[str, float]:
    found = infer(compile_cross(cross), [Egg("son", Sex.MALE)])
    return {str(g): p for g, p in found.eggs[0].loci["banana"].items() if p > 0}


def test_brown_2022_three_albinisms_complement():
    """Brown et al. 2022, PLoS ONE 17:e0276376: albino (TYR), lavender (OCA2) and ultramel (TYRP1) are three loci."""
    names = ["albino", "lavender albino", "ultramel"]
    for one in names:
        for other in names:
            cross = pair(BALL_PYTHON, dam(**{one: f"{one}/{one}"}), sire(**{other: f"{other}/{other}"}))
            assert call_chances(cross) == {one if one == other else "normal": pytest.approx(1.0)}
            if one != other:
                assert genotype_chances(cross, one) == {str(Genotype(one, "normal")): pytest.approx(1.0)}


def test_brown_2022_several_alleles_at_tyr():
    """Brown et al. 2022: more than one variant of TYR stands behind "albino", so two different ones together look albino."""
    tyr = Locus(
        "TYR",
        (allele("albino", RECESSIVE), allele("hidden albino", RECESSIVE)),
        (Compound(frozenset({"albino", "hidden albino"}), "albino"),),
    )
    cross = pair(species(tyr), dam(TYR="albino/albino"), sire(TYR="hidden albino/normal"))
    assert call_chances(cross) == {"albino": pytest.approx(0.5), "normal": pytest.approx(0.5)}
    found = proved(cross, eggs_seen(1, seen(("TYR", "albino"))))
    assert found.eggs[0].loci["TYR"][Genotype("albino", "hidden albino")] == pytest.approx(1.0)


def test_lederer_2023_ghost_is_recessive():
    """Lederer et al. 2023 (OMIA:002758-51751): 50 of 50 ghosts homozygous; of 60 others 57 without, 3 het, none homozygous."""
    het, hom = "ghost/normal", "ghost/ghost"
    assert call_chances(pair(BALL_PYTHON, dam(ghost=hom), sire(ghost=hom))) == {"ghost": pytest.approx(1.0)}
    assert call_chances(pair(BALL_PYTHON, dam(ghost=het), sire())) == {"normal": pytest.approx(1.0)}
    # The table itself: an animal of a population with 3 hets in 60 is tested; the look must agree with the test.
    background = {"normal/normal": Fraction(57, 60), het: Fraction(3, 60)}
    cross = pair(BALL_PYTHON, dam(ghost=background), sire(ghost=background))
    tested = [GenotypeReading("ghost", {Genotype.parse(g): 1.0}) for g in ("normal/normal", het, hom)]
    assert infer(compile_cross(cross), [Egg("plain, het", None, (seen(), tested[1]))]).eggs[0].loci["ghost"][
        Genotype.parse(het)
    ] == pytest.approx(1.0)
    ghost = proved(cross, [Egg("ghost", None, (seen(("ghost", "ghost")),))])
    assert ghost.eggs[0].loci["ghost"] == {
        Genotype.parse(hom): pytest.approx(1.0),
        Genotype.parse(het): 0.0,
        Genotype.parse("normal/normal"): 0.0,
    }
    assert ghost.parent("dam").loci["ghost"][Genotype.parse(het)] == pytest.approx(1.0)
    with pytest.raises(ContradictionError):
        infer(compile_cross(cross), [Egg("plain, homozygous", None, (seen(), tested[2]))])
    with pytest.raises(ContradictionError):
        infer(compile_cross(cross), [Egg("ghost, het", None, (seen(("ghost", "ghost")), tested[1]))])


def test_garcia_elfring_2024_lines_of_axanthic():
    """García-Elfring et al. 2024, doi 10.1101/2024.05.22.595308: one line's axanthic is gch2; other lines may be other loci."""
    lines = ["axanthic line A", "axanthic line B"]
    one, other = (f"{name}/{name}" for name in lines)
    apart = pair(BALL_PYTHON, dam(**{lines[0]: one}), sire(**{lines[1]: other}))
    assert call_chances(apart) == {"normal": pytest.approx(1.0)}
    allelic = Locus("gch2", tuple(allele(n, RECESSIVE) for n in lines), (Compound(frozenset(lines), "axanthic"),))
    together = pair(species(allelic), dam(gch2=one), sire(gch2=other))
    assert call_chances(together) == {"axanthic": pytest.approx(1.0)}


def test_dao_2023_series_of_three_mutants():
    """Dao et al. 2023, G3 13(7): a frameshift, a missense and a splice allele of one endothelin receptor.

    Three mutant alleles of one locus: compounds occur, and no animal has more than two of them.
    """
    names = ["frameshift", "missense", "splice"]
    receptor = Locus("receptor", tuple(allele(n, INCOMPLETE) for n in names))
    of = species(receptor)
    for mother, father in itertools.product(receptor.genotypes(), repeat=2):
        cross = pair(of, dam(receptor=str(mother)), sire(receptor=str(father)))
        verify(cross, [Egg("one")])
        if {*mother.alleles, *father.alleles} != {"normal"}:
            possible = {tuple(sorted((a, b))) for a in mother.alleles for b in father.alleles}
            assert {tuple(g.split("/")) for g in genotype_chances(cross, "receptor")} == possible
    compounds = call_chances(pair(of, dam(receptor="frameshift/missense"), sire(receptor="normal/splice")))
    assert compounds == {
        "frameshift": pytest.approx(0.25),
        "missense": pytest.approx(0.25),
        "frameshift splice": pytest.approx(0.25),
        "missense splice": pytest.approx(0.25),
    }


def test_booth_2014_half_clones():
    """Booth et al. 2014, Biol J Linn Soc 112:461, doi 10.1111/bij.12286: terminal fusion automixis, half-clones of the mother."""
    of = species(locus("clown", RECESSIVE), locus("pastel", INCOMPLETE), locus("banana", INCOMPLETE, crossover=0.05))
    mother = dam(clown="clown/normal", pastel="pastel/pastel", banana="banana/normal")
    cross = pair(of, mother, Parthenogenesis())
    found = proved(cross, [Egg("one")])
    halves = {Genotype("clown", "clown"): 0.5, Genotype("normal", "normal"): 0.5}
    assert {g: p for g, p in found.eggs[0].loci["clown"].items() if p > 0} == pytest.approx(halves)
    assert found.eggs[0].loci["pastel"] == {Genotype("pastel", "pastel"): pytest.approx(1.0)}
    assert Genotype("banana", "normal") not in {g for g, p in found.eggs[0].loci["banana"].items() if p > 0}
    # XX mothers have daughters only.
    assert found.eggs[0].sex == {Sex.FEMALE: pytest.approx(1.0), Sex.MALE: pytest.approx(0.0)}
    # No sire fits a clown from a het dam and a plain sire; parthenogenesis does.
    either = pair(of, mother, sire(), Parthenogenesis())
    found = proved(either, [Egg("clown", None, (seen(("clown", "clown"), ("pastel", "super pastel")),))])
    assert found.eggs[0].sires["no sire (parthenogenesis)"] == pytest.approx(1.0)


def test_burmese_pythons_2021_two_sires_share_a_clutch():
    """J Herpetol 55(4):355, 2021 (invasive Burmese pythons): 3 of 4 clutches had two sires, shares even to highly skewed."""
    of = species(locus("pastel", INCOMPLETE), locus("enchi", INCOMPLETE))
    fathers = (
        parent("first", Sex.MALE, pastel="pastel/pastel"),
        parent("second", Sex.MALE, enchi="enchi/enchi"),
    )
    cross = pair(of, dam(), *fathers, mixed=Fraction(3, 4), shares=(Fraction(9, 10), Fraction(1, 10)))
    eggs = [*eggs_seen(4, seen(("pastel", "pastel"))), *eggs_seen(1, seen(("enchi", "enchi")), start=4)]
    found = proved(cross, eggs)
    assert found.mixed == pytest.approx(1.0)
    assert [round(e.sires["second"]) for e in found.eggs] == [0, 0, 0, 0, 1]


def test_stegonotus_up_to_five_sires():
    """Stegonotus cucullatus, 219 young of 24 clutches: mean 2.3 fathers, range 1 to 5 (abstract). Five must be possible."""
    genes = ["pastel", "enchi", "fire", "leopard", "mojave"]
    of = species(*(locus(g, INCOMPLETE) for g in genes))
    fathers = [parent(f"sire of {g}", Sex.MALE, **{g: f"{min(g, 'normal')}/{max(g, 'normal')}"}) for g in genes]
    cross = pair(of, dam(), *fathers, mixed=Fraction(1))
    eggs = [Egg(g, None, (seen((g, g)),)) for g in genes]
    found = infer(compile_cross(cross), eggs)
    for e, g in enumerate(genes):
        assert found.eggs[e].sires[f"sire of {g}"] == pytest.approx(1.0)


# Corn snakes and other colubrids


def test_bechtel_1989_amel_and_anery_are_independent():
    """Bechtel & Bechtel 1989 (OMIA:002130-94885): both autosomal recessive, the double form distinct; 9:3:3:1 is derived."""
    double = {"amel": "amel/normal", "anery": "anery/normal"}
    chances = call_chances(pair(CORN_SNAKE, dam(**double), sire(**double)))
    assert chances == {
        "normal": pytest.approx(9 / 16),
        "amel": pytest.approx(3 / 16),
        "anery": pytest.approx(3 / 16),
        "amel anery": pytest.approx(1 / 16),
    }


def test_saenko_2015_amel_is_recessive():
    """Saenko et al. 2015, Sci Rep 5:17118: the amelanistic allele is recessive."""
    assert call_chances(pair(CORN_SNAKE, dam(amel="amel/amel"), sire())) == {"normal": pytest.approx(1.0)}
    assert call_chances(pair(CORN_SNAKE, dam(amel="amel/amel"), sire(amel="amel/amel"))) == {"amel": pytest.approx(1.0)}


def test_montandon_2025_motley_and_stripe():
    """Montandon et al. 2025, Genome Biol 26:73: motley and stripe are two recessive alleles of CLCN2.

    Motley x stripe gives pattern mutants only; het motley x het stripe a quarter of them (derived from the mode).
    """
    series = "motley series"
    mutants = call_chances(
        pair(CORN_SNAKE, dam(**{series: "motley/motley"}), sire(**{series: "stripe/stripe"}))
    )
    assert mutants == {"motley stripe": pytest.approx(1.0)}
    hets = call_chances(
        pair(CORN_SNAKE, dam(**{series: "motley/normal"}), sire(**{series: "normal/stripe"}))
    )
    assert hets == {"normal": pytest.approx(3 / 4), "motley stripe": pytest.approx(1 / 4)}


def test_tzika_2023_scaleless_backcross():
    """Tzika et al. 2023 (PMC10266723, abstract: a mating of scl/scl x scl/+ is shown, no counts): 1:1 by its mode."""
    young = call_chances(pair(CORN_SNAKE, dam(scaleless="scaleless/scaleless"), sire(scaleless="normal/scaleless")))
    assert young == {"normal": pytest.approx(0.5), "scaleless": pytest.approx(0.5)}


def test_zweifel_1981_striped_over_ringed():
    """Zweifel 1981, J Hered 72 (doi 10.1093/oxfordjournals.jhered.a109487, second hand): striped over ringed, one locus, a third allele."""
    het, ringed = {"pattern": "normal/striped"}, {}
    assert call_chances(pair(KINGSNAKE, dam(**het), sire(**ringed))) == {"normal": pytest.approx(0.5), "striped": pytest.approx(0.5)}
    assert call_chances(pair(KINGSNAKE, dam(**het), sire(**het))) == {"normal": pytest.approx(0.25), "striped": pytest.approx(0.75)}
    assert KINGSNAKE.locus("pattern").allele_names == ("striped", "aberrant")
    with pytest.raises(ContradictionError):
        proved(pair(KINGSNAKE, dam(**ringed), sire(**ringed)), [Egg("one", None, (seen(("pattern", "striped")),))])


@pytest.mark.parametrize("young, better", [("normal", "two loci"), ("albino", "one locus")])
def test_bechtel_complementation(young, better):
    """Bechtel & Bechtel 1981, 1985 (black rat snakes): two amelanistic forms not allelic; the xanthic and the T+ one allelic.

    All-normal young of two albinos speak for two loci, all-albino young for one; the evidence must pick the right one.
    """
    one, other = allele("form 1", RECESSIVE), allele("form 2", RECESSIVE)
    apart = species(Locus("locus 1", (one,)), Locus("locus 2", (other,)))
    allelic = species(Locus("locus 1", (one, other), (Compound(frozenset({"form 1", "form 2"}), "form 1"),)))
    hypotheses = {
        "two loci": pair(apart, dam(**{"locus 1": "form 1/form 1"}), sire(**{"locus 2": "form 2/form 2"})),
        "one locus": pair(allelic, dam(**{"locus 1": "form 1/form 1"}), sire(**{"locus 1": "form 2/form 2"})),
    }
    reading = seen() if young == "normal" else seen(("locus 1", "form 1"))
    eggs = eggs_seen(6, reading)
    evidence = {name: log_evidence(compile_cross(cross), eggs) for name, cross in hypotheses.items()}
    assert max(evidence, key=evidence.get) == better
    assert evidence[better] == pytest.approx(0.0, abs=1e-12)
    assert evidence[{"two loci": "one locus", "one locus": "two loci"}[better]] == -float("inf")
