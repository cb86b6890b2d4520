"""Every kind takes what its fields say, comes back as it went in, and refuses anything else with where, what and what is needed."""

import dataclasses
import json
import math
from datetime import UTC, date, datetime

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from triage.errors import StorageError
from triage.storage.archive import as_json
from triage.storage.kinds import (
    KINDS,
    Animal,
    Bars,
    Candidate,
    Clutch,
    Descent,
    Evidence,
    Linked,
    Note,
    Pairing,
    Plan,
    SortedEgg,
    Statement,
    kind_named,
    needed_words,
)

AT = "2031-06-02T10:00:00+00:00"
CLASSES = (*KINDS.values(), Statement, Descent, Candidate, Linked, Bars, SortedEgg)
FIELDS = [pytest.param(of, name, id=f"{of.__name__}-{name}") for of in CLASSES for name in of.fields()]


def content_of(of):
    """Contents that a kind takes, drawn from what its fields say of themselves."""
    texts = st.text(st.characters(codec="utf-8", exclude_characters="\x00"), min_size=1, max_size=8).filter(str.strip)
    days = st.dates(date(1900, 1, 1), date(2199, 12, 31))

    def value(field):
        low, high = max(field.range.low, -1e6), min(field.range.high, 1e6)
        numbers = st.floats(low, high, exclude_min=field.range.above)
        return {
            "text": texts,
            "digits": st.text("0123456789abcdef", min_size=field.length, max_size=field.length),
            "reference": texts,
            "choice": st.sampled_from(field.choices or ("x",)),
            "date": days.map(str),
            "dates": st.lists(days.map(str), min_size=1, max_size=3),
            "moment": st.datetimes(datetime(1900, 1, 1), datetime(2199, 12, 31), timezones=st.just(UTC)).map(datetime.isoformat),
            "number": numbers,
            "whole": st.integers(int(low), int(high)),
            "flag": st.booleans(),
            "texts": st.lists(texts, min_size=field.length or 1, max_size=field.length or 3),
            "numbers": st.lists(numbers, min_size=field.length, max_size=field.length),
            "table": st.dictionaries(texts, numbers, min_size=1, max_size=3),
            "record": st.just({"dam": {"genes": "pastel"}, "sire": {"looks": "clown", "background": 0.1}}) if field.of is None
            else st.deferred(lambda: content_of(field.of)),
            "records": st.lists(st.deferred(lambda: content_of(field.of)), min_size=1, max_size=2) if field.of else st.nothing(),
        }[field.type]

    fields = of.fields()
    needed = {name: value(field) for name, field in fields.items() if field.required}
    others = {name: value(field) for name, field in fields.items() if not field.required}
    return st.fixed_dictionaries(needed, optional=others).filter(lambda content: is_whole(of, content))


def is_whole(of, content):
    """Whether what must hold between fields does."""
    known = {"genes", "looks", "offspring_of", "background"} & set(content)
    if of is Candidate:
        return sum(bool(content.get(way)) for way in ("animal", "unrecorded", "parthenogenesis")) == 1
    if issubclass(of, Statement):
        return known <= {"genes"} or known in ({"looks"}, {"looks", "background"}, {"offspring_of"}, {"offspring_of", "looks"})
    return True


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=25, suppress_health_check=list(HealthCheck))
@given(st.data())
def test_contents_come_back_as_they_went_in(kind, data):
    content = data.draw(content_of(KINDS[kind]))
    made = KINDS[kind].from_json(content)
    assert json.loads(as_json(made.to_json())) == json.loads(json.dumps(content))
    assert KINDS[kind].from_json(made.to_json()) == made


def test_every_kind_can_be_described():
    for kind, of in KINDS.items():
        assert of.fields() and kind == of.KIND
        for name, wanted in of.fields().items():
            assert needed_words(wanted), (kind, name)
            assert all(choice in KINDS for choice in wanted.choices) or wanted.type == "choice", (kind, name)


def right(field):
    """A value that a field takes."""
    middle = min(max(field.range.low, 0.0) + 0.25, field.range.high)
    return {
        "text": "text",
        "digits": "0a" * (field.length // 2) + "f" * (field.length % 2),
        "reference": "animal-1",
        "choice": (field.choices or ("",))[0],
        "date": "2031-06-02",
        "dates": ["2031-06-02"],
        "moment": AT,
        "number": middle,
        "whole": 1,
        "flag": True,
        "texts": ["text"] * (field.length or 1),
        "numbers": [middle] * field.length,
        "table": {"pastel": middle},
        "record": least(field.of) if field.of else {"dam": {}, "sire": {}},
        "records": [{"animal": "animal-1"}] if field.of is Candidate else [least(field.of)] if field.of else [],
    }[field.type]


def least(of):
    """The shortest content that a class takes."""
    return {name: right(field) for name, field in of.fields().items() if field.required}


def wrong_numbers(field):
    found = [math.nan, math.inf, -math.inf, True, False, "heavy", "1", [1], None, 10**400, -(10**400)]
    if field.range.low > -1e300:
        found.append(field.range.low - 1)
    if field.range.high < 1e300:
        found += [field.range.high + 0.5, math.nextafter(field.range.high, math.inf)]
    return found + ([field.range.low] if field.range.above else [])


def wrong(field):
    """Values that a field must refuse."""
    numbers = wrong_numbers(field)
    return {
        "text": [3, True, ["text"], {"text": 1}, "half a sign \udcff"],
        "digits": [3, True, "0a", "g" * field.length, "A" * field.length, "a" * (field.length + 1)],
        "reference": [3, True, ["animal-1"], {"animal": "animal-1"}],
        "choice": ["girl", "", " ", True, 3, [*field.choices[:1]]],
        "date": ["2031-02-30", "2 June 2031", "2031-06", 20310602, True, [], AT, "1899-12-31", "2200-01-01", "0031-06-02"],
        "dates": ["2031-06-02", ["2031-06-02", "2031-02-30"], [20310602], [None], {"2031-06-02": 1}, ["2031-06-02", "9999-12-31"]],
        "moment": ["2031-06-02T10:00:00", "2031-02-30T10:00:00+00:00", "2031-06-02", "0001-01-01T00:00:00+14:00", "2199-12-31T23:00:00-02:00", 3, True],
        "number": [one for one in numbers if one is not None],
        "whole": [one for one in numbers if one is not None] + [1.5],
        "flag": [1, 0, "true", []],
        "texts": ["text", [3], [None], {"text": 1}, ["\ud800"], *([["text"], ["text"] * 3] if field.length else [])],
        "numbers": [0.25, "0.25", [0.25] * (field.length + 1), [], *([0.25] * (field.length - 1) + [one] for one in numbers)],
        "table": [{}, [], "pastel", 0.5, {3: 0.25}, {"\ud800": 0.25}, *({"pastel": 0.25, "clown": one} for one in numbers)],
        "record": ["text", 3, [], {"nothing": 1}],
        "records": [[], {}, "text", ["text"], [{"nothing": 1}], [None]],
    }[field.type]


@pytest.mark.parametrize(("of", "name"), FIELDS)
def test_a_field_refuses_what_is_not_its_own(of, name):
    field, where = of.fields()[name], of.KIND or of.__name__.lower()
    rest = {key: value for key, value in least(of).items() if key != name}
    for value in wrong(field):
        with pytest.raises(StorageError) as caught:
            of.from_json({**rest, name: value})
        said = str(caught.value)
        assert said.startswith(f"{where}, field '{name}'") and "needed: " in said, said
        if field.of is None and field.type != "record":
            assert said.endswith(f"needed: {needed_words(field)}") and repr(value)[:50] in said, said
        with pytest.raises(StorageError):
            of(**{**rest, name: value})
    if name != "background":  # which stands beside a look only
        of.from_json({**rest, name: right(field)})


@pytest.mark.parametrize(("of", "name"), FIELDS)
def test_a_field_that_must_be_there_is_asked_for_and_any_other_may_be_empty(of, name):
    field = of.fields()[name]
    rest = {key: value for key, value in least(of).items() if key != name}
    for empty in ({}, {name: None}, *([{name: ""}, {name: " \t"}] if field.type in ("text", "reference", "date", "moment") else [])):
        if field.required:
            with pytest.raises(StorageError, match=f"field '{name}' is missing; needed: "):
                of.from_json({**rest, **empty})
        elif of is not Candidate:
            assert getattr(of.from_json({**rest, **empty}), name) is None
            assert name not in of.from_json({**rest, **empty}).to_json()


@pytest.mark.parametrize("of", CLASSES)
def test_the_ends_of_every_range_are_taken(of):
    for name, field in of.fields().items():
        if field.type not in ("number", "whole") or name == "background":
            continue
        for end in {field.range.low, field.range.high} - ({field.range.low} if field.range.above else set()):
            assert getattr(of.from_json({**least(of), name: end}), name) == end


@pytest.mark.parametrize("of", CLASSES)
def test_an_unknown_field_is_refused_with_those_that_there_are(of):
    with pytest.raises(StorageError, match=f"unknown field 'colour'; needed: {', '.join(of.fields())}"):
        of.from_json({**least(of), "colour": "brown"})
    with pytest.raises(StorageError, match="needed: names with values"):
        of.from_json([])


@pytest.mark.parametrize("name", ["snake", "tray", "Animal", "animals", ""])
def test_an_unknown_kind_is_refused_by_name(name):
    with pytest.raises(StorageError, match=f"'{name}' is no kind of entry; needed: one of line, animal, pairing"):
        kind_named(name)


def test_what_was_wrong_deep_inside_is_said_with_the_way_there():
    with pytest.raises(StorageError) as caught:
        KINDS["pairing"].from_json({"dam": "animal-1", "sires": [{"animal": "animal-2", "share": 1.5}]})
    assert str(caught.value) == "pairing, field 'sires': candidate, field 'share' is 1.5; needed: a number from 0 to 1"
    with pytest.raises(StorageError, match="animal, field 'offspring_of': descent, field 'sire': statement, field 'genes' is 3"):
        KINDS["animal"].from_json({"name": "J", "species": "x", "sex": "male", "offspring_of": {"dam": {}, "sire": {"genes": 3}}})


@pytest.mark.parametrize(
    ("candidate", "said"),
    [
        ({"animal": "animal-2", "unrecorded": True}, "animal and unrecorded"),
        ({"unrecorded": True, "parthenogenesis": True}, "unrecorded and parthenogenesis"),
        ({"unrecorded": False, "name": "somebody"}, "none of the three"),
        ({"share": 0.5}, "none of the three"),
    ],
)
def test_a_candidate_is_one_thing(candidate, said):
    with pytest.raises(StorageError, match=f"pairing, field 'sires': one is {said}; needed: each either an animal"):
        Pairing(dam="animal-1", sires=[{"animal": "animal-3"}, candidate])


def test_a_chance_may_come_out_a_rounding_above_one():
    assert Plan(animal="animal-1", mate="m", question="q", prior={"het clown": 1 + 2e-16}, at=AT).prior["het clown"] == 1 + 2e-16
    with pytest.raises(StorageError, match="each a number from 0 to 1"):
        Plan(animal="animal-1", mate="m", question="q", prior={"het clown": 1.00001}, at=AT)


def test_times_stand_in_one_zone_and_dates_in_one_form():
    moments = ["2031-06-02T23:30:00-05:00", "2031-06-02T22:00:00+00:00", "20310603T023000+0200", "2031-06-02T23:00:00Z"]
    kept = [Note(about="animal-1", text="t", at=at).at for at in moments]
    assert kept[1:] == ["2031-06-02T22:00:00+00:00", "2031-06-03T00:30:00+00:00", "2031-06-02T23:00:00+00:00"]
    assert sorted(kept) == sorted(kept, key=datetime.fromisoformat) and kept[0] == "2031-06-03T04:30:00+00:00"
    assert Clutch(name="c", pairing="p", laid="20310602").laid == "2031-06-02"


def test_what_is_made_cannot_be_changed_and_takes_nothing_over_that_can():
    table = {"pastel": 0.5}
    made = Evidence(about="animal-1", at=AT, likelihoods=table, otherwise=0.1)
    table["pastel"] = -1
    assert made.likelihoods["pastel"] == 0.5
    with pytest.raises(TypeError):
        made.likelihoods["pastel"] = 0.7
    with pytest.raises(dataclasses.FrozenInstanceError):
        made.otherwise = 0.2
    with pytest.raises(StorageError, match="evidence, field 'otherwise' is -1; needed: a number of 0 or more"):
        dataclasses.replace(made, otherwise=-1)


def pointed_to(of, content, before=""):
    """(field, id, kinds) of a plain content, found by its fields alone."""
    for name, field in of.fields().items():
        if name in content and field.type == "reference":
            yield before + name, content[name], field.choices
        elif name in content and field.of is not None:
            parts = content[name] if field.type == "records" else [content[name]]
            for number, one in enumerate(parts):
                yield from pointed_to(field.of, one, f"{before}{name}.{number}.")


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=15, suppress_health_check=list(HealthCheck))
@given(st.data())
def test_whatever_it_points_to_is_found(kind, data):
    content = data.draw(content_of(KINDS[kind]))
    made = KINDS[kind].from_json(content)
    assert sorted(made.references()) == sorted(pointed_to(KINDS[kind], content))


def test_a_wrong_value_put_into_an_entry_writes_nothing(archive):
    with archive.change("entered") as draft:
        id = draft.add(Animal(name="Juniper", species="ball python", sex="female", weight_g=1500))
    for changed in ({"weight_g": -4}, {"name": None}, {"sex": "girl"}, {"genes": "pastel", "looks": "pastel"}):
        with pytest.raises(StorageError, match="needed: "), archive.change("wrong") as draft:
            draft.put(archive.find(id), **changed)
    assert archive.find(id).version == 1 and len(archive.history()) == 1 and archive.faults() == ()


def test_every_candidate_is_protected_and_set_free_with_its_pairing(archive):
    with archive.change("entered") as draft:
        animals = [draft.add(Animal(name=name, species="ball python", sex="male")) for name in ("Basil", "Thyme", "Sage")]
        dam = draft.add(Animal(name="Juniper", species="ball python", sex="female"))
        sires = [*({"animal": id, "share": 0.3} for id in animals[:2]), {"unrecorded": True, "share": 0.4}]
        pairing = draft.add(Pairing(dam=dam, sires=sires))
    for id in (*animals[:2], dam):
        with pytest.raises(StorageError, match=f"{pairing} refers to it"), archive.change("remove") as draft:
            draft.remove(archive.find(id))
    with archive.change("another sire") as draft:
        draft.put(archive.find(pairing), sires=[{"animal": animals[2]}])
    with archive.change("remove") as draft:
        draft.remove(archive.find(animals[0]))
    with pytest.raises(StorageError, match="is an entry of kind pairing; needed: animal"), archive.change("wrong") as draft:
        draft.put(archive.find(pairing), sires=[{"animal": pairing}])
    assert archive.faults() == ()


#: What numbers may be, said once more by hand; one that is not named may be anything.
AGREED = {
    "Animal": {"background": (0, 0.5), "unknown_hets": (0, 1), "weight_g": (0, 100_000)}, "Pairing": {"mixed": (0, 1)},
    "Clutch": {"crossover": (0, 0.5), "other_loss": (0, 1)}, "Photo": {"crop": (0, 1)},
    "Reading": {"floor": (0, 0.999999), "exponent": (0, 1), "shortlist": (0, 1)},
    "Evidence": {"likelihoods": (0, 1e300), "otherwise": (0, 1e300)}, "Plan": {"prior": (0, 1 + 1e-9)}, "Outcome": {"says": (0, 1e300)},
    "Laboratory": {"copies": (0, 2), "false_positive": (0, 1), "false_negative": (0, 1)},
    "Statement": {"background": (0, 0.5), "unknown_hets": (0, 1)},
    "Candidate": {"background": (0, 0.1), "kept_heterozygosity": (0, 1), "share": (0, 1)}, "Linked": {"female": (0, 0.5), "male": (0, 0.5)},
    "Bars": {"label_threshold": (0, 1), "hold_chance": (0, 1), "keeper_accuracy": (0, 1), "lookalike_share": (0, 1), "misfit_ratio": (0, 1e300)},
    "Eye": {"accuracy": (0.001, 0.999), "lookalike_share": (0, 1), "calls": (0, 10**7)},
    "SortedEgg": {"calls": (0, 1 + 1e-9), "sires": (0, 1 + 1e-9)},
}  # fmt: skip
#: What must be there, likewise.
MUST = {
    "Line": "name", "Animal": "name sex species", "Pairing": "dam sires", "Clutch": "name pairing", "Egg": "clutch label state",
    "Photo": "about added name sha256 source_sha256", "Reading": "about at exponent floor log_likelihoods shortlist",
    "Evidence": "about at likelihoods otherwise", "Call": "about at by call", "Trait": "about seen words", "Sort": "at clutch eggs settings",
    "Hold": "at", "Plan": "animal at mate prior question", "Outcome": "animal at says", "Laboratory": "about at copies gene",
    "Label": "about at text", "Note": "about at text", "Gene": "mode name species",
    "Eye": "accuracy at by calls lookalike_share", "Statement": "", "Descent": "dam sire", "Candidate": "",
    "Linked": "female genes male", "Bars": "hold_chance keeper_accuracy label_threshold lookalike_share misfit_ratio", "SortedEgg": "label tray",
}  # fmt: skip


def test_ranges_are_those_agreed():
    found = {}
    for of in CLASSES:
        for name, field in of.fields().items():
            if field.type in ("number", "whole", "numbers", "table") and field.range.low > -1e300:
                found.setdefault(of.__name__, {})[name] = (field.range.low, field.range.high)
    assert found == AGREED and KINDS["animal"].fields()["weight_g"].range.above


def test_what_must_be_there_is_what_was_agreed():
    assert {of.__name__: {n for n, field in of.fields().items() if field.required} for of in CLASSES} == {
        name: set(fields.split()) for name, fields in MUST.items()
    }
    assert {name: field.length for name, field in KINDS["photo"].fields().items() if field.length} == {
        "sha256": 64, "source_sha256": 64, "crop": 4,
    }  # fmt: skip
