"""Genes nobody recorded: against enumeration, against binomial chances of scipy, and what must not raise an alarm."""

import math
import random
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from scipy.stats import binom

from triage.errors import ContradictionError, UnsupportedInheritanceError
from triage.genetics.collection import Animal, Clutch, Collection, suspicions
from triage.genetics.collection.network import Network
from triage.genetics.collection.suspicions import kept_at, spoke_of, to_open, weigh_suspicions, with_opened
from triage.genetics.readings import keeper_reading, silent_on
from triage.genetics.references.collection import enumerate_collection
from triage.records import CallReading, Genotype, GenotypePrior, GenotypeReading, Sex, VisualCall
from triage.species import load_species, parse_call, parse_parent

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[2] / "bench"))
import bench_suspicions
from draws import odd_collection, small_collection

SPECIES = load_species("ball python")
BACKGROUND = 0.025
SHOWN = VisualCall((("yellow-belly series", "yellow belly"),))
MOST_STATES = 2_000


def named_by(collection):
    """The likeliest call of every reading that lists calls."""
    calls = {name: [r for r in a.readings if isinstance(r, CallReading)] for name, a in collection.animals.items()}
    return {name: [max(r.likelihoods, key=r.likelihoods.get) for r in own] for name, own in calls.items() if own}


def fixed(collection):
    return lambda opened: collection


def not_carrying(collection, names, locus, allele):
    """The collection with the fact that some animals do not carry an allele, as readings."""
    found = SPECIES.locus(locus)
    genotypes = found.genotypes() + (found.genotypes(by_chromosome=True) if found.sex_linked else ())
    free = GenotypeReading(locus, {g: 1.0 for g in genotypes if not g.copies(allele)}, 0.0)
    animals = {n: replace(a, readings=(*a.readings, free)) if n in names else a for n, a in collection.animals.items()}
    return replace(collection, animals=animals)


def carried(collection, names, locus, allele):
    """P(one of `names` carries an allele), by enumeration: 1 less the share of the evidence that is left if none does."""
    whole = enumerate_collection(collection).evidence
    return 1 - enumerate_collection(not_carrying(collection, names, locus, allele)).evidence / whole


def forgotten(collection, seed):
    """The collection with one locus gone from the papers of most founders."""
    draw = random.Random(seed)
    locus = draw.choice(sorted(collection.named_loci) or ["clown"])
    animals = {
        n: replace(a, known={x: p for x, p in a.known.items() if x != locus or draw.random() < 0.3})
        for n, a in collection.animals.items()
    }
    return replace(collection, animals=animals)


def drawn(make, seeds):
    """Collections with something to suspect and few enough joint genotypes, one locus opened at a time."""
    for seed in seeds:
        collection = forgotten(make(seed), seed)
        try:
            opened = to_open(collection, named_by(collection))
        except (ContradictionError, UnsupportedInheritanceError):
            continue
        for locus in opened.alleles:
            one = opened.at([locus])
            wider = with_opened(collection, one, BACKGROUND)
            try:
                states = Network(wider).states.values()
            except (ContradictionError, UnsupportedInheritanceError):
                continue
            if math.prod(map(len, states)) <= MOST_STATES and enumerate_collection(wider).evidence > 0:
                yield seed, collection, locus, wider


@pytest.mark.parametrize(
    ("make", "first"), [(small_collection, 0), (small_collection, 60), (odd_collection, 0), (odd_collection, 60)]
)
def test_every_chance_is_what_enumeration_gives(make, first, monkeypatch):
    """Drawn with loops, two sires, sex linkage, linked loci, lost eggs, no father: before and after, one parent and pairs."""
    monkeypatch.setattr(suspicions, "_LISTED", 0.0)  # unlikely pairs are as exact
    n_singles = n_pairs = 0
    for seed, collection, locus, wider in drawn(make, range(first, first + 60)):
        only = {name: [c for c in calls if c.look(locus)] for name, calls in named_by(collection).items()}
        weighed = weigh_suspicions(fixed(collection), only, background=BACKGROUND)
        if weighed.of.keys() != {locus}:
            continue  # a call names another strange locus too: weighed together, which the next test does
        stripped = replace(wider, animals={n: replace(a, readings=()) for n, a in wider.animals.items() if a.hatched})
        for one in weighed.suspicions:
            before, after = (carried(x, one.parents, locus, one.allele) for x in (stripped, wider))
            assert one.prior == pytest.approx(before, abs=1e-10), (seed, one)
            assert one.probability == pytest.approx(after, abs=1e-10), (seed, one)
            if after < 1 - 1e-9:
                assert one.bayes_factor == pytest.approx(after / (1 - after) * (1 - before) / before, rel=1e-6), (seed, one)
            n_singles, n_pairs = n_singles + (len(one.parents) == 1), n_pairs + (len(one.parents) == 2)
    assert n_singles >= 4 and n_pairs >= 1, (n_singles, n_pairs)  # the draws hold what they must


def test_rival_loci_are_summed_together():
    """Half a clutch is taken for either of two strange genes: each is weighed with the other open, by enumeration."""
    first, second = (parse_call(SPECIES, words)[0] for words in ("yellow belly", "enchi"))
    both = CallReading({first: 1.0, second: 0.8}, 0.02)
    plain = CallReading({VisualCall(): 1.0}, 0.05)
    eggs = {f"E{n}": Animal(f"E{n}", None, {}, (both if n % 2 else plain,), "C") for n in range(4)}
    known = {locus: GenotypePrior.known(Genotype("normal", "normal")) for locus in ("yellow-belly series", "enchi")}
    collection = Collection(
        SPECIES, {"D": Animal("D", Sex.FEMALE), "S": Animal("S", Sex.MALE, known), **eggs}, {"C": Clutch("C", "D", ("S",))}
    )
    named = {"E1": [first, second], "E3": [first, second]}
    weighed = weigh_suspicions(fixed(collection), named, background=BACKGROUND)
    wider = with_opened(collection, to_open(collection, named), BACKGROUND)
    assert {one.allele for one in weighed.suspicions} == {"yellow belly", "enchi"}
    for one in weighed.suspicions:
        assert one.probability == pytest.approx(carried(wider, one.parents, one.locus, one.allele), abs=1e-10)
    alone = weigh_suspicions(fixed(collection), {"E1": [first]}, background=BACKGROUND).suspicions[0]
    assert alone.probability > max(one.probability for one in weighed.suspicions) + 0.1


@pytest.mark.parametrize(("n", "k"), [(6, 3), (7, 1), (8, 4), (8, 8), (5, 0)])
def test_one_dam_is_binomial(n, k):
    """Hits of a reading that takes 9 in 10 rightly and 8 in 100 wrongly; chances of k of n by scipy.stats.binom."""
    hit, slip = 0.9, 0.08
    readings = [CallReading({SHOWN: h, VisualCall(): s}, h) for h, s in ((1 - hit, 1 - slip), (hit, slip))]
    eggs = {f"E{i}": Animal(f"E{i}", None, {}, (readings[i < k],), "C") for i in range(n)}
    known = {"yellow-belly series": GenotypePrior.known(Genotype("normal", "normal"))}
    collection = Collection(
        SPECIES, {"D": Animal("D", Sex.FEMALE), "S": Animal("S", Sex.MALE, known), **eggs}, {"C": Clutch("C", "D", ("S",))}
    )
    found = weigh_suspicions(fixed(collection), {f"E{i}": [SHOWN] for i in range(max(1, k))}, background=BACKGROUND).suspicions
    q = BACKGROUND
    het, two, wild = (
        2 * q * (1 - q) * binom.pmf(k, n, (hit + slip) / 2),
        q * q * binom.pmf(k, n, hit),
        (1 - q) ** 2 * binom.pmf(k, n, slip),
    )
    factor = (het + two) / wild * (1 - q) ** 2 / (1 - (1 - q) ** 2)
    if factor > 1:
        assert found[0].bayes_factor == pytest.approx(factor, rel=1e-9) and found[0].parents == ("D",)
    else:
        assert found == ()


def called(words, dam="pastel", sire="normal", mates=()):
    """A family whose young are called by a keeper, and the calls; `mates` are further sires with the calls of their clutches."""
    families = [(sire, words), *mates]
    calls = {w: parse_call(SPECIES, w) for _, young in families for w in young}
    base = parse_call(SPECIES, "normal") + parse_call(SPECIES, "pastel")

    def make(opened):
        choices = opened.calls(SPECIES, base) if opened else base
        animals = {"D": Animal("D", Sex.FEMALE, parse_parent(SPECIES, dam, name="D", sex=Sex.FEMALE).loci)}
        clutches = {}
        for place, (genes, young) in enumerate(families):
            animals[f"S{place}"] = Animal(f"S{place}", Sex.MALE, parse_parent(SPECIES, genes, name="S", sex=Sex.MALE).loci)
            clutches[f"C{place}"] = Clutch(f"C{place}", "D", (f"S{place}",))
            for i, w in enumerate(young):
                reading = keeper_reading(SPECIES, calls[w], choices, accuracy=0.9, lookalike_share=0.8)
                animals[f"E{place}{i}"] = Animal(f"E{place}{i}", None, {}, (reading,), f"C{place}")
        return Collection(SPECIES, animals, clutches)

    return make, {f"E{place}{i}": calls[w] for place, (_, young) in enumerate(families) for i, w in enumerate(young)}


HALF = ["yellow belly", "pastel yellow belly", "normal", "pastel", "yellow belly", "normal"]


def test_half_a_clutch_called_yellow_belly_raises_an_alarm_for_the_pair():
    weighed = weigh_suspicions(*called(HALF), background=BACKGROUND)
    alarms = [one for one in weighed.suspicions if one.alarm]
    assert [(one.parents, one.allele) for one in alarms] == [(("D", "S0"), "yellow belly")]
    told = {one.animal: one.log_odds for one in spoke_of(weighed, alarms[0])}
    assert {name for name, step in told.items() if step > 0} == {"E00", "E01", "E04"} and len(told) == 6


def test_another_mate_says_which_of_the_two():
    weighed = weigh_suspicions(*called(HALF, mates=[("normal", HALF)]), background=BACKGROUND)
    assert [one.parents for one in weighed.suspicions if one.alarm] == [("D",)]
    weighed = weigh_suspicions(
        *called([*HALF, "normal", "yellow belly"], mates=[("normal", ["normal", "pastel"] * 6)]), background=BACKGROUND
    )
    assert [one.parents for one in weighed.suspicions if one.alarm] == [("S0",)]


def test_one_call_in_six_raises_none_and_nothing_named_weighs_nothing():
    assert not any(
        one.alarm
        for one in weigh_suspicions(*called(["yellow belly", *["normal", "pastel"] * 3]), background=BACKGROUND).suspicions
    )
    weighed = weigh_suspicions(*called(["normal", "pastel"]), background=BACKGROUND)
    assert weighed.suspicions == () and weighed.tested == 2 * sum(len(locus.alleles) for locus in SPECIES.loci)


def test_papers_are_believed_where_they_speak():
    """A male recorded as yellow belly explains it; where young have two copies the other parent is suspected, and he is not."""
    assert weigh_suspicions(*called(HALF, sire="yellow belly"), background=BACKGROUND).suspicions == ()
    two = weigh_suspicions(*called([*HALF, "ivory", "ivory"], sire="yellow belly"), background=BACKGROUND)
    assert {one.parents for one in two.suspicions} == {("D",)} and two.suspicions[0].alarm


def test_a_hidden_recessive_shows_beside_a_visual_mate():
    """Half of the young of a recorded clown are called clown: his mate is a het, and nobody else can be."""
    weighed = weigh_suspicions(*called(["clown", "normal", "clown", "pastel"], sire="clown"), background=BACKGROUND)
    (alarm,) = (one for one in weighed.suspicions if one.alarm)
    assert (alarm.parents, alarm.allele) == (("D",), "clown")


def test_a_laboratory_that_finds_what_nobody_carries_is_certain_of_the_pair():
    make, named = called(["normal", "pastel"])
    found = GenotypeReading("clown", {Genotype("clown", "normal"): 1.0}, 0.0)

    def tested(opened):
        whole = make(opened)
        return replace(whole, animals={**whole.animals, "E00": replace(whole.animals["E00"], readings=(found,))})

    top = weigh_suspicions(tested, named, background=BACKGROUND).suspicions[0]
    assert (top.parents, top.allele, top.alarm) == (("D", "S0"), "clown", True)
    assert top.probability == pytest.approx(1) and top.bayes_factor > 1e9


def test_most_planted_genes_are_found_and_none_is_made_up():
    """As `tests/bench/bench_suspicions.py` measures it, on twelve drawn families with a planted gene and twelve without."""
    found, _ = bench_suspicions.measure(3, 12, 1, 0.1)
    assert found["visible found"] + found["recessive found"] >= 9 and found["false"] == 0 and found["refused"] == 0


def test_alarms_keep_the_mean_chance_of_error():
    assert kept_at([0.95, 0.9, 0.86, 0.5], 0.1) == 3  # mean errors .05, .075, .097, .1975
    assert kept_at([0.89], 0.1) == 0 and kept_at([], 0.1) == 0


def test_a_reading_that_never_speaks_of_a_locus_says_nothing_of_it():
    pastel = parse_call(SPECIES, "pastel")[0]
    both = parse_call(SPECIES, "pastel yellow belly")[0]
    photo = CallReading({pastel: 0.9, VisualCall(): 0.2}, 0.2, "photo")
    told = silent_on(photo, ["yellow-belly series"], [pastel, both, SHOWN])
    assert told.likelihoods[both] == 0.9 and told.likelihoods[SHOWN] == 0.2
    spoken = CallReading({pastel: 0.9, VisualCall(): 0.2, SHOWN: 0.05}, 0.05, "photo")
    assert both not in silent_on(spoken, ["yellow-belly series"], [both]).likelihoods
