"""Eggs that did not hatch: what they say of the parents, against the enumeration and in closed form."""

import math
import random
from fractions import Fraction

import pytest

from triage.genetics.clutch.exact import infer, log_evidence
from triage.genetics.clutch.model import compile_cross
from triage.genetics.references.clutch import enumerate_clutch
from triage.records import CallReading, Cross, Egg, Sex
from triage.species import load_species, parse_call, parse_parent

SPECIES = load_species("ball python")
GENES = ("pastel", "66% het clown", "champagne", "spider", "50% possible super pastel", "banana", "possible homozygous pinstripe")


def parent(name, sex, genes):
    return parse_parent(SPECIES, genes, name=name, sex=sex)


def drawn(seed):
    rng = random.Random(seed)

    def genes():
        chosen = rng.sample([g for g in GENES if g != "pastel"], rng.choice([1, 2, 3]))
        return ", ".join(chosen)

    sires = tuple(parent(f"sire {k}", Sex.MALE, genes()) for k in range(rng.choice([1, 2])))
    shares = (Fraction(1),) if len(sires) == 1 else (Fraction(3, 4), Fraction(1, 4))
    cross = Cross(SPECIES, parent("dam", Sex.FEMALE, genes()), sires, shares, rng.choice([0, Fraction(1, 4)]))
    model = compile_cross(cross)
    eggs = []
    for e in range(rng.choice([2, 3])):
        if e == 0 or rng.random() < 0.4:
            eggs.append(Egg(f"e{e}", hatched=False))
        else:
            calls = rng.sample(model.calls, min(2, len(model.calls)))
            eggs.append(Egg(f"e{e}", rng.choice([None, Sex.MALE]), (CallReading(dict.fromkeys(calls, 1.0), 0.125),)))
    return cross, model, eggs


@pytest.mark.parametrize("seed", range(60))
def test_lost_eggs_against_enumeration(seed):
    cross, model, eggs = drawn(seed)
    loss = Fraction(1, 8)
    expected = enumerate_clutch(cross, eggs, other_loss=loss)
    assert log_evidence(model, eggs, other_loss=float(loss)) == pytest.approx(math.log(expected.evidence), abs=1e-12)
    posterior = infer(model, eggs, other_loss=float(loss))
    hatched = [e for e, egg in enumerate(eggs) if egg.hatched is not False]
    assert [e.label for e in posterior.eggs] == [eggs[e].label for e in hatched]
    for found, e in zip(posterior.eggs, hatched, strict=True):
        for name, p in found.sires.items():
            assert p == pytest.approx(float(expected.sires[e][name]), abs=1e-12)
        for call, p in zip(model.calls, found.call_chances, strict=True):
            assert p == pytest.approx(float(expected.calls[e].get(call, 0)), abs=1e-12)
    for found, known in zip(posterior.parents, expected.parents, strict=True):
        for locus in model.locus_names:
            for genotype, p in found.loci[locus].items():
                assert p == pytest.approx(float(known[locus].get(genotype, 0)), abs=1e-12)


def test_lost_eggs_raise_the_suspicion_of_a_lethal_pair():
    """Champagne twice does not hatch: if she carries it a quarter of a champagne sire's eggs is lost beside the other losses."""
    known = parse_parent(SPECIES, "champagne", name="dam", sex=Sex.FEMALE).loci["champagne"].states[0][0]
    plain = type(known)("normal", "normal")
    from triage.records import GenotypePrior, Parent

    dam = Parent("dam", Sex.FEMALE, {"champagne": GenotypePrior(((known, Fraction(1, 2)), (plain, Fraction(1, 2))))})
    cross = Cross(SPECIES, dam, (parent("sire", Sex.MALE, "champagne"),), (1,), 0)
    eggs = [Egg("a", hatched=False), Egg("b", hatched=False), Egg("c")]
    b = 0.1
    carrier = (1 - (1 - b) * 3 / 4) ** 2 * (1 - b) * 3 / 4
    not_carrier = b**2 * (1 - b)
    posterior = infer(compile_cross(cross), eggs, other_loss=b)
    assert posterior.parents[0].loci["champagne"][known] == pytest.approx(carrier / (carrier + not_carrier), abs=1e-12)


def test_no_lost_egg_means_nothing_is_made_of_hatching():
    cross = Cross(SPECIES, parent("dam", Sex.FEMALE, "champagne"), (parent("sire", Sex.MALE, "champagne"),), (1,), 0)
    assert log_evidence(compile_cross(cross), [Egg("a"), Egg("b")]) == pytest.approx(0.0, abs=1e-15)


def test_a_lost_egg_has_no_sex_and_no_readings():
    with pytest.raises(ValueError, match="neither a sex nor readings"):
        Egg("a", Sex.MALE, hatched=False)
    (call,) = parse_call(SPECIES, "pastel")
    with pytest.raises(ValueError, match="neither a sex nor readings"):
        Egg("a", readings=(CallReading({call: 1.0}),), hatched=False)
