"""Looks and classes: what no photo can tell apart shares a class, and what cannot be seen has none."""

import itertools

import numpy as np
import pytest

from triage.errors import ModelFileError, UnknownNameError
from triage.records import Genotype
from triage.species import load_species
from triage.species.drawing import usual_looks
from triage.vision.vocabulary import Vocabulary, build, class_table
from triage.workflow.photos import load_reader


@pytest.fixture(scope="module")
def species():
    return load_species("ball python")


@pytest.fixture(scope="module")
def vocabulary(species):
    return build(species, usual_looks())


def test_every_look_that_is_drawn_has_a_class(species, vocabulary):
    """Genes without a drawing are in the catalogue only: no photo model learns them."""
    for drawn in usual_looks().loci:
        locus = species.locus(drawn.name)
        for first, second in itertools.combinations_with_replacement(drawn.alleles, 2):
            assert locus.look(Genotype(first, second)) in vocabulary.class_of[locus.name]
    assert len(vocabulary.loci) == len(usual_looks().loci) > 20


def test_the_shipped_vocabulary_is_that_of_the_catalogue_still(species, vocabulary):
    """Genes that the reader never learnt, alleles at loci that it knows among them, move none of its classes."""
    shipped = load_reader(species).vocabulary
    assert shipped == vocabulary
    assert {"GHI", "desert"} <= {x.name for x in species.loci} - {x.locus for x in shipped.loci}
    assert "flame" not in shipped.class_of["fire series"] and "flame" in species.locus("fire series").allele_names


def test_invisible_hets_are_class_zero(species, vocabulary):
    table = class_table(vocabulary, species, usual_looks())
    for number, locus in enumerate(usual_looks().loci):
        for allele in locus.alleles[1:]:
            if species.locus(locus.name).look(Genotype("normal", allele)) == "":
                assert table[number, 0, locus.alleles.index(allele)] == 0


def test_what_only_breeding_tells_shares_a_class(vocabulary):
    blue = vocabulary.class_of["blue-eyed-leucistic series"]
    assert blue["lesser"] == blue["butter"] and blue["lesser mojave"] == blue["super lesser"]
    assert blue["mojave"] != blue["lesser"] != blue[""]


def test_encoding_is_order_free_and_refuses_unknown_words(vocabulary):
    one = vocabulary.encode([{"pastel": "pastel", "clown": "clown"}])
    assert (one == vocabulary.encode([{"clown": "clown", "pastel": "pastel"}])).all() and (one > 0).sum() == 2
    assert (vocabulary.encode([{}]) == 0).all()
    with pytest.raises(UnknownNameError, match="does not know the locus 'tessera'"):
        vocabulary.encode([{"tessera": "tessera"}])
    with pytest.raises(
        UnknownNameError, match="does not know the look 'mega pastel' at 'pastel'; it knows: pastel, super"
    ):
        vocabulary.encode([{"pastel": "mega pastel"}])


def test_json_round_trip_and_refusal(vocabulary):
    again = Vocabulary.from_json(vocabulary.species, vocabulary.to_json(), "x.json")
    assert again == vocabulary and again.n_total == sum(again.n_classes) == len(again.names())
    assert np.array_equal(again.offsets, np.cumsum([0, *again.n_classes[:-1]]))
    for bad in ([], [{"locus": "pastel"}], [{"locus": "pastel", "classes": [["pastel"]]}], "words"):
        with pytest.raises(ModelFileError, match=r"^x\.json: "):
            Vocabulary.from_json("ball python", bad, "x.json")
