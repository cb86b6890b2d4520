"""The engine equals the enumeration in exact fractions on drawn clutches, number for number, to 1e-12.

The reference (``triage/genetics/reference.py``) shares no code with the engine and is itself checked against published
values in ``test_published.py``.
"""

import itertools
from collections import Counter
from random import Random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support import (
    DOMINANT,
    Case,
    draw_case,
    locus,
    same,
    species,
    verify,
    verify_parents_only,
)

from triage.genetics.clutch.exact import infer
from triage.genetics.clutch.model import compile_cross
from triage.genetics.references.clutch import enumerate_clutch
from triage.records import (
    CallReading,
    Cross,
    Egg,
    Genotype,
    GenotypePrior,
    GenotypeReading,
    Parent,
    Parthenogenesis,
    Sex,
    VisualCall,
)

Y_BANANA = Genotype("normal", "banana", True)
BANANA = locus("banana", DOMINANT, crossover=0.125)

# Drawn clutches

N_DRAWN, N_GROUPS = 4080, 12


def features(case: Case) -> set[str]:
    """What a drawn clutch exercises, by name."""
    found = set()
    cross = case.cross
    animals = [a for a in (cross.dam, *cross.sires) if isinstance(a, Parent)]
    live = {
        x.name
        for x in cross.species.loci
        for a in animals
        if x.name in a.loci and any(p > 0 and set(g.alleles) != {"normal"} for g, p in a.loci[x.name].states)
    }
    for x in cross.species.loci:
        if x.name not in live:
            continue
        if x.sex_linked:
            found.add("XX/XY sex linkage" if cross.species.heterogametic is Sex.MALE else "ZZ/ZW sex linkage")
            if x.name in cross.crossover:
                found.add("crossing-over rate of the cross's own")
        found |= {str(a.mode) for a in x.alleles}
        if len(x.alleles) > 1:
            found.add(f"series of {len(x.alleles)}")
        if any(x.hatch_rate(g) < 1 for g in x.genotypes()):
            found.add("reduced viability")
        if any(c.hatch_rate < 1 for c in x.compounds):
            found.add("reduced viability of a compound")
    for linkage in cross.linkages:
        if {linkage.first, linkage.second} <= live:
            found.add("linkage")
            if len(set(linkage.recombination.values())) > 1:
                found.add("recombination unequal by sex")
            for a in animals:
                both = [a.loci[name] for name in (linkage.first, linkage.second) if name in a.loci]
                if len(both) == 2 and all(any(g.first != g.second for g, _ in known.states) for known in both):
                    found.add(f"phase {'known' if a.name in linkage.phases else 'unknown'}")
    if any(isinstance(s, Parthenogenesis) for s in cross.sires):
        found.add("parthenogenesis" if len(cross.sires) > 1 else "parthenogenesis alone")
    found.add(f"{len(cross.sires)} sires")
    if min(cross.shares) == 0:
        found.add("share of 0")
    if len(cross.sires) > 1:
        found.add({0: "never mixed", 1: "always mixed"}.get(cross.mixed, "perhaps mixed"))
    if any(not known.is_certain for a in animals for known in a.loci.values()):
        found.add("uncertain parent")
    for egg in case.eggs:
        found.add("sex stated" if egg.sex else "sex not stated")
        found |= {type(r).__name__ for r in egg.readings}
        if len(egg.readings) > 1:
            found.add("several readings of one egg")
        for r in egg.readings:
            if isinstance(r, GenotypeReading) and r.locus not in live:
                found.add("laboratory reading of a locus nobody carries")
    found |= {f"{type(r).__name__} of a parent" for rs in case.parent_readings.values() for r in rs}
    return found


EVERY_FEATURE = {
    "recessive", "incomplete dominant", "dominant", "series of 2", "series of 3", "series of 4",
    "XX/XY sex linkage", "ZZ/ZW sex linkage", "crossing-over rate of the cross's own", "reduced viability",
    "reduced viability of a compound", "linkage", "recombination unequal by sex", "phase known",
    "phase unknown", "parthenogenesis", "parthenogenesis alone", "1 sires", "2 sires", "3 sires", "share of 0",
    "never mixed", "always mixed", "perhaps mixed", "uncertain parent", "sex stated", "sex not stated",
    "CallReading", "GenotypeReading", "several readings of one egg",
    "laboratory reading of a locus nobody carries", "CallReading of a parent", "GenotypeReading of a parent",
}  # fmt: skip


@pytest.mark.parametrize("group", range(N_GROUPS))
def test_drawn_clutches(group):
    n = N_DRAWN // N_GROUPS
    possible = 0
    for seed in range(group * n, (group + 1) * n):
        case = draw_case(Random(seed))
        try:
            possible += verify(case.cross, case.eggs, case.parent_readings).evidence > 0
            verify_parents_only(case.cross)
        except AssertionError as error:
            raise AssertionError(f"drawn clutch {seed}: {error}") from error
    # 12 groups of 250 make 3,000 clutches with an answer; the rest must be found contradictory by both.
    assert possible >= 250


def test_drawn_clutches_cover_every_mode_and_their_mixtures():
    count: Counter[str] = Counter()
    together: Counter[frozenset[str]] = Counter()
    for seed in range(N_DRAWN):
        found = features(draw_case(Random(seed)))
        count.update(found)
        together.update(frozenset(both) for both in itertools.combinations(sorted(found), 2))
    assert set(count) == EVERY_FEATURE
    assert min(count.values()) >= 25, count.most_common()[-5:]
    modes = ["reduced viability", "linkage", "XX/XY sex linkage", "parthenogenesis", "series of 4", "uncertain parent"]
    for both in itertools.combinations(modes, 2):
        # Linked loci with parthenogenesis are refused (test_errors.py).
        assert together[frozenset(both)] >= (0 if set(both) == {"linkage", "parthenogenesis"} else 10), both


@settings(max_examples=60, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(st.randoms(use_true_random=False))
def test_clutches_drawn_by_hypothesis(rng):
    """Hypothesis drives every choice of the draw, so that a failure shrinks to a small clutch."""
    case = draw_case(rng)
    verify(case.cross, case.eggs, case.parent_readings)


def test_the_comparison_can_fail():
    """Agreement means something: one crossing-over rate that differs by a millionth is told apart."""
    of = species(BANANA)
    mother, father = Parent("dam", Sex.FEMALE), Parent("sire", Sex.MALE, {"banana": GenotypePrior.known(Y_BANANA)})
    eggs = [Egg("egg", Sex.MALE, (CallReading({VisualCall((("banana", "banana"),)): 1.0}, 0.5),))]
    exact = enumerate_clutch(Cross(of, mother, (father,), (1,), 0), eggs)
    found = infer(compile_cross(Cross(of, mother, (father,), (1,), 0, crossover={"banana": 0.125001})), eggs)
    with pytest.raises(AssertionError, match="banana"):
        same(found.eggs[0].loci["banana"], exact.loci[0]["banana"], "banana")
