"""Genotypes in words, and the cautions that belong to them."""

import pytest

from triage.records import Genotype
from triage.species import load_species, parse_call
from triage.species.cautions import caution_keys, cautions_of
from triage.species.explain import explain
from triage.species.wording import chances_in_words, words_of

BALL = load_species("ball python")


@pytest.mark.parametrize(
    ("locus", "genotype", "words"),
    [
        ("clown", Genotype("clown", "normal"), "het clown"),
        ("clown", Genotype("clown", "clown"), "clown"),
        ("clown", Genotype("normal", "normal"), "no clown"),
        ("pastel", Genotype("normal", "pastel"), "pastel"),
        ("pastel", Genotype("pastel", "pastel"), "super pastel"),
        ("fire series", Genotype("normal", "normal"), "no fire series"),
        ("banana", Genotype("normal", "banana", True), "banana"),
        ("banana", Genotype("normal", "normal", True), "no banana"),
    ],
)
def test_words(locus, genotype, words):
    assert words_of(BALL, locus, genotype) == words


def test_a_sex_linked_gene_is_one_line_whatever_the_sex():
    """A male carries it on either chromosome: 0.30 + 0.25 + 0.15 of banana."""
    table = {
        Genotype("banana", "normal", True): 0.30,
        Genotype("normal", "banana", True): 0.25,
        Genotype("banana", "normal"): 0.15,
        Genotype("normal", "normal"): 0.20,
        Genotype("normal", "normal", True): 0.10,
    }
    found = chances_in_words(BALL, "banana", table)
    assert list(found) == ["banana", "no banana"] and found == pytest.approx({"banana": 0.7, "no banana": 0.3})


def test_cautions_of_a_call_are_those_of_its_genotypes_each_once():
    locus = BALL.locus("spider")
    assert caution_keys(locus, Genotype("normal", "spider"))[0] == "spider_wobble"
    (call,) = parse_call(BALL, "pastel spider")
    found = cautions_of(BALL, call)
    assert BALL.caution("spider_wobble").text in found and len(found) == len(set(found))
    assert cautions_of(BALL, parse_call(BALL, "pastel")[0]) == ()


@pytest.mark.parametrize(
    ("words", "keys"),
    [
        ("spotnose", ()),
        ("super spotnose", ("spotnose_super_wobble",)),
        ("lesser", ()),
        ("super lesser", ("bulging_eyes",)),
        ("lesser butter", ("bulging_eyes",)),  # a compound's own
        ("champagne spotnose", ("champagne_wobble", "homozygote_lost")),
    ],
)
def test_one_copy_two_copies_and_a_compound_have_cautions_of_their_own(words, keys):
    (call,) = parse_call(BALL, words)
    assert cautions_of(BALL, call) == tuple(BALL.caution(key).text for key in keys)


def test_two_balance_genes_in_one_animal_have_a_caution_of_their_own():
    text = BALL.caution("two_balance_genes").text
    for words, warned in (("spider champagne", True), ("pastel spider champagne", True), ("spider", False), ("champagne pastel", False)):
        (call,) = parse_call(BALL, words)
        assert (cautions_of(BALL, call).count(text) == 1) == warned and (text in cautions_of(BALL, call)) == warned


@pytest.mark.parametrize(("name", "named"), [("spider", True), ("champagne", True), ("spider champagne", True), ("pinstripe", False)])
def test_a_text_on_a_gene_names_its_cautions_with_other_genes(name, named):
    text = BALL.caution("two_balance_genes").text
    assert [caution.text for caution in explain(BALL, name).cautions].count(text) == named
