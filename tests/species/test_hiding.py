"""Looks that hide other genes: what can be perceived of an animal. Which looks hide what is common practice, no source."""

import math

import pytest

from triage.errors import CatalogueError
from triage.species import load_species, parse_call
from triage.species.hiding import hiding_words, missed, perceived, shown
from triage.species.loader import load_species_file
from triage.species.looks_alike import seen_as

HEAD = """\
format = 1
[species]
name = "test snake"
scientific_name = "Serpens celans"
heterogametic = "male"
[groups]
marks = ["lined", "dotted"]
"""
LOCUS = """
[[locus]]
name = "{0}"
[[locus.allele]]
name = "{0}"
mode = "incomplete dominant"
look_for = "As its name says."
evidence = [{{ source = "keeper_practice", supports = "mode", grade = "keeper_consensus" }}]
"""
HIDING = """
[[hiding]]
locus = "{0}"
looks = ["{1}"]
hides = {2}
missed = {3}
says = "{0} hides"
"""
LOCI = ("white", "ivory", "lined", "dotted", "pale")


def species_with(tmp_path, *hidings, head=HEAD):
    path = tmp_path / "test.toml"
    path.write_text(head + "".join(LOCUS.format(name) for name in LOCI) + "".join(HIDING.format(*one) for one in hidings), "utf-8")
    return load_species_file(path)


@pytest.fixture
def snake(tmp_path):
    return species_with(
        tmp_path,
        ("white", "super white", '["everything"]', 1),
        ("ivory", "super ivory", '["everything"]', 0.95),
        ("pale", "pale", '["marks"]', 0.5),
    )


def call(species, words):
    return parse_call(species, words)[0]


@pytest.mark.parametrize(
    ("true", "wanted"),
    [
        ("lined dotted", {"lined dotted": 1}),
        ("super white", {"super white": 1}),
        ("super white lined pale", {"super white": 1}),
        ("super white super ivory", {"super white": 1}),  # what stands first is not hidden
        ("white lined", {"white lined": 1}),
        ("super ivory lined", {"super ivory": 0.95, "super ivory lined": 0.05}),
        ("super ivory white", {"super ivory": 0.95, "white super ivory": 0.05}),
        ("pale lined", {"pale": 0.5, "lined pale": 0.5}),
        ("pale lined dotted", {"pale": 0.25, "lined pale": 0.25, "dotted pale": 0.25, "lined dotted pale": 0.25}),
        ("super ivory lined pale", {"super ivory": 0.95 * 0.975, "super ivory lined": 0.95 * 0.025, "super ivory pale": 0.05 * 0.975,
                                    "super ivory lined pale": 0.05 * 0.025}),
    ],
)  # fmt: skip
def test_what_can_be_perceived(snake, true, wanted):
    found = {str(one): p for one, p in perceived(snake, call(snake, true))}
    assert found == pytest.approx(wanted, abs=1e-12)
    assert math.fsum(found.values()) == pytest.approx(1, abs=1e-12)


def test_what_hardly_ever_shows_counts_as_unseen(snake):
    for words in ("super white lined", "super white super ivory", "super white"):
        assert shown(snake, call(snake, words)).name == "super white"
    assert shown(snake, call(snake, "super ivory lined")).name == "super ivory"
    assert shown(snake, call(snake, "pale lined")).name == "lined pale"
    assert seen_as(snake, call(snake, "super ivory lined")) == seen_as(snake, call(snake, "super ivory"))
    assert hiding_words(snake, call(snake, "super ivory super white")) == ("white hides",)
    assert hiding_words(snake, call(snake, "pale lined")) == ()
    assert missed(snake, call(snake, "super white")) == {"ivory": 1, "lined": 1, "dotted": 1, "pale": 1}


@pytest.mark.parametrize(
    ("hidings", "wanted"),
    [
        ([("lined", "lined", '["dotted"]', 1), ("dotted", "dotted", '["lined"]', 0.5)],
         "hiding: lined hides dotted hides the first again; needed: looks that do not hide one another"),
        ([("white", "super white", '["everything"]', 1), ("ivory", "super ivory", '["white"]', 1)],
         "hiding: super white hides super ivory hides the first again; needed: looks that do not hide one another"),
        ([("lined", "lined", '["lined"]', 1)], r"hides \['lined'\], which is its own locus; needed: other loci, groups of them \(marks\)"),
        ([("lined", "lined", '["marks"]', 1)], "which is its own locus"),
        ([("lined", "lined", '["brindled"]', 1)], r"hides \['brindled'\]; needed: other loci"),
        ([("lined", "lined", "[]", 1)], r"hides \[\]; needed: other loci"),
        ([("lined", "striped", '["dotted"]', 1)], r"looks \['striped'\]; needed: looks or appearances of this locus: lined, super lined"),
        ([("brindled", "brindled", '["dotted"]', 1)], "locus 'brindled' is unknown; needed: one of white, ivory"),
        ([("lined", "lined", '["dotted"]', 1.5)], "'missed' is 1.5; needed: a number from 0 to 1"),
    ],
)  # fmt: skip
def test_bad_hiding_is_refused(tmp_path, hidings, wanted):
    with pytest.raises(CatalogueError, match=wanted):
        species_with(tmp_path, *hidings)


def test_a_group_is_of_loci_of_the_species(tmp_path):
    with pytest.raises(CatalogueError, match=r"group 'marks' of \['brindled'\]; needed: a name of its own for loci of this species"):
        species_with(tmp_path, head=HEAD.replace('"lined", "dotted"', '"brindled"'))


WHITE = ["blue-eyed leucistic", "black-eyed leucistic"]


@pytest.mark.parametrize("words", WHITE)
def test_white_ball_pythons_show_nothing_else(words):
    ball = load_species("ball python")
    for white in parse_call(ball, words):
        for other in ("pastel", "clown", "spider pinstripe", "ivory", "super cinnamon", "albino ghost", "piebald"):
            both = ball.call_of({**dict(call(ball, other).looks), **dict(white.looks)})
            assert perceived(ball, both) == ((white, 1.0),)
