"""Builders for small species and crosses, drawn clutches that cover every mode, the comparison with the reference."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from random import Random

import pytest

from triage.errors import ContradictionError
from triage.genetics.clutch import dense
from triage.genetics.clutch.exact import infer, log_evidence
from triage.genetics.clutch.model import compile_cross
from triage.genetics.clutch.posterior import Posterior
from triage.genetics.references.clutch import Answer, enumerate_clutch
from triage.records import (
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
    Mode,
    Parent,
    Parthenogenesis,
    Phase,
    Reading,
    Sex,
    Species,
    VisualCall,
)

TOLERANCE = 1e-12
RECESSIVE, INCOMPLETE, DOMINANT = Mode.RECESSIVE, Mode.INCOMPLETE_DOMINANT, Mode.DOMINANT


# Builders


def allele(name: str, mode: Mode = INCOMPLETE, *, hatch_rate: float = 1.0) -> Allele:
    """One mutant allele that shows as its mode says; ``hatch_rate`` is that of two copies."""
    return Allele(
        name,
        mode,
        None if mode is RECESSIVE else name,
        f"super {name}" if mode is INCOMPLETE else name,
        two_copies_hatch_rate=hatch_rate,
    )


def locus(name: str, mode: Mode = INCOMPLETE, **more: float) -> Locus:
    """A locus with one mutant allele of the same name; ``crossover`` makes it sex-linked."""
    crossover = more.pop("crossover", None)
    return Locus(name, (allele(name, mode, **more),), crossover=crossover)


def species(*loci: Locus, heterogametic: Sex = Sex.MALE) -> Species:
    """An invented species; males have two kinds of sex chromosome (XY) unless said otherwise."""
    return Species("test", "test snake", "Serpens invicta", heterogametic, tuple(loci))


def prior(chances: Mapping[str, Fraction | float]) -> GenotypePrior:
    """A prior from text such as ``{"clown/normal": Fraction(2, 3), "normal/normal": Fraction(1, 3)}``."""
    return GenotypePrior(tuple((Genotype.parse(text), p) for text, p in chances.items()))


def parent(name: str, sex: Sex, **loci: str | Mapping[str, Fraction | float]) -> Parent:
    """An animal; each locus is a genotype known for certain or chances by genotype."""
    return Parent(
        name, sex, {at: prior({known: Fraction(1)} if isinstance(known, str) else known) for at, known in loci.items()}
    )


def dam(**loci: str | Mapping[str, Fraction | float]) -> Parent:
    return parent("dam", Sex.FEMALE, **loci)


def sire(**loci: str | Mapping[str, Fraction | float]) -> Parent:
    return parent("sire", Sex.MALE, **loci)


def pair(of: Species, mother: Parent, *fathers: Parent | Parthenogenesis, **more) -> Cross:
    """A cross; sires have equal shares and do not mix unless ``shares`` and ``mixed`` say otherwise."""
    shares = more.pop("shares", (Fraction(1, len(fathers)),) * len(fathers))
    return Cross(of, mother, fathers, shares, more.pop("mixed", Fraction(0)), **more)


def call(*looks: tuple[str, str]) -> VisualCall:
    return VisualCall(looks)


def seen(*looks: tuple[str, str]) -> CallReading:
    """A reading without doubt: this call and no other."""
    return CallReading({VisualCall(looks): 1.0})


def eggs_seen(n: int, reading: Reading, start: int = 0) -> list[Egg]:
    """``n`` hatchlings that all read the same."""
    return [Egg(f"egg {start + i}", readings=(reading,)) for i in range(n)]


def hardy_weinberg(frequencies: Mapping[str, float], *, by_chromosome: bool = False) -> GenotypePrior:
    """Genotype chances of an animal from a large population that mates at random, from its allele frequencies."""
    chances: dict[Genotype, float] = {}
    for a, p in frequencies.items():
        for b, q in frequencies.items():
            genotype = Genotype(a, b, by_chromosome)
            chances[genotype] = chances.get(genotype, 0) + p * q
    return GenotypePrior(tuple(chances.items()))


def call_chances(of: Cross) -> dict[str, float]:
    """P(visual call) of one unread hatchling, by the name of the call; impossible calls are absent."""
    return {c.call.name: c.probability for c in infer(compile_cross(of), [Egg("one")]).calls(0)}


def genotype_chances(of: Cross, at: str) -> dict[str, float]:
    """P(genotype) of one unread hatchling at one locus, as text; impossible genotypes are absent."""
    return {str(g): p for g, p in infer(compile_cross(of), [Egg("one")]).eggs[0].loci[at].items() if p > 0}


def carrier(of: Mapping[Genotype, float], allele_name: str) -> float:
    """P(at least one copy of an allele)."""
    return sum(p for g, p in of.items() if g.copies(allele_name))


# Random clutches


@dataclass(frozen=True)
class Case:
    """A drawn clutch."""

    cross: Cross
    eggs: tuple[Egg, ...]
    parent_readings: Mapping[str, Sequence[Reading]] = field(default_factory=dict)


#: Upper bound on (joint parental states) x (ways to give the eggs sires), so that the enumeration stays quick.
LARGEST_ENUMERATION = 400


def draw_species(rng: Random) -> Species:
    """A species with one locus of every kind: names sort on either side of "normal" on purpose."""
    rates = [0.0, 0.25, 0.5, 1.0]
    series = ["opal", "azure", "umber", "coal"][: rng.choice([2, 2, 3, 4])]
    modes = [RECESSIVE, INCOMPLETE, DOMINANT]
    compounds = (
        Compound(frozenset(series[:2]), rng.choice(["storm", "azure"]), hatch_rate=rng.choice(rates)),
    )
    sex_linked = ["maple", "rust"][: rng.choice([1, 1, 2])]
    return species(
        locus("amber", INCOMPLETE),
        locus("zebra", RECESSIVE, hatch_rate=rng.choice([1.0, 1.0, 0.5])),
        Locus("series", tuple(allele(n, rng.choice(modes), hatch_rate=rng.choice(rates)) for n in series), compounds),
        locus("pale", DOMINANT, hatch_rate=rng.choice(rates)),
        Locus(
            "linked to sex",
            tuple(allele(n, rng.choice(modes), hatch_rate=rng.choice([1.0, 1.0, 0.5])) for n in sex_linked),
            crossover=rng.choice([0.0, 0.1, 0.5]),
        ),
        locus("violet", RECESSIVE),
        heterogametic=rng.choice(list(Sex)),
    )


def draw_prior(rng: Random, at: Locus, by_chromosome: bool, most: int) -> GenotypePrior:
    """One to ``most`` genotypes; chances in small whole parts, one of them sometimes 0."""
    genotypes = rng.sample(at.genotypes(by_chromosome=by_chromosome), rng.randint(1, most))
    parts = [rng.randint(0 if i else 1, 4) for i in range(len(genotypes))]
    return GenotypePrior(tuple((g, Fraction(p, sum(parts))) for g, p in zip(genotypes, parts)))


def _draw_cross(rng: Random) -> Cross:
    of = draw_species(rng)
    loci = rng.sample(of.loci, rng.choice([1, 1, 2, 2, 2, 3, 4]))
    most = rng.choice([1, 2, 2, 3])

    def animal(name: str, sex: Sex) -> Parent:
        known = [x for x in loci if rng.random() < 0.85]
        return Parent(
            name, sex, {x.name: draw_prior(rng, x, x.sex_linked and sex is of.heterogametic, most) for x in known}
        )

    mother = animal("dam", Sex.FEMALE)
    fathers: list[Parent | Parthenogenesis] = [animal(f"sire {k}", Sex.MALE) for k in range(rng.choice([1, 2, 2, 3]))]
    linkages: tuple[Linkage, ...] = ()
    if of.heterogametic is Sex.MALE and rng.random() < 0.2:
        fathers[-1] = Parthenogenesis(kept_heterozygosity=rng.choice([0.0, 0.25, 1.0]))
    elif rng.random() < 0.5:
        autosomal = [x.name for x in (loci if rng.random() < 0.9 else of.loci) if not x.sex_linked]
        if len(autosomal) > 1:
            one, other = rng.sample(autosomal, 2)
            phases = {a.name: rng.choice(list(Phase)) for a in (mother, *fathers) if rng.random() < 0.4}
            fraction = {sex: rng.choice([0.0, 0.125, 0.25, 0.5]) for sex in Sex}
            linkages = (Linkage(one, other, fraction, phases),)
    parts = [rng.randint(0 if k else 1, 3) for k in range(len(fathers))]
    rng.shuffle(parts)
    return Cross(
        of,
        mother,
        tuple(fathers),
        tuple(Fraction(p, sum(parts)) for p in parts),
        rng.choice([Fraction(0), Fraction(1, 10), Fraction(1, 2), Fraction(1)]),
        crossover={"linked to sex": rng.choice([0.0, 0.25])} if rng.random() < 0.3 else {},
        linkages=linkages,
    )


def draw_reading(rng: Random, of: Species, calls: Sequence[VisualCall]) -> Reading:
    """A call reading over a few calls, rarely an impossible one, or a laboratory's reading of any locus."""
    values = [0.25, 0.5, 1.0, 2.0, 0.1]
    if rng.random() < 0.7:
        listed = rng.sample(calls, min(len(calls), rng.randint(1, 4)))
        if rng.random() < 0.1:
            listed.append(VisualCall((("violet", "violet"), ("nowhere", "odd"))))
        return CallReading({c: rng.choice(values) for c in listed}, rng.choice([0.0, 0.0625, 0.0625, 0.125, 1.0]))
    at = rng.choice(of.loci)
    genotypes = at.genotypes() + (at.genotypes(by_chromosome=True) if at.sex_linked else ())
    listed = rng.sample(genotypes, rng.randint(1, min(3, len(genotypes))))
    return GenotypeReading(at.name, {g: rng.choice([*values, 0.0]) for g in listed}, rng.choice([0.0, 0.125, 0.5]))


def _n_enumerated(of: Cross, n_eggs: int) -> int:
    states = 1
    for animal in (of.dam, *of.sires):
        if isinstance(animal, Parent):
            for known in animal.loci.values():
                states *= sum(p > 0 for _, p in known.states)
            states *= 2 ** sum(animal.name not in x.phases for x in of.linkages)
    return states * len(of.sires) ** n_eggs


def draw_case(rng: Random) -> Case:
    """A clutch that covers modes and their mixtures and stays small enough to enumerate."""
    while True:
        of = _draw_cross(rng)
        n_eggs = rng.choice([1, 1, 2, 2, 3, 4])
        if _n_enumerated(of, n_eggs) <= LARGEST_ENUMERATION:
            break
    calls = compile_cross(of).calls
    eggs = tuple(
        Egg(
            f"egg {e}",
            rng.choice([None, None, *Sex]),
            tuple(draw_reading(rng, of.species, calls) for _ in range(rng.choice([0, 1, 1, 1, 2]))),
        )
        for e in range(n_eggs)
    )
    parent_readings = {
        animal.name: [draw_reading(rng, of.species, calls)]
        for animal in (of.dam, *of.sires)
        if isinstance(animal, Parent) and rng.random() < 0.15
    }
    return Case(of, eggs, parent_readings)


# Comparison


def verify(
    of: Cross, eggs: Sequence[Egg], parent_readings: Mapping[str, Sequence[Reading]] | None = None
) -> Answer:
    """Assert that every number of the engine equals the enumeration to 1e-12; returns the enumeration's answer.

    The engine has two ways, large tables and locus by locus; both are held to it.
    """
    exact = enumerate_clutch(of, eggs, parent_readings)
    _verify_one_way(exact, of, eggs, parent_readings)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(dense, "LARGEST_TABLE", 0)
        _verify_one_way(exact, of, eggs, parent_readings)
    return exact


def _verify_one_way(exact: Answer, of: Cross, eggs: Sequence[Egg], parent_readings) -> None:
    model = compile_cross(of)
    log = log_evidence(model, eggs, parent_readings)
    if exact.evidence == 0:
        assert log == -math.inf
        with pytest.raises(ContradictionError):
            infer(model, eggs, parent_readings)
        return
    # The logarithm of whole numbers of any size; as a float the evidence may be too small to exist.
    expected_log = math.log(exact.evidence.numerator) - math.log(exact.evidence.denominator)
    assert log == pytest.approx(expected_log, rel=TOLERANCE, abs=TOLERANCE)
    found = infer(model, eggs, parent_readings)
    assert found.log_evidence == pytest.approx(expected_log, rel=TOLERANCE, abs=TOLERANCE)
    near(found.mixed, exact.mixed if len(of.sires) > 1 else of.mixed, "mixed")
    for e, egg in enumerate(eggs):
        assert found.eggs[e].label == egg.label
        same(found.eggs[e].sires, exact.sires[e], f"sires of {egg.label}")
        same(found.eggs[e].sex, exact.sex[e], f"sex of {egg.label}")
        same({c.call: c.probability for c in found.calls(e)}, exact.calls[e], f"calls of {egg.label}")
        assert len(found.eggs[e].call_chances) == len(model.calls) == model.n_calls
        assert tuple(found.eggs[e].loci) == model.locus_names
        for at in model.locus_names:
            same(found.eggs[e].loci[at], exact.loci[e][at], f"{at} of {egg.label}")
    animals = [a for a in (of.dam, *of.sires) if isinstance(a, Parent)]
    assert [p.name for p in found.parents] == [a.name for a in animals]
    for one, known in zip(found.parents, exact.parents, strict=True):
        assert one.role == ("dam" if one.name == of.dam.name else "sire")
        for at in model.locus_names:
            same(one.loci[at], known[at], f"{at} of {one.name}")


def verify_parents_only(of: Cross) -> None:
    """Assert that what the parents alone say of a hatchling equals the enumeration without readings."""
    model = compile_cross(of)
    exact = enumerate_clutch(of, [Egg("one")])
    if exact.evidence:
        same(dict(zip(model.calls, model.expected_calls(), strict=True)), exact.calls[0], "parents only")


def same(found: Mapping, exact: Mapping, what: str) -> None:
    """Two distributions agree; a key that one lacks counts as 0."""
    for key in {**found, **exact}:
        near(found.get(key, 0.0), exact.get(key, 0), f"{what}: {key}")


def near(found: float, exact: Fraction | float, what: str) -> None:
    assert abs(float(found) - float(exact)) <= TOLERANCE, f"{what}: engine {float(found)!r}, exact {float(exact)!r}"


def proved(
    of: Cross, eggs: Sequence[Egg], parent_readings: Mapping[str, Sequence[Reading]] | None = None
) -> Posterior:
    """The engine's posterior, after it was found equal to the enumeration: a check of both against an outside number."""
    verify(of, eggs, parent_readings)
    return infer(compile_cross(of), eggs, parent_readings)
