"""Which held-back animal to prove first: the numbers of the single plans, in one order; and the labels that need a price."""

from datetime import date

import pytest

from triage.cli.main import main
from triage.proving.label_text import whole_percent
from triage.proving.plans.length import season_ends
from triage.proving.plans.worth import Costs, likeliest_answer
from triage.records import Sex
from triage.workflow.book import open_archive
from triage.workflow.known import known_and_ids
from triage.workflow.prove import labels_to_price, plan_for, prices_from, worth_of
from triage.workflow.prove_first import prove_first

TODAY = date(2031, 9, 1)
SHEET = """
species: ball python
dam: {name: Juniper, genes: "spider, 66% het clown"}
sires: [{name: Basil, genes: "het clown"}]
eggs:
  - {label: A1, sex: female, call: spider}
  - {label: A2, call: normal}
  - {label: A3, sex: male, call: clown}
"""


@pytest.fixture
def archive(tmp_path, monkeypatch):
    """A female, one unsexed, and one about which breeding settles nothing, all held back."""
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path / "data"))
    (tmp_path / "clutch.yaml").write_text(SHEET)
    main(["keep", str(tmp_path / "clutch.yaml"), "--name", "B", "--hatched", "2031-08-01"])
    for label in ("A1", "A2", "A3"):
        main(["hold", "add", "--about", f"B/{label}"])
    return open_archive()


def test_the_order_is_made_of_the_single_plans(archive):
    prices = {"het clown": 300.0, "50% het clown": 90.0, "plain": 60.0}
    steps = []
    found = prove_first(archive, today=TODAY, prices=prices, costs=(20.0, 5.0, 0.05), progress=lambda *step: steps.append(step))
    assert steps == [(n, len(found)) for n in range(1, len(found) + 1)]
    assert {(one.title, one.sex) for one in found} >= {("B/A1", Sex.FEMALE), ("B/A2", Sex.FEMALE), ("B/A2", Sex.MALE)}
    planned = [one for one in found if one.answer]
    assert len(planned) >= 3 and list(found[: len(planned)]) == planned and all(one.refusal for one in found[len(planned) :])
    for one in planned:
        known, (id,) = known_and_ids(archive, [one.title])
        alone = plan_for(known, id, sex=one.sex, today=TODAY)
        assert one.p_one_season_settles == alone.plan.p_one_season_settles[0.95]
        assert one.eggs == alone.plan.eggs[0].quantile(0.5) and one.seen == alone.plan.earliest.first_shed
        assert (one.mate, one.cautions) == (alone.plan.mate.name, alone.cautions[alone.plan.mate.name])
        of = next((price for price in prices if price in alone.held.answers), likeliest_answer(alone.held))
        costs = Costs(20.0, 5.0, 0.05, years_until_first_result=alone.years_until_first_result(TODAY))
        assert one.worth.gain == worth_of(alone, prices_from(prices, of), costs).gain
    assert [one.p_one_season_settles for one in planned] == sorted((one.p_one_season_settles for one in planned), reverse=True)


def test_the_command_says_the_same(archive, capsys):
    capsys.readouterr()
    assert main(["plan"]) == 0
    lines = capsys.readouterr().out.splitlines()
    first = prove_first(archive, today=date.today())[0]
    assert lines[1].startswith(f"  {first.title}, {first.sex.value}, with {first.mate}: settled in one season ")
    assert main(["plan", "--mate", "Basil"]) == 2 and "of one animal; name it" in capsys.readouterr().err


def test_every_label_it_may_end_with_is_asked_for_and_no_other(archive):
    known, (id,) = known_and_ids(archive, ["B/A1"])
    answer = plan_for(known, id, genes=("clown",), today=TODAY)
    of = likeliest_answer(answer.held)
    assert of == "het clown" and answer.held.answers[of] > 0.5
    labels = {one.words: one.chance for one in labels_to_price(answer, of)}
    words, _ = answer.plan.table.answer_of
    ends = list(season_ends(answer.plan.table, answer.plan.season.eggs, 0.95, 3))
    open_now = {}
    for row, settled in zip(ends[-1].by_answer, ends[-1].settled, strict=True):
        if settled < 0:
            label = f"{whole_percent(row[words.index(of)] / row.sum())}% {of}"
            open_now[label] = open_now.get(label, 0.0) + row.sum()
    today = f"{whole_percent(answer.held.answers[of])}% {of}"
    assert today in labels
    assert {label for label in labels if "% " in label} == {label for label, p in open_now.items() if p >= 0.01} | {today}
    assert sum(labels.values()) == pytest.approx(1, abs=0.05)


def test_a_price_at_any_chance_counts(archive):
    known, (id,) = known_and_ids(archive, ["B/A1"])
    answer = plan_for(known, id, genes=("clown",), today=TODAY)
    share = whole_percent(answer.held.answers["het clown"])
    decision = worth_of(answer, prices_from({f"{share}% het clown": 120.0, "plain": 60.0}, "het clown"), Costs(0.0))
    above = worth_of(answer, prices_from({f"{share + 1}% het clown": 120.0, "plain": 60.0}, "het clown"), Costs(0.0))
    assert (decision.sell_now, above.sell_now) == (120.0, 60.0)
