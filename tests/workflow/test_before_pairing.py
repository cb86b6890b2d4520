"""What is said of a pairing before it is made, wherever a keeper plans: plans, entered pairings, the app, programs."""

import itertools
import json

import pytest
from click.testing import CliRunner

import triage
from triage.cli.main import cli
from triage.proving.harm_words import caution_words
from triage.species import load_species
from triage.storage.kinds import Pairing
from triage.workflow.before_pairing import before_pairing, cautions_by_sire
from triage.workflow.book import open_archive
from triage.workflow.known import known_of
from triage.workflow.names import find_entry
from triage.workflow.prove import plan_for

BALL = load_species("ball python")
TOGETHER = BALL.caution("two_balance_genes").text
SHEET = """
species: ball python
dam: {name: Clove, genes: spider}
sires: [{name: Dill, genes: champagne}]
eggs: [{label: A1, sex: female, call: spider champagne}, {label: A2, sex: female}]
"""


@pytest.fixture
def run(monkeypatch, tmp_path):
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path / "data"))

    def invoke(*words):
        result = CliRunner().invoke(cli, [*words])
        assert result.exit_code == 0, result.output
        return result.output

    for name, sex, genes in (("Juniper", "female", "spider, 50% het clown"), ("Basil", "male", "champagne, clown"),
                             ("Thyme", "male", "spider, clown"), ("Sorrel", "male", "clown")):  # fmt: skip
        invoke("animal", "add", "--name", name, "--sex", sex, "--genes", genes)
    return invoke


def words(cautions):
    return [caution_words(one) for one in cautions]


WITH_BASIL = ["spider with champagne: 25 % of eggs", "champagne: 50 % of eggs", "spider: 50 % of eggs"]
WITH_THYME = ["two copies of spider, not seen to hatch: 25 % of the eggs lost", "spider: 50 % of eggs"]


def test_a_plan_says_it_of_every_mate_and_in_full_of_the_one_it_plans_with(run):
    said = run("plan", "Juniper", "--mate", "Basil")
    listed, planned = said.split("With Basil:")
    for mate, expected in (("Basil", WITH_BASIL), ("Thyme", WITH_THYME), ("Sorrel", ["spider: 50 % of eggs"])):
        below = itertools.takewhile(lambda line: line.startswith("    "), listed.split(f"\n  {mate} (")[1].splitlines()[1:])
        assert list(below) == [f"    caution: {line}" for line in expected]
    assert f"  caution: {WITH_BASIL[0]}. {TOGETHER}" in planned
    mates = {one["mate"]: one["cautions"] for one in json.loads(run("plan", "Juniper", "--json"))["mates"]}
    assert mates["Basil"][0] == {"what": "spider with champagne", "chance": 0.25, "of": "eggs", "cautions": [TOGETHER]}
    assert [one["what"] for one in mates["Sorrel"]] == ["spider"]


def test_the_plan_of_a_male_puts_the_mate_first(run):
    """The dam is the dam, whoever is to be proved."""
    run("animal", "change", "Basil", "--genes", "champagne, 50% het clown")
    known = known_of(open_archive())
    basil, juniper = (find_entry(open_archive(), name, ("animal",)).id for name in ("Basil", "Juniper"))
    assert plan_for(known, basil).cautions["Juniper"] == before_pairing(known, juniper, basil)


def test_a_pairing_that_is_entered_says_it_of_each_sire(run):
    said = run("pair", "add", "--dam", "Juniper", "--sires", "Basil", "--sires", "Thyme")
    assert f"  caution, with Basil: {WITH_BASIL[0]}. {TOGETHER}" in said
    assert all(f"  caution, with Thyme: {line}." in said for line in WITH_THYME)
    assert "Published shares of clutches with several sires" in said
    data = json.loads(run("pair", "add", "--dam", "Juniper", "--sires", "Basil", "--json"))
    assert [(one["what"], one["chance"]) for one in data["cautions"]["Basil"]] == [
        ("spider with champagne", 0.25), ("champagne", 0.5), ("spider", 0.5),
    ]  # fmt: skip
    assert data["sharing"] == "" and "caution" not in run("pair", "add", "--dam", "Juniper", "--sires", '{"unrecorded": true}')


def test_the_same_from_a_program_and_from_the_records(run, monkeypatch, tmp_path):
    archive = open_archive()
    ids = {name: find_entry(archive, name, ("animal",)).id for name in ("Juniper", "Basil")}
    collection = triage.open_collection()
    found = collection.before_pairing("Juniper", "Basil")
    assert words(found) == WITH_BASIL
    assert cautions_by_sire(archive, Pairing(dam=ids["Juniper"], sires=[{"animal": ids["Basil"]}])) == {"Basil": found}
    assert plan_for(known_of(archive), ids["Juniper"]).cautions["Basil"] == found


def test_what_other_records_say_of_a_parent_counts(run, tmp_path):
    """A2 of spider by champagne, not looked at: spider at 1/2, so with Basil's champagne 1/2 x 1/2 x 1/2 at least; A1 shows both."""
    (tmp_path / "sheet.yaml").write_text(SHEET, "utf-8")
    run("keep", str(tmp_path / "sheet.yaml"), "--name", "2031-1")
    known = known_of(open_archive())
    a2 = find_entry(open_archive(), "2031-1/A2", ("egg",)).id
    thyme = find_entry(open_archive(), "Thyme", ("animal",)).id
    lost = before_pairing(known, a2, thyme)[0]
    assert caution_words(lost) == "two copies of spider, not seen to hatch: 12 % of the eggs lost" and lost.chance == pytest.approx(1 / 8)


def test_records_that_clash_do_not_hide_it(run, monkeypatch):
    from triage.errors import WorkTooLargeError
    from triage.workflow import before_pairing as module

    def too_large(*_):
        raise WorkTooLargeError("too large")

    monkeypatch.setattr(module, "known_of", too_large)
    said = run("pair", "add", "--dam", "Juniper", "--sires", "Basil")
    assert f"  caution, with Basil: {WITH_BASIL[0]}. {TOGETHER}" in said
