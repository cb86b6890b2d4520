"""Cautions of a pairing before it is made: chances by hand, and by counting every egg with code of its own."""

import itertools
from collections import defaultdict
from dataclasses import replace
from fractions import Fraction
from random import Random

import pytest
from support import DOMINANT, INCOMPLETE, RECESSIVE, dam, draw_prior, locus, parent, sire, species

from triage.genetics.harm import Of, pairing_cautions
from triage.genetics.pairings import ranked, what_if
from triage.proving.harm_words import caution_lines, caution_words, cautions_json
from triage.records import About, Caution, Genotype, Linkage, Parent, Phase, Sex, Together, VisualCall
from triage.species import load_species, parse_parent

HALF, THIRD = Fraction(1, 2), Fraction(1, 3)
BALL = load_species("ball python")


def warned(of, allele_name, *keys):
    """The species with cautions on an allele."""
    loci = tuple(
        replace(x, alleles=tuple(replace(a, cautions=keys) if a.name == allele_name else a for a in x.alleles)) for x in of.loci
    )
    return replace(of, loci=loci)


def harmful_species(heterogametic=Sex.MALE):
    """Two dominant genes whose two copies do not hatch, a recessive with a caution about the dam, a sex-linked gene; three together."""
    of = species(
        locus("web", DOMINANT, hatch_rate=0.0),
        locus("tan", DOMINANT, hatch_rate=0.25),
        locus("sand", RECESSIVE),
        locus("gold", INCOMPLETE, crossover=0.1),
        locus("plain", INCOMPLETE),
        heterogametic=heterogametic,
    )
    cautions = (
        Caution("wobble", "It wobbles.", "keeper_practice"),
        Caution("lost", "Lost.", "keeper_practice", About.EGGS),
        Caution("barren", "She lays nothing.", "keeper_practice", About.DAM),
        Caution("two", "Two of them.", "keeper_practice"),
    )
    for name, keys in (("web", ("wobble", "lost")), ("sand", ("barren",)), ("gold", ("wobble",))):
        of = warned(of, name, *keys)
    return replace(of, cautions=cautions, together=(Together(("web", "tan", "gold"), "two"),))


OF = harmful_species()


def found(of, mother, father, **more):
    """Chances by words of what and of what."""
    return {(one.what, one.of): one.chance for one in pairing_cautions(of, mother, father, **more)}


# by hand


def test_spider_with_champagne_is_one_egg_in_four():
    """One copy each: 1/2 x 1/2; each gene alone in half of the eggs."""
    mother = parse_parent(BALL, "spider, pastel", name="Juniper", sex=Sex.FEMALE)
    father = parse_parent(BALL, "champagne, clown", name="Basil", sex=Sex.MALE)
    cautions = pairing_cautions(BALL, mother, father)
    assert [caution_words(one) for one in cautions] == ["spider with champagne: 25 % of eggs", "champagne: 50 % of eggs",
                                                        "spider: 50 % of eggs"]  # fmt: skip
    assert cautions[0].texts == (BALL.caution("two_balance_genes").text,)
    assert cautions == pairing_cautions(BALL, replace_sex(father, Sex.FEMALE), replace_sex(mother, Sex.MALE))


def replace_sex(animal, sex):
    return Parent(animal.name, sex, animal.loci)


def test_two_copies_not_seen_to_hatch_are_a_quarter_of_the_eggs_lost():
    both = [parse_parent(BALL, "spider", name=name, sex=sex) for name, sex in (("a", Sex.FEMALE), ("b", Sex.MALE))]
    lost, spider = pairing_cautions(BALL, *both)
    assert caution_words(lost) == "two copies of spider, not seen to hatch: 25 % of the eggs lost"
    assert lost.texts == (BALL.caution("homozygote_lost").text,)
    assert caution_words(spider) == "spider: 50 % of eggs" and BALL.caution("homozygote_lost").text not in spider.texts


def test_a_pairing_with_one_carrier_loses_nothing_for_two_copies():
    mother, father = (parse_parent(BALL, words, name=words, sex=sex) for words, sex in (("spider", Sex.FEMALE), ("pastel", Sex.MALE)))
    assert [caution_words(one) for one in pairing_cautions(BALL, mother, father)] == ["spider: 50 % of eggs"]


def test_nothing_is_said_of_a_pairing_without_such_genes():
    mother, father = (parse_parent(BALL, "pastel, het clown", name=n, sex=s) for n, s in (("a", Sex.FEMALE), ("b", Sex.MALE)))
    assert pairing_cautions(BALL, mother, father) == ()


def test_uncertain_parents_count_at_their_chances():
    """Web for certain; tan at 1/3: the egg has both at 1/2 x 1/3 x 1/2 = 1/12."""
    chances = found(OF, dam(web="normal/web"), sire(tan={"normal/tan": THIRD, "normal/normal": 1 - THIRD}))
    assert chances["web with tan", Of.EGGS] == pytest.approx(1 / 12, abs=1e-15)
    assert ("tan", Of.EGGS) not in chances  # it has no caution of its own


def test_a_genotype_that_sometimes_hatches():
    """Two copies of tan, a quarter of which hatch: a quarter of the eggs, three quarters of them lost."""
    chances = found(OF, dam(tan="normal/tan"), sire(tan="normal/tan"))
    assert chances == {("two copies of tan, of which 25 % hatch", Of.LOST): pytest.approx(3 / 16)}


def test_hidden_hets_of_both_parents_give_young_that_show_and_a_dam_that_only_carries_is_not_warned_of():
    of = warned(OF, "sand", "wobble", "barren")
    het = {"normal/sand": HALF, "normal/normal": HALF}
    assert found(of, dam(sand=het), sire(sand=het)) == {("sand", Of.EGGS): pytest.approx(1 / 16)}


def test_a_caution_about_the_dam_is_shown_where_she_shows_it():
    mother = dam(sand={"sand/sand": THIRD, "normal/sand": 1 - THIRD})
    (one,) = pairing_cautions(OF, mother, sire())
    assert (one.of, one.chance, one.texts) == (Of.DAM, pytest.approx(1 / 3), ("She lays nothing.",))
    assert caution_words(one) == "the dam is sand: 33 %"
    assert caution_lines(pairing_cautions(OF, dam(sand="sand/sand"), sire())) == ("the dam is sand. She lays nothing.",)
    assert pairing_cautions(OF, dam(), sire(sand="sand/sand")) == ()


def test_a_text_is_said_once_and_json_has_it_each_time():
    cautions = pairing_cautions(OF, dam(web="normal/web", gold="gold/normal"), sire(web="normal/web"))
    lines = caution_lines(cautions)
    assert sum("It wobbles." in line for line in lines) == 1
    assert [one["cautions"] for one in cautions_json(cautions) if one["what"] in ("web", "gold")] == [["It wobbles."]] * 2


def test_linked_genes_in_coupling_go_together():
    """Coupling, r = .1: a gamete carries both at .45; unlinked at .25; in repulsion at .05."""
    mother, father = parent("dam", Sex.FEMALE, web="normal/web", tan="normal/tan"), sire()

    def both(*linkages):
        return found(OF, mother, father, linkages=linkages)["web with tan", Of.EGGS]

    def by(phase):
        return Linkage("web", "tan", dict.fromkeys(Sex, 0.1), {} if phase is None else {"dam": phase})

    assert both() == pytest.approx(0.25)
    assert both(by(Phase.COUPLING)) == pytest.approx(0.45)
    assert both(by(Phase.REPULSION)) == pytest.approx(0.05)
    assert both(by(None)) == pytest.approx(0.25)
    assert found(OF, mother, father, linkages=(Linkage("web", "plain", dict.fromkeys(Sex, 0.1)),)) == found(OF, mother, father)


# by counting


def gametes(animal, of, linkage):
    """(alleles by locus, chance), of autosomal loci, the linked pair together."""
    def of_locus(name):
        prior = animal.prior(of.locus(name), of.heterogametic)
        return [((allele,), float(p) / 2) for g, p in prior.states for allele in g.alleles]

    def of_pair(first, second):
        r = linkage.recombination[animal.sex]
        for one, p in animal.prior(of.locus(first), of.heterogametic).states:
            for other, q in animal.prior(of.locus(second), of.heterogametic).states:
                # every arrangement of the two pairs on two chromosomes, each as likely
                for flipped in (False, True):
                    a, b = one.alleles
                    c, d = other.alleles[::-1] if flipped else other.alleles
                    for alleles, chance in (((a, c), (1 - r) / 2), ((b, d), (1 - r) / 2), ((a, d), r / 2), ((b, c), r / 2)):
                        yield alleles, float(p) * float(q) * chance / 2

    names = [x.name for x in of.loci if not x.sex_linked and x.name not in (linkage.first, linkage.second)]
    parts = [of_pair(linkage.first, linkage.second), *(of_locus(name) for name in names)]
    keys = [linkage.first, linkage.second, *names]
    table = defaultdict(float)
    for combination in itertools.product(*parts):
        alleles = tuple(a for part, _ in combination for a in part)
        p = 1.0
        for _, chance in combination:
            p *= chance
        table[alleles] += p
    return keys, table


def sexed_eggs(mother, father, x, rate, heterogametic):
    """(genotype at the sex-linked locus, chance)."""
    two, one = (mother, father) if heterogametic is Sex.MALE else (father, mother)
    for g, p in two.prior(x, heterogametic).states:
        for h, q in one.prior(x, heterogametic).states:
            for allele in g.alleles:
                for shared in (True, False):
                    own, crossed = (h.first, h.second) if shared else (h.second, h.first)
                    yield Genotype(allele, own), float(p) * float(q) / 4 * (1 - rate)
                    yield Genotype(allele, crossed), float(p) * float(q) / 4 * rate


def counted(of, mother, father, linkage):
    """The same chances by going through every egg."""
    chances = defaultdict(float)
    keys, from_dam = gametes(mother, of, linkage)
    _, from_sire = gametes(father, of, linkage)
    gold = defaultdict(float)
    for genotype, p in sexed_eggs(mother, father, of.locus("gold"), 0.1, of.heterogametic):
        gold[genotype] += p
    for (a, p), (b, q), (g, r) in itertools.product(from_dam.items(), from_sire.items(), gold.items()):
        egg = {name: Genotype(one, two) for name, one, two in zip(keys, a, b, strict=True)} | {"gold": g}
        chance = p * q * r
        for name, rate, hatch in (("web", 0.0, "not seen to hatch"), ("tan", 0.25, "of which 25 % hatch")):
            if egg[name].copies(name) == 2:
                chances[f"two copies of {name}, {hatch}", Of.LOST] += chance * (1 - rate)
        twice = {"web": 0.0, "tan": 0.25, "gold": 1.0}
        alive = {name: (0.0, 1.0, two)[egg[name].copies(name)] for name, two in twice.items()}
        for one, other in itertools.combinations(("web", "tan", "gold"), 2):
            chances[f"{one} with {other}", Of.EGGS] += chance * alive[one] * alive[other]
        chances["web", Of.EGGS] += chance * alive["web"]
        if egg["gold"].copies("gold"):
            chances["gold" if egg["gold"].copies("gold") == 1 else "super gold", Of.EGGS] += chance
    for genotype, p in mother.prior(of.locus("sand"), of.heterogametic).states:
        if genotype.copies("sand") == 2:
            chances["sand", Of.DAM] += float(p)
    return {key: p for key, p in chances.items() if p > 0}


@pytest.mark.parametrize("heterogametic", Sex)
@pytest.mark.parametrize("seed", range(25))
def test_chances_equal_counting_every_egg(seed, heterogametic):
    """Uncertain parents, a sex-linked gene on X, Y, Z or W, two linked genes of unknown phase."""
    rng, of = Random(seed), harmful_species(heterogametic)

    def drawn(sex):
        loci = [x for x in of.loci if rng.random() < 0.8]
        return Parent(sex.value, sex, {x.name: draw_prior(rng, x, x.sex_linked and sex is heterogametic, 2) for x in loci})

    mother, father = drawn(Sex.FEMALE), drawn(Sex.MALE)
    linkage = Linkage("web", "tan", {Sex.FEMALE: 0.1, Sex.MALE: 0.3})
    chances = found(of, mother, father, linkages=(linkage,))
    assert chances == pytest.approx(counted(of, mother, father, linkage), abs=1e-12)


# where pairings are weighed


def test_what_if_carries_the_cautions_of_each_pairing():
    females, males = [dam(web="normal/web"), dam()], [sire(web="normal/web"), sire(tan="normal/tan"), sire(plain="normal/plain")]
    for found_one, (mother, father) in zip(what_if(OF, itertools.product(females, males)), itertools.product(females, males), strict=True):
        assert found_one.cautions == pairing_cautions(OF, mother, father)
    best = ranked(OF, females, males, VisualCall((("tan", "tan"),)))
    assert [one.cautions for _, one in best if (one.looks.keys()) == {"web", "tan"}] == [pairing_cautions(OF, females[0], males[1])]
