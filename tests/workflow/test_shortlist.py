"""The calls that photo and parents leave: in the order of their posterior, as many as the reader's calibration asks for."""

import numpy as np
import pytest

from triage.genetics.clutch.model import compile_cross
from triage.records import PhotoEvidence
from triage.vision.shortlist import shortlist_of
from triage.workflow.answers.as_json import to_json
from triage.workflow.answers.wording import shortlist_text
from triage.workflow.clutch import PhotoSource, ReadPhoto
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


@pytest.fixture
def told(model):
    """A photo that weighs clown tenfold, pastel clown twentyfold, by the model's calls."""
    found = np.array([1.0 if "clown" in call.name else 0.1 for call in model.calls])
    found[names(model.calls).index("pastel clown")] = 2.0
    return found


def names(calls):
    return [call.name for call in calls]


def listed(model, told, limit):
    return [model.calls[i].name for i in shortlist_of(model.expected_calls(), told, limit)]


#: Pastel, fire, both or none, each 3/16 without and 1/16 with clown: in sixteenths pastel clown 2, other clowns 1 each, the rest
#: 0.3 each, 6.2 in all.
CLOWNS = {"pastel clown", "fire clown", "pastel fire clown", "clown"}


def test_a_shortlist_is_cut_where_the_likelier_calls_hold_more_than_its_limit(model, told):
    assert listed(model, told, 0.0) == ["pastel clown"]
    assert listed(model, told, 2 / 6.2 - 1e-9) == ["pastel clown"]
    found = listed(model, told, 2 / 6.2 + 1e-9)
    assert found[0] == "pastel clown" and set(found) == CLOWNS  # equally likely calls stand or fall together
    assert set(listed(model, told, 5 / 6.2 + 1e-9)) == set(names(model.calls))


def test_the_scale_of_likelihoods_does_not_matter(model, told):
    for limit in (0.0, 0.4, 0.9):
        assert listed(model, told * 1e-200, limit) == listed(model, told, limit)


def test_a_call_without_a_chance_is_on_no_shortlist(model):
    likelihoods = np.array([float(call.name != "normal") for call in model.calls])
    assert set(listed(model, likelihoods, 1.0)) == set(names(model.calls)) - {"normal"}


def test_parents_without_viable_young_leave_no_shortlist():
    with np.errstate(all="raise"):
        assert shortlist_of(np.zeros(8), np.ones(8), 0.9) == []


def test_no_photo_no_shortlist():
    (egg,) = sort_clutch(load_sheet(text=SHEET)).eggs
    assert egg.shortlist == () and shortlist_text(egg) == ""


def evidence(model, told, limit):
    return PhotoEvidence(dict(zip(model.calls, np.log(told).tolist(), strict=True)), floor=0.0, exponent=1.0, shortlist=limit)


def test_the_shortlist_of_a_read_photo_reaches_the_answer(model, told):
    photo = ReadPhoto(PhotoSource("a1.jpg", data=b""), evidence(model, told, 2 / 6.2 + 1e-9))
    report = sort_clutch(load_sheet(text=SHEET), photos=[(photo,)])
    (egg,) = report.eggs
    assert egg.shortlist[0] == "pastel clown" and set(egg.shortlist) == CLOWNS
    assert to_json(report)["eggs"][0]["shortlist"] == list(egg.shortlist)
    assert shortlist_text(egg).split(" (")[0].split("; ") == list(egg.shortlist)


def test_a_long_shortlist_is_cut_in_words_and_whole_in_the_answer(model):
    photo = ReadPhoto(PhotoSource("a1.jpg", data=b""), evidence(model, np.ones(len(model.calls)), 1.0))
    (egg,) = sort_clutch(load_sheet(text=SHEET), photos=[(photo,)]).eggs
    words = shortlist_text(egg)
    assert len(egg.shortlist) == len(model.calls) == 8
    assert words.split("; ")[:6] == list(egg.shortlist[:6]) and "; and 2 others (" in words and "95 in 100 drawn" in words


def test_of_several_photos_the_strictest_limit_holds(model, told):
    """With an exponent of 1 two photos alike say what one says, so only the limit can matter."""
    photos = tuple(ReadPhoto(PhotoSource(f"{limit}.jpg", data=b""), evidence(model, told, limit)) for limit in (0.9, 0.0))
    (egg,) = sort_clutch(load_sheet(text=SHEET), photos=[photos]).eggs
    assert egg.shortlist == ("pastel clown",)
