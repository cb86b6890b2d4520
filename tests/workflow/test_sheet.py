"""Good sheets mean what they say."""

from fractions import Fraction

import pytest

from triage.records import Genotype, Phase, Sex
from triage.workflow.sheet import ClutchForm, EggForm, SireForm, load_sheet, sheet_from_form

#: The example of the format, without its photos.
EXAMPLE = """\
species: ball python
mixed: 0.1                       # chance that several sires share the clutch
crossover: {banana: 0.05}        # optional: overrides the catalogue's rate
dam:
  name: Juniper
  genes: pastel, 66% het clown
sires:
  - {name: Basil, genes: "enchi, het clown", share: 0.8}
  - {name: Thyme, genes: "mojave, yellow belly", share: 0.2}
eggs:
  - label: A1
    sex: female
    call: pastel enchi
  - label: A2
    evidence:
      pastel: 0.7
      pastel enchi: 0.2
      otherwise: 0.01
"""


def chances(parent, locus):
    return {str(g): p for g, p in parent.loci[locus].states if p > 0}


def animal(genes, sex="dam"):
    text = {
        "dam": f"species: ball python\ndam: {{genes: '{genes}'}}\nsires: [{{genes: normal}}]\neggs: [{{label: 1}}]",
        "sire": f"species: ball python\ndam: {{genes: normal}}\nsires: [{{genes: '{genes}'}}]\neggs: [{{label: 1}}]",
    }[sex]
    cross = load_sheet(text=text).cross
    return cross.dam if sex == "dam" else cross.sires[0]


def test_the_example_parses_to_what_it_says():
    sheet = load_sheet(text=EXAMPLE)
    cross = sheet.cross
    assert (sheet.name, sheet.species.name) == ("standard input", "ball python")
    assert cross.mixed == Fraction(1, 10)
    assert cross.crossover_rate(sheet.species.locus_of("banana")) == 0.05
    own = load_sheet(text=EXAMPLE.replace("banana: 0.05", "banana: 0.2"))
    assert own.cross.crossover_rate(own.species.locus_of("banana")) == 0.2
    assert (cross.dam.name, cross.dam.sex) == ("Juniper", Sex.FEMALE)
    assert chances(cross.dam, "pastel") == {"normal/pastel": 1}
    clown = sheet.species.locus_of("clown").name
    assert chances(cross.dam, clown) == {"clown/normal": Fraction(2, 3), "normal/normal": Fraction(1, 3)}
    assert [s.name for s in cross.sires] == ["Basil", "Thyme"]
    assert cross.shares == (Fraction(4, 5), Fraction(1, 5))
    assert chances(cross.sires[0], clown) == {"clown/normal": 1}
    assert chances(cross.sires[0], "enchi") == {"enchi/normal": 1}
    assert chances(cross.sires[1], sheet.species.locus_of("mojave").name) == {"mojave/normal": 1}
    first, second = sheet.eggs
    assert (first.label, first.sex, [c.name for c in first.called], first.evidence) == ("A1", Sex.FEMALE, ["pastel enchi"], None)
    assert (second.label, second.sex, second.called) == ("A2", None, ())
    assert {c.name: v for c, v in second.evidence.likelihoods.items()} == {"pastel": 0.7, "pastel enchi": 0.2}
    assert second.evidence.otherwise == 0.01


@pytest.mark.parametrize(
    ("words", "gene", "expected"),
    [
        ("66% het clown", "clown", {"clown/normal": Fraction(2, 3), "normal/normal": Fraction(1, 3)}),
        ("50% het clown", "clown", {"clown/normal": Fraction(1, 2), "normal/normal": Fraction(1, 2)}),
        ("33% het clown", "clown", {"clown/normal": Fraction(1, 3), "normal/normal": Fraction(2, 3)}),
        ("20 % het clown", "clown", {"clown/normal": Fraction(1, 5), "normal/normal": Fraction(4, 5)}),
        ("100% het clown", "clown", {"clown/normal": 1}),
        ("clown", "clown", {"clown/clown": 1}),
        ("pastel", "pastel", {"normal/pastel": 1}),
        ("super pastel", "pastel", {"pastel/pastel": 1}),
        ("possible super pastel", "pastel", {"normal/pastel": Fraction(1, 2), "pastel/pastel": Fraction(1, 2)}),
        ("pinstripe", "pinstripe", {"normal/pinstripe": 1}),
        ("homozygous pinstripe", "pinstripe", {"pinstripe/pinstripe": 1}),
        ("possible homozygous pinstripe", "pinstripe", {"normal/pinstripe": Fraction(1, 2), "pinstripe/pinstripe": Fraction(1, 2)}),
        ("lesser mojave", "mojave", {"lesser/mojave": 1}),
        ("MOJAVE, Lesser", "mojave", {"lesser/mojave": 1}),
    ],
)
def test_gene_words(words, gene, expected):
    """Percent words: 66 is 2/3 and 33 is 1/3 (common practice, no source)."""
    sheet = load_sheet(text=EXAMPLE)
    assert chances(animal(words), sheet.species.locus_of(gene).name) == expected


def test_sex_linked_words():
    at = load_sheet(text=EXAMPLE).species.locus_of("banana").name
    assert chances(animal("male-maker banana", "sire"), at) == {"normal|banana": 1}
    assert chances(animal("female-maker banana", "sire"), at) == {"banana|normal": 1}
    assert chances(animal("banana", "sire"), at) == {"banana|normal": Fraction(1, 2), "normal|banana": Fraction(1, 2)}
    assert chances(animal("banana"), at) == {"banana/normal": 1}


def test_left_out_values_have_their_defaults():
    sheet = load_sheet(
        text="species: ball python\ndam: {genes: normal}\nsires: [{genes: pastel}, {genes: enchi}, {genes: clown}]\neggs: [{label: 7}]"
    )
    assert sheet.cross.shares == (Fraction(1, 3),) * 3
    assert sheet.cross.mixed == Fraction(str(sheet.species.mixed))
    assert [sheet.cross.dam.name, *(s.name for s in sheet.cross.sires)] == ["dam", "sire 1", "sire 2", "sire 3"]
    assert sheet.eggs[0].label == "7"
    assert sheet.cross.crossover_rate(sheet.species.locus_of("banana")) == sheet.species.locus_of("banana").crossover


def test_laboratory_results():
    sheet = load_sheet(
        text=EXAMPLE.replace(
            "    sex: female\n",
            "    laboratory: [{gene: clown, copies: 1, false_positive: 0.01, false_negative: 0.02}]\n",
        ).replace("share: 0.8}", "share: 0.8, laboratory: [{gene: clown, copies: 1}]}")
    )
    (reading,) = (test.reading(sheet.species) for test in sheet.eggs[0].tests)
    assert reading.locus == sheet.species.locus_of("clown").name
    assert reading.likelihoods[Genotype("clown", "normal")] == pytest.approx(0.98 * 0.99 + 0.02 * 0.01, rel=1e-12)
    (perfect,) = sheet.parent_readings["Basil"]
    assert perfect.likelihoods[Genotype("clown", "normal")] == 1.0
    assert perfect.likelihoods[Genotype("normal", "normal")] == 0.0
    assert set(sheet.parent_readings) == {"Basil"}


def test_linked_genes():
    words = "linked: [{genes: [pastel, clown], recombination: %s, phase: {Juniper: coupling}}]\n"
    (linkage,) = load_sheet(text=words % 0.2 + EXAMPLE).cross.linkages
    assert {linkage.first, linkage.second} == {"pastel", load_sheet(text=EXAMPLE).species.locus_of("clown").name}
    assert dict(linkage.recombination) == {Sex.FEMALE: 0.2, Sex.MALE: 0.2}
    assert dict(linkage.phases) == {"Juniper": Phase.COUPLING}
    (by_sex,) = load_sheet(text=words % "{female: 0.3, male: 0}" + EXAMPLE).cross.linkages
    assert dict(by_sex.recombination) == {Sex.FEMALE: 0.3, Sex.MALE: 0.0}


def test_evidence_of_a_parent():
    genes = "  genes: pastel, 66% het clown\n"
    sheet = load_sheet(text=EXAMPLE.replace(genes, f"{genes}  evidence: {{pastel: 1}}\n"))
    (reading,) = sheet.parent_readings["Juniper"]
    assert [c.name for c in reading.likelihoods] == ["pastel"]


def test_photos_are_relative_to_the_sheet(tmp_path):
    (tmp_path / "a1.jpg").write_bytes(b"only its place is checked here")
    path = tmp_path / "clutch.yaml"
    path.write_text(EXAMPLE.replace("sex: female", "photos: [a1.jpg]"), "utf-8")
    (photo,) = load_sheet(path).eggs[0].photos
    assert (photo.name, photo.path) == ("a1.jpg", tmp_path / "a1.jpg")


def test_a_form_and_a_sheet_of_the_same_clutch_agree():
    form = ClutchForm(
        dam_name="Juniper",
        dam_genes="pastel, 66% het clown",
        sires=(SireForm("Basil", "enchi, het clown", 0.8), SireForm("Thyme", "mojave, yellow belly", 0.2)),
        eggs=(EggForm("A1", sex="female", call="pastel enchi"), EggForm(" ")),
        mixed=0.1,
    )
    typed, written = sheet_from_form(form), load_sheet(text=EXAMPLE)
    assert typed.cross.dam == written.cross.dam
    assert typed.cross.sires == written.cross.sires
    assert (typed.cross.shares, typed.cross.mixed) == (written.cross.shares, written.cross.mixed)
    assert (typed.eggs[0].label, typed.eggs[0].sex, typed.eggs[0].called) == ("A1", Sex.FEMALE, written.eggs[0].called)
    assert typed.eggs[1].label == "2"
