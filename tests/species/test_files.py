"""The shipped gene-facts files: they load, and hold the facts they should."""

import itertools
import re
from collections import Counter

import pytest
from scipy import stats

from triage.errors import ShorthandError, UnknownNameError
from triage.records import NORMAL, Genotype, Grade, Mode, SecondReading, Sex
from triage.species.hiding import perceived
from triage.species.loader import load_sources, load_species, species_names
from triage.species.names import normalise
from triage.species.shorthand import parse_call, parse_parent

BALL_LOCI = [
    *("pastel", "fire series", "enchi", "yellow-belly series", "blue-eyed-leucistic series", "dark series", "mahogany"),
    *("chocolate", "champagne", "pinstripe", "spider", "banana", "leopard", "orange dream", "spotnose", "calico"),
    *("scaleless head", "clown", "piebald", "albino", "lavender albino", "ultramel", "axanthic line A"),
    *("axanthic line B", "ghost", "desert ghost", "genetic stripe"),
    *("GHI", "woma", "hidden gene woma", "caramel albino", "desert", "sable", "red stripe", "blade", "confusion", "acid"),
    *("stranger", "bongo", "trojan", "sunset", "monsoon", "puzzle", "tri stripe", "axanthic line C", "axanthic line D"),
]
#: The order of the series that grew: what stood before stands first, as in the orders of the photo model and of old calls.
GROWN_SERIES = {
    "fire series": ["fire", "vanilla", "disco", "flame", "thunder", "lemonback", "sulfur"],
    "blue-eyed-leucistic series": [*["lesser", "butter", "mojave", "phantom", "mystic", "bamboo", "special", "mocha"], "faint lucy"],
}
RECESSIVE, INCOMPLETE, DOMINANT = Mode.RECESSIVE, Mode.INCOMPLETE_DOMINANT, Mode.DOMINANT

#: Common practice among keepers, no source.
BALL_MODES = {
    **dict.fromkeys(("pastel", "fire", "vanilla", "disco", "enchi", "yellow belly", "asphalt", "gravel"), INCOMPLETE),
    **dict.fromkeys(
        ("spark", "specter", "lesser", "butter", "mojave", "phantom", "mystic", "bamboo", "special"), INCOMPLETE
    ),
    **dict.fromkeys(("mocha", "cinnamon", "black pastel", "mahogany", "chocolate", "black head", "banana"), INCOMPLETE),
    **dict.fromkeys(("leopard", "orange dream", "spotnose", "scaleless head"), INCOMPLETE),
    **dict.fromkeys(("champagne", "pinstripe", "spider", "calico"), DOMINANT),
    **dict.fromkeys(
        ("red axanthic", "clown", "cryptic", "piebald", "albino", "toffee", "candy", "ultramel"), RECESSIVE
    ),
    **dict.fromkeys(("lavender albino", "axanthic line A", "axanthic line B", "ghost", "desert ghost"), RECESSIVE),
    "genetic stripe": RECESSIVE,
    **dict.fromkeys(("flame", "thunder", "lemonback", "sulfur", "faint lucy", "GHI", "woma", "hidden gene woma"), INCOMPLETE),
    **dict.fromkeys(("sable", "red stripe", "blade", "confusion", "acid", "stranger", "bongo", "trojan"), INCOMPLETE),
    "desert": DOMINANT,
    **dict.fromkeys(
        ("caramel albino", "sunset", "monsoon", "puzzle", "tri stripe", "axanthic line C", "axanthic line D"), RECESSIVE
    ),
}
#: Common practice among keepers, no source, but for motley and stripe (Montandon 2025), amel and anery (Bechtel 1989).
CORN_MODES = {
    **dict.fromkeys(
        ("amel", "anery", "charcoal", "hypo", "caramel", "lavender", "motley", "stripe", "bloodred"), RECESSIVE
    ),
    **dict.fromkeys(("cinder", "dilute", "sunkissed"), RECESSIVE),
    "tessera": DOMINANT,
    **dict.fromkeys(("ultra", "strawberry", "christmas", "lava", "kastanie", "scaleless", "stargazer", "palmetto"), RECESSIVE),
    **dict.fromkeys(("buf", "masque", "red factor"), DOMINANT),
}
SPECIES = ("California kingsnake", "ball python", "corn snake", "western hognose")
#: Common practice among keepers, no source, but for the kingsnake's pattern (Zweifel 1981, second hand).
OTHER_MODES = {
    "western hognose": {
        **dict.fromkeys(("anaconda", "arctic"), INCOMPLETE),
        **dict.fromkeys(("albino", "axanthic", "toffeebelly", "lavender", "sable"), RECESSIVE),
    },
    "California kingsnake": {
        **dict.fromkeys(("striped", "aberrant"), DOMINANT),
        **dict.fromkeys(("albino", "lavender albino", "hypo", "anery"), RECESSIVE),
    },
}


@pytest.fixture(scope="module")
def ball():
    return load_species("ball python")


@pytest.fixture(scope="module")
def corn():
    return load_species("corn snake")


@pytest.fixture(params=SPECIES, scope="module")
def species(request):
    return load_species(request.param)


def modes(species):
    return {a.name: a.mode for locus in species.loci for a in locus.alleles}


def look(species, text):
    """The visual call of an animal given in the words for a parent."""
    parent = parse_parent(species, text, name="an animal", sex=Sex.FEMALE)
    return str(species.call({name: prior.states[0][0] for name, prior in parent.loci.items()}))


def test_species_are_found_by_any_name(ball, corn):
    assert species_names() == SPECIES
    assert load_species("Python regius") is load_species("ROYAL python") is ball
    assert load_species("Pantherophis  guttatus") is corn
    with pytest.raises(UnknownNameError, match="'gecko' is not in the catalogue; known: California kingsnake, ball python, corn"):
        load_species("gecko")


def test_counts(ball, corn):
    """So that no test below passes on nothing."""
    assert (len(ball.loci), len(modes(ball))) == (46, 70)
    assert (len(corn.loci), len(modes(corn))) == (20, 24)
    assert len(ball.lookalikes) >= 90 and len(corn.lookalikes) >= 8
    assert len(ball.combinations) >= 25 and len(corn.combinations) >= 10
    assert len(ball.cautions) >= 10
    assert len(load_sources()) >= 20


def test_loci_stand_in_the_agreed_order(ball):
    assert [locus.name for locus in ball.loci] == BALL_LOCI


def test_new_alleles_stand_after_the_old_ones(ball):
    for name, alleles in GROWN_SERIES.items():
        assert list(ball.locus(name).allele_names) == alleles


def test_modes(ball, corn):
    assert modes(ball) == BALL_MODES
    assert modes(corn) == CORN_MODES
    for name, wanted in OTHER_MODES.items():
        assert modes(load_species(name)) == wanted
        assert load_species(name).heterogametic is Sex.FEMALE


def test_series(ball, corn):
    """Common practice among keepers, no source; motley and stripe: Montandon 2025."""
    series = {locus.name: set(locus.allele_names) for s in (ball, corn) for locus in s.loci if len(locus.alleles) > 1}
    assert series == {
        "fire series": set(GROWN_SERIES["fire series"]),
        "yellow-belly series": {"yellow belly", "asphalt", "gravel", "spark", "specter"},
        "blue-eyed-leucistic series": set(GROWN_SERIES["blue-eyed-leucistic series"]),
        "dark series": {"cinnamon", "black pastel", "red axanthic"},
        "spider": {"spider", "black head"},
        "clown": {"clown", "cryptic"},
        "albino": {"albino", "toffee", "candy"},
        "motley series": {"motley", "stripe"},
        "amel": {"amel", "ultra"},
        "hypo": {"hypo", "strawberry", "christmas"},
    }


def test_single_allele_loci_go_by_the_allele(species):
    for locus in species.loci:
        if len(locus.alleles) == 1:
            assert locus.allele_names == (locus.name,)


def test_names_are_plain_and_identifiers_unique_ignoring_case(species):
    names = Counter(normalise(a.name) for locus in species.loci for a in locus.alleles)
    assert set(names.values()) == {1}
    loci = Counter(normalise(locus.name) for locus in species.loci)
    assert set(loci.values()) == {1}
    assert NORMAL not in names


def test_looks_are_distinct_within_a_locus_but_for_dominant_genes(species):
    for locus in species.loci:
        looks = Counter(locus.look(g) for g in locus.genotypes())
        shared = {name for name, n in looks.items() if n > 1 and name}
        assert shared == {a.name for a in locus.alleles if a.mode is DOMINANT}


def test_only_recessive_single_copies_are_invisible(species):
    for locus in species.loci:
        for allele in locus.alleles:
            hidden = locus.look(Genotype(allele.name, NORMAL)) == ""
            assert hidden == (allele.mode is RECESSIVE and allele.name not in ("red axanthic", "palmetto"))


def test_red_axanthic_single_copy_goes_by_its_trade_name(ball):
    """Common practice among keepers, no source."""
    assert look(ball, "het red axanthic") == "het red axanthic"
    assert look(ball, "red axanthic") == "red axanthic"
    assert look(ball, "cinnamon, het red axanthic") == "cinnamon red axanthic"


def test_homozygous_forms_by_trade_name(ball):
    """Common practice among keepers, no source."""
    assert look(ball, "ivory") == "super yellow belly"
    assert look(ball, "black-eyed leucistic") == "super fire"
    assert look(ball, "scaleless") == "super scaleless head"


def test_homozygotes_that_do_not_hatch(ball, corn):
    """Common practice among keepers, no source (no scientific paper on homozygous spider was found)."""
    rates = {a.name: a.two_copies_hatch_rate for s in (ball, corn) for locus in s.loci for a in locus.alleles}
    assert {name: rate for name, rate in rates.items() if rate < 1} == {"champagne": 0, "spider": 0, "hidden gene woma": 0.5}
    for name in ("champagne", "spider"):
        allele = ball.locus_of(name).allele(name)
        assert [e.grade for e in allele.evidence if e.supports == "viability"] == [Grade.KEEPER_CONSENSUS]
        assert "nothing is published" in ball.caution("homozygote_lost").text and "homozygote_lost" in allele.cautions


def test_sex_chromosomes(ball, corn):
    """XX/XY in pythons (Gamble 2017, shown in another python), ZZ/ZW in colubrids (PMC11721783)."""
    assert (ball.heterogametic, ball.sex_chromosomes) == (Sex.MALE, ("X", "Y"))
    assert (corn.heterogametic, corn.sex_chromosomes) == (Sex.FEMALE, ("Z", "W"))


def test_banana_alone_is_sex_linked_and_its_rate_is_no_published_value(ball, corn):
    """Sex linkage: Mallery & Carrillo 2016 (abstract), which gives no rate; the rate is common practice, no source."""
    assert [locus.name for s in (ball, corn) for locus in s.loci if locus.sex_linked] == ["banana"]
    banana = ball.locus("banana")
    assert banana.crossover == 0.05
    grades = {(e.source, e.grade) for e in banana.evidence if e.supports == "sex_linkage"}
    assert ("mallery_carrillo_2016", Grade.PEER_REVIEWED) in grades
    (rate,) = [e for e in banana.evidence if "0.05" in e.note]
    assert (rate.source, rate.grade) == ("keeper_practice", Grade.KEEPER_CONSENSUS)


def test_brown_2022_three_albinisms_are_three_loci(ball):
    """Brown et al. 2022: TYR, OCA2 and TYRP1; so any two complement and the double het looks normal."""
    kinds = ("albino", "lavender albino", "ultramel")
    assert len({ball.locus_of(kind).name for kind in kinds}) == 3
    for first, second in itertools.combinations(kinds, 2):
        assert look(ball, f"het {first}, het {second}") == NORMAL


def test_albino_toffee_and_candy_do_not_complement(ball):
    """More than one TYR variant goes under the name albino (Brown et al. 2022); toffee and candy: common practice."""
    for first, second in itertools.combinations(("albino", "toffee", "candy"), 2):
        assert look(ball, f"{first} {second}") == f"{first} {second}"


def test_garcia_elfring_2024_axanthic_lines_are_separate_loci(ball):
    """'A lineage of axanthic': lines are different loci unless proved allelic."""
    assert look(ball, "het axanthic line A, het axanthic line B") == NORMAL
    assert ball.locus_of("red axanthic").name == "dark series"


def test_lederer_2023_ghost_is_recessive(ball):
    """50 of 50 ghosts homozygous; of 60 others 57 without the variant, 3 het, none homozygous (OMIA:002758-51751)."""
    locus = ball.locus("ghost")
    table = {("ghost", "ghost"): (50, 0), ("ghost", NORMAL): (0, 3), (NORMAL, NORMAL): (0, 57)}
    for alleles, (visual, plain) in table.items():
        shows = locus.look(Genotype(*alleles)) == "ghost"
        assert (visual > 0, plain > 0) == (shows, not shows)
    (evidence,) = [e for e in locus.allele("ghost").evidence if e.supports == "mode"]
    assert evidence.source == "lederer_2023"


def test_a_second_cause_of_ghost_is_bounded_as_the_note_says(ball):
    """50 of 50 had the variant (Lederer et al. 2023): one-sided 95 % bound on another cause, Clopper and Pearson by scipy."""
    note = ball.locus("ghost").allele("ghost").notes
    (said,) = re.findall(r"at most (\d+\.\d) % of ghosts, one-sided 95 %", note)
    bound = stats.binomtest(0, 50, alternative="less").proportion_ci(0.95, "exact").high
    assert float(said) == round(100 * bound, 1) == 5.8
    assert "three trade names" in note and "cannot be ruled out" in note and "shed skin" in note and "line" not in note.split(";")[0]


def test_montandon_2025_motley_and_stripe_share_a_locus(corn):
    """Motley x stripe gives only pattern mutants; het motley x het stripe one compound in four."""
    locus = corn.locus_of("motley")
    assert locus is corn.locus_of("stripe")
    assert look(corn, "motley stripe") == "motley stripe"
    gametes = [("motley", NORMAL), ("stripe", NORMAL)]
    young = [locus.look(Genotype(a, b)) for a, b in itertools.product(*gametes)]
    assert sorted(young) == ["", "", "", "motley stripe"]


def test_bechtel_1989_amel_and_anery_are_independent(corn):
    """Both recessive, at two loci, and the double homozygote is a third look: 9:3:3:1 among double hets' young."""
    gametes = list(itertools.product(("amel", NORMAL), ("anery", NORMAL)))
    young = Counter(
        str(corn.call({"amel": Genotype(a, c), "anery": Genotype(b, d)}))
        for (a, b), (c, d) in itertools.product(gametes, gametes)
    )
    assert young == {NORMAL: 9, "amel": 3, "anery": 3, "amel anery": 1}


def test_gorzula_1997_clutch_size(ball, corn):
    """4 to 15 eggs, mean 8.1; no corn-snake value was sure enough to state."""
    assert ball.clutch_size == (8.1, 4, 15)
    assert corn.clutch_size is None


def test_same_word_means_other_genes_in_another_species(ball, corn):
    """Common practice among keepers, no source."""
    assert look(ball, "ghost") == "ghost"
    assert look(corn, "ghost") == "anery hypo"
    snow = {call.name for call in parse_call(ball, "snow")}  # of one of the lines, or of several
    assert "albino axanthic line A" in snow and "albino axanthic line D" in snow and len(snow) == 2**4 - 1
    assert look(corn, "snow") == "amel anery"


@pytest.mark.parametrize(
    ("name", "genes"),
    [
        ("bumblebee", "pastel spider"),
        ("killer bee", "super pastel spider"),
        ("firefly", "pastel fire"),
        ("lemonblast", "pastel pinstripe"),
        ("spinner", "pinstripe spider"),
        ("honeybee", "spider ghost"),
        ("pewter", "pastel cinnamon"),
        ("pastave", "pastel mojave"),
    ],
)
def test_combinations(ball, name, genes):
    """Common practice among keepers, no source."""
    assert look(ball, name) == genes


def test_combination_names_are_never_identifiers(species):
    combined = {c.name for c in species.combinations}
    owned = {normalise(n) for locus in species.loci for n in (locus.name, *locus.allele_names)}
    assert combined and not combined & owned


def test_every_pair_of_the_blue_eyed_series_is_described(ball):
    locus = ball.locus("blue-eyed-leucistic series")
    white = next(a for a in ball.appearances if a.name == "blue-eyed leucistic")
    pairs = list(itertools.combinations(locus.allele_names, 2))
    assert len(pairs) == 36
    for pair in pairs:
        compound = locus.compound(*pair)
        assert compound is not None and compound.look_for
        assert (compound.name in white.looks) == compound.look_for.startswith("White")
    for allele in locus.alleles:
        assert (allele.two_copies_name in white.looks) == allele.two_copies_look_for.startswith("White")
    # Common practice among keepers, no source: these pairs keep a purple pattern.
    assert not {"mojave mystic", "mojave phantom", "super phantom", "super mystic", "mojave special"} & white.looks


def test_white_appearances_hide_other_genes(ball):
    white = {look for one in ball.hidings if one.hides is None and one.missed == 1 for look in one.looks}
    assert white == {look for a in ball.appearances if a.name in ("blue-eyed leucistic", "black-eyed leucistic") for look in a.looks}
    assert len(parse_call(ball, "blue-eyed lucy")) == 25


@pytest.mark.parametrize(
    "pair",
    [
        "super pastel / pastel fire",
        "pastel fire / super pastel fire",
        "super pastel / super pastel fire",
        "lesser / butter",
        "cinnamon / black pastel",
        "cinnamon / mahogany",
        "cinnamon / chocolate",
        "mahogany / chocolate",
        "fire / vanilla",
        "pastel / normal",
        "yellow belly / normal",
        "ghost / fire",
        "super lesser / lesser mojave",
        "champagne / pastel champagne",
        "black pastel / normal",
        "mahogany / GHI",
        "albino / toffee",
        "calico / normal",
        "yellow belly / gravel",
        "red axanthic / axanthic line A",
        "red axanthic / axanthic line D",
        "ultramel / caramel albino",
        "desert ghost / ghost",
        "lesser / special",
        "super black pastel / super GHI",
        "faint lucy / normal",
        "woma / pinstripe",
        "hidden gene woma / normal",
        "sable / chocolate",
        "desert / enchi",
        "confusion / acid",
        "trojan / gravel",
        "monsoon / puzzle",
        "flame / fire",
        "sulfur / normal",
        "axanthic line C / axanthic line D",
    ],
)
def test_lookalikes_that_keepers_know(ball, pair):
    wanted = {parse_call(ball, half)[0] for half in pair.split(" / ")}
    (found,) = [x for x in ball.lookalikes if {x.first, x.second} == wanted]
    assert len(found.look_for) > 30


def test_each_lookalike_pair_stands_once(species):
    pairs = Counter(frozenset((x.first, x.second)) for x in species.lookalikes)
    assert set(pairs.values()) == {1}


def test_no_photo_tells_what_looks_the_same(ball):
    """Pairs within one appearance, lesser and butter above all, and any pair that only breeding tells."""
    same = {x.name: x.looks for x in ball.appearances if x.name != "blue-eyed leucistic"}
    for pair in ball.lookalikes:
        looks = {look for call in (pair.first, pair.second) for _, look in call.looks}
        if any(looks <= group for group in same.values()) or pair.breeding_only:
            assert not pair.photo_can_tell


CARRY = {
    "spider": "balance disorder",
    "champagne": "balance disorder",
    "spotnose": "balance disorder",
    "cinnamon": "Kinked spines",
    "black pastel": "Kinked spines",
    "lesser": "Bulging eyes",
    "butter": "Bulging eyes",
    "scaleless head": "veterinarian",
    "woma": "balance disorder",
    "hidden gene woma": "balance disorder",
    "sable": "balance disorder",
    "caramel albino": "Kinked spines",
    "desert": "not to lay viable clutches",
}


@pytest.mark.parametrize(("gene", "words"), CARRY.items())
def test_alleles_carry_their_cautions(ball, gene, words):
    allele = ball.locus_of(gene).allele(gene)
    texts = [ball.caution(key).text for key in (*allele.cautions, *allele.two_copies_cautions)]
    assert any(words in text for text in texts)


def test_no_other_ball_python_allele_carries_one(ball):
    carrying = {a.name for x in ball.loci for a in x.alleles if a.cautions or a.two_copies_cautions}
    assert carrying == set(CARRY)


def test_every_pair_of_the_dark_series_is_warned_of(ball):
    """Common practice among keepers, no source: compounds with red axanthic too."""
    compounds = ball.locus("dark series").compounds
    assert len(compounds) == 3 and all(c.cautions == ("dark_super_spine",) for c in compounds)


def test_who_bars_a_gene_is_left_to_the_keepers_own_association(ball):
    barred = [c.text for c in ball.cautions if ("balance disorder" in c.text and c.key != "spider_wobble") or c.key == "spider_welfare"]
    assert len(barred) == 7
    for text in barred:
        assert "ome shows and associations bar named genes" in text and "your own association" in text


def test_harm_to_the_young_and_to_fertility_is_stated_as_facts(ball):
    facts = {(a.name, e.supports) for x in ball.loci for a in x.alleles for e in a.evidence if e.second is SecondReading.ADDED}
    for gene, kinds in {
        "caramel albino": ("welfare", "fertility"),
        "desert": ("fertility",),
        "woma": ("welfare",),
        "hidden gene woma": ("welfare", "viability"),
        "sable": ("welfare",),
    }.items():
        assert {(gene, kind) for kind in kinds} <= facts


@pytest.mark.parametrize(
    ("name", "genes"),
    [
        ("crypton", "clown cryptic"),
        ("powerball", "super spotnose"),
        ("power ball", "super spotnose"),
        ("suma", "super mahogany"),
        ("sugar", "calico"),
        ("ghi", "GHI"),
        ("HGW", "hidden gene woma"),
        ("tri-stripe", "tri stripe"),
        ("super faint lucy", "super faint lucy"),
        ("fire sulfur", "fire sulfur"),
    ],
)
def test_names_that_keepers_use(ball, name, genes):
    """Common practice among keepers, no source."""
    assert look(ball, name) == genes
    (call,) = parse_call(ball, name)
    assert str(call) == genes


def test_desert_has_nothing_to_do_with_desert_ghost(ball):
    """One name for one gene; the two others are written apart, and a call of both reads back."""
    assert look(ball, "desert ghost") == "desert ghost" and ball.locus_of("desert ghost") is not ball.locus_of("desert")
    both = look(ball, "desert, ghost")
    assert both == "ghost desert" and str(parse_call(ball, both)[0]) == both
    three = look(ball, "desert, ghost, desert ghost")
    assert str(parse_call(ball, three)[0]) == three
    for name in ("desert", "desert ghost"):
        assert "othing to do with desert" in ball.locus_of(name).allele(name).notes


def test_confusion_and_acid_are_two_loci_and_that_is_disputed(ball):
    for name in ("confusion", "acid"):
        (fact,) = ball.locus(name).evidence
        assert (fact.supports, fact.grade, fact.sure) == ("allelism", Grade.DISPUTED, 40)
        assert "two loci until a breeding" in ball.locus(name).notes


def test_super_mocha_and_super_bamboo_are_white_by_a_disputed_fact(ball):
    series = ball.locus("blue-eyed-leucistic series")
    found = {a.name for a in series.alleles for e in a.evidence if e.grade is Grade.DISPUTED and e.supports == "look"}
    assert found == {"mocha", "bamboo"}


def test_what_the_second_reader_is_not_sure_of_is_graded_so(species):
    for e in evidence_of(species):
        if e.sure is not None and e.sure < 60:
            assert e.grade in (Grade.DISPUTED, Grade.SINGLE_CLAIM), e


def test_the_clown_paper_is_cited_whole():
    """Journal, volume and number as PubMed's entry 39609249 has them in two stored indexes; the abstract was read, not the paper."""
    clown = load_sources()["garcia_elfring_2024_mc1r"]
    assert "Pigment Cell & Melanoma Research 38:e13215" in clown.citation
    assert (clown.doi, clown.read) == ("10.1111/pcmr.13215", "abstract")


def test_spider_caution_says_associated_and_gives_no_percentage(ball):
    """Starck et al. 2022: every animal examined wobbled, the sample is too small for statistics."""
    caution = ball.caution("spider_wobble")
    assert caution.source == "starck_2022"
    assert "associated" in caution.text and "%" not in caution.text


@pytest.mark.parametrize("name", ["ball python", "corn snake"])
def test_general_cautions(name):
    """Aubret 2015: 4.5 % deaths against 37.5 % in turned eggs; CDC: who is at risk of Salmonella."""
    species = load_species(name)
    texts = {key: species.caution(key) for key in species.general_cautions}
    assert set(texts) == {"hands", "eggs_never_turned", "egg_cutting", "law"}
    assert "4.5 % to 37.5 %" in texts["eggs_never_turned"].text
    assert texts["eggs_never_turned"].source == "aubret_2015"
    assert all(word in texts["hands"].text for word in ("Salmonella", "under 5", "65", "weak immune"))
    assert "CITES" not in texts["law"].text or name == "ball python"
    assert "no veterinary or legal advice" in texts["law"].text


def test_every_caution_is_used(species):
    used = {*species.general_cautions, *(one.caution for one in species.together)}
    for locus in species.loci:
        for one in (*locus.alleles, *locus.compounds):
            used |= {*one.cautions, *getattr(one, "two_copies_cautions", ())}
    assert used == {c.key for c in species.cautions}


def evidence_of(species):
    yield from species.evidence
    for locus in species.loci:
        yield from locus.evidence
        for allele in locus.alleles:
            yield from allele.evidence
    for one in (*species.combinations, *species.together):
        yield from one.evidence


def test_every_source_is_known_and_cited():
    cited = set()
    for name in species_names():
        species = load_species(name)
        cited |= {e.source for e in evidence_of(species)} | {c.source for c in species.cautions}
    assert cited == set(load_sources())


def test_every_allele_states_where_its_mode_comes_from(species):
    for locus in species.loci:
        for allele in locus.alleles:
            assert [e for e in allele.evidence if e.supports == "mode"], allele.name


def test_practice_is_never_graded_as_published(species):
    sources = load_sources()
    for e in evidence_of(species):
        if sources[e.source].read == "practice":
            assert e.grade in (Grade.KEEPER_CONSENSUS, Grade.SINGLE_CLAIM, Grade.DISPUTED)


def test_every_combination_states_where_its_name_comes_from(species):
    for combination in species.combinations:
        assert [e.supports for e in combination.evidence] == ["name"]


def test_clown_mode_is_not_ascribed_to_a_paper_that_does_not_state_it(ball):
    """García-Elfring et al. 2024: the abstract does not state the mode of inheritance."""
    (mode,) = [e for e in ball.locus("clown").allele("clown").evidence if e.supports == "mode"]
    assert mode.source == "keeper_practice"


@pytest.mark.parametrize(
    ("words", "shown"),
    [
        ("palmetto", "palmetto"), ("het palmetto", "het palmetto"), ("ultramel", "amel ultra"), ("amel het ultra", None),
        ("motley het stripe", None), ("motley stripe", "motley stripe"), ("het stargazer", "normal"), ("snow", "amel anery"),
    ],
)  # fmt: skip
def test_words_of_the_corn_snake(corn, words, shown):
    """Common practice, no source; palmetto's mode is disputed."""
    if shown is None:
        with pytest.raises(ShorthandError):
            parse_parent(corn, words, name="an animal", sex=Sex.FEMALE)
    else:
        assert look(corn, words) == shown


def test_a_white_corn_snake_hides_the_pattern_and_an_amel_partly_what_changes_black(corn):
    """A second reader's page: tessera under two copies of palmetto cannot be seen; hypo under amel may be overlooked."""
    (both,) = parse_call(corn, "palmetto tessera")
    assert [(c.name, p) for c, p in perceived(corn, both)] == [("palmetto", 1.0)]
    (amel,) = parse_call(corn, "amel hypo")
    assert {c.name: p for c, p in perceived(corn, amel)} == {"amel hypo": 0.5, "amel": 0.5}
