"""Published paternity arithmetic: the named man and a random man of the population are the two candidate sires.

With even shares and no mixing the posterior odds are the paternity index. What is left out is listed in ``test_published.py``.
"""

import math
from fractions import Fraction

import pytest
from support import DOMINANT, INCOMPLETE, allele, hardy_weinberg, locus, pair, parent, proved, seen, sire, species

from triage.genetics.clutch.exact import infer, log_evidence
from triage.genetics.clutch.model import compile_cross
from triage.records import (
    CallReading,
    Compound,
    Cross,
    Egg,
    Genotype,
    GenotypePrior,
    GenotypeReading,
    Locus,
    Parent,
    Sex,
    VisualCall,
)

# Lange, Computation of Mendelian Likelihoods, Example 7.6.1, Tables 7.2 and 7.3

ABO = Locus("ABO", (allele("A", DOMINANT), allele("B", DOMINANT)), (Compound(frozenset("AB"), "AB"),))  # O is the wild type
ADA = Locus("ADA", (allele("2", INCOMPLETE),))  # 1 is the wild type; one copy is type 1-2
ABO_FREQUENCIES = {"A": 0.28, "B": 0.06, "normal": 0.66}
ADA_FREQUENCIES = {"2": 0.066, "normal": 0.934}


def person(name: str, sex: Sex, loci) -> Parent:
    """Nobody's genotype is known: only the population's allele frequencies."""
    frequencies = {"ABO": ABO_FREQUENCIES, "ADA": ADA_FREQUENCIES}
    return Parent(name, sex, {x.name: hardy_weinberg(frequencies[x.name]) for x in loci})


def phenotype(abo: str, ada: str, loci) -> CallReading:
    words = {"ABO": abo, "ADA": ada}
    return seen(*((x.name, words[x.name]) for x in loci if words[x.name]))


def lange(loci) -> tuple[Cross, list[Egg], dict]:
    cross = pair(
        species(*loci), person("mother", Sex.FEMALE, loci), person("man", Sex.MALE, loci), person("random", Sex.MALE, loci)
    )
    readings = {"mother": [phenotype("AB", "", loci)], "man": [phenotype("B", "2", loci)]}
    return cross, [Egg("child", None, (phenotype("B", "2", loci),))], readings


@pytest.mark.parametrize("loci, index", [((ABO,), 1.3889), ((ADA,), 7.5758), ((ABO, ADA), 10.5219)], ids=["ABO", "ADA", "both"])
def test_lange_paternity_index(loci, index):
    """Mother AB & 1/1, child B & 1/2, man B & 1/2, phenotypes only: 1.39, 7.58, both 10.5 (recomputed to 4 places)."""
    cross, child, readings = lange(loci)
    sires = proved(cross, child, readings).eggs[0].sires
    assert round(sires["man"] / sires["random"], 4) == index
    # beta / (1 - beta) = alpha / (1 - alpha) * index, for any prior.
    alpha = Fraction(1, 5)
    other = Cross(cross.species, cross.dam, cross.sires, (alpha, 1 - alpha), Fraction(0))
    beta = proved(other, child, readings).eggs[0].sires["man"]
    assert beta / (1 - beta) == pytest.approx(0.25 * sires["man"] / sires["random"], rel=1e-9)


@pytest.mark.parametrize("loci, chance", [((ABO,), 0.0784), ((ADA,), 0.8724), ((ABO, ADA), 0.8824)], ids=["ABO", "ADA", "both"])
def test_lange_exclusion(loci, chance):
    """Chance that a random man is excluded by mother and child: .078, .872, both .882 (recomputed to 4 places)."""
    _, child, readings = lange(loci)
    states = [list(person("x", Sex.MALE, loci).loci[x.name].states) for x in loci]
    excluded = 0.0
    for combination in _every(states):
        man = Parent("man", Sex.MALE, {x.name: GenotypePrior.known(g) for x, (g, _) in zip(loci, combination, strict=True)})
        cross = pair(species(*loci), person("mother", Sex.FEMALE, loci), man)
        log = log_evidence(compile_cross(cross), child, {"mother": readings["mother"]})
        if log == -math.inf:
            excluded += math.prod(p for _, p in combination)
    assert round(excluded, 4) == chance


def _every(states):
    if not states:
        yield ()
        return
    for first in states[0]:
        for rest in _every(states[1:]):
            yield (first, *rest)


# US National Institute of Justice, Population Genetics and Statistics for Forensic Analysts, Paternity Calculations


def likelihood_ratio(frequencies: dict[str, float], mother: str, child: str, man: str) -> float:
    """Odds of the typed man against a random man at one codominant marker; "normal" stands for all other alleles."""
    rest = {**frequencies, "normal": 1 - sum(frequencies.values())}
    marker = Locus("marker", tuple(allele(name) for name in frequencies))
    random_man = Parent("random", Sex.MALE, {"marker": hardy_weinberg(rest)})
    cross = pair(species(marker), parent("mother", Sex.FEMALE, marker=mother), sire(marker=man), random_man)
    typed = GenotypeReading("marker", {Genotype.parse(child): 1.0})
    sires = proved(cross, [Egg("child", None, (typed,))]).eggs[0].sires
    return sires["sire"] / sires["random"]


@pytest.mark.parametrize("p_i, p_j", [(0.1, 0.2), (0.2315, 0.1581), (0.01, 0.6)])
def test_nij_rows_of_the_table(p_i, p_j):
    """NIJ: child ii, mother ii, man ij gives 1/(2 p_i); child ij, mother ij, man ij gives 1/(p_i + p_j)."""
    frequencies = {"i": p_i, "j": p_j}
    assert likelihood_ratio(frequencies, "i/i", "i/i", "i/j") == pytest.approx(1 / (2 * p_i), rel=1e-12)
    assert likelihood_ratio(frequencies, "i/j", "i/j", "i/j") == pytest.approx(1 / (p_i + p_j), rel=1e-12)


def test_nij_worked_example():
    """NIJ worked example: 2.1598 x 1.0317 x 3.1625 x 5.4466 = 38.3815, each cut off after four places."""
    p16, p17, p18, p23, d18 = 0.2315, 0.2627, 0.2219, 0.1581, 0.0918
    ratios = [
        likelihood_ratio({"16": p16}, "16/normal", "16/16", "16/normal"),
        likelihood_ratio({"17": p17, "18": p18}, "17/18", "17/18", "17/normal"),
        likelihood_ratio({"23": p23}, "23/normal", "23/23", "23/normal"),
        likelihood_ratio({"18": d18}, "18/normal", "18/18", "18/normal"),
    ]
    # Cutting off a value loses up to one unit of its last place.
    for found, printed in zip(ratios, [2.1598, 1.0317, 3.1625, 5.4466], strict=True):
        assert printed <= found < printed + 1e-4
    index = math.prod(ratios)
    assert index == pytest.approx(38.3815, rel=2e-4)
    assert round(index, 4) == 38.3858  # derived: the same without cutting off
    assert round(index / (1 + index), 5) == 0.97461  # derived: prior 1/2


def test_introduction_to_forensic_genetics_posterior():
    """An Introduction to Forensic Genetics, Table 11: paternity index 2,920,823 and prior .1 give .999996919."""
    of = species(locus("gene"))
    fathers = (parent("man", Sex.MALE, gene="gene/gene"), parent("other", Sex.MALE))
    reading = CallReading({VisualCall((("gene", "gene"),)): 2_920_823.0, VisualCall(): 1.0})
    for prior_chance, printed in [(Fraction(1, 10), 0.999996919)]:
        cross = pair(of, parent("dam", Sex.FEMALE), *fathers, shares=(prior_chance, 1 - prior_chance))
        found = infer(compile_cross(cross), [Egg("child", None, (reading,))])
        assert round(found.eggs[0].sires["man"], 9) == printed


def test_brenner_silent_allele():
    """dna-view.com/patform.htm (Brenner): child and man type as q, mother pq: 1/q becomes 1/q' with q' = q + o.

    The silent allele o is the wild type here: it shows beside nothing, and q alone is read from q/q and from q/o.
    """
    q, o, p = 0.2, 0.05, 0.3
    marker = Locus(
        "marker", (allele("p", DOMINANT), allele("q", DOMINANT), allele("x", DOMINANT)), (Compound(frozenset("pq"), "pq"),)
    )
    population = hardy_weinberg({"p": p, "q": q, "x": 1 - p - q - o, "normal": o})
    men = [Parent(name, Sex.MALE, {"marker": population}) for name in ("man", "random")]
    cross = pair(species(marker), Parent("mother", Sex.FEMALE, {"marker": population}), *men)
    types_q = seen(("marker", "q"))
    readings = {"mother": [seen(("marker", "pq"))], "man": [types_q]}
    sires = proved(cross, [Egg("child", None, (types_q,))], readings).eggs[0].sires
    assert sires["man"] / sires["random"] == pytest.approx(1 / (q + o), rel=1e-9)
