"""Drawn collections: small ones for the reference, and one like a keeper's of ten years for the benchmark."""

import random
from dataclasses import replace
from fractions import Fraction

from triage.genetics.collection import Animal, Clutch, Collection
from triage.records import (
    NORMAL,
    CallReading,
    Genotype,
    GenotypePrior,
    GenotypeReading,
    Linkage,
    Parthenogenesis,
    Phase,
    Sex,
)
from triage.species import load_species

SPECIES = load_species("ball python")
#: A recessive, an incomplete dominant, a series with a lethal-free compound, a gene whose two copies do not hatch, a sex-linked one.
SMALL_LOCI = ("clown", "pastel", "fire series", "spider", "banana")
TWELVE = ("clown", "piebald", "ghost", "albino", "genetic stripe", "lavender albino", "pastel", "enchi", "fire series",
          "blue-eyed-leucistic series", "dark series", "leopard")  # fmt: skip


def mutants(locus):
    return SPECIES.locus(locus).allele_names


def drawn_prior(draw, locus, sex):
    """A known genotype, a possible het, or something wider."""
    found = SPECIES.locus(locus)
    by_chromosome = found.sex_linked and sex is SPECIES.heterogametic
    names = list(mutants(locus))[:2]

    def make(a, b):
        return Genotype(a, b, True) if by_chromosome else Genotype(a, b)

    carried = make(draw.choice(names), NORMAL)
    wild = make(NORMAL, NORMAL)
    kind = draw.random()
    if kind < 0.25:
        return GenotypePrior.known(carried)
    if kind < 0.65:
        p = draw.choice([Fraction(1, 2), Fraction(2, 3), Fraction(1, 3)])
        return GenotypePrior(((carried, p), (wild, 1 - p)))
    double = make(names[0], draw.choice(names))
    if found.hatch_rate(double) == 0:
        return GenotypePrior.known(wild)
    return GenotypePrior(((double, Fraction(1, 5)), (carried, Fraction(3, 10)), (wild, Fraction(1, 2))))


def drawn_reading(draw, loci):
    """A laboratory's result at one locus, or a soft look over two or three calls."""
    locus = SPECIES.locus(draw.choice(loci))
    if draw.random() < 0.4:
        genotypes = locus.genotypes() + (locus.genotypes(by_chromosome=True) if locus.sex_linked else ())
        return GenotypeReading(locus.name, {g: draw.uniform(0.05, 1) for g in genotypes if draw.random() < 0.8}, 0.1)
    calls = {}
    for _ in range(draw.randint(1, 3)):
        genotypes = {}
        for name in loci:
            alleles = [*mutants(name)[:2], NORMAL]
            genotypes[name] = Genotype(draw.choice(alleles), draw.choice(alleles))
        calls[SPECIES.call(genotypes)] = draw.uniform(0.2, 1)
    return CallReading(calls, draw.choice([0.02, 0.2]))


def small_collection(seed):
    """Three or four founders and up to four young in two or three clutches; loops and two sires are common."""
    draw = random.Random(seed)
    loci = draw.sample(SMALL_LOCI, draw.choice([1, 2, 2]))
    animals, clutches = {}, {}

    def founder(name, sex):
        known = {locus: drawn_prior(draw, locus, sex) for locus in loci if draw.random() < 0.8}
        animals[name] = Animal(name, sex, known, tuple(drawn_reading(draw, loci) for _ in range(draw.random() < 0.25)))

    founder("F1", Sex.FEMALE)
    founder("M1", Sex.MALE)
    if draw.random() < 0.6:
        founder("M2", Sex.MALE)
    for number in range(draw.choice([2, 2, 3])):
        females = [a.name for a in animals.values() if a.sex is Sex.FEMALE]
        males = [a.name for a in animals.values() if a.sex is Sex.MALE]
        dam = draw.choice(females)  # a daughter may be bred back to her father, a son to his mother
        sires = tuple(draw.sample(males, min(len(males), draw.choice([1, 1, 2]))))
        shares = (1,) if len(sires) == 1 else (Fraction(4, 5), Fraction(1, 5))
        clutches[f"C{number}"] = Clutch(f"C{number}", dam, sires, shares, Fraction(1, 10) if len(sires) > 1 else 0)
        for egg in range(draw.choice([1, 2]) if number < 2 else 1):
            name = f"E{number}{egg}"
            sex = draw.choice([Sex.FEMALE, Sex.MALE, Sex.MALE, None])
            readings = tuple(drawn_reading(draw, loci) for _ in range(draw.choice([0, 1, 1])))
            animals[name] = Animal(name, sex, {}, readings, f"C{number}")
    return Collection(SPECIES, animals, clutches)


def odd_collection(seed):
    """As `small_collection`, with what few clutches have: no father, lost eggs, linked loci, rates of their own, unsexed founders."""
    draw = random.Random(1000 + seed)
    whole = small_collection(seed)
    animals, clutches = dict(whole.animals), dict(whole.clutches)
    loci = list(dict.fromkeys(locus for animal in animals.values() for locus in animal.known))
    autosomal = [locus for locus in loci if not SPECIES.locus(locus).sex_linked]
    linked = len(autosomal) == 2 and draw.random() < 0.6
    for name, clutch in clutches.items():
        more = {"crossover": {"banana": draw.choice([0.0, 0.3])}} if draw.random() < 0.5 else {}
        if linked and draw.random() < 0.7:
            phases = {one: draw.choice(list(Phase)) for one in animals if draw.random() < 0.25}  # of founders and of young
            known = {one: phase for other in clutches.values() for linkage in other.linkages for one, phase in linkage.phases.items()}
            rates = {Sex.FEMALE: 0.1, Sex.MALE: draw.choice([0.1, 0.25])}
            more["linkages"] = (Linkage(*autosomal, rates, phases | {one: known[one] for one in phases if one in known}),)
        elif draw.random() < 0.4 and not linked:
            alone = Parthenogenesis(kept_heterozygosity=draw.choice([0.0, 0.3]))
            more |= {"sires": (*clutch.sires, alone), "shares": (*(share * Fraction(3, 4) for share in clutch.shares), Fraction(1, 4)),
                     "mixed": draw.choice([0, Fraction(1, 2)])}  # fmt: skip
        if draw.random() < 0.4:
            animals[f"L{name}"] = Animal(f"L{name}", clutch=name, hatched=False)
            more["other_loss"] = draw.choice([0.1, 0.4])
        clutches[name] = replace(clutch, **more)
    if "banana" in loci and draw.random() < 0.7:
        either = [drawn_prior(draw, "banana", sex).states for sex in Sex]
        mixed = {genotype: p / 2 for states in either for genotype, p in states}
        known = {"banana": GenotypePrior(tuple(mixed.items()))} if draw.random() < 0.7 else {}
        animals["U1"] = Animal("U1", None, known, (drawn_reading(draw, loci),))
    return Collection(SPECIES, animals, clutches)


def keepers_collection(n_clutches=400, n_eggs=5, years=10, seed=1, loci=TWELVE):
    """A collection of founders with papers, `n_clutches` over the years with their young, one in ten kept and bred.

    Genotypes are drawn forwards, so that what is recorded of each young (its look, as a fact for most and as a soft reading for some)
    is possible. A male serves several females, a few daughters go back to their father, a few clutches have a second male.
    """
    draw = random.Random(seed)
    animals, clutches, truth = {}, {}, {}
    ready = {Sex.FEMALE: [], Sex.MALE: []}
    n_founders = max(6, n_clutches // 8)
    for number in range(n_founders):
        sex = Sex.FEMALE if number % 3 else Sex.MALE
        known, genotypes = {}, {}
        for locus in loci:
            chance = draw.random()
            first = draw.choice(mutants(locus)[:2])
            if chance < 0.10:
                known[locus] = GenotypePrior.known(Genotype(first, NORMAL))
                genotypes[locus] = Genotype(first, NORMAL)
            elif chance < 0.16 and not SPECIES.locus(locus).look(Genotype(first, NORMAL)):
                p = draw.choice([Fraction(1, 2), Fraction(2, 3)])
                known[locus] = GenotypePrior(((Genotype(first, NORMAL), p), (Genotype(NORMAL, NORMAL), 1 - p)))
                genotypes[locus] = Genotype(first, NORMAL) if draw.random() < p else Genotype(NORMAL, NORMAL)
        name = f"founder {number}"
        animals[name] = Animal(name, sex, known)
        truth[name] = genotypes
        ready[sex].append(name)
    for number in range(n_clutches):
        if number % max(1, n_clutches // years) == 0:
            waiting = [a for a in animals.values() if a.clutch is not None and a.sex is not None]
            for animal in waiting:
                if animal.name not in ready[animal.sex]:
                    ready[animal.sex].append(animal.name)
        dam = draw.choice(ready[Sex.FEMALE])
        males = draw.sample(ready[Sex.MALE], 2 if draw.random() < 0.08 and len(ready[Sex.MALE]) > 1 else 1)
        father = animals[dam].clutch and clutches[animals[dam].clutch].sires[0]
        if father and draw.random() < 0.05:
            males = [father]
        name = f"clutch {number}"
        shares = (1,) if len(males) == 1 else (Fraction(9, 10), Fraction(1, 10))
        clutches[name] = Clutch(name, dam, tuple(males), shares, Fraction(1, 10) if len(males) > 1 else 0)
        for egg in range(n_eggs):
            label = f"{number}-{egg}"
            genotypes = {}
            for locus in loci:
                pair = []
                for parent in (dam, males[0]):
                    whole = truth[parent].get(locus, Genotype(NORMAL, NORMAL))
                    pair.append(draw.choice(whole.alleles))
                if pair != [NORMAL, NORMAL]:
                    genotypes[locus] = Genotype(*pair)
            kept = draw.random() < 0.10
            call = SPECIES.call(genotypes)
            kind = draw.random()
            reading = CallReading({call: 1.0}, 0.0) if kind < 0.8 else CallReading({call: 0.9}, 0.02)
            readings = (reading,) if kind < 0.92 else ()
            sex = draw.choice([Sex.FEMALE, Sex.FEMALE, Sex.MALE]) if kept else None
            animals[label] = Animal(label, sex, {}, readings, name)
            truth[label] = genotypes
    return Collection(SPECIES, animals, clutches)
