"""A collection of one clutch has the posterior of that clutch sorted alone, whatever else the collection holds."""

import math
from collections import Counter
from dataclasses import replace
from functools import cache
from random import Random

import pytest
from support import draw_case

from triage.errors import ContradictionError, UnsupportedInheritanceError
from triage.genetics.clutch.exact import infer
from triage.genetics.clutch.model import compile_cross
from triage.genetics.collection import Animal, Clutch, Collection, chance_of_call, infer_collection
from triage.genetics.references.collection import enumerate_collection
from triage.records import (
    NORMAL,
    CallReading,
    Egg,
    Genotype,
    GenotypePrior,
    GenotypeReading,
    Linkage,
    Parent,
    Parthenogenesis,
    Phase,
    Sex,
)

CLUTCHES = 500


@cache
def drawn_clutch(seed):
    """A cross, its eggs, readings of its parents and the chance of other losses; some of the eggs lost."""
    draw = Random(seed)
    case = draw_case(draw)
    lost = [Egg(f"lost {n}", hatched=False) for n in range(draw.choice([0, 0, 0, 1, 2]))]
    cross, no_sire = case.cross, [sire for sire in case.cross.sires if isinstance(sire, Parthenogenesis)]
    if no_sire and draw.random() < 0.4:
        cross = replace(cross, sires=tuple(no_sire), shares=(1,))
    return cross, (*case.eggs, *lost), case.parent_readings, draw.choice([0.0, 0.1, 0.5])


@cache
def sorted_alone(seed):
    """What the engine of a clutch answers or refuses."""
    cross, eggs, parent_readings, other_loss = drawn_clutch(seed)
    return answer_or_refusal(lambda: infer(compile_cross(cross), eggs, parent_readings, other_loss=other_loss))


def as_collection(cross, eggs, parent_readings, other_loss, more=()):
    """The same clutch as a collection, with more animals and clutches beside it."""
    parents = [one for one in (cross.dam, *cross.sires) if isinstance(one, Parent)]
    animals = [Animal(p.name, p.sex, dict(p.loci), tuple(parent_readings.get(p.name, ()))) for p in parents]
    animals += [Animal(egg.label, egg.sex, {}, egg.readings, "clutch", egg.hatched is not False) for egg in eggs]
    sires = tuple(sire if isinstance(sire, Parthenogenesis) else sire.name for sire in cross.sires)
    clutch = Clutch("clutch", cross.dam.name, sires, cross.shares, cross.mixed, dict(cross.crossover), cross.linkages, other_loss)
    animals += [one for one in more if isinstance(one, Animal)]
    clutches = [clutch, *(one for one in more if isinstance(one, Clutch))]
    return Collection(cross.species, {one.name: one for one in animals}, {one.name: one for one in clutches})


def strangers(cross, draw):
    """A family that has nothing to do with the cross: open at every locus but those of the sex, with a lost egg and a linkage."""
    loci = [locus for locus in cross.species.loci if not locus.sex_linked]
    wild = Genotype(NORMAL, NORMAL)
    known = {x.name: GenotypePrior(((Genotype(x.allele_names[0], NORMAL), 0.5), (wild, 0.5))) for x in loci}
    pairs = [(linkage.second, linkage.first) for linkage in cross.linkages]
    if not pairs and not any(isinstance(sire, Parthenogenesis) for sire in cross.sires):
        pairs = [tuple(x.name for x in draw.sample(loci, 2))]
    linkages = tuple(Linkage(*pair, dict.fromkeys(Sex, 0.1), {"other dam": Phase.COUPLING}) for pair in pairs)
    return (
        Animal("other dam", Sex.FEMALE, known),
        Animal("other sire", Sex.MALE, known),
        Animal("other young", Sex.MALE, clutch="other"),
        Animal("other lost", clutch="other", hatched=False),
        Clutch("other", "other dam", ("other sire",), linkages=linkages),
    )


def answer_or_refusal(work, *what):
    try:
        return work(*what)
    except (ContradictionError, UnsupportedInheritanceError) as refusal:
        return refusal


def differences(alone, collection, together):
    """Largest difference by kind of number; genotypes that one of the two leaves out count as 0."""
    worst = Counter()

    def compare(kind, one, other):
        worst[kind] = max(worst[kind], *(abs(one.get(key, 0.0) - other.get(key, 0.0)) for key in {*one, *other}))

    wild = {Genotype(NORMAL, NORMAL, by): 1.0 for by in (True, False)}
    for place, egg in enumerate(alone.eggs):
        if len(alone.model.sire_names) > 1:
            compare("sires", egg.sires, together.sires[egg.label])
        if collection.animals[egg.label].sex is None:
            compare("sex", egg.sex, together.sex[egg.label])
        for chance in alone.calls(place)[:2]:
            found = chance_of_call(collection, together, egg.label, chance.call)
            compare("calls", {"": chance.probability}, {"": found})
    for kind, name, loci in [
        *(("loci", egg.label, egg.loci) for egg in alone.eggs),
        *(("parents", parent.name, parent.loci) for parent in alone.parents),
    ]:
        for locus, table in loci.items():
            if locus in together.loci[name]:
                compare(kind, table, together.loci[name][locus])
            else:  # the collection says that it can only be wild type
                compare(kind, {"": sum(p for genotype, p in table.items() if genotype in wild)}, {"": 1.0})
    return worst


@pytest.mark.parametrize("first", range(0, CLUTCHES, 50))
def test_one_clutch_has_the_posterior_of_the_clutch_engine(first):
    """Every mode, several sires or none, linkage, crossing-over, lost eggs, sexed eggs, readings of eggs and parents, XY and ZW."""
    for seed in range(first, first + 50):
        cross, eggs, parent_readings, other_loss = drawn_clutch(seed)
        collection = as_collection(cross, eggs, parent_readings, other_loss)
        alone = sorted_alone(seed)
        together = answer_or_refusal(infer_collection, collection)
        if isinstance(alone, Exception):
            assert type(together) is type(alone), seed
            continue
        assert not isinstance(together, Exception), (seed, together)
        assert all(p < 1e-9 for p in differences(alone, collection, together).values()), seed
        # A stated sex counts half where it is evidence; the collection counts it only if it tells candidates apart.
        stated = 0 if any(isinstance(sire, Parthenogenesis) for sire in cross.sires) else sum(egg.sex is not None for egg in eggs)
        assert together.log_evidence - stated * math.log(2) == pytest.approx(alone.log_evidence, abs=1e-9), seed
        lost = {egg.label for egg in eggs if egg.hatched is False}
        assert lost.isdisjoint({*together.loci, *together.sires, *together.sex}), seed


def test_a_clutch_keeps_its_posterior_beside_another_family():
    """Loci that only strangers carry, link or lose eggs by change nothing; linked at 1/2, what a clutch does not link stays apart."""
    compared = 0
    for seed in range(CLUTCHES, CLUTCHES + 200):
        cross, eggs, parent_readings, other_loss = drawn_clutch(seed)
        alone = sorted_alone(seed)
        if isinstance(alone, Exception):
            continue
        collection = as_collection(cross, eggs, parent_readings, other_loss, strangers(cross, Random(seed)))
        assert all(p < 1e-9 for p in differences(alone, collection, infer_collection(collection)).values()), seed
        compared += 1
    assert compared > 120


def test_the_drawn_clutches_agree_with_enumeration_too():
    """So the enumeration is held to species with other hatch rates, and with ZW females."""
    compared = 0
    for seed in range(CLUTCHES):
        cross, eggs, parent_readings, other_loss = drawn_clutch(seed)
        open_loci = sum(len(one.loci) for one in (cross.dam, *cross.sires) if isinstance(one, Parent))
        if len(eggs) > 3 or open_loci > 4:
            continue
        collection = as_collection(cross, eggs, parent_readings, other_loss)
        together = answer_or_refusal(infer_collection, collection)
        if isinstance(together, UnsupportedInheritanceError):
            continue
        answer = enumerate_collection(collection)
        if isinstance(together, ContradictionError):
            assert answer.evidence == 0, seed
            continue
        assert together.log_evidence == pytest.approx(math.log(answer.evidence), abs=1e-10), seed
        for name, loci in answer.loci.items():
            for locus, table in loci.items():
                for genotype, p in table.items():
                    if locus in together.loci[name] or set(genotype.alleles) != {NORMAL}:
                        assert together.chance(name, locus, genotype) == pytest.approx(p, abs=1e-10), (seed, name, locus)
        compared += 1
    assert compared > 80


def test_the_drawn_clutches_hold_what_they_must():
    found = Counter()
    for seed in range(CLUTCHES):
        cross, eggs, parent_readings, _ = drawn_clutch(seed)
        if isinstance(sorted_alone(seed), Exception):
            continue
        alone = sum(isinstance(sire, Parthenogenesis) for sire in cross.sires)
        carried = {name for one in (cross.dam, *cross.sires) if isinstance(one, Parent) for name in one.loci}
        readings = [(where, r) for where, rs in (("egg", [r for e in eggs for r in e.readings]),
                    ("parent", [r for rs in parent_readings.values() for r in rs])) for r in rs]  # fmt: skip
        found.update(
            {
                "several sires": len(cross.sires) > 1,
                "mixed": len(cross.sires) > 1 and 0 < cross.mixed < 1,
                "no sire": alone == len(cross.sires),
                "perhaps no sire": 0 < alone < len(cross.sires),
                "perhaps no sire, sexed": 0 < alone < len(cross.sires) and any(egg.sex for egg in eggs),
                "series": "series" in carried,
                "sex-linked, sexed": "linked to sex" in carried and any(egg.sex for egg in eggs),
                "sex-linked, unsexed": "linked to sex" in carried and any(egg.sex is None and egg.hatched is not False for egg in eggs),
                "crossing-over of its own": "linked to sex" in carried and bool(cross.crossover),
                "linked, phase stated": any({one.first, one.second} <= carried and one.phases for one in cross.linkages),
                "linked, phase open": any({one.first, one.second} <= carried and not one.phases for one in cross.linkages),
                "lost": any(egg.hatched is False for egg in eggs),
                "ZW": cross.species.heterogametic is Sex.FEMALE,
                **{f"{where}: {kind.__name__}": any(w == where and isinstance(r, kind) for w, r in readings)
                   for where in ("egg", "parent") for kind in (CallReading, GenotypeReading)},
            }
        )  # fmt: skip
    assert min(found.values()) >= 5, found
