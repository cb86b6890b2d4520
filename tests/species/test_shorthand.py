"""Trade shorthand in and out: what words mean, that writing and reading agree, and how slips are answered."""

import re
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from triage.errors import ShorthandError, UnknownNameError
from triage.records import NORMAL, Genotype, GenotypePrior, Mode, Parent, Sex
from triage.species.loader import load_species, species_names
from triage.species.names import normalise
from triage.species.shorthand import known_words, parse_call, parse_parent, reserved_words, write_parent

BALL = load_species("ball python")
SPECIES = [load_species(name) for name in species_names()]
HALF, THIRD = Fraction(1, 2), Fraction(1, 3)


def states(text, *, sex=Sex.FEMALE, species=BALL):
    """Genotype -> probability by locus, as the words say."""
    parent = parse_parent(species, text, name="an animal", sex=sex)
    return {name: {str(g): p for g, p in prior.states} for name, prior in parent.loci.items()}


# What words mean (DESIGN.md section 5; common practice among keepers, no source)


@pytest.mark.parametrize(
    ("text", "locus", "expected"),
    [
        ("pastel", "pastel", {"normal/pastel": 1}),
        ("super pastel", "pastel", {"pastel/pastel": 1}),
        ("het clown", "clown", {"clown/normal": 1}),
        ("clown", "clown", {"clown/clown": 1}),
        ("visual clown", "clown", {"clown/clown": 1}),
        ("66% het clown", "clown", {"clown/normal": 2 * THIRD, "normal/normal": THIRD}),
        ("33% het clown", "clown", {"clown/normal": THIRD, "normal/normal": 2 * THIRD}),
        ("50% het clown", "clown", {"clown/normal": HALF, "normal/normal": HALF}),
        ("25 % het clown", "clown", {"clown/normal": Fraction(1, 4), "normal/normal": Fraction(3, 4)}),
        ("66% possible het clown", "clown", {"clown/normal": 2 * THIRD, "normal/normal": THIRD}),
        ("100% het clown", "clown", {"clown/normal": 1}),
        ("possible super pastel", "pastel", {"pastel/pastel": HALF, "normal/pastel": HALF}),
        ("33% possible super pastel", "pastel", {"pastel/pastel": THIRD, "normal/pastel": 2 * THIRD}),
        ("pinstripe", "pinstripe", {"normal/pinstripe": 1}),
        ("homozygous pinstripe", "pinstripe", {"pinstripe/pinstripe": 1}),
        ("possible homozygous pinstripe", "pinstripe", {"pinstripe/pinstripe": HALF, "normal/pinstripe": HALF}),
        ("lesser mojave", "blue-eyed-leucistic series", {"lesser/mojave": 1}),
        ("mojave, lesser", "blue-eyed-leucistic series", {"lesser/mojave": 1}),
        ("albino toffee", "albino", {"albino/toffee": 1}),
        ("ivory", "yellow-belly series", {"yellow belly/yellow belly": 1}),
        ("super stripe", "yellow-belly series", {"specter/yellow belly": 1}),
        ("pied", "piebald", {"piebald/piebald": 1}),
        ("het hypo", "ghost", {"ghost/normal": 1}),
        ("het red axanthic", "dark series", {"normal/red axanthic": 1}),
    ],
)
def test_words_for_one_locus(text, locus, expected):
    assert states(text) == {locus: expected}


@pytest.mark.parametrize(
    ("text", "sex", "expected"),
    [
        ("banana", Sex.FEMALE, {"banana/normal": 1}),
        ("banana", Sex.MALE, {"banana|normal": HALF, "normal|banana": HALF}),
        ("male-maker banana", Sex.MALE, {"normal|banana": 1}),
        ("Male maker Coral Glow", Sex.MALE, {"normal|banana": 1}),
        ("female-maker banana", Sex.MALE, {"banana|normal": 1}),
        ("super banana", Sex.MALE, {"banana|banana": 1}),
    ],
)
def test_sex_linked_words(text, sex, expected):
    assert states(text, sex=sex) == {"banana": expected}


@pytest.mark.parametrize("text", ["normal", "", "  ", "wild type", "Wild-Type", "normal, normal"])
def test_wild_type(text):
    assert states(text) == {}
    (call,) = parse_call(BALL, text)
    assert str(call) == NORMAL


def test_calls_with_an_appearance_are_all_its_looks():
    calls = {str(c) for c in parse_call(BALL, "pastel, lesser or butter")}
    assert calls == {"pastel lesser", "pastel butter"}


def test_every_known_name_is_understood():
    """So that no synonym, combination or appearance of the files is dead."""
    for species in SPECIES:
        words = set(known_words(species)) - set(reserved_words())
        assert words
        appearances = {normalise(n) for a in species.appearances for n in (a.name, *a.synonyms)}
        one_look = {normalise(a.name) for a in species.appearances if len(a.looks) == 1}
        for word in words:
            if word in appearances - one_look:
                assert len(parse_call(species, word)) > 1
            else:
                assert states(word, species=species), word


# Writing and reading agree


def mode_of(locus, allele):
    return locus.allele(allele).mode


@st.composite
def priors(draw, locus, by_chromosome):
    """What shorthand can say of one locus: a certain genotype, or one chance."""
    certain = st.sampled_from(locus.genotypes(by_chromosome=by_chromosome)).map(GenotypePrior.known)
    if by_chromosome:
        return draw(certain)
    allele = draw(st.sampled_from(locus.allele_names))
    percent = draw(st.integers(1, 99))
    chance = {66: 2 * THIRD, 33: THIRD}.get(percent, Fraction(percent, 100))
    if mode_of(locus, allele) is Mode.RECESSIVE:
        yes, no = Genotype(allele, NORMAL), Genotype(NORMAL, NORMAL)
    else:
        yes, no = Genotype(allele, allele), Genotype(allele, NORMAL)
    return draw(certain | st.just(GenotypePrior(((yes, chance), (no, 1 - chance)))))


@st.composite
def parents(draw, species, loci=None):
    """An animal with something known at any of its loci; ``loci`` bounds how many."""
    sex = draw(st.sampled_from(Sex))
    chosen = draw(st.lists(st.sampled_from(species.loci), unique_by=lambda x: x.name, max_size=loci))
    known = {x.name: draw(priors(x, x.sex_linked and sex is species.heterogametic)) for x in chosen}
    return Parent("an animal", sex, known)


def same(species, one, other):
    for locus in species.loci:
        first, second = (
            {g: p for g, p in parent.prior(locus, species.heterogametic).states if p > 0} for parent in (one, other)
        )
        assert first == second, locus.name


def all_genotypes():
    for species in SPECIES:
        for locus in species.loci:
            for sex in Sex:
                for genotype in locus.genotypes(by_chromosome=locus.sex_linked and sex is species.heterogametic):
                    yield species, Parent("an animal", sex, {locus.name: GenotypePrior.known(genotype)})


def test_every_genotype_of_every_locus_is_read_as_written():
    n = 0
    for species, parent in all_genotypes():
        written = write_parent(species, parent)
        same(species, parent, parse_parent(species, written, name=parent.name, sex=parent.sex))
        n += 1
    assert n > 350


@pytest.mark.parametrize("species", SPECIES, ids=lambda s: s.name)
@settings(max_examples=120, deadline=None, derandomize=True)
@given(data=st.data())
def test_round_trip(species, data):
    parent = data.draw(parents(species))
    written = write_parent(species, parent)
    read = parse_parent(species, written, name=parent.name, sex=parent.sex)
    same(species, parent, read)
    assert write_parent(species, read) == written


@pytest.mark.parametrize("species", SPECIES, ids=lambda s: s.name)
@settings(max_examples=120, deadline=None, derandomize=True)
@given(data=st.data())
def test_case_commas_and_order_do_not_matter(species, data):
    parent = data.draw(parents(species, loci=6))
    parts = data.draw(st.permutations(write_parent(species, parent).split(", ")))
    joined = data.draw(st.sampled_from([", ", ",", " , ", "; ", " / "])).join(parts)
    cased = "".join(data.draw(st.sampled_from([c.lower(), c.upper()])) for c in joined)
    spaced = cased.replace(" ", data.draw(st.sampled_from([" ", "  ", "\t", "_"])))
    same(species, parent, parse_parent(species, spaced, name=parent.name, sex=parent.sex))


@pytest.mark.parametrize("species", SPECIES, ids=lambda s: s.name)
@settings(max_examples=120, deadline=None, derandomize=True)
@given(data=st.data())
def test_spaces_serve_as_well_as_commas(species, data):
    parent = data.draw(parents(species, loci=6))
    parts = data.draw(st.permutations(write_parent(species, parent).split(", ")))
    same(species, parent, parse_parent(species, " ".join(parts), name=parent.name, sex=parent.sex))


@pytest.mark.parametrize("species", SPECIES, ids=lambda s: s.name)
@settings(max_examples=100, deadline=None, derandomize=True)
@given(data=st.data())
def test_the_name_of_a_visual_call_is_read_as_that_call(species, data):
    genotypes = {x.name: data.draw(st.sampled_from(x.genotypes())) for x in species.loci}
    kept = data.draw(st.sets(st.sampled_from(sorted(genotypes)), max_size=7))
    call = species.call({name: genotypes[name] for name in kept})
    assert parse_call(species, call.name) == (call,)


def test_canonical_order_is_the_catalogue_s():
    parent = parse_parent(BALL, "66% het clown, enchi, super pastel", name="Juniper", sex=Sex.FEMALE)
    assert write_parent(BALL, parent) == "super pastel, enchi, 66% het clown"


def test_a_posterior_has_no_name_in_shorthand():
    prior = GenotypePrior(((Genotype("clown", NORMAL), 0.812), (Genotype(NORMAL, NORMAL), 0.188)))
    with pytest.raises(ShorthandError, match="Juniper, clown: these probabilities have no name"):
        write_parent(BALL, Parent("Juniper", Sex.FEMALE, {"clown": prior}))


# Slips


@pytest.mark.parametrize("species", SPECIES, ids=lambda s: s.name)
def test_a_slip_in_any_gene_name_is_answered_with_the_name(species):
    """One letter lost, doubled, or swapped with the next, in every name of six letters or more."""
    known = set(known_words(species))
    n = 0
    for locus in species.loci:
        for name in map(normalise, locus.allele_names):
            if len(name) < 6:
                continue
            i = len(name) // 2
            slips = {
                name[:i] + name[i + 1 :],
                name[:i] + name[i] + name[i:],
                name[:i] + name[i + 1] + name[i] + name[i + 2 :],
            }
            for slip in {normalise(s) for s in slips} - known:
                with pytest.raises(UnknownNameError, match="did you mean") as answer:
                    parse_parent(species, slip, name="an animal", sex=Sex.FEMALE)
                assert f"'{name}'" in str(answer.value), f"{slip}: {answer.value}"
                n += 1
    assert n


def test_a_word_like_no_other_is_answered_with_the_way_to_the_list():
    with pytest.raises(UnknownNameError, match=r"'qqqq' .*no known gene of the ball python; see 'triage genes'"):
        states("qqqq")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("clown, het clown", "says both 'clown' and 'het clown'; needed: one of them"),
        ("pastel, super pastel", "says both 'pastel' and 'super pastel'"),
        ("super mojave lesser", "more than two alleles; needed: at most two"),
        ("lesser mojave butter", "lie at one locus .* more than two alleles"),
        ("super clown", "clown is recessive and has no super; needed: 'clown'"),
        ("possible clown", "does not say what is uncertain; needed: for example '66% het clown'"),
        ("66% clown", "does not say what is uncertain"),
        ("possible het clown", "needs its chance; write '66% het clown'"),
        ("possible homozygous clown", "recessive, so two copies show"),
        ("120% het clown", "120% is more than certain; needed: 0% to 100%"),
        ("50% 60% het clown", "says one thing twice"),
        ("het super pastel", "contradicts itself; needed: one of het, super or homozygous"),
        ("super ivory", "contradicts itself"),
        ("66% het clown, 50% het cryptic", "two chances at one locus .*needed: at most one"),
        ("male-maker pastel", "a maker word is not sex-linked; needed: 'pastel'"),
        ("male-maker banana", "a maker word is for the sex with two kinds of sex chromosome"),
        ("super male-maker banana", "two copies lie on both chromosomes"),
        ("het", "'het' in 'het' stands before no gene"),
        ("pastel, 66%", "'66%' in .* stands before no gene"),
        ("super normal", "'super normal' .* makes no sense"),
        ("het firefly", "'het firefly' .* makes no sense; needed: 'firefly' alone"),
        ("blue-eyed leucistic", "does not say which alleles .*needed: the alleles by name, for example"),
    ],
)
def test_words_that_do_not_fit_together(text, message):
    with pytest.raises(ShorthandError, match=message) as refusal:
        states(text)
    assert "\n" not in str(refusal.value)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("het clown", "one copy of clown cannot be seen; leave it out"),
        ("66% het clown", "is no visual call; needed: what is seen, without chances"),
        ("possible super pastel", "is no visual call; needed: what is seen"),
        ("male-maker banana", "the chromosome cannot be seen; needed: 'banana'"),
        ("blue-eyed leucistic mojave", "names both .* which lie at one locus"),
    ],
)
def test_words_that_are_no_visual_call(text, message):
    with pytest.raises(ShorthandError, match=message):
        parse_call(BALL, text)


@settings(max_examples=200, deadline=None, derandomize=True)
@given(st.text(max_size=40) | st.lists(st.sampled_from([*known_words(BALL), "66%", ","]), max_size=6).map(" ".join))
def test_any_text_is_read_or_refused_in_one_line(text):
    try:
        parse_parent(BALL, text, name="an animal", sex=Sex.MALE)
    except (UnknownNameError, ShorthandError) as refusal:
        assert re.search("needed|did you mean|see 'triage genes'|write", str(refusal))
        assert len(str(refusal).splitlines()) == 1


@pytest.mark.parametrize(
    "chance",
    ["-66%", "- 66%", "+66%", "−66%", "–66%", "66%%", "66.5%", "6,66 %%", "1e2%", "%", "0066%", "9" * 400 + "%"],
)
def test_a_chance_that_would_be_taken_for_another_is_refused(chance):
    for words in (f"{chance} het clown", f"pastel, {chance} het clown", f"pastel {chance} het clown"):
        with pytest.raises(ShorthandError, match="is no chance; needed: a whole number from 0% to 100%"):
            states(words)


def test_more_than_anybody_writes_is_refused():
    with pytest.raises(ShorthandError, match=r"^'pastel .*\.\.\.' has 7,000 characters; needed: genes in at most 2,000$"):
        states("pastel " * 1000)
