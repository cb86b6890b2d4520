"""The engine equals the enumeration on every cross of two loci and two sires, number for number, to 1e-12."""

import itertools
from fractions import Fraction
from random import Random

import pytest
from support import DOMINANT, INCOMPLETE, RECESSIVE, allele, locus, species, verify

from triage.records import CallReading, Compound, Cross, Egg, GenotypePrior, Locus, Parent, Sex

PASTEL = locus("pastel", INCOMPLETE)
CLOWN = locus("clown", RECESSIVE)
SERIES = Locus(
    "series",
    (allele("lesser", INCOMPLETE), allele("mystic", RECESSIVE)),
    (Compound(frozenset({"lesser", "mystic"}), "potion"),),
)
BANANA = locus("banana", DOMINANT, crossover=0.125)

TWO_LOCI = {
    "incomplete dominant and recessive": (PASTEL, CLOWN),
    "recessive and sex-linked": (CLOWN, BANANA),
    "series and recessive": (SERIES, CLOWN),
}


def every_animal(of, name: str, sex: Sex, loci) -> list[Parent]:
    """An animal of every genotype at the given loci."""
    per_locus = [x.genotypes(by_chromosome=x.sex_linked and sex is of.heterogametic) for x in loci]
    return [
        Parent(name, sex, {x.name: GenotypePrior.known(g) for x, g in zip(loci, genotypes)})
        for genotypes in itertools.product(*per_locus)
    ]


@pytest.mark.parametrize("kind", TWO_LOCI)
def test_every_cross_of_two_loci_and_two_sires(kind):
    """All genotypes of the dam x all of the first sire x all of the second; each cross with its own drawn readings."""
    loci = TWO_LOCI[kind]
    of = species(*loci)
    looks = [sorted({x.look(g) for g in x.genotypes()}) for x in loci]
    calls = [of.call_of(dict(zip((x.name for x in loci), words))) for words in itertools.product(*looks)]
    draws = Random(kind)
    crosses = itertools.product(
        every_animal(of, "dam", Sex.FEMALE, loci),
        every_animal(of, "first", Sex.MALE, loci),
        every_animal(of, "second", Sex.MALE, loci),
    )
    n = 0
    for mother, first, second in crosses:
        shares = draws.choice([(Fraction(4, 5), Fraction(1, 5)), (Fraction(1, 2), Fraction(1, 2))])
        cross = Cross(of, mother, (first, second), shares, Fraction(1, 8))
        eggs = [
            Egg(
                f"egg {e}",
                draws.choice([None, *Sex]) if any(x.sex_linked for x in loci) else None,
                (CallReading({c: draws.choice([0.25, 1.0, 2.0]) for c in draws.sample(calls, 2)}, 0.125),),
            )
            for e in range(2)
        ]
        verify(cross, eggs)
        n += 1
    n_dam = len(every_animal(of, "dam", Sex.FEMALE, loci))
    n_sire = len(every_animal(of, "sire", Sex.MALE, loci))
    assert n == n_dam * n_sire**2
    assert (n_dam, n_sire) == {
        "incomplete dominant and recessive": (9, 9),
        "recessive and sex-linked": (9, 12),
        "series and recessive": (18, 18),
    }[kind]
