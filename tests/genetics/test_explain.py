"""Why a call is impossible: each reason in words, and a reason exactly where the engine gives no chance."""

import itertools
from random import Random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support import DOMINANT, INCOMPLETE, RECESSIVE, allele, call, dam, draw_case, locus, pair, parent, sire, species

from triage.genetics.clutch.impossible import impossible_near, why_impossible
from triage.genetics.clutch.model import compile_cross
from triage.records import Linkage, Locus, Phase, Sex

OF = species(
    locus("albino", RECESSIVE),
    locus("pastel", INCOMPLETE),
    locus("web", INCOMPLETE, hatch_rate=0.0),
    locus("pin", DOMINANT),
    Locus("series", (allele("lesser"), allele("mojave"))),
)


def why(wanted, mother, *fathers, **more):
    return why_impossible(compile_cross(pair(OF, mother, *fathers, **more)), wanted)


def test_nobody_carries_it():
    assert why(call(("albino", "albino")), dam(pastel="normal/pastel"), sire()) == "neither dam nor sire carries albino"
    two = [parent("one", Sex.MALE), parent("two", Sex.MALE, pastel="normal/pastel")]
    assert why(call(("albino", "albino")), dam(), *two) == "neither dam, one nor two carries albino"


def test_both_parents_must_carry_it():
    found = why(call(("albino", "albino")), dam(albino="albino/normal"), sire(pastel="normal/pastel"))
    assert found == "albino needs albino from both parents; sire carries none"
    found = why(call(("pastel", "super pastel")), dam(), sire(pastel="normal/pastel"))
    assert found == "super pastel needs pastel from both parents; dam carries none"
    two = [parent("one", Sex.MALE), parent("two", Sex.MALE)]
    found = why(call(("pastel", "super pastel")), dam(pastel="normal/pastel"), *two)
    assert found == "super pastel needs pastel from both parents; one and two carry none"


def test_a_compound_needs_one_allele_from_each():
    found = why(call(("series", "lesser mojave")), dam(series="lesser/mojave"), sire(pastel="normal/pastel"))
    assert found == (
        "lesser mojave needs lesser from one parent and mojave from the other; "
        "only dam can give lesser and only dam can give mojave"
    )
    found = why(call(("series", "lesser mojave")), dam(series="lesser/normal"), sire(pastel="normal/pastel"))
    assert found.endswith("only dam can give lesser and nobody can give mojave")


def test_what_does_not_hatch():
    found = why(call(("web", "super web")), dam(web="normal/web"), sire(web="normal/web"))
    assert found == "two copies at web are not known to hatch"


def test_no_egg_hatches_at_all():
    for wanted in (call(), call(("web", "web"))):
        assert why(wanted, dam(web="web/web"), sire(web="web/web")) == "no egg of these parents is known to hatch"


def test_every_hatchling_shows_something():
    """A super bred to a plain animal gives single-gene young only (common practice, no source)."""
    assert why(call(), dam(pastel="pastel/pastel"), sire()) == "every hatchling of these parents shows pastel"
    found = why(call(), dam(pastel="pastel/pastel"), sire(pastel="normal/pastel"))
    assert found == "every hatchling of these parents shows pastel or super pastel"


def test_one_egg_has_one_sire():
    fathers = [parent("Basil", Sex.MALE, pastel="normal/pastel"), parent("Thyme", Sex.MALE, series="mojave/normal")]
    found = why(call(("pastel", "pastel"), ("series", "mojave")), dam(), *fathers, mixed=1)
    assert found == "pastel needs Basil as the sire and mojave needs Thyme; one egg has one sire"


def test_linked_genes():
    """No crossing-over and one gene on each chromosome: never both in one young (Morgan 1916 saw it in male flies)."""
    mother = dam(pastel="normal/pastel", series="mojave/normal")
    linked = Linkage("pastel", "series", dict.fromkeys(Sex, 0.0), {"dam": Phase.REPULSION})
    both = call(("pastel", "pastel"), ("series", "mojave"))
    found = why(both, mother, sire(), linkages=(linked,))
    assert found.startswith("linked genes: these parents give only ")
    assert "pastel" in found and "mojave" in found
    assert why(both, mother, sire()) is None


def test_possible_calls_need_no_reason():
    for wanted in (call(), call(("pastel", "pastel")), call(("albino", "albino"))):
        assert why(wanted, dam(albino="albino/normal", pastel="normal/pastel"), sire(albino="albino/normal")) is None


@settings(max_examples=150, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(st.integers(0, 10**9))
def test_a_reason_exactly_where_there_is_no_chance(seed):
    """Over drawn crosses and every call of the loci about: None just for calls that the engine gives a chance above 0."""
    rng = Random(seed)
    cross = draw_case(rng).cross
    model = compile_cross(cross)
    possible = {c for c, p in zip(model.calls, sum(model.expected_calls(k) for k in range(model.n_sires)), strict=True) if p > 0}
    words = [sorted({x.look(g) for g in x.genotypes()}) for x in cross.species.loci]
    every = [cross.species.call_of(dict(zip([x.name for x in cross.species.loci], looks))) for looks in itertools.product(*words)]
    for wanted in rng.sample(every, min(len(every), 60)) + list(model.calls):
        reason = why_impossible(model, wanted)
        assert (reason is None) == (wanted in possible), (wanted.name, reason)
        assert reason is None or (reason and "\n" not in reason)


@pytest.mark.parametrize("seed", range(25))
def test_impossible_near_lists_only_the_impossible(seed):
    case = draw_case(Random(seed))
    model = compile_cross(case.cross)
    near = impossible_near(model, model.calls[0])
    assert len({c for c, _ in near}) == len(near)
    for other, reason in near:
        assert why_impossible(model, other) == reason
        assert len({at for at, _ in set(other.looks) ^ set(model.calls[0].looks)}) == 1


def test_impossible_near_stays_with_the_alleles_about():
    model = compile_cross(pair(OF, dam(pastel="normal/pastel"), sire()))
    assert [(c.name, reason) for c, reason in impossible_near(model, call(("pastel", "pastel")))] == [
        ("super pastel", "super pastel needs pastel from both parents; sire carries none")
    ]
