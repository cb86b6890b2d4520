"""The calls that photo and parents leave: in the order of their posterior, as many as the reader's calibration asks for."""

from types import SimpleNamespace

import numpy as np
import pytest

from triage.genetics.clutch.model import compile_cross
from triage.workflow.answers.as_json import to_json
from triage.workflow.answers.wording import shortlist_text
from triage.workflow.photos import shortlist_of
from triage.workflow.sheet import load_sheet
from triage.workflow.sort import sort_clutch

SHEET = """
species: ball python
dam: {name: Juniper, genes: "pastel het clown"}
sires: [{name: Basil, genes: "fire het clown"}]
eggs:
- {label: A1}
"""


@pytest.fixture
def model():
    return compile_cross(load_sheet(text=SHEET).cross)


def names(calls):
    return [call.name for call in calls]


def test_a_shortlist_is_cut_where_the_likelier_calls_hold_more_than_its_limit(model):
    """By hand: pastel, fire, both or none, each 3/16 without and 1/16 with clown; the photo weighs clown tenfold."""
    told = np.array([0.0 if "clown" in call.name else -np.log(10) for call in model.calls])
    told[names(model.calls).index("pastel clown")] += np.log(2)
    # weights in sixteenths: pastel clown 2, other clowns 1 each, the others 0.3 each: 6.2 in all
    assert names(shortlist_of(model, told, 0.0)) == ["pastel clown"]
    assert names(shortlist_of(model, told, 2 / 6.2 - 1e-9)) == ["pastel clown"]
    clowns = {"pastel clown", "fire clown", "pastel fire clown", "clown"}
    listed = names(shortlist_of(model, told, 2 / 6.2 + 1e-9))
    assert listed[0] == "pastel clown" and set(listed) == clowns  # equally likely calls stand or fall together
    assert set(names(shortlist_of(model, told, 5 / 6.2 + 1e-9))) == set(names(model.calls))


def test_a_call_without_a_chance_is_on_no_shortlist(model):
    told = np.where([call.name == "normal" for call in model.calls], -np.inf, 0.0)
    assert len(shortlist_of(model, told, 1.0)) == len(model.calls) - 1


def test_parents_without_viable_young_leave_no_shortlist(model):
    barren = SimpleNamespace(calls=model.calls, expected_calls=lambda: np.zeros(len(model.calls)))
    with np.errstate(all="raise"):
        assert shortlist_of(barren, np.zeros(len(model.calls)), 0.9) == ()


def test_no_photo_no_shortlist():
    (egg,) = sort_clutch(load_sheet(text=SHEET)).eggs
    assert egg.shortlist == () and shortlist_text(egg) == ""


def test_the_shortlist_of_a_read_photo_reaches_the_answer(model):
    sheet = load_sheet(text=SHEET)
    from triage.records import CallReading

    calls = model.calls[:8]
    reading = CallReading(dict.fromkeys(model.calls, 1.0), 1.0, "photo", tuple(calls))
    report = sort_clutch(sheet, photos=[(reading, ())])
    assert list(report.eggs[0].shortlist) == names(calls)
    assert to_json(report)["eggs"][0]["shortlist"] == names(calls)
    words = shortlist_text(report.eggs[0])
    assert words.split("; ")[:6] == names(calls[:6]) and "; and 2 others (" in words and "95 in 100 drawn" in words
