"""A word that stands for one of several lines: engine, enumeration and Bayes by hand."""

import math
from collections import Counter
from dataclasses import replace
from fractions import Fraction
from random import Random

import pytest
from support import draw_case, draw_prior, locus, pair, same, species, verify, verify_parents_only

from triage.errors import ContradictionError, WorkTooLargeError
from triage.genetics.clutch.alternatives import explanations
from triage.genetics.clutch.exact import infer
from triage.genetics.clutch.impossible import why_impossible
from triage.genetics.clutch.losses import expected_losses
from triage.genetics.clutch.luck import multinomial_tail
from triage.genetics.clutch.model import compile_cross
from triage.genetics.clutch.prospects import eggs_until_settled
from triage.genetics.clutch.surprise import surprise
from triage.genetics.clutch.worlds import parents_of, worlds_of
from triage.genetics.collection import Animal, Clutch, Collection, infer_collection
from triage.genetics.knowledge import offspring, with_unknown_hets
from triage.genetics.readings import laboratory_reading
from triage.genetics.references.clutch import enumerate_clutch
from triage.genetics.references.collection import enumerate_collection
from triage.records import (
    NORMAL,
    CallReading,
    Egg,
    Genotype,
    GenotypePrior,
    LineStatement,
    Mode,
    Parent,
    Sex,
    UnnamedLine,
    VisualCall,
)
from triage.species import parse_call, parse_parent

N_DRAWN, N_GROUPS = 150, 3


def grey_snake(n):
    """A species with n equally likely lines of "grey", a dominant and a recessive gene beside them."""
    names = [f"grey line {k}" for k in range(1, n + 1)]
    bare = species(*(locus(name, Mode.RECESSIVE) for name in names), locus("pale", Mode.DOMINANT), locus("amber", Mode.RECESSIVE))
    return replace(bare, unnamed_lines=(UnnamedLine("grey", tuple((name, name, Fraction(1, n)) for name in names)),))


def grey_pair(n, dam="grey", sire="grey", dam_from=None, sire_from=None):
    of = grey_snake(n)
    mother = parse_parent(of, dam, name="Heather", sex=Sex.FEMALE, origin=dam_from)
    father = parse_parent(of, sire, name="Rowan", sex=Sex.MALE, origin=sire_from)
    return pair(of, mother, father)


def called(of, words):
    """The look as a fact."""
    return CallReading(dict.fromkeys(parse_call(of.species, words), 1.0))


def p_same(posterior):
    """P(the two parents are of one line)."""
    return sum(p for p, world, _ in posterior.worlds if len(set(world.lines.values())) == 1)


@pytest.mark.parametrize("n", [2, 3, 4, 5])
def test_two_visuals_of_unknown_lines_give_a_normal_young_unless_the_lines_are_one(n):
    of = grey_pair(n)
    model = compile_cross(of)
    expected = dict(zip(model.calls, model.expected_calls(), strict=True))
    assert expected[VisualCall()] == pytest.approx(1 - 1 / n, abs=1e-15)
    one_normal = infer(model, [Egg("1", readings=(called(of, "normal"),)), Egg("2")])
    assert p_same(one_normal) == 0
    assert {c.call.name: c.probability for c in one_normal.calls(1)} == {"normal": pytest.approx(1.0)}
    for k in (1, 3):
        greys = infer(model, [Egg(str(e), readings=(called(of, "grey"),)) for e in range(k)])
        assert p_same(greys) == pytest.approx(1.0, abs=1e-15)


@pytest.mark.parametrize("n", [2, 4])
def test_two_hets_of_unknown_lines_against_bayes_by_hand(n):
    of = grey_pair(n, "het grey", "het grey")
    model = compile_cross(of)
    grey = sum(p for call, p in zip(model.calls, model.expected_calls(), strict=True) if call != VisualCall())
    assert grey == pytest.approx(1 / n / 4)
    for k in (1, 5):
        plain = infer(model, [Egg(str(e), readings=(called(of, "normal"),)) for e in range(k)])
        by_hand = (1 / n) * 0.75**k / ((1 / n) * 0.75**k + 1 - 1 / n)
        assert p_same(plain) == pytest.approx(by_hand)
    same_line = compile_cross(grey_pair(n, "het grey", "het grey", "one house", "one house"))
    assert dict(zip(same_line.calls, same_line.expected_calls(), strict=True))[VisualCall()] == pytest.approx(0.75)


def test_a_line_recorded_as_shared_gives_only_visual_young():
    model = compile_cross(grey_pair(3, dam_from="one house", sire_from="one house"))
    assert {call.name for call in model.calls} == {"grey line 1", "grey line 2", "grey line 3"}
    assert why_impossible(model, VisualCall()) == (
        "whichever lines are meant, these parents cannot: with some of them every hatchling of these parents shows grey line 1"
    )
    apart = compile_cross(grey_pair(3, dam_from="one house", sire_from="another"))
    assert why_impossible(apart, VisualCall()) is None


def test_a_call_that_only_one_world_gives_is_not_struck_out_and_one_that_none_gives_is():
    of = grey_pair(3)
    model = compile_cross(of)
    for call in parse_call(of.species, "grey line 2"):
        assert why_impossible(model, call) is None
    both = VisualCall((("grey line 1", "grey line 1"), ("grey line 2", "grey line 2")))
    assert both not in model.calls and why_impossible(model, both)
    assert sum(model.expected_calls()) == pytest.approx(1.0)


def test_what_a_laboratory_says_of_a_named_line_says_which_line_is_meant():
    of = grey_pair(3)
    test = laboratory_reading(of.species.locus("grey line 2"), "grey line 2", 2, false_positive=0, false_negative=0)
    found = infer(compile_cross(of), [Egg("1")], {"Heather": [test]})
    assert {world.lines["grey", "of", "Heather"] for p, world, _ in found.worlds if p > 0} == {"grey line 2"}
    none = laboratory_reading(of.species.locus("grey line 2"), "grey line 2", 0, false_positive=0, false_negative=0)
    found = infer(compile_cross(of), [Egg("1")], {"Heather": [none]})
    assert found.parents[0].loci["grey line 2"][Genotype("grey line 2", "grey line 2")] == 0
    assert found.parents[0].loci["grey line 1"][Genotype("grey line 1", "grey line 1")] == pytest.approx(0.5)


def test_a_line_named_beside_the_word_is_not_the_one_meant():
    of = grey_pair(2, "grey, het grey line 1", "grey line 2")
    assert len(worlds_of(of)) == 1
    model = compile_cross(of)
    assert {call.name for call in model.calls} == {"grey line 2"}
    shared = grey_pair(3, "grey, het grey line 1", "grey", "one house", "one house")
    assert len(worlds_of(shared)) == 2
    with pytest.raises(ContradictionError, match="Heather and Rowan: are of one origin, and what is said of their grey excludes every"):
        worlds_of(grey_pair(2, "grey, het grey line 1", "grey, het grey line 2", "one house", "one house"))


def test_too_many_ways_are_refused_by_name():
    of = grey_snake(6)
    parents = [parse_parent(of, "grey", name=n, sex=Sex.MALE) for n in ("Rowan", "Birch", "Elm")]
    with pytest.raises(WorkTooLargeError, match=r"1,296 ways; the bound is 128\. Name the line of Heather, Rowan, Birch, Elm, or"):
        compile_cross(pair(of, parse_parent(of, "grey", name="Heather", sex=Sex.FEMALE), *parents))


def test_young_of_animals_whose_line_is_not_named_are_known_exactly():
    """A daughter of two bare hets who shows it, bred back to her sire's like: the lines of her parents were one."""
    of = grey_snake(2)
    dam, sire = (parse_parent(of, "het grey", name=n, sex=s) for n, s in (("D", Sex.FEMALE), ("S", Sex.MALE)))
    daughter = offspring(of, "Fern", Sex.FEMALE, dam, sire, VisualCall((("grey line 1", "grey line 1"),)))
    assert daughter.loci["grey line 1"].states == ((Genotype("grey line 1", "grey line 1"), 1),)
    plain = offspring(of, "Fern", Sex.FEMALE, dam, sire, VisualCall())
    (stated,) = plain.lines
    chances = dict(stated.chances)
    assert chances["grey line 1 and grey line 1"] == pytest.approx(3 / 14)  # 1/4 x 3/4 over 2 x 3/16 + 2 x 1/4
    assert chances["grey line 1 and grey line 2"] == pytest.approx(4 / 14)
    # P(she carries it at all): 2/3 where the lines are one, 3/4 where they are two
    carries = sum(
        p * (1 - math.prod(float(dict(stated.at(line, n).states).get(Genotype(NORMAL, NORMAL), 0)) for n in stated.loci))
        for line, p in stated.chances
    )
    assert carries == pytest.approx(6 / 14 * 2 / 3 + 8 / 14 * 3 / 4)


def test_an_unknown_het_of_a_named_line_does_not_speak_of_a_bare_animal():
    of = grey_snake(2)
    bare = parse_parent(of, "het grey", name="Fern", sex=Sex.FEMALE)
    assert with_unknown_hets(bare, of, {"grey line 1": 0.3, "amber": 0.3}).lines == bare.lines
    assert "amber" in with_unknown_hets(bare, of, {"amber": 0.3}).loci


def test_luck_takes_the_likeliest_lines_and_prospects_do_not_guess():
    of = grey_pair(2, "het grey", "het grey")
    model = compile_cross(of)
    posterior = infer(model, [Egg("1", readings=(called(of, "grey"),)), Egg("2", readings=(called(of, "normal"),))])
    tail, _ = surprise(model, posterior, 2)
    assert tail == pytest.approx(multinomial_tail([1, 1], [0.25, 0.75]))
    assert eggs_until_settled(model, "Rowan", "grey line 1", "grey line 1", posterior.parents[1].loci["grey line 1"]) == ""
    named = grey_pair(2, "het grey", "66% het amber")
    after = infer(compile_cross(named), [Egg("1")]).parents[1].loci["amber"]
    assert eggs_until_settled(compile_cross(named), "Rowan", "amber", "amber", after) == "this pairing cannot settle it"


def test_explanations_are_weighed_over_the_lines():
    """A pale egg: an unrecorded sire, or a parent with pale, explains it as well whatever the lines; by the records it cannot be."""
    of = grey_pair(2, "grey", "grey")
    pale = Egg("2", readings=(called(of, "pale"),))
    found = explanations(of, [Egg("1", readings=(called(of, "normal"),)), pale], 1, parse_call(of.species, "pale"))
    plain = pair(grey_snake(2), *(parse_parent(of.species, f"grey line {k}", name=n, sex=s)
                                  for k, n, s in ((1, "Heather", Sex.FEMALE), (2, "Rowan", Sex.MALE))))  # fmt: skip
    plain = replace(plain, species=of.species)
    by_hand = explanations(plain, [Egg("1", readings=(called(of, "normal"),)), pale], 1, parse_call(of.species, "pale"))
    assert found[0].text == by_hand[0].text
    values = {x.text: x.log_likelihood for x in by_hand}
    for one in found:
        assert one.log_likelihood == pytest.approx(values[one.text]), one.text


def bare_case(seed):
    """A drawn clutch whose parents bear words for one of two or three of its autosomal loci, some of them of one origin."""
    draw = Random(seed)
    case = draw_case(draw)
    of = case.cross.species
    autosomal = [x for x in of.loci if not x.sex_linked]
    carried = [x for x in autosomal if any(isinstance(p, Parent) and x.name in p.loci for p in (case.cross.dam, *case.cross.sires))]
    word = list(dict.fromkeys([*carried[:2], *draw.sample(autosomal, 2)]))[: draw.choice([2, 2, 3])]
    chances = {origin: {x.name: draw.choice([1, 1, 2, 3]) for x in word} for origin in (None, "house")}

    def bare(animal):
        if not isinstance(animal, Parent) or draw.random() < 0.25:
            return animal
        origin = draw.choice([None, "house", "house"])
        weights = chances[origin]
        total = sum(weights.values())
        given = {}
        for x in word:
            if draw.random() < 0.9 or not given:
                given[x.name] = {x.name: draw_prior(draw, x, False, 2)}
                if draw.random() < 0.2:
                    other = draw.choice(word)
                    given[x.name][other.name] = draw_prior(draw, other, False, 2)
        stated = tuple((x, Fraction(w, total)) for x, w in weights.items())
        line = LineStatement("word", stated, given, tuple(x.name for x in word), origin)
        kept = {n: p for n, p in animal.loci.items() if n not in line.loci}
        return replace(animal, loci=kept, lines=(line,))

    cross = replace(case.cross, dam=bare(case.cross.dam), sires=tuple(map(bare, case.cross.sires)))
    return replace(case, cross=cross)


def small(case):
    """Whether the enumeration stays quick."""
    n = 1
    for animal in (case.cross.dam, *case.cross.sires):
        if isinstance(animal, Parent):
            n *= math.prod(len(p.states) for p in animal.loci.values()) * 2 ** len(case.cross.linkages)
    return n * len(case.cross.sires) ** len(case.eggs) <= 300


def small_as_collection(case):
    """Whether the collection's enumeration, which lists what all young are at once, stays quick too."""
    n_loci = len({at for p in parents_of(case.cross) for at in p.loci})
    return small(case) and n_loci * len(case.eggs) <= 9


@pytest.mark.parametrize("group", range(N_GROUPS))
def test_drawn_clutches_equal_the_enumeration(group):
    found = Counter()
    for seed in range(group, N_DRAWN, N_GROUPS):
        case = bare_case(seed)
        if not small(case):
            continue
        try:
            worlds = worlds_of(case.cross)
        except ContradictionError:
            found["no line left"] += 1
            assert not enumerates(case)
            continue
        answer = verify(case.cross, case.eggs, case.parent_readings)
        verify_parents_only(case.cross)
        found["worlds"] += len(worlds) > 1
        found["shared"] += sum(one.origin is not None for p in parents_of(case.cross) for one in p.lines) > 1
        found["sires"] += len(case.cross.sires) > 1
        found["linked"] += bool(case.cross.linkages)
        found["impossible"] += answer.evidence == 0
    assert all(found[what] >= 3 for what in ("worlds", "shared", "sires", "linked")), found


def enumerates(case):
    """Whether the enumeration finds any way to fill in the lines."""
    try:
        return enumerate_clutch(case.cross, case.eggs, case.parent_readings).evidence > 0
    except ZeroDivisionError:
        return False


def as_collection(case):
    parents = [p for p in (case.cross.dam, *case.cross.sires) if isinstance(p, Parent)]
    animals = [Animal(p.name, p.sex, dict(p.loci), tuple(case.parent_readings.get(p.name, ())), lines=p.lines) for p in parents]
    animals += [Animal(egg.label, egg.sex, {}, egg.readings, "clutch") for egg in case.eggs]
    sires = tuple(s.name if isinstance(s, Parent) else s for s in case.cross.sires)
    of = case.cross
    clutch = Clutch("clutch", of.dam.name, sires, of.shares, of.mixed, dict(of.crossover), of.linkages)
    return Collection(case.cross.species, {one.name: one for one in animals}, {"clutch": clutch})


@pytest.mark.parametrize("group", range(N_GROUPS))
def test_drawn_clutches_as_collections_equal_the_clutch_engine_and_the_enumeration(group):
    compared = 0
    for seed in range(group, N_DRAWN, N_GROUPS):
        case = bare_case(seed)
        if not small_as_collection(case):
            continue
        try:
            alone = infer(compile_cross(case.cross), case.eggs, case.parent_readings)
        except ContradictionError:
            with pytest.raises(ContradictionError):
                infer_collection(as_collection(case))
            continue
        collection = as_collection(case)
        together = infer_collection(collection)
        listed = enumerate_collection(collection)
        assert together.log_evidence == pytest.approx(math.log(listed.evidence), abs=1e-9)
        for one in (*alone.eggs, *alone.parents):
            name = one.label if hasattr(one, "label") else one.name
            for at, table in one.loci.items():
                wild = {Genotype(NORMAL, NORMAL): 1.0}
                if not case.cross.species.locus(at).sex_linked:
                    same(together.loci[name].get(at, wild), table, f"{seed}: {at} of {name}")
                    same(listed.loci[name].get(at, wild), table, f"{seed}: {at} of {name} listed")
        compared += 1
    assert compared > 15


def test_an_origin_is_one_line_across_clutches_of_a_collection():
    """Two clutches of one keeper's bare animals: what one shows settles the line of all, and a change is taken up from before."""
    of = grey_snake(3)

    def animal(name, sex, words, origin="one house"):
        found = parse_parent(of, words, name=name, sex=sex, origin=origin)
        return Animal(name, sex, dict(found.loci), (), lines=found.lines)

    founders = [animal("D1", Sex.FEMALE, "grey"), animal("D2", Sex.FEMALE, "grey"), animal("S1", Sex.MALE, "grey line 2"),
                animal("S2", Sex.MALE, "grey line 1")]  # fmt: skip
    clutches = {"C1": Clutch("C1", "D1", ("S1",)), "C2": Clutch("C2", "D2", ("S2",))}
    look = CallReading({VisualCall((("grey line 2", "grey line 2"),)): 1.0})

    def with_egg(readings):
        young = [Animal("E1", None, {}, readings, "C1"), Animal("E2", None, {}, (), "C2")]
        return Collection(of, {one.name: one for one in (*founders, *young)}, clutches)

    before = infer_collection(with_egg(()))
    assert before.chance("E1", "grey line 2", Genotype("grey line 2", "grey line 2")) == pytest.approx(1 / 3)
    after = infer_collection(with_egg((look,)), before)
    assert after.chance("D2", "grey line 2", Genotype("grey line 2", "grey line 2")) == pytest.approx(1.0)
    assert after.chance("E2", "grey line 1", Genotype("grey line 1", "normal")) == pytest.approx(1.0)
    anew = infer_collection(with_egg((look,)))
    assert after.log_evidence == pytest.approx(anew.log_evidence)
    same(after.loci["E2"]["grey line 2"], anew.loci["E2"]["grey line 2"], "E2")


def test_eggs_expected_to_be_lost_are_counted_over_the_lines():
    names = ["dim line 1", "dim line 2"]
    bare = species(*(locus(name, Mode.RECESSIVE, hatch_rate=0.0) for name in names))
    of = replace(bare, unnamed_lines=(UnnamedLine("dim", tuple((name, name, Fraction(1, 2)) for name in names)),))
    parents = [parse_parent(of, "het dim", name=n, sex=s) for n, s in (("D", Sex.FEMALE), ("S", Sex.MALE))]
    assert expected_losses(compile_cross(pair(of, *parents))) == pytest.approx(1 / 8)
    lost = [Egg("1", hatched=False), Egg("2")]
    found = infer(compile_cross(pair(of, *parents)), lost, other_loss=0.0)
    assert p_same(found) == 1.0


def test_a_shared_line_keeps_what_is_known_by_genotype():
    two = GenotypePrior.known(Genotype("g", "g"))
    stated = LineStatement("grey", (("a", Fraction(1, 4)), ("b", Fraction(3, 4))), {"a": {"x": two}}, ("x",))
    assert stated.marginals()["x"].states == ((Genotype("g", "g"), 1),)
    with pytest.raises(ValueError, match="'grey' leaves no line possible"):
        LineStatement("grey", (("b", Fraction(1)),), {"a": {}}, ("x",))
