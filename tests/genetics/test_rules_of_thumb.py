"""What keepers say of crosses. Common practice, no source: each test is a rule of the trade, not an outside value."""

import math
from fractions import Fraction

import pytest
from support import (
    DOMINANT,
    INCOMPLETE,
    RECESSIVE,
    call_chances,
    carrier,
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
)

from triage.genetics.clutch.exact import log_evidence
from triage.genetics.clutch.model import compile_cross
from triage.records import Egg, Sex

OF = species(
    locus("pastel", INCOMPLETE),
    locus("clown", RECESSIVE),
    locus("pinstripe", DOMINANT),
    locus("champagne", DOMINANT, hatch_rate=0.0),
)
HET, VISUAL = "clown/normal", "clown/clown"


def test_visual_to_plain_gives_only_hets():
    """A homozygous recessive bred to an animal without the gene gives only 100 % hets."""
    assert genotype_chances(pair(OF, dam(clown=VISUAL), sire()), "clown") == {HET: pytest.approx(1.0)}


def test_het_to_het_gives_66_percent_hets():
    """het x het: a quarter are visual, and those that look normal are 66 % hets."""
    cross = pair(OF, dam(clown=HET), sire(clown=HET))
    assert call_chances(cross) == pytest.approx({"normal": 3 / 4, "clown": 1 / 4})
    young = proved(cross, eggs_seen(1, seen())).eggs[0]
    assert carrier(young.loci["clown"], "clown") == pytest.approx(2 / 3)


def test_het_to_normal_gives_50_percent_hets():
    """het x normal: all look normal and are 50 % hets."""
    young = proved(pair(OF, dam(clown=HET), sire()), eggs_seen(1, seen())).eggs[0]
    assert carrier(young.loci["clown"], "clown") == pytest.approx(1 / 2)


def test_66_percent_het_to_66_percent_het():
    """Two 66 % hets give one visual in nine; a young that looks normal is a het with 1/2."""
    maybe = {HET: Fraction(2, 3), "normal/normal": Fraction(1, 3)}
    cross = pair(OF, dam(clown=maybe), sire(clown=maybe))
    assert call_chances(cross) == pytest.approx({"normal": 8 / 9, "clown": 1 / 9})
    young = proved(cross, eggs_seen(1, seen())).eggs[0]
    assert carrier(young.loci["clown"], "clown") == pytest.approx(1 / 2)


def test_super_to_plain_gives_only_single_gene_young():
    """A super bred to a plain animal gives only single-gene hatchlings."""
    assert call_chances(pair(OF, dam(pastel="pastel/pastel"), sire())) == {"pastel": pytest.approx(1.0)}


def test_super_to_single_gene_gives_half_supers_and_no_plain():
    """A super bred to the single-gene form: half supers, no plain ones."""
    chances = call_chances(pair(OF, dam(pastel="pastel/pastel"), sire(pastel="normal/pastel")))
    assert chances == pytest.approx({"pastel": 1 / 2, "super pastel": 1 / 2})


def test_single_gene_to_single_gene():
    """Two single-gene animals: a quarter plain, half single, a quarter super."""
    chances = call_chances(pair(OF, dam(pastel="normal/pastel"), sire(pastel="normal/pastel")))
    assert chances == pytest.approx({"normal": 1 / 4, "pastel": 1 / 2, "super pastel": 1 / 4})


def test_gene_of_one_sire_alone_names_that_sire_for_that_egg_only():
    """A gene that one candidate sire alone carries names that sire, for that egg only: clutches can be shared."""
    fathers = (parent("first", Sex.MALE), parent("second", Sex.MALE, pastel="normal/pastel"))
    shares = (Fraction(4, 5), Fraction(1, 5))
    eggs = [Egg("pastel", None, (seen(("pastel", "pastel")),)), Egg("plain", None, (seen(),))]
    always = proved(pair(OF, dam(), *fathers, shares=shares, mixed=Fraction(1)), eggs)
    assert always.egg("pastel").sires["second"] == pytest.approx(1.0)
    # The other egg: 4/5 of a sire who always gives plain young against 1/5 of one who gives half.
    assert always.egg("plain").sires["second"] == pytest.approx(0.1 / 0.9)
    never = proved(pair(OF, dam(), *fathers, shares=shares), eggs)
    assert never.egg("plain").sires["second"] == pytest.approx(1.0)


def test_one_visual_young_proves_both_parents():
    """A visual hatchling proves a possible het, and a possible het stays possible after normal young."""
    maybe = {HET: Fraction(1, 2), "normal/normal": Fraction(1, 2)}
    cross = pair(OF, dam(clown=maybe), sire(clown=HET))
    visual = Egg("visual", None, (seen(("clown", "clown")),))
    proved_het = proved(cross, [*eggs_seen(3, seen()), visual]).parent("dam").loci["clown"]
    assert carrier(proved_het, "clown") == pytest.approx(1.0)
    still_open = proved(cross, eggs_seen(4, seen())).parent("dam").loci["clown"]
    assert 0 < carrier(still_open, "clown") < 1 / 2


def test_dominant_pair_only_breeding_tells():
    """One or two copies of a dominant gene look alike: a photo moves nothing, a plain young settles it."""
    cross = pair(OF, dam(pinstripe="normal/pinstripe"), sire(pinstripe="normal/pinstripe"))
    young = proved(cross, eggs_seen(1, seen(("pinstripe", "pinstripe")))).eggs[0].loci["pinstripe"]
    assert {str(g): p for g, p in young.items() if p} == pytest.approx({"normal/pinstripe": 2 / 3, "pinstripe/pinstripe": 1 / 3})
    maybe = {"normal/pinstripe": Fraction(2, 3), "pinstripe/pinstripe": Fraction(1, 3)}
    bred = proved(pair(OF, dam(pinstripe=maybe), sire()), eggs_seen(1, seen())).parent("dam").loci["pinstripe"]
    assert {str(g): p for g, p in bred.items() if p} == {"normal/pinstripe": pytest.approx(1.0)}


def test_homozygote_that_does_not_hatch():
    """Two animals with a gene whose homozygote does not hatch: a third plain, two thirds with it, a quarter of eggs lost."""
    cross = pair(OF, dam(champagne="champagne/normal"), sire(champagne="champagne/normal"))
    assert call_chances(cross) == pytest.approx({"normal": 1 / 3, "champagne": 2 / 3})
    assert compile_cross(cross).blocks[0].hatched[0].item() == pytest.approx(3 / 4)


@pytest.mark.parametrize(
    "mates, confidence, eggs",
    [("visual", 0.95, 5), ("visual", 0.99, 7), ("het", 0.95, 11), ("het", 0.99, 17), ("daughters", 0.95, 23), ("daughters", 0.99, 35)],
)
def test_eggs_needed_to_test_a_suspect(mates, confidence, eggs):
    """Normal young needed before a het would have shown itself: 5/7 with a visual, 11/17 with a het, 23/35 with daughters.

    17 is strict: (3/4)^16 = .01002 misses 99 % by a hair, and handbooks round it to 16. Each daughter is a mate of her own, het
    with 1/2, so her young are counted one by one.
    """
    mate = {
        "visual": VISUAL,
        "het": HET,
        "daughters": {HET: Fraction(1, 2), "normal/normal": Fraction(1, 2)},
    }[mates]
    model = compile_cross(pair(OF, dam(clown=mate), sire(clown=HET)))

    def missed(n: int) -> float:
        if mates == "daughters":
            return math.exp(n * log_evidence(model, eggs_seen(1, seen())))
        return math.exp(log_evidence(model, eggs_seen(n, seen())))

    assert missed(eggs) <= 1 - confidence < missed(eggs - 1)
