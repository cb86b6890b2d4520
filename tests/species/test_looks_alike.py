"""Look-alikes among some calls, neighbours and genotypes by look: the quick ways beside the plain ones."""

import itertools
import random

import pytest

from triage.records import Genotype
from triage.species.loader import load_species
from triage.species.looks_alike import lookalikes_among, lookalikes_of, neighbours
from triage.species.shorthand import parse_call


@pytest.fixture(params=["ball python", "corn snake"], scope="module")
def species(request):
    return load_species(request.param)


def calls_of(species, loci):
    """Every call that the looks of some loci make."""
    looks = [sorted({species.locus(name).look(g) for g in species.locus(name).genotypes()}) for name in loci]
    return [species.call_of(dict(zip(loci, words, strict=True))) for words in itertools.product(*looks)]


def test_lookalikes_among_some_calls_are_those_of_the_catalogue(species):
    rng, some = random.Random(4), 0
    for _ in range(12):
        calls = calls_of(species, rng.sample([x.name for x in species.loci if len(x.alleles) < 5], 3))
        calls = rng.sample(calls, k=max(2, len(calls) // 2))
        for call, found in lookalikes_among(species, calls).items():
            assert found == [other for other, _ in lookalikes_of(species, call) if other in set(calls)]
            some += len(found)
    assert some > 20


def test_neighbours_that_may_be(species):
    calls = list(parse_call(species, species.lookalikes[0].first.name))
    every = neighbours(species, calls)
    looks = {(x.name, x.look(g)) for x in species.loci for g in x.genotypes()}
    assert len(every) == len(looks) - len(species.loci)  # each look but the one that the call has
    kept = {x.name for x in species.loci[::2]}
    differs = {call: {name for name, _ in set(call.looks) ^ set(calls[0].looks)} for call in every}
    assert neighbours(species, calls, lambda locus, look: locus in kept) == [c for c in every if differs[c] <= kept]


def test_genotypes_of_a_look(species):
    for locus in species.loci:
        for look in {locus.look(g) for g in locus.genotypes()}:
            assert locus.of_look(look) == tuple(g for g in locus.genotypes() if locus.look(g) == look)
        assert locus.of_look("no such look") == ()
        some = set(locus.allele_names[::2])
        assert locus.genotypes(of=some) == tuple(g for g in locus.genotypes() if set(g.alleles) <= some | {"normal"})


def test_catalogue_order(species):
    names = [x.name for x in species.loci]
    assert species.in_order(reversed([*names, names[0], "no such locus"])) == tuple(names)
    assert all(species.locus_of(a) is x for x in species.loci for a in x.allele_names)
    with pytest.raises(KeyError):
        species.locus_of("no such gene")
    last, first = species.loci[-1], species.loci[0]
    both = {x.name: Genotype(x.alleles[0].name, x.alleles[0].name) for x in (last, first)}
    assert [name for name, _ in species.call({**both, "no such locus": Genotype("a", "b")}).looks] == [first.name, last.name]
