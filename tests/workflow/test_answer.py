"""The machine-readable answer: its shape, and its numbers against the slow enumeration in fractions."""

import json
import math

import pytest

from triage.genetics.references.clutch import enumerate_clutch
from triage.records import Egg
from triage.workflow.answers.as_json import to_json
from triage.workflow.sheet import load_sheet
from triage.workflow.sort import sort_clutch

#: Evidence-only sheets: one right answer each.
SHEETS = {
    "fire": """
species: ball python
dam: {name: Juniper, genes: fire}
sires: [{name: Basil, genes: "fire, 66% het clown"}]
eggs:
- {label: A1, evidence: {fire: 0.5, normal: 0.2, black-eyed leucistic: 0.1}}
- {label: A2, evidence: {fire: 1, otherwise: 0.03}}
- {label: A3}
""",
    "banana": """
species: ball python
crossover: {banana: 0.05}
dam: {name: Juniper, genes: pastel}
sires: [{name: Basil, genes: banana}]
eggs:
- {label: A1, sex: male, evidence: {banana: 0.5, normal: 0.2, otherwise: 0.01}}
- {label: A2, sex: female, evidence: {banana: 0.1, pastel: 0.9}}
- {label: A3, evidence: {banana: 0.6, pastel banana: 0.3}}
""",
    "mixed sires": """
species: ball python
mixed: 0.3
dam: {name: Juniper, genes: "pastel, 66% het clown"}
sires:
- {name: Basil, genes: "enchi, het clown", share: 0.8}
- {name: Thyme, genes: "mojave, 50% het clown", share: 0.2}
eggs:
- {label: A1, evidence: {pastel enchi: 0.9, pastel: 0.1}}
- {label: A2, evidence: {mojave: 0.4, normal: 0.1, otherwise: 0.002}}
- {label: A3, sex: female, evidence: {clown: 0.3, normal: 0.2, otherwise: 0.01}}
""",
    "series": """
species: ball python
dam: {name: Juniper, genes: lesser}
sires: [{name: Basil, genes: mojave}, {name: Thyme, genes: phantom}]
eggs:
- {label: A1, evidence: {lesser: 0.7, mojave: 0.2, lesser mojave: 0.05}}
- {label: A2, evidence: {phantom: 0.5, normal: 0.5, otherwise: 0.1}}
""",
    "spider": """
species: ball python
dam: {name: Juniper, genes: "spider, possible super pastel"}
sires: [{name: Basil, genes: "spider, 50% het piebald"}]
eggs:
- {label: A1, evidence: {spider: 0.7, pastel spider: 0.4, normal: 0.1}}
- {label: A2, evidence: {normal: 0.5, pastel: 0.2, otherwise: 0.05}}
""",
    "parent evidence and laboratory": """
species: ball python
dam: {name: Juniper, genes: possible super pastel, evidence: {pastel: 0.8, super pastel: 0.3}}
sires: [{name: Basil, genes: "66% het clown, 50% het piebald", laboratory: [{gene: clown, copies: 1, false_positive: 0.05}]}]
eggs:
- {label: A1, evidence: {pastel: 1}, laboratory: [{gene: clown, copies: 0, false_negative: 0.1}]}
""",
}


def answers(name):
    sheet = load_sheet(text=SHEETS[name])
    return sheet, to_json(sort_clutch(sheet))


def exact(sheet):
    eggs = [
        Egg(e.label, e.sex, (*(test.reading(sheet.species) for test in e.tests), *((e.evidence,) if e.evidence else ())))
        for e in sheet.eggs
    ]
    return enumerate_clutch(sheet.cross, eggs, sheet.parent_readings)


@pytest.mark.parametrize("name", SHEETS)
def test_numbers_equal_the_enumeration(name):
    sheet, answer = answers(name)
    right = exact(sheet)
    assert answer["log_evidence"] == pytest.approx(math.log(right.evidence), abs=1e-9)
    for i, egg in enumerate(answer["eggs"]):
        found = {c["call"]: c["probability"] for c in egg["calls"]}
        wanted = {call.name: float(p) for call, p in right.calls[i].items() if p}
        assert found == pytest.approx(wanted, abs=1e-9)
        assert egg["sires"] == pytest.approx({n: float(p) for n, p in right.sires[i].items()}, abs=1e-9)
        for sex, p in egg["sex"].items():
            assert p == pytest.approx({s.value: float(q) for s, q in right.sex[i].items()}.get(sex, 0.0), abs=1e-9)
        for locus, chances in egg["loci"].items():
            wanted = {str(g): float(p) for g, p in right.loci[i][locus].items()}
            assert {g: p for g, p in chances.items() if p} == pytest.approx({g: p for g, p in wanted.items() if p}, abs=1e-9)
    for parent, known in zip(answer["parents"], right.parents, strict=True):
        for locus, chances in parent["loci"].items():
            wanted = {str(g): float(p) for g, p in known[locus].items() if p}
            assert {g: p for g, p in chances.items() if p} == pytest.approx(wanted, abs=1e-9)


@pytest.mark.parametrize("name", SHEETS)
def test_parents_only_equals_the_enumeration_without_readings(name):
    sheet, answer = answers(name)
    for i, egg in enumerate(answer["eggs"]):
        right = enumerate_clutch(sheet.cross, [Egg("one")]).calls[0]
        for call in egg["calls"]:
            assert call["parents_only"] == pytest.approx(float({c.name: p for c, p in right.items()}[call["call"]]), abs=1e-9), i


@pytest.mark.parametrize("name", SHEETS)
def test_shape(name):
    sheet, answer = answers(name)
    assert json.loads(json.dumps(answer, allow_nan=False)) == answer
    assert {"format", "log_evidence", "eggs", "parents"} <= set(answer)
    assert answer["format"] == 1
    assert [e["label"] for e in answer["eggs"]] == [e.label for e in sheet.eggs]
    for egg in answer["eggs"]:
        assert {"label", "tray", "reasons", "sires", "sex", "calls", "loci"} <= set(egg)
        assert egg["tray"] in {"label", "look again", "hold back", "check parents"}
        assert egg["reasons"] and all(isinstance(r, str) and r for r in egg["reasons"])
        for row in (egg["sires"], egg["sex"], *egg["loci"].values(), {c["call"]: c["probability"] for c in egg["calls"]}):
            assert sum(row.values()) == pytest.approx(1, abs=1e-9)
        assert set(egg["sires"]) == {s.name for s in sheet.cross.sires}
        assert set(egg["sex"]) == {"female", "male"}
        chances = [c["probability"] for c in egg["calls"]]
        assert chances == sorted(chances, reverse=True)
        assert all(p > 0 for p in chances)
        assert len({c["call"] for c in egg["calls"]}) == len(egg["calls"])
        assert all(set(c) == {"call", "probability", "parents_only"} for c in egg["calls"])
    assert [(p["role"], p["name"]) for p in answer["parents"]] == [
        ("dam", "Juniper"),
        *(("sire", s.name) for s in sheet.cross.sires),
    ]
    for parent in answer["parents"]:
        assert all(sum(row.values()) == pytest.approx(1, abs=1e-9) for row in parent["loci"].values())


@pytest.mark.parametrize("name", SHEETS)
def test_allele_pairs_are_sorted_and_those_by_chromosome_are_not(name):
    sheet, answer = answers(name)
    for animal in (*answer["eggs"], *answer["parents"]):
        for locus, row in animal["loci"].items():
            for pair in row:
                if "|" in pair:
                    assert sheet.species.locus(locus).sex_linked
                else:
                    assert pair.split("/") == sorted(pair.split("/"))


def test_a_sex_linked_locus_names_the_allele_on_the_x_first():
    """A son of a male-maker male has the gene on the Y: the sire's direction is Mallery and Carrillo's (2016)."""
    _, answer = answers("banana")
    son, daughter, _ = answer["eggs"]
    assert son["loci"]["banana"]["normal|banana"] > 0.9
    assert son["loci"]["banana"].get("banana|normal", 0) == 0
    assert daughter["loci"]["banana"].get("normal|banana", 0) == 0
    assert set(answer["parents"][1]["loci"]["banana"]) == {"banana|normal", "normal|banana"}
    assert set(answer["parents"][0]["loci"]["banana"]) == {"normal/normal"}


def test_crossover_of_the_sheet_is_used():
    """Male-maker sire: P(gene | son) = 1 - r, P(gene | daughter) = r (direction after Mallery and Carrillo 2016)."""
    text = """
species: ball python
crossover: {banana: 0.05}
dam: {genes: normal}
sires: [{genes: male-maker banana}]
eggs: [{label: son, sex: male}, {label: daughter, sex: female}]
"""
    for rate in (0.05, 0.2):
        answer = to_json(sort_clutch(load_sheet(text=text.replace("0.05", str(rate)))))
        son, daughter = ({c["call"]: c["probability"] for c in e["calls"]} for e in answer["eggs"])
        assert son["banana"] == pytest.approx(1 - rate, abs=1e-12)
        assert daughter["banana"] == pytest.approx(rate, abs=1e-12)


def test_two_spiders_give_two_thirds_spiders():
    """A homozygote that never hatches leaves 2:1 (common practice, no source): 1/2 over 3/4."""
    sheet = load_sheet(text="species: ball python\ndam: {genes: spider}\nsires: [{genes: spider}]\neggs: [{label: 1}]")
    answer = to_json(sort_clutch(sheet))
    found = {c["call"]: c["probability"] for c in answer["eggs"][0]["calls"]}
    assert found == pytest.approx({"spider": 2 / 3, "normal": 1 / 3}, abs=1e-12)
    assert answer["eggs"][0]["loci"]["spider"].get("spider/spider", 0) == 0
    assert any("Expected loss: 25 % of the eggs" in note for note in answer["notes"])


def test_a_contradicted_sheet_still_answers_in_plain_json():
    text = """
species: ball python
dam: {name: Juniper, genes: pastel}
sires: [{name: Basil, genes: enchi}]
eggs: [{label: A1, evidence: {clown: 1}}, {label: A2, evidence: {pastel: 1}}]
"""
    answer = to_json(sort_clutch(load_sheet(text=text)))
    assert answer["log_evidence"] is None
    assert json.loads(json.dumps(answer, allow_nan=False)) == answer
