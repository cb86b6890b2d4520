"""From genotypes to settings of the drawing."""

import itertools

import pytest
import torch

from triage.errors import UnknownNameError
from triage.hatchery import decode, draws, encode
from triage.hatchery.express import express
from triage.species.drawing import usual_looks

LOOKS = usual_looks()
GENOTYPE = {
    "pastel": ("normal", "pastel"),
    "enchi": ("enchi", "enchi"),
    "blue-eyed-leucistic series": ("mojave", "lesser"),
    "clown": ("clown", "clown"),
    "yellow-belly series": ("normal", "yellow belly"),
}


def settings(genotypes, seeds, age=0.0):
    seeds = draws.seed_tensor(seeds, "cpu")
    return express(encode(genotypes), seeds, torch.full((len(seeds),), age), LOOKS)


def test_the_order_of_loci_and_alleles_does_not_matter():
    wanted = settings([GENOTYPE], [3])
    for order in itertools.permutations(GENOTYPE.items()):
        flipped = {locus: pair[::-1] for locus, pair in order}
        for other in (settings([dict(order)], [3]), settings([flipped], [3])):
            assert all(torch.equal(wanted[name], other[name]) for name in wanted)


def test_settings_do_not_depend_on_the_batch():
    many = settings([{}, GENOTYPE, {"spider": ("normal", "spider")}] * 5, range(15))
    one = settings([GENOTYPE], [7])
    assert all(torch.equal(many[name][7:8], one[name]) for name in one)


def test_encoding_round_trip():
    codes = encode([GENOTYPE, {}])
    assert codes.shape == (2, len(LOOKS.loci), 2)
    back = decode(codes)
    assert back == [{locus: GENOTYPE[locus] for locus in back[0]}, {}] and set(back[0]) == set(GENOTYPE)
    assert encode(codes) is codes


@pytest.mark.parametrize(
    ("genotype", "words"),
    [
        ({"pastle": ("normal", "pastel")}, "Genotype 0: the looks of 'pastle' are not recorded, so it cannot be drawn; known: pastel"),
        ({"pastel": ("normal", "fire")}, r"alleles \('normal', 'fire'\) at 'pastel'; needed two of: normal, pastel"),
        ({"pastel": ("pastel",)}, "needed two of"),
    ],
)
def test_an_unknown_name_is_refused(genotype, words):
    with pytest.raises(UnknownNameError, match=words):
        encode([genotype])


def test_a_dominant_gene_looks_the_same_in_two_copies():
    for locus, allele in (("pinstripe", "pinstripe"), ("calico", "calico"), ("spider", "spider")):
        one, two = settings([{locus: ("normal", allele)}], [9]), settings([{locus: (allele, allele)}], [9])
        assert all(torch.equal(one[name], two[name]) for name in one)


def test_values_stay_within_their_range_under_every_gene_at_once():
    everything = {locus.name: (locus.alleles[-1], locus.alleles[-1]) for locus in LOOKS.loci}
    values = settings([everything] * 20, range(20), age=1.0)
    for parameter in LOOKS.parameters:
        assert float(values[parameter.name].min()) >= parameter.low - 1e-6
        assert float(values[parameter.name].max()) <= parameter.high + 1e-6


def test_age_browns_a_pastel_and_freckles_a_banana():
    """Common practice, no source."""
    pastel, banana = [{"pastel": ("normal", "pastel")}] * 8, [{"banana": ("normal", "banana")}] * 8
    young, grown = settings(pastel, range(8)), settings(pastel, range(8), age=1.0)
    assert (grown["blotch_melanin"] > young["blotch_melanin"]).all()
    assert (settings(banana, range(8), age=1.0)["freckles"] > settings(banana, range(8))["freckles"]).all()
    wild = [{}] * 8
    assert all(torch.equal(settings(wild, range(8))[name], settings(wild, range(8), age=1.0)[name]) for name in young)
