"""Genes nobody recorded: how often found, how often suspected where there is none. `python tests/bench/bench_suspicions.py`.

Drawn families of one dam with one clutch, or with three clutches by three males; half of them with a planted gene. The parents'
recorded genes are drawn. The planted gene is one copy in the dam of any gene of the catalogue: beside plain mates where one copy
shows, beside recorded het or visual mates where it is recessive. Clutch sizes are the catalogue's. The keeper is right with
chance 0.9; of the mistakes 8 in 10 take any of the catalogue's look-alikes, the others add or leave out a gene at random: a wilder eye
than the one that is reckoned with, which takes only calls that are about.
"""

import argparse
import random
from collections import Counter

import numpy as np

from triage.genetics.clutch.alternatives import BACKGROUND
from triage.genetics.collection import Animal, Clutch, Collection
from triage.genetics.collection.suspicions import weigh_suspicions
from triage.genetics.readings import keeper_reading
from triage.proving.plans.seasons import EggCount
from triage.records import NORMAL, Genotype, GenotypePrior, Sex
from triage.species import load_species
from triage.species.hiding import missed, shown
from triage.species.looks_alike import lookalikes_of

SPECIES = load_species("ball python")
EGGS = EggCount.of_species(SPECIES)
#: Genes that a drawn parent may be recorded with.
_RECORDED = ("pastel", "enchi", "mojave", "pinstripe", "clown", "piebald", "spotnose", "leopard")


def look_of(genes):
    return shown(SPECIES, SPECIES.call(genes))


def one_copy(allele):
    return SPECIES.call({SPECIES.locus_of(allele).name: Genotype(allele, NORMAL)})


def drawn_call(draw, true):
    """What the keeper calls an animal of this look."""
    u = draw.random()
    if u < 0.9:
        return true
    alike = [call for call, _ in lookalikes_of(SPECIES, true)]
    if u < 0.98 and alike:
        return draw.choice(alike)
    locus = draw.choice(SPECIES.loci)
    return SPECIES.call_of(
        {**dict(true.looks), locus.name: "" if true.look(locus.name) else draw.choice(locus.alleles).two_copies_name}
    )


def family(seed, n_males, planted):
    """Collection maker, named calls, and what was planted: (parent, allele), None where nothing was."""
    draw = random.Random(seed)
    names = ["D", *(f"S{n}" for n in range(n_males))]
    truth = {name: {} for name in names}
    for name in names:
        for gene in draw.sample(_RECORDED, draw.choice([0, 1, 2])):
            truth[name][SPECIES.locus_of(gene).name] = Genotype(gene, NORMAL)
    papers = {name: {x: GenotypePrior.known(g) for x, g in genes.items()} for name, genes in truth.items()}
    secret = None
    if planted:
        taken = {x for genes in truth.values() for x in genes}
        free = [
            a for x in SPECIES.loci if x.name not in taken and not x.sex_linked for a in x.alleles if a.two_copies_hatch_rate > 0
        ]
        allele = draw.choice([a for a in free if not missed(SPECIES, one_copy(a.name))])
        locus = SPECIES.locus_of(allele.name).name
        truth["D"][locus] = Genotype(allele.name, NORMAL)
        if not allele.one_copy_name:  # a recessive shows beside mates that carry it
            for name in names[1:]:
                truth[name][locus] = Genotype(allele.name, draw.choice([allele.name, NORMAL]))
                papers[name][locus] = GenotypePrior.known(truth[name][locus])
        secret = ("D", locus, allele.name)
    young, calls = {}, {}
    for male in names[1:]:
        n_eggs = draw.choices(range(len(EGGS.chances)), EGGS.chances)[0]
        for n in range(n_eggs):
            genes = {}
            for locus in {**truth["D"], **truth[male]}:
                plain = Genotype(NORMAL, NORMAL)
                genes[locus] = Genotype(*(draw.choice(truth[parent].get(locus, plain).alleles) for parent in ("D", male)))
            calls[f"{male}-{n}"], young[f"{male}-{n}"] = (drawn_call(draw, look_of(genes)),), male
    possible = {male: possible_calls(papers["D"], papers[male]) for male in names[1:]}

    def make(opened):
        animals = {name: Animal(name, Sex.MALE if name != "D" else Sex.FEMALE, papers[name]) for name in names}
        choices = {male: opened.calls(SPECIES, own) if opened else own for male, own in possible.items()}
        for name, male in young.items():
            reading = keeper_reading(SPECIES, calls[name], choices[male], accuracy=0.9, lookalike_share=0.8)
            animals[name] = Animal(name, None, {}, (reading,), male)
        return Collection(SPECIES, animals, {male: Clutch(male, "D", (male,)) for male in names[1:]})

    return make, calls, secret


def possible_calls(dam, sire):
    """Every call the young of two recorded parents can show."""
    found = [{}]
    for locus in SPECIES.in_order({**dam, **sire}):
        of = [{a for g, _ in one[locus].states for a in g.alleles} if locus in one else {NORMAL} for one in (dam, sire)]
        looks = {SPECIES.locus(locus).look(Genotype(a, b)) for a in of[0] for b in of[1]}
        found = [{**one, locus: look} for one in found for look in sorted(looks)]
    return tuple(dict.fromkeys(look_of_words(one) for one in found))


def look_of_words(words):
    return shown(SPECIES, SPECIES.call_of(words))


def measure(n_males, n, seed, false_alarms):
    """Counts over `n` planted and `n` plain families."""
    found = Counter()
    chances = []
    for number in range(2 * n):
        make, calls, secret = family(seed + number, n_males, number < n)
        weighed = weigh_suspicions(make, calls, background=BACKGROUND, false_alarms=false_alarms)
        alarms = [one for one in weighed.suspicions if one.alarm]
        true = [a for a in alarms if secret and secret[0] in a.parents and secret[1:] == (a.locus, a.allele)]
        kind = "planted" if secret else "plain"
        if secret:
            of = "recessive" if not SPECIES.locus(secret[1]).allele(secret[2]).one_copy_name else "visible"
            found[f"{of} planted"] += 1
            found[f"{of} found"] += bool(true)
            found["found alone"] += any(len(a.parents) == 1 for a in true)
        found[f"{kind} families with a false alarm"] += len(alarms) > len(true)
        found["alarms"] += len(alarms)
        found["false"] += len(alarms) - len(true)
        found["pairs weighed"] += weighed.tested
        found["refused"] += len(weighed.refused)
        chances += [a.probability for a in alarms]
    return found, float(np.mean(chances)) if chances else 1.0


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--families", type=int, default=400, help="with a planted gene, and as many without")
    parser.add_argument("--seed", type=int, default=20310801)
    parser.add_argument("--false-alarms", type=float, default=0.1)
    given = parser.parse_args()
    print(
        f"{given.families} families with a planted gene, {given.families} without; bound on false alarms {given.false_alarms:g}"
    )
    print(
        "clutches | found, visible gene | found, recessive | of these one parent alone | false alarm, planted | "
        "false alarm, plain | alarms | of them false | said to be false | pairs of parent and gene"
    )
    for n_males in (1, 3):
        found, mean = measure(n_males, given.families, given.seed, given.false_alarms)
        n = given.families
        print(
            f"{n_males:8d} | {found['visible found']} of {found['visible planted']} | {found['recessive found']} of "
            f"{found['recessive planted']} | {found['found alone']} | {found['planted families with a false alarm']} of {n} | "
            f"{found['plain families with a false alarm']} of {n} | {found['alarms']} | {found['false']} "
            f"({found['false'] / max(1, found['alarms']):.1%}) | {1 - mean:.1%} | {found['pairs weighed']}"
            + (f"; {found['refused']} loci refused" if found["refused"] else ""),
            flush=True,
        )


if __name__ == "__main__":
    main()
