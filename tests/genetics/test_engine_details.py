"""Details of the engine that no clutch of the other files shows: its two ways, what it keeps, how answers are read."""

import math
from fractions import Fraction

import pytest
from support import INCOMPLETE, RECESSIVE, dam, locus, pair, parent, same, seen, sire, species, verify

from triage.genetics.clutch import dense, exact
from triage.genetics.clutch.exact import infer, log_evidence
from triage.genetics.clutch.model import compile_cross
from triage.genetics.clutch.posterior import Later
from triage.records import CallReading, Egg, Genotype, GenotypeReading, Linkage, Phase, Sex, VisualCall

OF = species(locus("pastel", INCOMPLETE), locus("clown", RECESSIVE), locus("banana", INCOMPLETE, crossover=0.125))
PASTEL = ("pastel", "pastel")
HALF = Fraction(1, 2)


def tables_kept(model) -> list:
    return [plan.tables for plan in model.kept.get("plans", {}).values()]


@pytest.fixture
def cross():
    maybe = {"clown/normal": Fraction(2, 3), "normal/normal": Fraction(1, 3)}
    fathers = (parent("first", Sex.MALE, clown=maybe, pastel="normal/pastel"), parent("second", Sex.MALE, clown="clown/clown"))
    return pair(OF, dam(clown=maybe), *fathers, shares=(Fraction(4, 5), Fraction(1, 5)), mixed=Fraction(1, 10))


def test_a_small_cross_is_summed_by_tables_that_are_kept(cross, monkeypatch):
    model = compile_cross(cross)
    eggs = [Egg("A1", None, (seen(PASTEL),)), Egg("A2")]
    first = infer(model, eggs)
    (tables,) = tables_kept(model)
    assert tables is not None
    again = infer(model, eggs)
    assert tables_kept(model) == [tables]
    assert again.log_evidence == first.log_evidence
    # Neither does it fall back on the other way.
    monkeypatch.setattr(exact, "sum_clutch", lambda *_: pytest.fail("summed locus by locus"))
    infer(model, eggs)
    assert log_evidence(model, eggs) == first.log_evidence
    # A laboratory's reading splits what looks alike, which needs tables of its own.
    tested = Egg("A3", None, (GenotypeReading("clown", {Genotype("clown", "normal"): 1.0}, 0.125),))
    infer(model, [*eggs, tested])
    assert len(tables_kept(model)) == 2
    assert None not in tables_kept(model)


def test_the_tables_are_bounded(cross, monkeypatch):
    model = compile_cross(cross)
    order = range(len(model.blocks))
    rows, columns = dense.size(model, order)
    # States: dam 2 x (first 2 + second 1); outcomes: clown 3, pastel 2.
    assert (rows, columns) == (6, 6)
    plan = exact._plan(model, frozenset(order))
    # The tables and what they are made of; per egg, three rows over combinations beside the other way's arrays.
    assert plan.elements == 2 * rows * columns
    assert plan.elements_per_egg == exact._elements(model, [exact._classes(b, ()) for b in model.blocks], (0, 1), 1) + 3 * columns
    model = compile_cross(cross)
    monkeypatch.setattr(dense, "LARGEST_TABLE", rows * columns - 1)
    infer(model, [Egg("A1")])
    assert tables_kept(model) == [None]
    other = compile_cross(cross)
    monkeypatch.setattr(dense, "LARGEST_TABLE", rows * columns)
    infer(other, [Egg("A1")])
    assert tables_kept(other)[0].combinations_given.shape == (rows, columns)


def test_tables_are_not_used_beyond_the_memory_bound(cross, monkeypatch):
    """Where only the locus-by-locus way fits the bound it is taken, and it gives the same answer."""
    model = compile_cross(cross)
    eggs = [Egg(f"A{e}", None, (seen(PASTEL),)) for e in range(3)]
    expected = infer(model, eggs)
    (plan,) = model.kept["plans"].values()
    bound = 8 * (plan.elements + len(eggs) * plan.elements_per_egg)
    with monkeypatch.context() as patch:
        patch.setattr(exact, "sum_clutch", lambda *_: pytest.fail("the tables do fit"))
        infer(model, eggs, memory_bytes=bound)
    # A byte below what tables and eggs need together.
    monkeypatch.setattr(dense, "sum_dense", lambda *_: pytest.fail("the tables do not fit"))
    found = infer(model, eggs, memory_bytes=bound - 1)
    assert found.log_evidence == pytest.approx(expected.log_evidence, rel=1e-12)


def test_tables_of_a_clutch_of_ordinary_size_are_within_the_bound():
    """Six possible hets and eight calls need some thousand entries; nobody should wait for those."""
    names = [f"gene {i}" for i in range(3)]
    of = species(*(locus(n, RECESSIVE) for n in names))
    maybe = {n: {f"{n}/normal": HALF, "normal/normal": HALF} for n in names}
    model = compile_cross(pair(of, dam(**maybe), sire(**maybe)))
    infer(model, [Egg("A1")])
    assert tables_kept(model)[0].combinations_given.shape == (64, 27)


def test_only_possible_states_are_kept():
    """Genotypes of prior 0 are no states, alone and in a linked pair; what cannot be born is no outcome."""
    of = species(locus("amber", RECESSIVE), locus("zebra", RECESSIVE))
    zero = {"amber/normal": Fraction(1), "normal/normal": Fraction(0)}
    linkage = (Linkage("amber", "zebra", dict.fromkeys(Sex, 0.1), {"dam": Phase.COUPLING}),)
    for linkages, n_states, n_outcomes in (((), 1, 2), (linkage, 1, 4)):
        cross = pair(of, dam(amber=zero, zebra="normal/zebra"), sire(), linkages=linkages)
        block = compile_cross(cross).blocks[0]
        assert (len(block.dam_states), len(block.outcomes)) == (n_states, n_outcomes)
        assert all(prior.min() > 0 for prior in (block.dam_prior, *block.sire_priors))
    never = Linkage("amber", "zebra", dict.fromkeys(Sex, 0.0), {"dam": Phase.COUPLING})
    block = compile_cross(pair(of, dam(amber="amber/normal", zebra="normal/zebra"), sire(), linkages=(never,))).blocks[0]
    assert len(block.outcomes) == 2


def test_readings_in_the_order_of_the_calls_and_in_any_other():
    """Full tables in the cross's own order are read at once; the answer does not depend on it."""
    cross = pair(OF, dam(pastel="normal/pastel", clown="clown/normal"), sire(pastel="normal/pastel", clown="clown/normal"))
    model = compile_cross(cross)
    values = {c: 0.125 * (1 + i) for i, c in enumerate(model.calls)}
    backwards = dict(reversed(values.items()))
    found = [infer(model, [Egg("A1", None, (CallReading(v),))]) for v in (values, backwards)]
    assert found[0].log_evidence == pytest.approx(found[1].log_evidence, rel=1e-14)
    same({c.call: c.probability for c in found[0].calls(0)}, {c.call: c.probability for c in found[1].calls(0)}, "calls")
    verify(cross, [Egg("A1", None, (CallReading(values), CallReading(backwards, 0.5)))])


def test_calls_are_listed_likeliest_first_with_what_the_parents_say():
    cross = pair(OF, dam(pastel="normal/pastel"), sire(pastel="normal/pastel"))
    reading = CallReading({VisualCall((("pastel", "super pastel"),)): 0.5, VisualCall((PASTEL,)): 0.125}, 0.0)
    found = infer(compile_cross(cross), [Egg("A1", None, (reading,))])
    listed = [(c.call.name, c.probability, c.parents_only) for c in found.calls(0)]
    assert listed == [("super pastel", pytest.approx(2 / 3), 0.25), ("pastel", pytest.approx(1 / 3), 0.5)]
    assert found.calls(egg=0) == found.calls(0)
    assert [c.call.name for c in found.calls(0, at_least=0.5)] == ["super pastel"]
    assert [c.call.name for c in found.calls(0, at_least=-1)] == ["super pastel", "pastel", "normal"]
    assert found.egg("A1") is found.eggs[0]
    several = infer(compile_cross(cross), [Egg("B1"), Egg("A1"), Egg("C1")])
    assert [several.egg(label).label for label in ("A1", "B1", "C1")] == ["A1", "B1", "C1"]
    assert found.parent("sire").role == "sire"
    assert found.parent("dam") is found.parents[0]
    late_names = infer(compile_cross(pair(OF, parent("zoe", Sex.FEMALE, pastel="normal/pastel"), sire())), [Egg("A1")])
    assert late_names.parent("sire").role == "sire"


def test_expected_calls_of_one_candidate(cross):
    model = compile_cross(cross)
    names = [c.name for c in model.calls]
    of_first, of_second = (dict(zip(names, model.expected_calls(k))) for k in (0, 1))
    # First: pastel 1/2, clown (2/3)(2/3)/4 = 1/9; second: no pastel, clown (2/3)/2 = 1/3.
    assert of_first["pastel"] + of_first["pastel clown"] == pytest.approx(1 / 2)
    assert of_first["clown"] + of_first["pastel clown"] == pytest.approx(1 / 9)
    assert of_second == pytest.approx({"normal": 2 / 3, "clown": 1 / 3, "pastel": 0.0, "pastel clown": 0.0})
    by_share = dict(zip(names, model.expected_calls()))
    assert by_share == pytest.approx({n: 0.8 * of_first[n] + 0.2 * of_second[n] for n in names})


def test_a_mapping_made_later_is_made_once():
    made = []

    def make():
        made.append(1)
        return {"a": 1.0}

    later = Later(make)
    assert made == []
    assert later["a"] == 1.0 and len(later) == 1 and list(later) == ["a"] and dict(later) == {"a": 1.0}
    assert later == {"a": 1.0} and repr(later) == "{'a': 1.0}"
    assert made == [1]
    with pytest.raises(KeyError):
        later["b"]


def test_parent_reading_that_rules_out_what_the_eggs_prefer():
    """The state that fits the eggs best is ruled out by a test of the parent; what is left is 1e-360 likely, not impossible."""
    maybe = {"clown/normal": HALF, "normal/normal": HALF}
    cross = pair(OF, dam(clown=maybe), sire(clown="clown/clown"))
    reading = CallReading({VisualCall((("clown", "clown"),)): 1.0}, 1e-9)
    eggs = [Egg(f"A{e}", None, (reading,)) for e in range(40)]
    no_het = GenotypeReading("clown", {Genotype("clown", "normal"): 0.0}, 1.0)
    log = log_evidence(compile_cross(cross), eggs, {"dam": [no_het]})
    assert log == pytest.approx(math.log(0.5) + 40 * math.log(1e-9), rel=1e-12)
    found = infer(compile_cross(cross), eggs, {"dam": [no_het]})
    assert found.parent("dam").loci["clown"][Genotype("normal", "normal")] == pytest.approx(1.0)


def test_reading_of_a_sire_counts_whether_or_not_he_is_the_father():
    """Two candidates, one of them looked at: his reading is as likely under either father."""
    maybe = {"clown/clown": Fraction(1, 4), "normal/normal": Fraction(3, 4)}
    fathers = (parent("first", Sex.MALE, clown=maybe), parent("second", Sex.MALE, clown=maybe))
    cross = pair(OF, dam(clown="clown/normal"), *fathers)
    clown, blank = seen(("clown", "clown")), Egg("A1")
    found = infer(compile_cross(cross), [blank], {"first": [clown]})
    assert found.eggs[0].sires == pytest.approx({"first": 0.5, "second": 0.5})
    assert found.log_evidence == pytest.approx(math.log(0.25))
    assert found.parent("second").loci["clown"][Genotype("clown", "clown")] == pytest.approx(1 / 4)
    assert found.parent("first").loci["clown"][Genotype("clown", "clown")] == pytest.approx(1.0)
    verify(cross, [Egg("A1", None, (clown,))], {"first": [clown]})


def test_phase_of_linked_mutants():
    """Coupling: both mutants on one chromosome; repulsion: one on each; unknown: either with 1/2."""
    of = species(locus("amber", RECESSIVE), locus("zebra", RECESSIVE))
    het, both = {"amber": "amber/normal", "zebra": "normal/zebra"}, {"amber": "amber/amber", "zebra": "zebra/zebra"}

    def double(phase: Phase | None) -> float:
        phases = {} if phase is None else {"dam": phase}
        cross = pair(of, dam(**het), sire(**both), linkages=(Linkage("amber", "zebra", dict.fromkeys(Sex, 0.1), phases),))
        verify(cross, [Egg("A1")])
        call = next(c for c in infer(compile_cross(cross), [Egg("A1")]).calls(0) if c.call.name == "amber zebra")
        return call.probability

    assert double(Phase.COUPLING) == pytest.approx(0.45)
    assert double(Phase.REPULSION) == pytest.approx(0.05)
    assert double(None) == pytest.approx(0.25)


def test_blocks_that_shrink_the_tensors_most_come_first():
    """The order of work changes no number but bounds the memory: by states per class, two known loci before an open one."""
    gene = {n: locus(n, RECESSIVE) for n in ("open", "half", "known")}
    half = {"half/normal": HALF, "normal/normal": HALF}
    open_to_all = {"normal/open": HALF, "normal/normal": Fraction(1, 4), "open/open": Fraction(1, 4)}
    for names in (("open", "half", "known"), ("known", "open", "half"), ("half", "known", "open")):
        of = species(*(gene[n] for n in names))
        cross = pair(
            of,
            dam(open=open_to_all, half=half, known="known/normal"),
            sire(open=open_to_all, half="half/normal", known="known/normal"),
        )
        model = compile_cross(cross)
        order = exact._contraction_order(model, [exact._classes(b, ()) for b in model.blocks], set())
        assert [model.blocks[b].loci[0] for b in order] == ["known", "half", "open"]


def test_of_blocks_with_equal_states_the_one_with_more_looks_comes_first():
    of = species(locus("clown", RECESSIVE), locus("pastel", INCOMPLETE))
    maybe = {n: {f"{min(n, 'normal')}/{max(n, 'normal')}": HALF, "normal/normal": HALF} for n in ("clown", "pastel")}
    model = compile_cross(pair(of, dam(**maybe), sire(**maybe)))
    # Both turn into 2 x 2 states; clown has 2 looks, pastel 3.
    order = exact._contraction_order(model, [exact._classes(b, ()) for b in model.blocks], set())
    assert [model.blocks[b].loci[0] for b in order] == ["pastel", "clown"]
