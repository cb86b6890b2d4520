"""What must hold of every clutch, whatever its numbers (Hypothesis draws the clutches)."""

import dataclasses
import math
from fractions import Fraction
from random import Random

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from support import Case, draw_case

from triage.genetics.clutch.exact import infer, log_evidence
from triage.genetics.clutch.model import compile_cross
from triage.records import (
    NORMAL,
    Allele,
    CallReading,
    Compound,
    Cross,
    Egg,
    Genotype,
    GenotypePrior,
    GenotypeReading,
    Linkage,
    Locus,
    Parent,
    Parthenogenesis,
    Sex,
    Species,
    VisualCall,
)

NEAR = 1e-10
every_clutch = settings(max_examples=60, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))


@st.composite
def possible_clutches(draw) -> Case:
    """A drawn clutch that does not contradict its cross."""
    case = draw_case(draw(st.randoms(use_true_random=False)))
    assume(log_evidence(compile_cross(case.cross), case.eggs, case.parent_readings) > -math.inf)
    return case


def posterior(case: Case):
    return infer(compile_cross(case.cross), case.eggs, case.parent_readings)


def summary(found, *, egg_order=None) -> dict:
    """Every number of a posterior by a key that does not depend on any order."""
    numbers = {("log evidence",): found.log_evidence, ("mixed",): found.mixed}
    for e, egg in enumerate(found.eggs):
        numbers |= {(egg.label, "sire", name): p for name, p in egg.sires.items()}
        numbers |= {(egg.label, "sex", sex): p for sex, p in egg.sex.items()}
        numbers |= {(egg.label, "call", frozenset(c.call.looks)): c.probability for c in found.calls(e)}
        numbers |= {(egg.label, at, g): p for at, chances in egg.loci.items() for g, p in chances.items()}
    for one in found.parents:
        numbers |= {(one.name, at, g): p for at, chances in one.loci.items() for g, p in chances.items()}
    return numbers


def agree(one: dict, other: dict) -> None:
    """The same numbers; a key that is missing counts as 0."""
    for key in one.keys() | other.keys():
        assert one.get(key, 0.0) == pytest.approx(other.get(key, 0.0), abs=NEAR, rel=NEAR), key


@every_clutch
@given(possible_clutches())
def test_every_row_sums_to_one(case):
    found = posterior(case)
    for egg in found.eggs:
        rows = [egg.sires, egg.sex, *egg.loci.values()]
        assert all(sum(row.values()) == pytest.approx(1.0, abs=NEAR) for row in rows)
        assert egg.call_chances.sum() == pytest.approx(1.0, abs=NEAR)
        assert egg.call_chances.min() >= 0
    for one in found.parents:
        assert all(sum(row.values()) == pytest.approx(1.0, abs=NEAR) for row in one.loci.values())
    assert 0 <= found.mixed <= 1 + NEAR
    model = found.model
    assert model.expected_calls().sum() == pytest.approx(1.0, abs=NEAR)
    for block in model.blocks:
        for given_states, hatched in zip(block.transmission, block.hatched, strict=True):
            assert np.allclose(given_states.sum(-1), hatched > 0, atol=NEAR)


@every_clutch
@given(possible_clutches(), st.randoms(use_true_random=False))
def test_order_of_eggs_does_not_matter(case, rng):
    eggs = list(case.eggs)
    rng.shuffle(eggs)
    agree(summary(posterior(case)), summary(posterior(dataclasses.replace(case, eggs=tuple(eggs)))))


@every_clutch
@given(possible_clutches(), st.randoms(use_true_random=False))
def test_order_of_sires_does_not_matter(case, rng):
    order = list(range(len(case.cross.sires)))
    rng.shuffle(order)
    cross = dataclasses.replace(
        case.cross,
        sires=tuple(case.cross.sires[k] for k in order),
        shares=tuple(case.cross.shares[k] for k in order),
    )
    agree(summary(posterior(case)), summary(posterior(dataclasses.replace(case, cross=cross))))


def with_species(case: Case, of: Species) -> Case:
    return dataclasses.replace(case, cross=dataclasses.replace(case.cross, species=of))


@every_clutch
@given(possible_clutches(), st.randoms(use_true_random=False))
def test_order_of_loci_and_alleles_does_not_matter(case, rng):
    loci = list(case.cross.species.loci)
    rng.shuffle(loci)
    loci = [dataclasses.replace(x, alleles=tuple(rng.sample(x.alleles, len(x.alleles)))) for x in loci]
    # A compound without a name of its own is named by its alleles in catalogue order, so name them all first.
    named = [dataclasses.replace(x, compounds=every_compound(case.cross.species.locus(x.name))) for x in loci]
    before = [dataclasses.replace(x, compounds=every_compound(x)) for x in case.cross.species.loci]
    in_new_order = dataclasses.replace(case.cross.species, loci=tuple(named))
    in_old_order = dataclasses.replace(case.cross.species, loci=tuple(before))
    shuffled = _calls_in_order(with_species(case, in_new_order))
    agree(summary(posterior(with_species(case, in_old_order))), summary(posterior(shuffled)))


def every_compound(at: Locus) -> tuple[Compound, ...]:
    names = at.allele_names
    return tuple(
        at.compound(a, b) or Compound(frozenset((a, b)), at.compound_name(a, b))
        for i, a in enumerate(names)
        for b in names[i + 1 :]
    )


def _calls_in_order(case: Case) -> Case:
    """The same readings with the looks of each call in the order of the case's species."""
    of = case.cross.species

    def reading(r):
        if isinstance(r, GenotypeReading):
            return r
        # A call with a locus nobody has heard of stays impossible.
        ordered = {
            (of.call_of(dict(c.looks)) if all(of.has_locus(at) for at, _ in c.looks) else c): p
            for c, p in r.likelihoods.items()
        }
        return CallReading(ordered, r.otherwise)

    return _map_readings(case, reading)


def _map_readings(case: Case, change) -> Case:
    return dataclasses.replace(
        case,
        eggs=tuple(dataclasses.replace(e, readings=tuple(map(change, e.readings))) for e in case.eggs),
        parent_readings={name: [change(r) for r in readings] for name, readings in case.parent_readings.items()},
    )


@every_clutch
@given(possible_clutches(), st.floats(0.01, 50.0))
def test_an_uninformative_reading_changes_nothing_but_the_evidence(case, value):
    flat = [CallReading({}, value), GenotypeReading(case.cross.species.loci[0].name, {}, value)]
    eggs = tuple(dataclasses.replace(e, readings=(*e.readings, *flat)) for e in case.eggs)
    before, after = summary(posterior(case)), summary(posterior(dataclasses.replace(case, eggs=eggs)))
    after[("log evidence",)] -= 2 * len(case.eggs) * math.log(value)
    agree(before, after)


@every_clutch
@given(possible_clutches())
def test_an_egg_without_readings_changes_nothing(case):
    """It adds a row of its own and moves no other, unless some pair could have had no young at all."""
    assume(all(block.every_pair_has_young for block in compile_cross(case.cross).blocks))
    before = summary(posterior(case))
    after = summary(posterior(dataclasses.replace(case, eggs=(*case.eggs, Egg("blank")))))
    agree(before, {key: p for key, p in after.items() if key[0] != "blank"})


@every_clutch
@given(possible_clutches())
def test_splitting_an_unseen_allele_in_two_changes_nothing(case):
    """A recessive allele is replaced by two that look and hatch alike, half of each prior by either."""
    of = case.cross.species
    at = next((x for x in of.loci if x.name == "violet"), None)
    assume(not any(at.name in (x.first, x.second) for x in case.cross.linkages))
    twin = dataclasses.replace(at.alleles[0], name="violet twin")
    twin = Allele("violet twin", twin.mode, None, at.alleles[0].two_copies_name)
    both = Compound(frozenset({"violet", "violet twin"}), at.alleles[0].two_copies_name)
    split = Locus("violet", (*at.alleles, twin), (both,))
    loci = tuple(split if x.name == "violet" else x for x in of.loci)
    names = ("violet", "violet twin")

    def parts(genotype: Genotype, p: Fraction):
        options = [names if a == "violet" else (a,) for a in genotype.alleles]
        each = p / (len(options[0]) * len(options[1]))
        return [(Genotype(a, b), each) for a in options[0] for b in options[1]]

    def animal(one):
        if isinstance(one, Parthenogenesis) or "violet" not in one.loci:
            return one
        chances: dict[Genotype, Fraction] = {}
        for genotype, p in one.loci["violet"].states:
            for part, q in parts(genotype, p):
                chances[part] = chances.get(part, Fraction(0)) + q
        return Parent(one.name, one.sex, {**one.loci, "violet": GenotypePrior(tuple(chances.items()))})

    def reading(r):
        if isinstance(r, CallReading) or r.locus != "violet":
            return r
        likelihoods = {part: p for g, p in r.likelihoods.items() for part, _ in parts(g, Fraction(1))}
        return GenotypeReading("violet", likelihoods, r.otherwise)

    cross = dataclasses.replace(
        case.cross,
        species=dataclasses.replace(of, loci=loci),
        dam=animal(case.cross.dam),
        sires=tuple(map(animal, case.cross.sires)),
    )
    after = summary(posterior(_map_readings(dataclasses.replace(case, cross=cross), reading)))
    merged: dict = {}
    for key, p in after.items():
        if isinstance(key[-1], Genotype) and key[1] == "violet":
            key = (*key[:-1], Genotype(*("violet" if a in names else a for a in key[-1].alleles)))
        merged[key] = merged.get(key, 0.0) + p
    agree(summary(posterior(case)), merged)


@every_clutch
@given(possible_clutches())
def test_relabelling_alleles_relabels_the_answer(case):
    """New names, in reverse alphabetical order, so that every genotype is stored the other way round."""
    new = {
        a.name: f"{chr(ord('z') - i)} {a.name}"
        for i, a in enumerate(sorted((a for x in case.cross.species.loci for a in x.alleles), key=lambda a: a.name))
    }
    new[NORMAL] = NORMAL

    def genotype(g: Genotype) -> Genotype:
        return Genotype(new[g.first], new[g.second], g.by_chromosome)

    def at(x: Locus) -> Locus:
        named = every_compound(x)
        return Locus(
            x.name,
            tuple(dataclasses.replace(a, name=new[a.name]) for a in x.alleles),
            tuple(dataclasses.replace(c, alleles=frozenset(new[a] for a in c.alleles)) for c in named),
            x.crossover,
        )

    def animal(one):
        if isinstance(one, Parthenogenesis):
            return one
        priors = {n: GenotypePrior(tuple((genotype(g), p) for g, p in k.states)) for n, k in one.loci.items()}
        return Parent(one.name, one.sex, priors)

    def reading(r):
        if isinstance(r, CallReading):
            return r
        return GenotypeReading(r.locus, {genotype(g): p for g, p in r.likelihoods.items()}, r.otherwise)

    # Which chromosome of a series compound counts as the mutant one goes by the alphabet, so a stated phase would change.
    assume(not any(x.phases and "series" in (x.first, x.second) for x in case.cross.linkages))
    cross = dataclasses.replace(
        case.cross,
        species=dataclasses.replace(case.cross.species, loci=tuple(map(at, case.cross.species.loci))),
        dam=animal(case.cross.dam),
        sires=tuple(map(animal, case.cross.sires)),
    )
    after = summary(posterior(_map_readings(dataclasses.replace(case, cross=cross), reading)))
    before = {
        (*key[:-1], genotype(key[-1])) if isinstance(key[-1], Genotype) else key: p
        for key, p in summary(posterior(case)).items()
    }
    agree(before, after)


@every_clutch
@given(possible_clutches())
def test_swapping_dam_and_sire_changes_nothing_at_autosomal_loci(case):
    cross = case.cross
    assume(len(cross.sires) == 1 and isinstance(cross.sires[0], Parent))
    assume("linked to sex" not in compile_cross(cross).locus_names)
    father = cross.sires[0]

    def autosomal(one: Parent) -> dict:
        return {at: known for at, known in one.loci.items() if at != "linked to sex"}

    swapped = Cross(
        cross.species,
        Parent("sire 0", Sex.FEMALE, autosomal(father)),
        (Parent("dam", Sex.MALE, autosomal(cross.dam)),),
        cross.shares,
        cross.mixed,
        linkages=tuple(
            Linkage(x.first, x.second, {s: x.recombination[o] for s, o in zip(Sex, reversed(Sex))}, x.phases)
            for x in cross.linkages
        ),
    )
    before = summary(posterior(case))
    after = summary(infer(compile_cross(swapped), case.eggs, case.parent_readings))
    agree(
        {key: p for key, p in before.items() if key[1:2] != ("sire",)},
        {key: p for key, p in after.items() if key[1:2] != ("sire",)},
    )


@every_clutch
@given(possible_clutches(), st.randoms(use_true_random=False))
def test_a_certain_fact_never_raises_the_evidence(case, rng):
    """A further fact about an egg is an event: with it the evidence is at most what it was."""
    model = compile_cross(case.cross)
    before = log_evidence(model, case.eggs, case.parent_readings)
    fact = rng.choice([
        CallReading({rng.choice(model.calls): 1.0}),
        CallReading({rng.choice(model.calls): 0.0}, 1.0),
        GenotypeReading(
            (at := rng.choice(case.cross.species.loci)).name, {rng.choice(at.genotypes()): 1.0}
        ),
    ])  # fmt: skip
    e = rng.randrange(len(case.eggs))
    eggs = list(case.eggs)
    eggs[e] = dataclasses.replace(eggs[e], readings=(*eggs[e].readings, fact))
    assert log_evidence(model, eggs, case.parent_readings) <= before + NEAR
    if eggs[e].sex is None:
        by_sex = [
            log_evidence(model, [dataclasses.replace(x, sex=sex) if i == e else x for i, x in enumerate(case.eggs)],
                         case.parent_readings)
            for sex in Sex
        ]  # fmt: skip
        assert max(by_sex) <= before + NEAR
        assert np.logaddexp(*by_sex) == pytest.approx(before, abs=NEAR, rel=NEAR)


@every_clutch
@given(possible_clutches())
def test_facts_that_exclude_one_another_add_up(case):
    """The evidence of a clutch is the sum over what its first egg could look like."""
    model = compile_cross(case.cross)
    first, rest = case.eggs[0], case.eggs[1:]
    by_call = [
        log_evidence(
            model,
            (dataclasses.replace(first, readings=(*first.readings, CallReading({c: 1.0}))), *rest),
            case.parent_readings,
        )
        for c in model.calls
    ]
    total = log_evidence(model, case.eggs, case.parent_readings)
    assert np.logaddexp.reduce(by_call) == pytest.approx(total, abs=NEAR, rel=NEAR)
    chances = np.exp(np.array(by_call) - total)
    assert np.allclose(chances, posterior(case).eggs[0].call_chances, atol=NEAR)


@every_clutch
@given(possible_clutches(), st.randoms(use_true_random=False))
def test_adding_a_sire_with_share_0_changes_nothing(case, rng):
    """Whatever he carries at the loci of the cross."""
    cross = case.cross
    extra = Parent("nobody", Sex.MALE, dict(_any_genotypes(cross, rng)))
    more = dataclasses.replace(cross, sires=(*cross.sires, extra), shares=(*cross.shares, Fraction(0)))
    before = summary(posterior(case))
    after = summary(posterior(dataclasses.replace(case, cross=more)))
    if len(cross.sires) == 1:
        # With one sire a shared clutch has no meaning; with two candidates its chance is the prior, and nothing informs it.
        assert after[("mixed",)] == pytest.approx(before[("mixed",)], abs=NEAR)
    agree(before, {key: p for key, p in after.items() if key[0] != "nobody" and key[1:] != ("sire", "nobody")})
    assert all(p == 0 for key, p in after.items() if key[1:] == ("sire", "nobody"))


def _any_genotypes(cross: Cross, rng: Random):
    for name in compile_cross(cross).locus_names:
        at = cross.species.locus(name)
        if any(name in (x.first, x.second) for x in cross.linkages):
            continue
        by_chromosome = at.sex_linked and cross.species.heterogametic is Sex.MALE
        genotypes = [
            g for g in at.genotypes(by_chromosome=by_chromosome) if at.hatch_rate(g) > 0
        ]
        yield name, GenotypePrior.known(rng.choice(genotypes))


@every_clutch
@given(possible_clutches())
def test_no_animal_has_three_alleles_of_a_series(case):
    """A hatchling has at most two mutants of a series, and only such as its parents have."""
    found = posterior(case)
    for e, egg in enumerate(found.eggs):
        for at, chances in egg.loci.items():
            carried = {
                a
                for one in (case.cross.dam, *case.cross.sires)
                if isinstance(one, Parent) and at in one.loci
                for g, p in one.loci[at].states
                if p > 0
                for a in g.alleles
            } | {NORMAL}
            assert all(set(g.alleles) <= carried for g, p in chances.items() if p > 0)
        for chance in found.calls(e):
            for at, word in chance.call.looks:
                locus = case.cross.species.locus(at)
                assert word in {locus.look(g) for g in egg.loci[at]}


@every_clutch
@given(possible_clutches())
def test_unlinked_loci_multiply_with_one_sire_and_facts_by_locus(case):
    """With one sire, known parents' facts by locus and no joint reading, the evidence is a product over blocks."""
    cross = case.cross
    assume(len(cross.sires) == 1)
    model = compile_cross(cross)
    assume(len(model.blocks) > 1 and all(b.every_pair_has_young for b in model.blocks))
    facts = [
        GenotypeReading(name, {g: 1.0 + i for i, g in enumerate(model.species.locus(name).genotypes())}, 0.5)
        for name in model.locus_names
    ]
    together = log_evidence(model, [Egg("one", None, tuple(facts)), Egg("other", None, tuple(facts))])
    apart = 0.0
    for block in model.blocks:
        some = tuple(f for f in facts if f.locus in block.loci)
        apart += log_evidence(model, [Egg("one", None, some), Egg("other", None, some)])
    assert together == pytest.approx(apart, abs=NEAR, rel=NEAR)


def test_wild_type_of_everything_is_one_call():
    """Nobody carries anything: the only call is normal, with certainty, and the evidence is the readings' own."""
    of = draw_case(Random(0)).cross.species
    cross = Cross(of, Parent("dam", Sex.FEMALE), (Parent("sire", Sex.MALE),), (Fraction(1),), Fraction(0))
    found = infer(compile_cross(cross), [Egg("one", None, (CallReading({VisualCall(): 0.25}),))])
    assert [(c.call.name, c.probability) for c in found.calls(0)] == [("normal", 1.0)]
    assert found.log_evidence == pytest.approx(math.log(0.25))
