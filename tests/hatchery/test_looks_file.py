"""The looks file: complete, and refused with the place when it is not."""

import pytest

from triage.errors import CatalogueError
from triage.species.drawing import looks_of, parse_looks, usual_looks

GOOD = """
format = 1
species = "test snake"
expression_spread = 0.2
[parameters]
shine = { kind = "log", base = 1.0, spread = 0.1, low = 0.0, high = 2.0, meaning = "shine" }
hue = { kind = "linear", base = 0.5, spread = 0.1, low = 0.0, high = 1.0, meaning = "hue" }
[loci.one.one]
one = { hue = 0.2 }
two = "as one copy"
[loci.series.a]
one = { shine = 0.2 }
two = { shine = 0.4 }
aged = { shine = -0.1 }
[loci.series.b]
one = {}
two = { hue = -0.4 }
[loci.series.compounds]
"b + a" = { hue = -0.2 }
"""

ALLELES = {
    "pastel": "pastel",
    "fire series": "fire vanilla disco",
    "enchi": "enchi",
    "yellow-belly series": "yellow_belly asphalt gravel spark specter",
    "blue-eyed-leucistic series": "lesser butter mojave phantom mystic bamboo special mocha",
    "dark series": "cinnamon black_pastel red_axanthic",
    "mahogany": "mahogany",
    "chocolate": "chocolate",
    "champagne": "champagne",
    "pinstripe": "pinstripe",
    "spider": "spider black_head",
    "banana": "banana",
    "leopard": "leopard",
    "orange dream": "orange_dream",
    "spotnose": "spotnose",
    "calico": "calico",
    "scaleless head": "scaleless_head",
    "clown": "clown cryptic",
    "piebald": "piebald",
    "albino": "albino toffee candy",
    "lavender albino": "lavender_albino",
    "ultramel": "ultramel",
    "axanthic line A": "axanthic_line_A",
    "axanthic line B": "axanthic_line_B",
    "ghost": "ghost",
    "desert ghost": "desert_ghost",
    "genetic stripe": "genetic_stripe",
}


def test_a_good_file_loads():
    looks = parse_looks(GOOD, "x.toml")
    series = looks.locus("series")
    assert series.alleles == ("normal", "a", "b")
    assert dict(series.effects[("a", "b")]) == {"hue": -0.2}
    assert looks.locus("one").effects[("one", "one")] == looks.locus("one").effects[("normal", "one")]
    assert ("b", "normal") not in series.aged  # an invisible het does not age visibly either


def test_the_shipped_file_has_every_allele():
    looks = usual_looks()
    found = {locus.name: set(locus.alleles) - {"normal"} for locus in looks.loci}
    assert found == {name: {word.replace("_", " ") for word in words.split()} for name, words in ALLELES.items()}


def test_recessives_without_a_het_look():
    """Common practice, no source: hets of these cannot be seen."""
    looks = usual_looks()
    for name in ("clown", "albino", "lavender albino", "ultramel", "axanthic line A", "axanthic line B", "ghost",
                 "desert ghost", "genetic stripe"):  # fmt: skip
        locus = looks.locus(name)
        for allele in locus.alleles[1:]:
            assert not locus.effects[tuple(sorted(("normal", allele)))]


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("format = 1", "format = 2", "x.toml: format is 2; this program reads format 1"),
        ("format = 1", "format = ", "x.toml: not valid TOML"),
        ('species = "test snake"', "", "x.toml: 'species' is None; needed words"),
        ("expression_spread = 0.2", 'expression_spread = "much"', "expression_spread: found 'much'; needed a number"),
        ("[parameters]", "[parameter]", r"x.toml: \[parameters\] is missing or empty"),
        ('kind = "log"', 'kind = "cubic"', "parameters.shine: kind is 'cubic'; needed one of log, linear"),
        ("base = 1.0", "base = 3.0", r"parameters.shine: base 3.0 lies outside low..high \(0.0..2.0\)"),
        ("base = 1.0", "base = 0.0", "parameters.shine: base 0.0 of a log parameter"),
        ("spread = 0.1", "spread = -0.1", "parameters.shine: spread -0.1 is negative"),
        ('meaning = "shine"', 'meening = "shine"', "parameters.shine: unknown key 'meening'"),
        ("one = { hue = 0.2 }", "one = { hew = 0.2 }", "loci.one.one.one: unknown parameter 'hew'; known: hue, shine"),
        ("one = { hue = 0.2 }", "one = { hue = true }", "loci.one.one.one.hue: found True; needed a number"),
        ("one = { hue = 0.2 }", "one = 3", "loci.one.one.one: found 3; needed a table"),
        ('two = "as one copy"', "", "loci.one.one: needed both 'one' and 'two'"),
        ('two = "as one copy"', "two = {}\nthree = {}", "loci.one.one: unknown key 'three'"),
        ("[loci.one.one]", "[loci.one.normal]", "loci.one: 'normal' is the wild type"),
        ('"b + a" = { hue = -0.2 }', "", r"loci.series.compounds: no entry for 'a \+ b'"),
        ('"b + a"', '"b + c"', "'b [+] c' is not two different alleles of a, b"),
        ('"b + a"', '"a + b" = {}\n"b + a"', "'b [+] a' is listed twice"),
    ],
)
def test_a_bad_file_is_refused_with_the_place(old, new, words):
    assert old in GOOD
    with pytest.raises(CatalogueError, match=words):
        parse_looks(GOOD.replace(old, new, 1), "x.toml")


def test_what_is_not_there_is_refused():
    with pytest.raises(CatalogueError, match="the looks of dragon are not recorded, so none can be drawn"):
        looks_of("dragon")
    with pytest.raises(CatalogueError, match="No locus is called 'two'"):
        parse_looks(GOOD, "x.toml").locus("two")
