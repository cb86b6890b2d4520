"""What the engine refuses, in words, and the sizes at which plain arithmetic would fail."""

import math
import re
import time
import tracemalloc
import warnings
from dataclasses import replace
from fractions import Fraction

import pytest
from support import (
    DOMINANT,
    INCOMPLETE,
    RECESSIVE,
    allele,
    dam,
    eggs_seen,
    locus,
    pair,
    parent,
    same,
    seen,
    sire,
    species,
    verify,
)

from triage.errors import ContradictionError, UnsupportedInheritanceError, WorkTooLargeError
from triage.genetics.clutch import dense
from triage.genetics.clutch.exact import MEMORY_BYTES, check_work, clashing_eggs, infer, log_evidence
from triage.genetics.clutch.model import compile_cross
from triage.genetics.references.clutch import enumerate_clutch
from triage.records import (
    CallReading,
    Egg,
    Genotype,
    GenotypeReading,
    Linkage,
    Locus,
    Parthenogenesis,
    Phase,
    Sex,
    VisualCall,
)

OF = species(locus("pastel", INCOMPLETE), locus("enchi", INCOMPLETE), locus("clown", RECESSIVE))
PASTEL, ENCHI, CLOWN = (((gene, gene),) for gene in ("pastel", "enchi", "clown"))


def egg(label: str, *looks: tuple[str, str], sex: Sex | None = None) -> Egg:
    return Egg(label, sex, (seen(*looks),))


# Contradictions


def test_one_egg_that_cannot_be():
    cross = pair(OF, dam(pastel="normal/pastel"), sire())
    eggs = [egg("A1", *PASTEL), egg("A2"), egg("A3", ("pastel", "super pastel"))]
    with pytest.raises(ContradictionError, match=r"what was read of egg A3 cannot come from dam and sire; check"):
        infer(compile_cross(cross), eggs)
    assert clashing_eggs(compile_cross(cross), eggs) == (eggs[2],)


def test_eggs_that_cannot_be_together():
    """One sire for the whole clutch cannot have given both; each alone is possible."""
    fathers = (parent("Basil", Sex.MALE, pastel="normal/pastel"), parent("Thyme", Sex.MALE, enchi="enchi/normal"))
    cross = pair(OF, dam(), *fathers)
    eggs = [egg("A1"), egg("A2", *PASTEL), egg("A3"), egg("A4", *ENCHI), egg("A5", *ENCHI)]
    with pytest.raises(ContradictionError, match=r"eggs A2, A5 cannot come from dam and Basil or Thyme"):
        infer(compile_cross(cross), eggs)
    clashing = clashing_eggs(compile_cross(cross), eggs)
    assert log_evidence(compile_cross(cross), clashing) == -math.inf
    for one in clashing:
        rest = [e for e in clashing if e is not one]
        assert log_evidence(compile_cross(cross), rest) > -math.inf
    assert clashing_eggs(compile_cross(cross), eggs[:3]) == ()


def test_readings_of_parents_that_clash_with_their_record():
    cross = pair(OF, dam(pastel="normal/pastel"), sire())
    with pytest.raises(ContradictionError, match=r"readings of the parents themselves cannot be true together .* dam and sire"):
        infer(compile_cross(cross), [egg("A1")], {"dam": [seen()]})
    with pytest.raises(ContradictionError, match=r"parents themselves"):
        infer(compile_cross(cross), [egg("A1")], {"sire": [GenotypeReading("clown", {Genotype("clown", "normal"): 1.0})]})


def test_pair_without_viable_young():
    of = species(locus("champagne", DOMINANT, hatch_rate=0.0))
    cross = pair(of, dam(champagne="champagne/champagne"), sire(champagne="champagne/champagne"))
    with pytest.raises(ContradictionError, match=r"no genotype that dam and sire can give hatches"):
        infer(compile_cross(cross), [Egg("A1")])
    assert compile_cross(cross).expected_calls().sum() == 0


def test_stated_sex_that_cannot_be():
    """A parthenogenetic python has no sons."""
    cross = pair(OF, dam(), Parthenogenesis())
    with pytest.raises(ContradictionError, match=r"egg A1 cannot come from dam and no sire \(parthenogenesis\)"):
        infer(compile_cross(cross), [Egg("A1", Sex.MALE)])


def test_impossible_readings_have_log_evidence_minus_infinity():
    cross = pair(OF, dam(), sire())
    assert log_evidence(compile_cross(cross), [egg("A1", *CLOWN)]) == -math.inf
    assert log_evidence(compile_cross(cross), [Egg("A1", None, (CallReading({}, 0.0),))]) == -math.inf


def test_a_contradiction_makes_no_noise(monkeypatch):
    """Neither way warns of logarithms of 0 or of 0 times infinity, also where a clutch is impossible only as a whole."""
    fathers = (parent("Basil", Sex.MALE, pastel="normal/pastel"), parent("Thyme", Sex.MALE, enchi="enchi/normal"))
    model = compile_cross(pair(OF, dam(), *fathers))
    eggs = [egg("A1", *PASTEL), egg("A2", *ENCHI)]
    for _ in range(2):
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            assert log_evidence(model, eggs) == -math.inf
        monkeypatch.setattr(dense, "LARGEST_TABLE", 0)
        model = compile_cross(model.cross)


def test_a_clutch_needs_an_egg():
    with pytest.raises(ValueError, match="at least one egg"):
        infer(compile_cross(pair(OF, dam(), sire())), [])


# Inheritance that is not computed


def test_two_live_sex_linked_loci_are_refused():
    of = species(locus("banana", crossover=0.05), locus("other", crossover=0.1))
    mother = dam(banana="banana/normal", other="normal/other")
    with pytest.raises(UnsupportedInheritanceError, match=r"cross of dam: banana and other are both sex-linked"):
        compile_cross(pair(of, mother, sire()))
    compile_cross(pair(of, dam(banana="banana/normal"), sire()))  # the second is not live


@pytest.mark.parametrize(
    "pairs, message",
    [
        ([("pastel", "nowhere")], r"linkage names 'nowhere', which is no locus of the test snake"),
        ([("pastel", "banana")], r"linkage of 'banana': linked sex-linked loci are not computed"),
        ([("banana", "pastel")], r"linkage of 'banana'"),
        ([("pastel", "enchi"), ("enchi", "clown")], r"locus 'enchi' stands in two linkages"),
    ],
)
def test_linkages_that_are_not_computed(pairs, message):
    of = species(*OF.loci, locus("banana", crossover=0.05))
    mother = dam(pastel="normal/pastel", enchi="enchi/normal", clown="clown/normal", banana="banana/normal")
    linkages = tuple(Linkage(one, other, dict.fromkeys(Sex, 0.1)) for one, other in pairs)
    with pytest.raises(UnsupportedInheritanceError, match=message):
        compile_cross(pair(of, mother, sire(), linkages=linkages))


def test_linkage_to_a_dead_locus_is_no_linkage():
    linkage = (Linkage("pastel", "enchi", dict.fromkeys(Sex, 0.1)),)
    model = compile_cross(pair(OF, dam(pastel="normal/pastel"), sire(), linkages=linkage))
    assert [block.loci for block in model.blocks] == [("pastel",)]


def test_parthenogenesis_of_a_zw_species_is_refused():
    of = species(*OF.loci, heterogametic=Sex.FEMALE)
    with pytest.raises(UnsupportedInheritanceError, match=r"cross of dam: parthenogenesis .* XX females only, not for the test snake"):
        compile_cross(pair(of, dam(pastel="normal/pastel"), Parthenogenesis()))


def test_parthenogenesis_with_linked_loci_is_refused():
    linkage = (Linkage("pastel", "enchi", dict.fromkeys(Sex, 0.1), {"dam": Phase.COUPLING}),)
    mother = dam(pastel="normal/pastel", enchi="enchi/normal")
    with pytest.raises(UnsupportedInheritanceError, match=r"parthenogenesis with linked loci is not computed; leave the linkage out"):
        compile_cross(pair(OF, mother, Parthenogenesis(), linkages=linkage))


# Work


def wide_cross(n_loci: int, n_sires: int):
    """Everybody a possible het of everything."""
    names = [f"gene {i:02d}" for i in range(n_loci)]
    of = species(*(locus(n, RECESSIVE) for n in names))
    maybe = {n: {f"{n}/normal": Fraction(1, 2), "normal/normal": Fraction(1, 2)} for n in names}
    fathers = [parent(f"sire {k}", Sex.MALE, **maybe) for k in range(n_sires)]
    return pair(of, dam(**maybe), *fathers, mixed=Fraction(1, 10)), names


def test_too_much_work_is_refused_before_it_is_allocated():
    cross, names = wide_cross(12, 3)
    eggs = [Egg(f"A{e}", None, (seen((names[e % 12], names[e % 12])),)) for e in range(40)]
    model = compile_cross(cross)
    tracemalloc.start()
    started = time.perf_counter()
    try:
        with pytest.raises(WorkTooLargeError) as refused:
            infer(model, eggs)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    # 4 x 40 eggs x (2^12)^4 joint states of 8 bytes is about 3.3e11 MiB.
    text = str(refused.value)
    assert "for 40 eggs, 12 loci and 48 uncertain parental loci" in text
    assert "the bound is 1,024 MiB" in text
    assert "Settle a possible het, leave out a candidate sire or a gene nobody asks about, or raise the bound" in text
    mib = float(text.split("about ")[1].split(" MiB")[0].replace(",", ""))
    assert 3.2e11 < mib < 3.6e11
    assert peak < 2**20
    assert time.perf_counter() - started < 1


@pytest.mark.parametrize("n_loci, n_sires, n_eggs", [(12, 1, 6), (16, 1, 6), (12, 2, 6), (20, 3, 10), (6, 2, 200)])
def test_too_much_to_sort_is_refused_by_name_and_leaving_out_what_it_names_is_enough(n_loci, n_sires, n_eggs):
    cross, names = wide_cross(n_loci, n_sires)
    with pytest.raises(WorkTooLargeError, match=rf"^{n_eggs} eggs of dam and sire 0.*Leave out \d+ of them") as refused:
        check_work(compile_cross(cross), n_eggs)
    n_out = int(re.search(r"Leave out (\d+)", str(refused.value))[1])
    named = re.search(r"first: (.*?);", str(refused.value))[1].split(", ")
    assert sorted(named) == sorted(names)

    def without(n):
        def fewer(one):
            return replace(one, loci={name: prior for name, prior in one.loci.items() if name not in named[:n]})

        return replace(cross, dam=fewer(cross.dam), sires=tuple(map(fewer, cross.sires)))

    check_work(compile_cross(without(n_out)), n_eggs)
    with pytest.raises(WorkTooLargeError):
        check_work(compile_cross(without(n_out - 1)), n_eggs)


def test_more_eggs_than_a_snake_lays_are_refused():
    with pytest.raises(WorkTooLargeError, match=r"^10,000 eggs of dam and sire 0 are too many to sort at once; needed: fewer eggs"):
        check_work(compile_cross(wide_cross(1, 1)[0]), 10_000)
    check_work(compile_cross(wide_cross(1, 1)[0]), 200)


def test_the_bound_is_the_callers_to_choose():
    cross, names = wide_cross(3, 1)
    eggs = [egg("A1", (names[0], names[0]))]
    model = compile_cross(cross)
    assert infer(model, eggs).eggs[0].sires == {"sire 0": 1.0}
    half_known = pair(cross.species, cross.dam, parent("sire 0", Sex.MALE, **{n: f"{n}/normal" for n in names}))
    with pytest.raises(WorkTooLargeError, match=r"3 loci and 3 uncertain parental loci"):
        infer(compile_cross(half_known), eggs, memory_bytes=8)
    for call in (infer, log_evidence, clashing_eggs):
        with pytest.raises(WorkTooLargeError, match=r"for 1 eggs, 3 loci and 6 uncertain parental loci; the bound is 0 MiB"):
            call(model, eggs, memory_bytes=1000)


@pytest.mark.parametrize("n_loci, n_sires, n_eggs", [(4, 1, 8), (4, 2, 8), (3, 2, 40), (6, 1, 12)])
def test_the_estimate_bounds_the_memory(n_loci, n_sires, n_eggs):
    """The estimate is not below what is really used, and not wildly above it."""
    cross, names = wide_cross(n_loci, n_sires)
    eggs = [egg(f"A{e}", (names[e % n_loci], names[e % n_loci])) for e in range(n_eggs)]
    model = compile_cross(cross)
    infer(model, eggs)  # tables that the model keeps
    tracemalloc.start()
    infer(model, eggs)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    with pytest.raises(WorkTooLargeError) as refused:
        infer(model, eggs, memory_bytes=1)
    assert "needs about" in str(refused.value)
    smallest = _smallest_bound(model, eggs)
    assert peak / 8 < smallest  # never off by an order of magnitude in the dangerous direction
    assert peak < 1.5 * smallest + 2**20


def _smallest_bound(model, eggs) -> int:
    """Smallest bound under which the engine agrees to work, by bisection."""
    low, high = 0, MEMORY_BYTES
    while high - low > 1:
        middle = (low + high) // 2
        try:
            log_evidence(model, eggs, memory_bytes=middle)
            high = middle
        except WorkTooLargeError:
            low = middle
    return high


@pytest.mark.parametrize("n_sires", [1, 2, 3])
def test_the_estimate_counts_the_joint_states_of_sires_who_may_share(n_sires):
    """Only where the eggs of a clutch may differ in sire are the states of all parents held at once: 4 arrays of them."""
    mixed, names = wide_cross(2, n_sires)
    eggs = [egg("A1", (names[0], names[0])), egg("A2")]
    bounds = [
        _smallest_bound(compile_cross(cross), eggs)
        for cross in (mixed, pair(mixed.species, mixed.dam, *mixed.sires, mixed=Fraction(0)))
    ]
    joint_states = (2**2) ** (1 + n_sires)
    assert bounds[0] - bounds[1] == (8 * 4 * len(eggs) * joint_states if n_sires > 1 else 0)


# Underflow


def test_forty_eggs_of_known_parents():
    """Forty eggs with likelihoods of 1e-30: the evidence, about 1e-1200, is no float, its logarithm is."""
    cross = pair(OF, dam(pastel="normal/pastel", clown="clown/normal"), sire(pastel="normal/pastel", clown="clown/normal"))
    reading = CallReading({VisualCall(PASTEL): 1e-30, VisualCall(): 3e-31}, 1e-32)
    eggs = [Egg(f"A{e}", None, (reading,)) for e in range(40)]
    exact = enumerate_clutch(cross, eggs)
    assert exact.evidence < Fraction(1, 10**1150)
    expected = math.log(exact.evidence.numerator) - math.log(exact.evidence.denominator)
    found = infer(compile_cross(cross), eggs)
    assert found.log_evidence == pytest.approx(expected, rel=1e-12)
    for e in range(40):
        same({c.call: c.probability for c in found.calls(e)}, exact.calls[e], f"calls of egg {e}")


@pytest.mark.parametrize("small", [1e-3, 1e-9, 1e-30, 1e-200])
@pytest.mark.parametrize("mixed", [Fraction(0), Fraction(1, 10), Fraction(1)])
def test_forty_eggs_that_disagree(small, mixed):
    """Half of the eggs speak strongly for one state of the sires and half for the other, so every product is tiny.

    The outside answer is the sum over the parents' states written out in fractions: with two possible-het sires and a visual dam
    each egg is clown with chance 1/2 or 0 by each sire.
    """
    maybe = {"clown/normal": Fraction(2, 3), "normal/normal": Fraction(1, 3)}
    fathers = [parent(f"sire {k}", Sex.MALE, clown=maybe) for k in range(2)]
    shares = (Fraction(3, 4), Fraction(1, 4))
    cross = pair(OF, dam(clown="clown/clown"), *fathers, shares=shares, mixed=mixed)
    yes, no = (CallReading({VisualCall(CLOWN): p, VisualCall(): q}) for p, q in ((1.0, small), (small, 1.0)))
    eggs = [Egg(f"A{e}", None, (yes if e % 2 else no,)) for e in range(40)]
    exact_small = Fraction(small)

    def of_egg(e: int, het: bool) -> Fraction:
        clown, plain = (Fraction(1), exact_small) if e % 2 else (exact_small, Fraction(1))
        return (clown + plain) / 2 if het else plain

    total = Fraction(0)
    het_of_first = Fraction(0)
    for first in (True, False):
        for second in (True, False):
            prior = (Fraction(2, 3) if first else Fraction(1, 3)) * (Fraction(2, 3) if second else Fraction(1, 3))
            by_sire = [math.prod(of_egg(e, het) for e in range(40)) for het in (first, second)]
            alone = shares[0] * by_sire[0] + shares[1] * by_sire[1]
            each = math.prod(shares[0] * of_egg(e, first) + shares[1] * of_egg(e, second) for e in range(40))
            weight = prior * ((1 - mixed) * alone + mixed * each)
            total += weight
            het_of_first += weight if first else 0
    found = infer(compile_cross(cross), eggs)
    expected = math.log(total.numerator) - math.log(total.denominator)
    assert found.log_evidence == pytest.approx(expected, rel=1e-12)
    p_het = found.parent("sire 0").loci["clown"][Genotype("clown", "normal")]
    assert p_het == pytest.approx(float(het_of_first / total), abs=1e-12)
    for egg_found in found.eggs:
        assert sum(egg_found.sires.values()) == pytest.approx(1.0, abs=1e-12)
        assert egg_found.call_chances.sum() == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("n_eggs", [1, 2, 3, 4])
@pytest.mark.parametrize("small", [1e-40, 1e-130])
def test_few_eggs_that_disagree_with_two_sires(n_eggs, small):
    """The same, few enough for the enumeration to check every number, also where the sum moves to logarithms."""
    maybe = {"clown/normal": Fraction(2, 3), "normal/normal": Fraction(1, 3)}
    fathers = [parent(f"sire {k}", Sex.MALE, clown=maybe, pastel="normal/pastel") for k in range(2)]
    for mixed in (Fraction(0), Fraction(1, 10)):
        cross = pair(OF, dam(clown="clown/clown"), *fathers, shares=(Fraction(3, 4), Fraction(1, 4)), mixed=mixed)
        readings = [
            CallReading({VisualCall(CLOWN): 1.0, VisualCall((*PASTEL, *CLOWN)): small}, small**2 if small > 1e-100 else small),
            CallReading({VisualCall(): 1.0}, small),
        ]
        verify(cross, [Egg(f"A{e}", None, (readings[e % 2],)) for e in range(n_eggs)])


def test_series_of_any_length():
    """Nine alleles of one series, every pair of them: nothing but pairs comes out, each with its own look."""
    names = [f"allele {c}" for c in "abcdefghi"]
    of = species(Locus("series", tuple(allele(n) for n in names)))
    cross = pair(of, dam(series=f"{names[0]}/{names[8]}"), sire(series=f"{names[3]}/{names[5]}"))
    found = verify(cross, eggs_seen(1, CallReading({VisualCall(): 0.0}, 1.0)))
    assert len(found.calls[0]) == 4


def test_more_results_than_can_be_weighed_one_by_one_are_refused():
    model = compile_cross(wide_cross(1, 1)[0])
    check_work(model, 4, 500)
    with pytest.raises(WorkTooLargeError, match=r"501 results and outcomes of .* too many to weigh one by one; needed: at most 500"):
        check_work(model, 4, 501)
