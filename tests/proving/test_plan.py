"""Proving plans against the published figures, scipy, and enumeration that shares no code with them."""

import itertools
import math
import sys
from datetime import date
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from sklearn.metrics import mutual_info_score

from triage.errors import ContradictionError, UnsupportedInheritanceError, WorkTooLargeError
from triage.proving.plans.egg_table import DIED, SLUG, HeldBack, Mate, egg_table
from triage.proving.plans.information import information_nats, outcome_meanings, p_settled_by
from triage.proving.plans.length import eggs_until_settled, plain_run, season_ends, seasons_until_settled, young_to_show
from triage.proving.plans.plan import proving_plan, rank_mates, visual_mates
from triage.proving.plans.seasons import EggCount, Season
from triage.records import Genotype, GenotypePrior, Parent, Sex
from triage.species import load_species, parse_parent

sys.path.insert(0, str(Path(__file__).parent))
from entered import after_outcomes

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))
from bench_plans import one_by_one

SPECIES = load_species("ball python")
WILD, HET = Genotype("normal", "normal"), Genotype("clown", "normal")
SPOTLESS = Season(EggCount.exactly(8), p_lays=1, p_slug=0, p_lost=0)
SHORT = Season(EggCount.exactly(4), p_lays=0.8, p_slug=0.1, p_lost=0.05)
USUAL = Season(EggCount.exactly(8), p_lays=0.8, p_slug=0.1, p_lost=0.05)


def daughters_of(animal, another_for_each_egg=False):
    """Daughters by a plain female: half of a het's carry it too."""
    carried = {(WILD,): {(WILD,): 1.0}, (HET,): {(WILD,): 0.5, (HET,): 0.5}}
    return Mate(Parent("own daughter", Sex.FEMALE), carried, another_for_each_egg)


def parent(text, sex, name="somebody"):
    return parse_parent(SPECIES, text, name=name, sex=sex)


def held(text, sex=Sex.MALE, loci=None):
    return HeldBack.of(SPECIES, parent(text, sex, "A4"), loci)


def mate(text, sex=Sex.FEMALE):
    return Mate(parent(text, sex, text))


def table(animal, other, season=SPOTLESS):
    return egg_table(held(animal), mate(other), season)


# --- Published figures -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("other", "at_95", "at_99"), [("clown", 5, 7), ("het clown", 11, 17)])
def test_young_needed_of_the_handbooks(other, at_95, at_99):
    """5/7 with a visual mate, 11/17 with a known het: ceil(ln(1 - c) / ln(q)).

    The handbooks of animal breeding print this table with 16 for the last, though (3/4)^16 = 0.01002 is not below 1 %; no citable
    copy of it was found.
    """
    found = table("66% het clown", other)
    assert young_to_show(found, "het clown", 0.95) == at_95
    assert young_to_show(found, "het clown", 0.99) == at_99
    assert young_to_show(found, "no clown", 0.95) is None


def test_young_needed_with_own_daughters():
    """23/35, one young of each daughter by animals that carry nothing: q = 7/8 (handbooks as above)."""
    animal = held("50% het clown")
    found = egg_table(animal, daughters_of(animal, another_for_each_egg=True), SPOTLESS)
    assert young_to_show(found, "het clown", 0.95) == 23
    assert young_to_show(found, "het clown", 0.99) == 35


def test_one_daughter_never_settles_it():
    """Half of his daughters got nothing of him: with one daughter the chance to see it ends at 1/2."""
    animal = held("50% het clown")
    found = egg_table(animal, daughters_of(animal), SPOTLESS)
    assert young_to_show(found, "het clown", 0.49) is not None
    assert young_to_show(found, "het clown", 0.51) is None


@pytest.mark.parametrize(
    ("prior", "other", "after"),
    [
        ("50%", "clown", ["1/3", "1/5", "1/9", "1/17", "1/33", "1/65"]),
        ("66%", "clown", ["1/2", "1/3", "1/5", "1/9", "1/17", "1/33"]),
        ("50%", "het clown", ["3/7", "9/25", "27/91", "81/337", "243/1267", "729/4825"]),
        ("66%", "het clown", ["3/5", "9/17", "27/59", "81/209", "243/755", "729/2777"]),
    ],
)
def test_after_plain_young(prior, other, after):
    """1/9 after three: Ogino and Wilson 2004 (J Mol Diagn 6:1-9) by a course note; the others follow from the same formula."""
    found = table(f"{prior} het clown", other)
    for n, expected in enumerate(after, start=1):
        assert after_outcomes(found, {"normal": n}).answers["het clown"] == pytest.approx(float(Fraction(expected)), abs=1e-12)


def test_ten_plain_young_of_a_visual():
    """1/1024 if he carries it (Australian Limousin Breeders, Single genes leaflet); 1/1025 is the posterior from 1/2."""
    found = table("50% het clown", "clown")
    by_seen = {m.seen: m for m in outcome_meanings(found, 10)}
    meaning = by_seen[("normal", 10),]
    assert meaning.answers["het clown"] == pytest.approx(1 / 1025, abs=1e-12)
    assert meaning.probability == pytest.approx(0.5 + 0.5 / 1024, abs=1e-12)


def test_ten_young_of_a_selfed_het_miss_it():
    """(3/4)^10 = .0563, "approximately 5 %": Fisher 1936 on Mendel's F3, by Seidenfeld (CMU TR 675)."""
    found = table("66% het clown", "het clown")
    shows = sum(m.probability for m in outcome_meanings(found, 10) if m.answers["het clown"] == 1)
    assert 1 - shows / (2 / 3) == pytest.approx(0.0563, abs=5e-5)


# --- Lengths against scipy ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(("other", "q", "plain"), [("clown", 0.5, 6), ("het clown", 0.75, 13)])
def test_eggs_until_settled_is_a_geometric_law_cut_short(other, q, plain):
    """If he carries it, the first visual is geometric (scipy.stats.geom); n plain eggs settle that he does not."""
    found = eggs_until_settled(table("66% het clown", other), 0.95)
    expected = np.zeros(plain + 1)
    expected[1:] = 2 / 3 * stats.geom.pmf(range(1, plain + 1), 1 - q)
    expected[plain] += 2 / 3 * q**plain + 1 / 3
    assert found.chances == pytest.approx(expected, abs=1e-12)
    assert found.mean == pytest.approx(expected @ np.arange(plain + 1))
    assert plain_run(table("66% het clown", other), 0.95).needed == plain


def test_slugs_and_lost_eggs_stretch_it_to_a_negative_binomial():
    """Six young that show nothing among eggs of which a share s gives a young: scipy.stats.nbinom, when he does not carry it."""
    s = 0.9 * 0.95
    found = eggs_until_settled(table("66% het clown", "clown", USUAL), 0.95)
    n = np.arange(len(found.chances))
    never = stats.nbinom.pmf(n - 6, 6, s)
    # If he carries it: the first visual before six plain young, or six plain young first.
    carries = np.zeros(len(n))
    for k in range(1, 7):
        carries += 0.5**k * stats.nbinom.pmf(n - k, k, s)
    carries += 0.5**6 * never
    assert found.chances == pytest.approx(never / 3 + 2 / 3 * carries, abs=1e-9)
    assert found.beyond < 1e-8


def test_seasons_until_settled_by_convolution():
    """Eggs of each season by numpy.convolve, young of them by scipy.stats.binom: settled when he showed it or 6 young are plain."""
    season = Season(EggCount((0.0, 0.0, 0.5, 0.5)), p_lays=0.8, p_slug=0.2, p_lost=0.0)
    found = seasons_until_settled(egg_table(held("66% het clown"), mate("clown"), season), season.eggs, 0.95, n_seasons=4)
    one = np.array([0.2, 0.0, 0.4, 0.4])
    eggs, within = np.ones(1), [0.0]
    for _ in range(4):
        eggs = np.convolve(eggs, one)
        settled = 0.0
        for n, p in enumerate(eggs):
            young = stats.binom.pmf(range(n + 1), n, 0.8)
            plain = np.arange(n + 1) >= 6
            settled += p * (young @ (plain / 3 + 2 / 3 * np.where(plain, 1, 1 - 0.5 ** np.arange(n + 1))))
        within.append(settled)
    assert np.cumsum(found.chances) == pytest.approx(within, abs=1e-12)
    assert found.beyond == pytest.approx(1 - within[-1], abs=1e-12)


def test_one_season_agrees_with_the_walk():
    found = table("66% het clown", "het clown", USUAL)
    assert p_settled_by(found, USUAL.eggs, 0.95) == pytest.approx(
        seasons_until_settled(found, USUAL.eggs, 0.95, n_seasons=1).chances[1], abs=1e-12
    )


# --- Enumeration -------------------------------------------------------------------------------------------------


def mendel(dam, sire):
    """P(genotype), slowly and on its own: every pair of gametes."""
    chances = {}
    for a, b in itertools.product(dam, sire):
        key = tuple(sorted((a, b)))
        chances[key] = chances.get(key, 0) + Fraction(1, 4)
    return chances


def enumerated(prior, other, looks, n_eggs, p_young=Fraction(1)):
    """P(answer, ordered outcomes of the eggs) for one autosomal locus and a mate that may be uncertain."""
    joint = {}
    for own, p in prior.items():
        for m, q in other.items():
            shown = {"none": 1 - p_young}
            for genotype, chance in mendel(own, m).items():
                shown[looks[genotype]] = shown.get(looks[genotype], 0) + p_young * chance
            shown = {k: v for k, v in shown.items() if v}
            for order in itertools.product(shown, repeat=n_eggs):
                weight = p * q * math.prod((shown[x] for x in order), start=Fraction(1))
                joint[own, order] = joint.get((own, order), 0) + weight
    return joint


def information_of(joint):
    own, seen = {}, {}
    for (a, o), p in joint.items():
        own[a] = own.get(a, 0) + p
        seen[o] = seen.get(o, 0) + p
    return math.fsum(float(p) * math.log(float(p / (own[a] * seen[o]))) for (a, o), p in joint.items() if p)


C, N = "clown", "normal"
RECESSIVE = {(C, C): "visual", (C, N): "plain", (N, N): "plain"}
PASTEL = {("normal", "normal"): "plain", ("normal", "pastel"): "one", ("pastel", "pastel"): "super"}


@pytest.mark.parametrize("n_eggs", [1, 2, 4])
@pytest.mark.parametrize(
    ("other", "states"),
    [
        ("clown", {(C, C): Fraction(1)}),
        ("het clown", {(C, N): Fraction(1)}),
        ("66% het clown", {(C, N): Fraction(2, 3), (N, N): Fraction(1, 3)}),
        ("normal", {(N, N): Fraction(1)}),
    ],
)
def test_information_by_enumeration(other, states, n_eggs):
    joint = enumerated({(C, N): Fraction(2, 3), (N, N): Fraction(1, 3)}, states, RECESSIVE, n_eggs, Fraction(9, 10))
    season = Season(EggCount.exactly(n_eggs), p_lays=1, p_slug=0.1, p_lost=0)
    found = information_nats(table("66% het clown", other, season), EggCount.exactly(n_eggs))
    assert found == pytest.approx(information_of(joint), abs=1e-12)


def test_information_of_one_egg_against_scikit_learn():
    """sklearn.metrics.mutual_info_score of a contingency table in nats: 1/2 x (1/2, 1/2) against 1/2 x (0, 1)."""
    counts = np.array([[1, 1], [0, 2]])
    found = information_nats(table("50% het clown", "clown"), EggCount.exactly(1))
    assert found == pytest.approx(mutual_info_score(None, None, contingency=counts), abs=1e-12)


def test_information_never_exceeds_what_is_open():
    found = table("66% het clown, 50% het piebald", "clown, piebald")
    assert sorted(found.held.answers.values()) == pytest.approx([1 / 6, 1 / 6, 1 / 3, 1 / 3])
    open_nats = stats.entropy([1 / 3, 1 / 3, 1 / 6, 1 / 6])
    values = [information_nats(found, EggCount.exactly(n)) for n in range(6)]
    assert values[0] == pytest.approx(0, abs=1e-12)
    assert all(a < b < open_nats for a, b in itertools.pairwise(values))


def test_independent_loci_add_up():
    """With one certain mate two unlinked loci teach the sum of what each teaches."""
    both = information_nats(table("66% het clown, 50% het ghost", "clown, ghost"), EggCount.exactly(3))
    one = information_nats(table("66% het clown", "clown"), EggCount.exactly(3))
    other = information_nats(table("50% het ghost", "ghost"), EggCount.exactly(3))
    assert both == pytest.approx(one + other, abs=1e-12)


def test_incomplete_dominant_super_by_enumeration():
    """A pinstripe-like question at pastel: an animal that may carry one copy or two."""
    prior = {("normal", "pastel"): Fraction(2, 3), ("pastel", "pastel"): Fraction(1, 3)}
    as_prior = GenotypePrior(tuple((Genotype(*g), p) for g, p in prior.items()))
    animal = HeldBack.of(SPECIES, Parent("A4", Sex.MALE, {"pastel": as_prior}))
    for text, states in (("normal", {("normal", "normal"): Fraction(1)}), ("pastel", {("normal", "pastel"): Fraction(1)})):
        found = information_nats(egg_table(animal, mate(text), SPOTLESS), EggCount.exactly(3))
        assert found == pytest.approx(information_of(enumerated(prior, states, PASTEL, 3)), abs=1e-12)


def test_eggs_until_settled_by_enumeration_with_an_uncertain_mate():
    """Every order of six eggs of a mate that may be het herself, with the posterior after each egg."""
    prior = {(C, N): Fraction(2, 3), (N, N): Fraction(1, 3)}
    other = {(C, N): Fraction(1, 2), (N, N): Fraction(1, 2)}
    joint = enumerated(prior, other, RECESSIVE, 6)
    orders = {o for _, o in joint}

    def p_order(start):
        return {own: sum(p for (a, o), p in joint.items() if a == own and o[: len(start)] == start) for own in prior}

    expected = [0.0] * 7
    for order in orders:
        total = sum(joint.get((own, order), 0) for own in prior)
        for n in range(7):
            chances = p_order(order[:n])
            if max(chances.values()) >= Fraction(95, 100) * sum(chances.values()):
                expected[n] += float(total)
                break
    found = eggs_until_settled(table("66% het clown", "50% het clown"), 0.95, most_eggs=6)
    assert found.chances == pytest.approx(expected[: len(found.chances)], abs=1e-12)
    assert found.beyond == pytest.approx(1 - sum(expected), abs=1e-12)


@given(st.integers(0, 4), st.integers(0, 5))
@settings(max_examples=20, deadline=None)
def test_listed_meanings_agree_with_what_was_entered(visuals, plain):
    found = table("66% het clown", "66% het clown", USUAL)
    entered = after_outcomes(found, {"clown": visuals, "normal": plain, SLUG: 2, DIED: 1})
    seen = tuple((word, n) for word, n in (("clown", visuals), ("normal", plain)) if n)
    (listed,) = [m for m in outcome_meanings(found, visuals + plain + 3) if m.seen == seen]
    chances = {a: entered.answers.get(a, 0.0) for a in listed.answers}
    assert chances == pytest.approx(listed.answers, abs=1e-9)


# --- Sex-linked, allelic, look-alikes, lethal --------------------------------------------------------------------


def test_sex_linked_phase():
    """Y-phase sire: P(gene | son) = 1 - r, P(gene | daughter) = r, X-phase swapped (direction: Mallery and Carrillo 2016).

    A young is a channel that flips the phase with chance r: ln 2 - h(r) nats (Shannon 1948).
    """
    r = 0.1
    found = egg_table(held("banana"), mate("normal"), SPOTLESS, crossover={"banana": r})
    assert set(found.outcomes) == {"banana, female", "banana, male", "normal, female", "normal, male"}
    expected = math.log(2) - stats.entropy([r, 1 - r])
    assert information_nats(found, EggCount.exactly(1)) == pytest.approx(expected, abs=1e-12)
    after = after_outcomes(found, {"banana, male": 2, "normal, female": 1})
    assert after.answers["banana on the Y"] == pytest.approx(0.9**3 / (0.9**3 + 0.1**3), abs=1e-12)


def test_without_linkage_the_phase_cannot_be_told():
    found = egg_table(held("banana"), mate("normal"), SPOTLESS, crossover={"banana": 0.5})
    assert information_nats(found, EggCount.exactly(8)) == pytest.approx(0, abs=1e-12)
    assert eggs_until_settled(found, 0.95).beyond == 1
    assert seasons_until_settled(found, USUAL.eggs, 0.95).beyond == 1


def test_looks_nobody_can_tell_apart_are_one_outcome():
    """Lesser and butter look alike (GENES.md: common practice, no source): a normal mate's eggs say nothing of which it is."""
    prior = GenotypePrior(((Genotype("lesser", "normal"), 0.5), (Genotype("butter", "normal"), 0.5)))
    animal = HeldBack.of(SPECIES, Parent("A4", Sex.MALE, {"blue-eyed-leucistic series": prior}))
    found = egg_table(animal, mate("normal"), SPOTLESS)
    assert set(found.outcomes) == {"normal", "lesser or butter"}
    assert information_nats(found, EggCount.exactly(10)) == pytest.approx(0, abs=1e-12)


def test_a_white_young_hides_what_it_carries():
    """A blue-eyed leucistic shows no clown: with a mojave clown mate a quarter of the eggs of a lesser say nothing."""
    animal = held("lesser, 50% het clown", loci=["clown"])
    hiding = egg_table(animal, mate("mojave clown"), SPOTLESS)
    assert "blue-eyed leucistic" in hiding.outcomes
    clear = egg_table(held("50% het clown"), mate("clown"), SPOTLESS)
    one = EggCount.exactly(1)
    assert information_nats(hiding, one) == pytest.approx(0.75 * information_nats(clear, one), abs=1e-12)


@pytest.mark.parametrize(("other", "shown"), [("clown", 1 / 2), ("mojave, clown", 3 / 8), ("champagne, clown", 3 / 8)])
def test_a_look_that_hides_a_gene_costs_the_plan_eggs(other, shown):
    """P(an egg of a het clown lesser shows clown): 1/2, but not on the white quarter, and on a champagne half only half the time."""
    found = egg_table(held("lesser, 50% het clown", loci=("clown",)), mate(other), SPOTLESS)
    clown = [k for k, words in enumerate(found.outcomes) if "clown" in words]
    het = next(i for i, hypothesis in enumerate(found.hypotheses) if hypothesis[0].copies("clown"))
    assert found.chances[het, 0, clown].sum() == pytest.approx(shown, abs=1e-12)



def test_look_alikes_that_only_breeding_tells_are_one_outcome():
    """Super cinnamon or cinnamon black pastel (GENES.md: common practice, no source): a quarter of the eggs either way, so no news."""
    prior = GenotypePrior(((Genotype("cinnamon", "normal"), 0.5), (Genotype("black pastel", "normal"), 0.5)))
    locus = SPECIES.locus_of("cinnamon").name
    animal = HeldBack.of(SPECIES, Parent("A4", Sex.MALE, {locus: prior}))
    found = egg_table(animal, mate("cinnamon"), SPOTLESS)
    alike = next(o for o in found.outcomes if "super cinnamon" in o)
    assert "cinnamon black pastel" in alike
    assert after_outcomes(found, {alike: 3}).hypotheses == pytest.approx(animal.hypotheses)
    # Two cinnamon young: 1/2 x 1/2 from the one, 1/4 x 1/4 from the other.
    assert max(after_outcomes(found, {"cinnamon": 2}).answers.values()) == pytest.approx(4 / 5)


def test_eggs_that_die_of_their_genotype_tell_something():
    """Champagne homozygotes do not hatch (GENES.md: common practice, no source): lost eggs then speak for a carrier."""
    prior = GenotypePrior(((Genotype("champagne", "normal"), 0.5), (Genotype("normal", "normal"), 0.5)))
    animal = HeldBack.of(SPECIES, Parent("A4", Sex.MALE, {"champagne": prior}))
    found = egg_table(animal, mate("champagne"), Season(EggCount.exactly(8), p_slug=0.1, p_lost=0.2))
    after = after_outcomes(found, {DIED: 1}).answers
    carrier = 0.9 * (0.2 + 0.8 * 0.25)
    assert after["one copy of champagne"] == pytest.approx(carrier / (carrier + 0.9 * 0.2), abs=1e-12)
    assert after_outcomes(found, {SLUG: 5}).answers["one copy of champagne"] == pytest.approx(0.5)


# --- Mates, plans, errors ----------------------------------------------------------------------------------------


def test_mates_in_order():
    animal = held("66% het clown")
    ranked = rank_mates(animal, visual_mates(animal), USUAL)
    assert [r.mate.name for r in ranked] == ["any visual clown", "any known het clown", "any normal"]
    # A clutch comes in 8 of 10 years, and clutches that are not laid teach nothing.
    a_clutch = information_nats(egg_table(animal, ranked[0].mate, USUAL), USUAL.clutch)
    assert ranked[0].nats_per_year == pytest.approx(0.8 * a_clutch, abs=1e-12)
    assert ranked[-1].nats_per_year == 0


def test_several_females_a_season():
    animal = held("66% het clown")
    harem = Season(EggCount.exactly(8), n_females=3)
    certain, uncertain = rank_mates(animal, [mate("clown"), mate("66% het clown"), mate("clown", Sex.MALE)], harem)
    assert certain.nats_per_year > 0.8 * information_nats(egg_table(animal, certain.mate, harem), harem.clutch)
    assert "each may have another genotype" in uncertain.refusal
    with pytest.raises(UnsupportedInheritanceError, match="name females of known genotype"):
        proving_plan(animal, mate("66% het clown"), harem)


def test_whole_plan():
    plan = proving_plan(
        held("66% het clown"),
        mate("clown"),
        USUAL,
        hatch_date=date(2026, 8, 1),
        today=date(2026, 11, 25),
        mass_g=120,
    )
    assert {(y.answer, y.level): y.n_young for y in plan.young_needed} == {
        ("het clown", 0.95): 5,
        ("het clown", 0.99): 7,
        ("no clown", 0.95): None,
        ("no clown", 0.99): None,
    }
    assert plan.stopping[0].telling == ("clown",)
    assert plan.stopping[0].answer == "no clown"
    assert sum(m.probability for m in plan.outcomes) == pytest.approx(1)
    mean = {a: sum(m.probability * m.answers[a] for m in plan.outcomes) for a in plan.table.held.answers}
    assert mean == pytest.approx(plan.table.held.answers)
    assert plan.p_one_season_settles[0.99] < plan.p_one_season_settles[0.95]
    assert plan.seasons[0].chances[1] == pytest.approx(plan.p_one_season_settles[0.95])
    assert plan.earliest.paired == date(2027, 11, 1)


def test_correlated_hypotheses_stay_correlated():
    """Two hets that came together or not at all: seeing one proves the other."""
    both = (Genotype("clown", "normal"), Genotype("normal", "piebald"))
    none = (Genotype("normal", "normal"), Genotype("normal", "normal"))
    animal = HeldBack(SPECIES, Parent("A4", Sex.MALE), ("clown", "piebald"), {both: 0.5, none: 0.5})
    found = egg_table(animal, mate("clown"), SPOTLESS)
    assert after_outcomes(found, {"clown": 1}).answers["het clown, het piebald"] == 1
    assert eggs_until_settled(found, 0.95).beyond < 1e-6


@pytest.mark.parametrize(("animal", "other"), [("66% het clown, 50% het piebald", "clown, piebald"), ("banana, 66% het clown", "clown")])
def test_histories_taken_together_end_as_they_do_one_by_one(animal, other):
    found = table(animal, other, SHORT)
    fast = seasons_until_settled(found, SHORT.eggs, 0.9, n_seasons=2)
    assert fast.chances[1:] == pytest.approx(one_by_one(found, SHORT.eggs, 0.9, 2), abs=1e-12)


def test_standings_hold_all_probability():
    found = table("66% het clown, 50% het piebald", "clown, piebald", USUAL)
    settled = 0.0
    for end in season_ends(found, USUAL.eggs, 0.95, 3):
        still = end.probability[end.settled < 0].sum()
        settled += end.probability[end.settled >= 0].sum()
        assert settled + still == pytest.approx(1, abs=1e-12)


def test_errors():
    with pytest.raises(ContradictionError, match="nothing is open about it"):
        held("het clown")
    with pytest.raises(ContradictionError, match="both are male"):
        egg_table(held("66% het clown"), mate("clown", Sex.MALE), SPOTLESS)
    genes = ("clown", "piebald", "albino", "ultramel", "lavender albino", "ghost", "genetic stripe")
    many = ", ".join(f"66% het {gene}" for gene in genes)
    with pytest.raises(WorkTooLargeError, match="name fewer genes in question"):
        egg_table(held(many), mate(many), SPOTLESS)
    nine = ", ".join(f"50% het {gene}" for gene in (*genes, "desert ghost", "sunset"))
    with pytest.raises(WorkTooLargeError, match="9 genes are open, .* 512 hypotheses, more than 256; name fewer genes in question, of clown"):
        held(nine)
