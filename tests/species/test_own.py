"""A gene of the keeper's own beside the catalogue: one object for one set of genes, and everything that clashes refused by its text."""

import pytest

from triage.errors import CatalogueError
from triage.records import Genotype, Mode, Sex
from triage.species import load_species, parse_call, parse_parent, write_parent
from triage.species.explain import explain, list_genes
from triage.species.own import OwnGene, mentions, with_own_genes

BALL = load_species("ball python")
DUSK = OwnGene("dusk", Mode.INCOMPLETE_DOMINANT, one_copy="a smoky veil", two_copies="black all over", synonyms=("night veil",))
HAZE = OwnGene("haze", Mode.INCOMPLETE_DOMINANT, series="lesser")


def test_the_same_genes_are_the_same_species_and_none_is_the_catalogues():
    assert with_own_genes(BALL, ()) is BALL
    made = with_own_genes(BALL, (DUSK, HAZE))
    assert made is with_own_genes(BALL, (OwnGene(**{name: getattr(DUSK, name) for name in OwnGene.__slots__}), HAZE))
    assert made is not with_own_genes(BALL, (DUSK,)) and made.locus_names == (*BALL.locus_names, "dusk")


def test_it_is_read_written_and_explained_like_any_other():
    species = with_own_genes(BALL, (DUSK, HAZE))
    parent = parse_parent(species, "super Night-Veil, 66% het clown, haze mojave", name="J", sex=Sex.FEMALE)
    assert write_parent(species, parent) == "mojave haze, 66% het clown, super dusk"
    assert [call.name for call in parse_call(species, "dusk pastel")] == ["pastel dusk"]
    series = BALL.locus_of("lesser").name
    assert parent.loci[series].states == ((Genotype("haze", "mojave"), 1),)
    found = explain(species, "night veil")
    assert (found.name, found.own, found.look_for, found.two_copies_look_for) == ("dusk", True, "a smoky veil", "black all over")
    own = [gene for gene in list_genes(species) if gene.own]
    assert [(gene.name, gene.grade, gene.locus) for gene in own] == [("haze", "of your own", series), ("dusk", "of your own", "dusk")]
    assert not any(gene.own for gene in list_genes(BALL))


def test_an_allele_may_be_of_a_gene_of_ones_own_that_stands_behind_it():
    species = with_own_genes(BALL, (OwnGene("ember", Mode.RECESSIVE, series="glow"), OwnGene("glow", Mode.RECESSIVE)))
    assert species.locus("glow").allele_names == ("glow", "ember")
    assert parse_call(species, "ember glow")[0].looks == (("glow", "glow ember"),)


def gene(name, mode=Mode.DOMINANT, **more):
    return OwnGene(name, mode, **more)


@pytest.mark.parametrize(
    ("genes", "message"),
    [
        ([gene("pastel")], "your own gene pastel: 'pastel' already means something for the ball python; needed: a name used once"),
        ([gene("Firefly")], "your own gene Firefly: 'firefly' already means something"),
        ([gene("ivory")], "'ivory' already means something"),
        ([gene("super")], "'super' already means something"),
        ([gene("normal")], "'normal' already means something"),
        ([gene("fire series", series="fire")], "'fire series' already means something"),
        ([gene("dusk", synonyms=("veil", "clown"))], "your own gene dusk: 'clown' already means something"),
        ([gene("dusk", synonyms=("Dusk",))], "'dusk' already means something"),
        ([gene("dusk"), gene("DUSK")], "your own gene DUSK: 'dusk' already means something"),
        ([gene("pastel fire")], "'pastel fire' also reads as several names side by side; needed: a name that does not"),
        ([gene("black")], "your own gene black, allele black pastel: 'black pastel' also reads as several names side by side"),
        ([gene("66% dusk")], "'66% dusk' cannot be read among other genes; needed: up to 40 letters, digits and spaces, a letter first"),
        ([gene("dusk, haze")], "'dusk, haze' cannot be read among other genes"),
        ([gene("a|b")], "cannot be read among other genes"),
        ([gene("x" * 41)], "up to 40 letters"),
        ([gene("dusk", series="dusk")], "your own gene dusk: its series is itself; needed: the series or another gene whose allele it is"),
        ([gene("dusk", series="nowhere")], "its series 'nowhere' is unknown; needed: a series or a gene of the ball python"),
        ([gene("dusk", series="haze"), gene("haze", series="dusk")],
         "each of these names the other as its series: dusk names haze, haze names dusk; needed: one of them without a series"),
        ([gene("dusk", Mode.RECESSIVE, one_copy="paler")], "the look of one copy of a recessive gene; needed: its look with two copies"),
        ([gene("dusk", two_copies="paler")], "another look of two copies of a dominant gene; needed: its look with one copy"),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_refused(genes, message):
    with pytest.raises(CatalogueError) as refusal:
        with_own_genes(BALL, tuple(genes))
    assert message in str(refusal.value) and str(refusal.value).startswith("your own gene ")


def test_names_are_found_in_words_as_the_parser_reads_them():
    known = {"het", "super", "black dusk", "pastel"}
    for words, found in {
        "66% het Dusk, pastel": ["Dusk"], "super dusk": ["dusk"], "black dusk": [], "black, dusk": ["dusk"], "dusky": [], "": [],
        "66%dusk/Night-Veil": ["dusk", "Night-Veil"],
    }.items():  # fmt: skip
        assert [words[start:end] for start, end in mentions(words, {"dusk", "night veil"}, known)] == found, words
