"""A bad gene-facts file is refused with file, entry and what was needed."""

import re

import pytest

from triage.errors import CatalogueError
from triage.species import loader
from triage.species.loader import load_species_file
from triage.species.shorthand import parse_call

GOOD = """\
format = 1

[species]
name = "test snake"
scientific_name = "Serpens probatus"
heterogametic = "male"
clutch_mean = 6
clutch_smallest = 2
clutch_largest = 9
general_cautions = ["hands"]

[[caution]]
key = "hands"
source = "cdc_reptiles"
text = "Wash your hands."

[[locus]]
name = "pale"

[[locus.allele]]
name = "pale"
mode = "incomplete dominant"
synonyms = ["faded"]
two_copies_synonyms = ["chalk"]
look_for = "Paler than wild."
evidence = [{ source = "keeper_practice", supports = "mode", grade = "keeper_consensus" }]

[[locus]]
name = "line series"

[[locus.allele]]
name = "lined"
mode = "recessive"
look_for = "Lines."
evidence = [{ source = "keeper_practice", supports = "mode", grade = "keeper_consensus" }]

[[locus.allele]]
name = "dotted"
mode = "recessive"
look_for = "Dots."
evidence = [{ source = "keeper_practice", supports = "mode", grade = "keeper_consensus" }]

[[locus.compound]]
alleles = ["lined", "dotted"]
synonyms = ["dashed"]
look_for = "Dashes."

[[appearance]]
name = "lined or dotted"
locus = "line series"
looks = ["lined", "dotted"]

[[lookalike]]
first = "pale"
second = "normal"
look_for = "Compare with siblings."

[[combination]]
name = "morning"
genes = "pale lined"
"""


def write(folder, text):
    path = folder / "test_snake.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
    return path


def test_the_good_file_loads(tmp_path):
    """So that each refusal below is due to its one change."""
    species = load_species_file(write(tmp_path, GOOD))
    assert (species.key, len(species.loci), species.clutch_size) == ("test_snake", 2, (6.0, 2, 9))


#: what is wrong: (text replaced once, its replacement, what the message must say)
CASES = {
    "not TOML": ("format = 1\n", "format = = 1\n", "test_snake.toml: not valid TOML .*needed: a TOML file"),
    "no format": ("format = 1\n", "", "test_snake.toml: 'format' is missing; needed: a number from 1 to 1"),
    "newer format": ("format = 1\n", "format = 2\n", "test_snake.toml: 'format' is 2; needed"),
    "no species table": ("[species]", "[snake]", r"test_snake.toml: 'species' is missing; needed: a table \[species\]"),
    "no loci": ("[[locus", "[[gene", r"test_snake.toml: no \[\[locus\]\]; needed: at least one locus"),
    "missing name": ('name = "test snake"\n', "", "species: 'name' is missing; needed: text for 'name'"),
    "empty name": ('"test snake"', '"  "', "species: 'name' is empty; needed: text"),
    "wrong sex": ('"male"', '"XY"', "species: 'heterogametic' is 'XY'; needed: one of female, male"),
    "number for text": ('"test snake"', "7", "species: 'name' is 7; needed: text"),
    "unknown key": (
        "clutch_mean = 6",
        "clutch_mean = 6\neggs = 6",
        "species: unknown key 'eggs'; needed: one of clutch",
    ),
    "usual as text": ("clutch_mean = 6", 'clutch_mean = 6\nusual = "yes"', "species: 'usual' is 'yes'; needed: true or false"),
    "incubation that is no range": (
        "clutch_mean = 6", "incubation_shortest = 60\nincubation_longest = 50\nclutch_mean = 6",
        "incubation_shortest <= incubation_longest, in days",
    ),
    "incubation half said": ("clutch_mean = 6", "incubation_longest = 60\nclutch_mean = 6", "a duration of incubation that is no range"),
    "mixed beyond 1": ("clutch_mean = 6", "clutch_mean = 6\nmixed = 2", "'mixed' is 2; needed: a number from 0 to 1"),
    "true is no number": ("clutch_mean = 6", "clutch_mean = true", "'clutch_mean' is True; needed: a number"),
    "clutch mean out of range": (
        "clutch_mean = 6",
        "clutch_mean = 16",
        "species: clutch_mean without a range that holds it",
    ),
    "clutch mean alone": ("clutch_largest = 9\n", "", "needed: clutch_smallest <= clutch_mean <= clutch_largest"),
    "unknown general caution": ('["hands"]', '["feet"]', "species: caution 'feet' is unknown; needed: one of hands"),
    "caution without source": ('source = "cdc_reptiles"\n', "", "caution hands: 'source' is missing"),
    "caution of unknown source": (
        "cdc_reptiles",
        "hearsay",
        "caution hands: source 'hearsay' is unknown; needed: a key of sources",
    ),
    "locus without alleles": (
        'name = "line series"\n\n[[locus.allele]]',
        'name = "x"\n\n[[locus]]',
        r"locus x: no \[\[locus.allele\]\]",
    ),
    "unknown key in a locus": (
        'name = "pale"\n\n',
        'name = "pale"\ncolour = 1\n\n',
        "locus pale: unknown key 'colour'",
    ),
    "sex-linked without a rate": (
        'name = "pale"\n\n',
        'name = "pale"\nsex_linked = true\n\n',
        "locus pale: sex_linked and crossover disagree; needed: both or neither",
    ),
    "rate without sex linkage": (
        'name = "pale"\n\n',
        'name = "pale"\ncrossover = 0.1\n\n',
        "sex_linked and crossover disagree",
    ),
    "rate above one half": (
        'name = "pale"\n\n',
        'name = "pale"\nsex_linked = true\ncrossover = 0.6\n\n',
        "'crossover' is 0.6; needed: a number from 0 to 0.5",
    ),
    "two loci of one name": ('name = "line series"', 'name = "Pale"', "locus Pale: stands twice"),
    "allele called normal": ('name = "lined"', 'name = "normal"', "allele normal: name 'normal'; needed: a trade name"),
    "allele with a hyphen": (
        'name = "lined"',
        'name = "fine-lined"',
        "name 'fine-lined'; needed: a trade name with single spaces and no hyphens",
    ),
    "unknown mode": (
        '"incomplete dominant"',
        '"codominant"',
        "allele pale: 'mode' is 'codominant'; needed: one of recessive, incomplete dominant, dominant",
    ),
    "no look_for": ('look_for = "Lines."\n', "", "allele lined: 'look_for' is missing"),
    "hatch rate beyond 1": (
        'look_for = "Lines."',
        'look_for = "Lines."\ntwo_copies_hatch_rate = 1.5',
        "'two_copies_hatch_rate' is 1.5; needed: a number from 0 to 1",
    ),
    "unknown caution of an allele": (
        'look_for = "Lines."',
        'look_for = "Lines."\ncautions = ["feet"]',
        "allele lined: caution 'feet' is unknown",
    ),
    "flag as text": (
        'look_for = "Lines."',
        'look_for = "Lines."\nsubtle = "yes"',
        "'subtle' is 'yes'; needed: true or false",
    ),
    "synonyms as text": ('["faded"]', '"faded"', "allele pale: 'synonyms' is 'faded'; needed: a list of texts"),
    "synonyms of numbers": ('["faded"]', "[1]", r"'synonyms' is \[1\]; needed: a list of texts"),
    "no evidence of the mode": (
        'supports = "mode"',
        'supports = "look"',
        "allele pale: no evidence that supports its mode; needed",
    ),
    "evidence of an unknown kind": (
        'supports = "mode"',
        'supports = "hope"',
        "evidence 1: 'supports' is 'hope'; needed: one of mode, look",
    ),
    "evidence of an unknown grade": (
        '"keeper_consensus"',
        '"certain"',
        "evidence 1: 'grade' is 'certain'; needed: one of peer_reviewed",
    ),
    "evidence of an unknown source": (
        '"keeper_practice"',
        '"hearsay"',
        "source 'hearsay' is unknown; needed: a key of sources.toml: aubret_2015",
    ),
    "compound of one allele": (
        '["lined", "dotted"]\nsyn',
        '["lined", "lined"]\nsyn',
        "two different alleles of this locus: lined, dotted",
    ),
    "compound of another locus": (
        '["lined", "dotted"]\nsyn',
        '["lined", "pale"]\nsyn',
        r"compound 1: alleles \['lined', 'pale'\]; needed: two different alleles of this locus",
    ),
    "compound twice": (
        "[[appearance]]",
        '[[locus.compound]]\nalleles = ["dotted", "lined"]\n[[appearance]]',
        "locus line series: two compounds of lined and dotted",
    ),
    "two genes of one name": (
        'look_for = "Dots."',
        'look_for = "Dots."\nsynonyms = ["Pale"]',
        "locus line series: 'pale' already belongs to pale.pale",
    ),
    "a synonym that is a gene": ('["faded"]', '["lined"]', "'lined' already belongs to pale.pale"),
    "a gene that is a word of the shorthand": (
        '["faded"]',
        '["het"]',
        "allele pale: 'het' already belongs to the words of trade shorthand",
    ),
    "a compound that is a gene": (
        '["dashed"]',
        '["faded"]',
        "compound lined dotted: 'faded' already belongs to allele pale",
    ),
    "a combination that is a gene": (
        '"morning"',
        '"Faded"',
        "combination faded: 'faded' already belongs to allele pale",
    ),
    "an appearance that is a combination": (
        '"lined or dotted"',
        '"morning"',
        "appearance morning: 'morning' already belongs to combination morning",
    ),
    "a name that reads as two genes": (
        '["faded"]',
        '["lined dotted"]',
        "allele pale: 'lined dotted' also reads as several names side by side",
    ),
    "one name for what reads as one already": (
        'synonyms = ["faded"]',
        'synonyms = ["faded"]\none_name = true',
        "allele pale: 'one_name' of 'pale', which reads as one name already; needed: no one_name",
    ),
    "a name that reads as a modified gene": (
        '["dashed"]',
        '["super pale"]',
        "compound lined dotted: 'super pale' also reads as several names",
    ),
    "appearance of an unknown locus": (
        'locus = "line series"',
        'locus = "dots"',
        "locus 'dots' is unknown; needed: one of pale, line series",
    ),
    "appearance of unknown looks": (
        'looks = ["lined", "dotted"]',
        'looks = ["lined", "pale"]',
        r"looks \['pale'\]; needed: looks of this locus",
    ),
    "look-alike of an unknown gene": (
        'first = "pale"',
        'first = "pail"',
        "lookalike 1: 'first': 'pail' .*no known gene.*did you mean 'pale'",
    ),
    "look-alike that cannot be seen": ('first = "pale"', 'first = "het lined"', "one copy of lined cannot be seen"),
    "look-alike of itself": (
        'first = "pale"',
        'first = "normal"',
        "both calls are 'normal'; needed: two different calls",
    ),
    "look-alike that contradicts itself": (
        "[[combination]]",
        "breeding_only = true\n[[combination]]",
        "breeding_only beside a photo that can tell",
    ),
    "look-alike of several calls": (
        'first = "pale"',
        'first = "lined or dotted"',
        "'first' means 2 visual calls; needed: one visual call in trade shorthand",
    ),
    "combination of unknown genes": (
        'genes = "pale lined"',
        'genes = "pale linen"',
        "combination morning: 'linen' .*needed: genes of this species",
    ),
    "combination of too many alleles": (
        'genes = "pale lined"',
        'genes = "lined lined"',
        "combination morning: .*says both 'lined' and 'lined'",
    ),
}


@pytest.mark.parametrize(("old", "new", "message"), CASES.values(), ids=CASES)
def test_bad_file_is_refused(tmp_path, old, new, message):
    assert old in GOOD
    changed = GOOD.replace(old, new) if new.startswith("[[gene") else GOOD.replace(old, new, 1)
    with pytest.raises(CatalogueError, match=message) as refusal:
        load_species_file(write(tmp_path, changed))
    assert str(refusal.value).startswith("test_snake.toml")
    assert "needed" in str(refusal.value)
    assert "\n" not in str(refusal.value)


def test_two_genes_may_not_share_a_look(tmp_path):
    twice = GOOD.replace('look_for = "Lines."', 'look_for = "Lines."\nvisible_het = "dotted"')
    with pytest.raises(CatalogueError, match="locus line series: two genotypes share the look 'dotted'"):
        load_species_file(write(tmp_path, twice))


@pytest.fixture
def catalogue(tmp_path, monkeypatch):
    """A catalogue of two species of our own, each marked as the usual one or not."""
    caches = (loader._species_files, loader._usual_key)

    def forget():
        for cache in caches:
            cache.cache_clear()

    def made(**usual):
        for name, marked in usual.items():
            (tmp_path / name).mkdir(exist_ok=True)
            text = GOOD.replace("test snake", f"{name} snake").replace("Serpens probatus", f"Serpens {name}")
            text = text.replace("clutch_mean", "usual = true\nclutch_mean") if marked else text
            (tmp_path / name / loader.GENES).write_text(text, "utf-8")
        forget()

    monkeypatch.setattr(loader, "_DATA", tmp_path)
    yield made
    monkeypatch.undo()
    forget()


def test_one_species_is_the_usual_one(catalogue):
    catalogue(first=False, second=True)
    assert loader.usual_species() == "second snake"


@pytest.mark.parametrize(
    ("marked", "found"), [((False, False), r"0 species files \(none\)"), ((True, True), r"2 species files \(first, second\)")]
)
def test_none_or_two_usual_species_are_refused(catalogue, marked, found):
    catalogue(first=marked[0], second=marked[1])
    with pytest.raises(CatalogueError, match=f"usual = true stands in {found}; needed: in one"):
        loader.usual_species()


def test_missing_file(tmp_path):
    with pytest.raises(CatalogueError, match=r"absent\.toml: no such file; needed"):
        load_species_file(tmp_path / "absent.toml")


def test_file_that_is_not_text(tmp_path):
    with pytest.raises(CatalogueError, match=r"test_snake\.toml: not UTF-8 text.*needed: a TOML file in UTF-8"):
        load_species_file(write(tmp_path, b'name = "\xff\xfe"'))


SOURCES = {
    "key twice": (
        '[[source]]\nkey = "a"\ncitation = "A"\nread = "paper"\n' * 2,
        "key 'a' stands twice; needed: a key used once",
    ),
    "no citation": ('[[source]]\nkey = "a"\nread = "paper"\n', "sources.toml, source a: 'citation' is missing"),
    "unread": (
        '[[source]]\nkey = "a"\ncitation = "A"\nread = "yes"\n',
        "'read' is 'yes'; needed: one of paper, abstract",
    ),
    "unknown key": ('[[source]]\nkey = "a"\ncitation = "A"\nread = "paper"\nyear = 1\n', "unknown key 'year'"),
    "unknown table": ("[[sauce]]\n", "sources.toml: unknown key 'sauce'; needed: one of source"),
}


FACT = '{ source = "keeper_practice", supports = "welfare", grade = "keeper_consensus" }'
#: what is wrong: (text added to the good file, what the message must say)
ADDED = {
    "one gene together": ('genes = ["pale"]', "together 1: genes ['pale']; needed: two different genes or more"),
    "one gene twice": ('genes = ["pale", "pale"]', "together 1: genes ['pale', 'pale']; needed: two different genes or more"),
    "unknown gene": ('genes = ["pale", "woma"]', "together 1: gene 'woma' is unknown; needed: names of alleles of this file"),
    "unknown caution": ('genes = ["pale", "lined"]\ncaution = "feet"', "together 1: caution 'feet' is unknown; needed: one of hands"),
    "no caution": ('genes = ["pale", "lined"]', "together 1: 'caution' is missing"),
    "unknown source": (f'genes = ["pale", "lined"]\ncaution = "hands"\nevidence = [{FACT}]'.replace("keeper_practice", "hearsay"),
                       "together 1, evidence 1: source 'hearsay' is unknown; needed: a key of sources.toml"),
    "no evidence": ('genes = ["pale", "lined"]\ncaution = "hands"', "together 1: no evidence; needed: an [[together.evidence]] entry"),
    "unknown key": (f'genes = ["pale", "lined"]\ncaution = "hands"\nwho = 1\nevidence = [{FACT}]', "together 1: unknown key 'who'"),
}  # fmt: skip


@pytest.mark.parametrize(("text", "message"), ADDED.values(), ids=ADDED)
def test_bad_cautions_of_genes_together_are_refused(tmp_path, text, message):
    with pytest.raises(CatalogueError, match=re.escape(f"test_snake.toml, {message}")):
        load_species_file(write(tmp_path, f"{GOOD}\n[[together]]\n{text}\n"))


def test_cautions_of_genes_together_are_read_and_whom_a_caution_is_about(tmp_path):
    text = GOOD.replace('key = "hands"\n', 'key = "hands"\nabout = "dam"\n')
    together = f'\n[[together]]\ngenes = ["pale", "dotted"]\ncaution = "hands"\nevidence = [{FACT}]\n'
    species = load_species_file(write(tmp_path, text + together))
    assert [(one.genes, one.caution) for one in species.together] == [(("pale", "dotted"), "hands")]
    assert species.caution("hands").about == "dam" and species.mixed == 0.5
    with pytest.raises(CatalogueError, match="caution hands: 'about' is 'her'; needed: one of animal, dam, eggs"):
        load_species_file(write(tmp_path, text.replace('"dam"', '"her"')))


SHARE = '\n[[species.shared]]\nof = "grass snake"\nwords = "half"\nshare = 0.5\nsource = "blouin_demers_2005"\n'


@pytest.mark.parametrize(("old", "new", "message"), [
    ("share = 0.5", "share = 1.5", "'share' is 1.5; needed: a number from 0 to 1"),
    ("share = 0.5\n", "", "'share' is missing"),
    ('"half"', '""', "'words' is empty"),
    ("blouin_demers_2005", "hearsay", "source 'hearsay' is unknown; needed: a key of sources.toml"),
    ("share = 0.5", "share = 0.5\nn = 4", "unknown key 'n'"),
])  # fmt: skip
def test_a_bad_published_share_is_refused(tmp_path, old, new, message):
    def load(added):
        return load_species_file(write(tmp_path, GOOD.replace("\n[[caution]]", f"{added}\n[[caution]]")))

    (share,) = load(SHARE).published_shares
    assert (share.of, share.words, share.share) == ("grass snake", "half", 0.5)
    with pytest.raises(CatalogueError, match=re.escape(f"test_snake.toml, species, shared 1: {message}")):
        load(SHARE.replace(old, new))


@pytest.mark.parametrize(("text", "message"), SOURCES.values(), ids=SOURCES)
def test_bad_sources_are_refused(tmp_path, monkeypatch, text, message):
    (tmp_path / "sources.toml").write_text(text, "utf-8")
    monkeypatch.setattr(loader, "_DATA", tmp_path)
    with pytest.raises(CatalogueError, match=re.escape(message)):
        loader.load_sources.__wrapped__()


def test_a_name_of_other_names_is_accepted_where_the_file_says_it_is_one(tmp_path):
    """'desert ghost' is a gene of its own although 'desert' and 'ghost' are genes: the longest name is meant."""
    both = GOOD.replace('name = "dotted"', 'name = "pale lined"').replace('["lined", "dotted"]', '["lined", "pale lined"]')
    both = both.replace('genes = "pale lined"', 'genes = "pale, lined"')
    with pytest.raises(CatalogueError, match="allele pale lined: 'pale lined' also reads as several names side by side"):
        load_species_file(write(tmp_path, both))
    species = load_species_file(write(tmp_path, both.replace('look_for = "Dots."', 'look_for = "Dots."\none_name = true')))
    assert [str(call) for call in parse_call(species, "pale lined")] == ["pale lined"]
    assert parse_call(species, "pale lined")[0].looks == (("line series", "pale lined"),)
    assert parse_call(species, "lined, pale")[0].looks == (("pale", "pale"), ("line series", "lined"))
