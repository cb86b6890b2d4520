"""The catalogue as data for display."""

import json

import pytest

from triage.errors import ShorthandError, UnknownNameError
from triage.records import Evidence, Grade, SecondReading
from triage.species.explain import (
    NOT_RECORDED,
    as_data,
    explain,
    fact_in_words,
    list_combinations,
    list_genes,
    second_reading,
    who_says,
)
from triage.species.loader import load_sources, load_species, species_names
from triage.species.names import normalise
from triage.species.shorthand import known_words, reserved_words

BALL, CORN = load_species("ball python"), load_species("corn snake")
PRACTICE = "common practice, no source"


@pytest.fixture(params=species_names())
def species(request):
    return load_species(request.param)


def test_the_list_holds_every_gene_in_catalogue_order(species):
    summaries = list_genes(species)
    assert [s.name for s in summaries] == [a.name for locus in species.loci for a in locus.alleles]
    assert all(s.look_for and s.mode and s.grade for s in summaries)
    assert len(list_combinations(species)) == len(species.combinations)


def test_one_line_of_the_list():
    lines = {s.name: s for s in list_genes(BALL)}
    assert lines["yellow belly"].two_copies == "ivory"
    assert lines["pastel"].two_copies == "super pastel"
    assert lines["pinstripe"].two_copies == "looks like one copy"
    assert lines["spider"].two_copies == "not seen"
    assert lines["clown"].two_copies == "clown"
    assert lines["banana"].sex_linked and not lines["pastel"].sex_linked
    assert lines["fire"].series and not lines["enchi"].series
    assert lines["spider"].has_cautions and not lines["enchi"].has_cautions
    # García-Elfring et al. 2023 (piebald TFEC) is published; nothing scientific was found on pastel.
    assert (lines["piebald"].grade, lines["pastel"].grade) == ("peer_reviewed", "keeper_consensus")


def test_every_known_word_is_explained(species):
    words = set(known_words(species)) - set(reserved_words())
    assert words
    for word in words:
        explanation = explain(species, word)
        assert explanation.species == species.name
        assert json.loads(json.dumps(as_data(explanation)))["kind"] == explanation.kind


@pytest.mark.parametrize(
    ("asked", "kind", "name"),
    [
        ("Pastel", "gene", "pastel"),
        ("super  pastel", "gene", "pastel"),
        ("het clown", "gene", "clown"),
        ("het red axanthic", "gene", "red axanthic"),
        ("Ivory", "gene", "yellow belly"),
        ("coral-glow", "gene", "banana"),
        ("mojave lesser", "compound", "lesser mojave"),
        ("highway", "compound", "yellow belly gravel"),
        ("asphalt spark", "compound", "asphalt spark"),
        ("blue-eyed lucy", "appearance", "blue-eyed leucistic"),
        ("black-eyed leucistic", "gene", "fire"),
        ("firefly", "combination", "firefly"),
        ("fire pastel", "combination", "pastel, fire"),
        ("pastel, 66% het clown", "combination", "pastel, 66% het clown"),
    ],
)
def test_found_by_any_name(asked, kind, name):
    explanation = explain(BALL, asked)
    assert (explanation.kind, explanation.name) == (kind, name)


def test_a_gene_with_all_that_is_known_of_it():
    gene = explain(BALL, "mojave")
    assert gene.mode == "incomplete dominant"
    assert "single dot" in gene.look_for
    assert (gene.two_copies, gene.one_copy) == ("super mojave", "mojave")
    assert gene.series == ("lesser", "butter", "phantom", "mystic", "bamboo", "special", "mocha", "faint lucy")
    assert len(gene.compounds) == 8
    potion = next(c for c in gene.compounds if "mystic potion" in c.synonyms)
    assert (potion.alleles, potion.looks_like) == (("mojave", "mystic"), "")
    white = next(c for c in gene.compounds if c.name == "lesser mojave")
    assert white.looks_like == "blue-eyed leucistic"
    assert {"pastave", "jigsaw"} <= {c.name for c in gene.combinations}
    assert any({x.first, x.second} == {"mojave", "mystic"} for x in gene.lookalikes)
    assert {f.supports for f in gene.facts} == {"mode", "allelism", "hiding"}


def test_inheritance_in_words():
    """Modes are common practice, no source; banana's sex linkage is Mallery & Carrillo 2016."""
    said = {name: " ".join(explain(BALL, name).inheritance) for name in ("clown", "pinstripe", "spider", "banana")}
    assert "one copy ('het clown') cannot be seen" in said["clown"]
    assert "only breeding tells" in said["pinstripe"]
    assert "lose about one egg in four" in said["spider"] and "only breeding" not in said["spider"]
    assert "X or the Y chromosome of a male carrier" in said["banana"] and "5%" in said["banana"]
    assert "can be seen as well" in " ".join(explain(BALL, "red axanthic").inheritance)


def test_cautions_come_with_their_citation():
    """Starck et al. 2022; Rose & Williams 2014."""
    cautions = explain(BALL, "bumblebee").cautions
    assert any("Starck" in c.citation and "balance disorder" in c.text for c in cautions)
    assert any("Rose MP" in c.citation for c in cautions)
    assert explain(BALL, "pastel").cautions == ()
    assert [c.text for c in explain(BALL, "spider black head").cautions][:1] == [BALL.caution("spider_wobble").text]
    assert any("Bulging eyes" in c.text for c in explain(BALL, "blue-eyed leucistic").cautions)


def test_the_facts_of_a_species():
    assert {e.supports for e in BALL.evidence} == {"sex_determination", "paternity", "clutch_size", "incubation"}


def test_facts_name_their_sources_and_how_far_they_were_read():
    """Lederer et al. 2023 was read as quoted elsewhere, Brown et al. 2022 as an abstract."""
    ghost, skin = explain(BALL, "ghost").facts
    assert (ghost.grade, ghost.read, ghost.place) == ("peer_reviewed", "second_hand", "OMIA:002758-51751")
    assert "50 of 50" in ghost.note and "shed skin" in skin.note
    albino = {f.citation: f for f in explain(BALL, "albino").facts}
    brown = albino[load_sources()["brown_2022"].citation]
    assert (brown.read, brown.doi) == ("abstract", "10.1371/journal.pone.0276376")


@pytest.mark.parametrize(
    ("source", "grade", "second", "sure", "words"),
    [
        ("keeper_practice", Grade.KEEPER_CONSENSUS, None, None, PRACTICE),
        ("brown_2022", Grade.PEER_REVIEWED, None, None, "published"),
        ("lederer_2023", Grade.PEER_REVIEWED, SecondReading.AMENDED, None, "published, read second hand; second reader amended it"),
        ("keeper_practice", Grade.KEEPER_CONSENSUS, SecondReading.AGREES, 85, f"{PRACTICE}; second reader agrees, 85 % sure"),
        ("keeper_practice", Grade.DISPUTED, SecondReading.ADDED, 40, "disputed, no source; second reader added it, 40 % sure"),
        ("dao_2023", Grade.SINGLE_CLAIM, None, None, "one claim"),
        ("keeper_practice", Grade.BREEDING_RECORD, None, None, "a breeding record, no source"),
    ],
)
def test_who_says_so_in_words(source, grade, second, sure, words):
    assert who_says(Evidence(source, "mode", grade, second=second, sure=sure)) == words


def test_every_fact_on_screen_is_in_plain_words(species):
    """No raw word of the data ("keeper_consensus") is shown of any gene, and each fact begins with its kind and who says so."""
    raw = {*Grade} - {Grade.DISPUTED}
    for summary in list_genes(species):
        for fact in explain(species, summary.name).facts:
            words = fact_in_words(fact)
            assert words.startswith(f"{fact.supports.replace('_', ' ')}: {fact.says}") and fact.note.removesuffix(".") in words
            assert not any(word in fact.says or word.replace("_", " ") in fact.says for word in raw - {Grade.BREEDING_RECORD})
            assert (fact.citation in words) == (fact.read != "practice")


def test_what_two_copies_come_to_is_said_with_who_says_so():
    held = " ".join(explain(BALL, "spider").inheritance)
    assert "taken not to hatch (common practice, no source; second reader amended it)" in held


def test_the_second_reading_is_made_from_the_data(species):
    """One line for each entry with a second reading, whoever owns it, in the order of the file."""
    owners = [species, *(one for locus in species.loci for one in (locus, *locus.alleles)), *species.combinations]
    owners += [*species.hidings, *species.together]
    marked = [(e.supports, e.second, e.sure, e.note) for o in owners for e in o.evidence if e.second is not None]
    assert [(f.supports, f.second, f.sure, f.note) for f in second_reading(species)] == marked


def test_the_second_reading_of_the_ball_python():
    """By hand, from the second reader's page."""
    found = {(f.of, f.supports): f for f in second_reading(BALL) if f.supports != "allelism"}
    assert (found["GHI", "mode"].second, found["GHI", "mode"].sure) == ("added", 85)
    assert found["desert", "fertility"].says == "common practice, no source; second reader added it, 80 % sure"
    assert found["ball python", "clutch_size"].sure == 95
    assert found["trojan", "mode"].says == "one claim, no source; second reader added it, 55 % sure"
    assert found["mocha", "look"].says == "disputed, no source; second reader amended it, 55 % sure"
    assert len(second_reading(BALL)) > 60


def test_lookalikes_say_what_settles_them():
    settled = {frozenset((x.first, x.second)): x.settled_by for x in explain(BALL, "lesser").lookalikes}
    assert settled[frozenset(("lesser", "butter"))].startswith("nothing")
    white = {x.settled_by for x in explain(BALL, "lesser mojave").lookalikes}
    assert "only breeding" in white
    pastel = {frozenset((x.first, x.second)): x.settled_by for x in explain(BALL, "pastel").lookalikes}
    assert "photo" in pastel[frozenset(("pastel", "normal"))]


def test_a_combination_shows_its_parts_and_only_its_own_lookalikes():
    firefly = explain(BALL, "firefly")
    assert firefly.genes == "pastel, fire"
    assert [p.name for p in firefly.parts] == ["pastel", "fire"]
    assert {x.first for x in firefly.lookalikes} | {x.second for x in firefly.lookalikes} == {
        *("pastel fire", "super pastel", "super pastel fire"),
    }
    assert explain(BALL, "pastel fire").other_names == ("firefly",)
    assert explain(BALL, "bumblebee").other_names == ("bumble bee",)


def test_what_is_not_recorded_is_said_so():
    assert explain(BALL, "asphalt").two_copies_look_for == NOT_RECORDED
    assert explain(BALL, "asphalt spark").look_for == NOT_RECORDED
    assert "Not seen" in explain(BALL, "champagne").two_copies_look_for


def test_the_same_word_is_explained_by_species():
    """Common practice among keepers, no source."""
    assert explain(BALL, "ghost").kind == "gene"
    assert explain(CORN, "ghost").genes == "anery, hypo"


@pytest.mark.parametrize(
    ("asked", "message"),
    [
        ("pastle", "'pastle' is no known gene or combination of the ball python; did you mean 'pastel'"),
        ("lesser mojve", "did you mean 'lesser mojave'"),
        ("qqqq", "see 'triage genes' for the known ones"),
        ("fire series", "'fire series' is a series of genes; needed: one of its members: fire, vanilla, disco"),
        ("normal", "'normal' names no gene"),
        ("", "'' names no gene"),
    ],
)
def test_unknown_names(asked, message):
    with pytest.raises(UnknownNameError, match=message):
        explain(BALL, asked)


def test_a_reserved_word_is_never_suggested():
    for slip in ("wibble", "hett", "visul"):
        with pytest.raises(UnknownNameError) as answer:
            explain(BALL, slip)
        assert not any(f"'{word}'" in str(answer.value).split(";")[1] for word in reserved_words())


def test_words_that_do_not_fit_together():
    with pytest.raises(ShorthandError, match="more than two alleles"):
        explain(BALL, "lesser mojave butter")


def test_names_of_appearances_do_not_hide_genes(species):
    genes = {normalise(a.name) for locus in species.loci for a in locus.alleles}
    assert all(explain(species, g).kind == "gene" for g in genes)
