"""What sorting a clutch says: impossible calls, contradictions, misfits, parents proved."""

import pytest

from triage.errors import ContradictionError
from triage.proving.trays import Tray
from triage.workflow.settings import Settings
from triage.workflow.sheet import load_sheet
from triage.workflow.sort import sort_clutch

CLUTCH = """
species: ball python
mixed: {mixed}
dam: {{name: Juniper, genes: "{dam}"}}
sires: [{sires}]
eggs:
{eggs}
"""


def sorted_clutch(*eggs, dam="pastel", sires="{name: Basil, genes: enchi}", mixed=0.1, settings=None):
    text = CLUTCH.format(mixed=mixed, dam=dam, sires=sires, eggs="\n".join(f"- {{label: A{i}, {e}}}" for i, e in enumerate(eggs, 1)))
    return sort_clutch(load_sheet(text=text), settings=settings)


def chances(egg):
    return {c.call.name: c.probability for c in egg.calls}


def struck_out(egg):
    return {s.call: s.reason for s in egg.struck_out}


def test_an_impossible_call_is_absent_and_explained():
    (egg,) = sorted_clutch("evidence: {pastel: 0.9, super pastel: 0.5, clown: 0.2, otherwise: 0.05}").eggs
    assert set(chances(egg)) == {"pastel", "enchi", "pastel enchi", "normal"}
    assert struck_out(egg)["super pastel"] == "super pastel needs pastel from both parents; Basil carries none"
    assert struck_out(egg)["clown"] == "neither Juniper nor Basil carries clown"
    assert not set(chances(egg)) & set(struck_out(egg))


def test_a_call_of_the_keeper_that_is_impossible_is_explained():
    (egg,) = sorted_clutch("call: super pastel").eggs
    assert "super pastel" not in chances(egg)
    assert struck_out(egg)["super pastel"].startswith("super pastel needs pastel from both parents")


def test_a_call_that_another_reading_rules_out_is_said_to_be_so():
    (egg,) = sorted_clutch("call: enchi, evidence: {pastel: 1}").eggs
    assert chances(egg) == {"pastel": 1.0}
    assert struck_out(egg)["enchi"] == "the other readings rule it out"


def test_a_contradiction_goes_to_check_parents_and_the_rest_is_sorted_as_if_it_were_not_there():
    report = sorted_clutch("evidence: {pastel enchi: 1}", "evidence: {clown: 1}", "evidence: {pastel: 0.97, enchi: 0.03}")
    without = sorted_clutch("evidence: {pastel enchi: 1}", "evidence: {pastel: 0.97, enchi: 0.03}")
    assert [e.tray for e in report.eggs] == [Tray.LABEL, Tray.CHECK_PARENTS, Tray.LABEL]
    assert chances(report.eggs[0]) == chances(without.eggs[0])
    assert chances(report.eggs[2]) == pytest.approx(chances(without.eggs[1]), abs=1e-12)
    bad = report.eggs[1]
    assert (bad.calls, bad.label_text) == ((), "")
    assert bad.reasons[0] == "clown: neither Juniper nor Basil carries clown"
    assert {"Juniper and Basil both carry het clown unrecorded"} <= {a.explanation for a in bad.alternatives}
    assert report.log_evidence == float("-inf")
    assert any(note.startswith("A2: cannot be true together with the records") for note in report.notes)


def test_two_eggs_that_cannot_both_be_true_name_one_another():
    """One sire fathered all (mixed 0): an enchi and a mojave hatchling need two."""
    sires = "{name: Basil, genes: enchi}, {name: Thyme, genes: mojave}"
    report = sorted_clutch("evidence: {enchi: 1}", "evidence: {mojave: 1}", "evidence: {pastel: 1}", sires=sires, mixed=0)
    assert [e.tray for e in report.eggs] == [Tray.CHECK_PARENTS, Tray.CHECK_PARENTS, Tray.LABEL]
    assert "together with A2" in report.eggs[0].reasons[0]
    assert "together with A1" in report.eggs[1].reasons[0]
    shared = sorted_clutch("evidence: {enchi: 1}", "evidence: {mojave: 1}", sires=sires, mixed=0.1)
    assert [e.sires["Basil"] for e in shared.eggs] == pytest.approx([1, 0], abs=1e-12)


def test_a_clutch_of_contradictions_only_still_answers():
    report = sorted_clutch("evidence: {clown: 1}", "evidence: {piebald: 1}")
    assert [e.tray for e in report.eggs] == [Tray.CHECK_PARENTS] * 2
    assert (report.posterior, report.parents, report.luck) == (None, (), "")


def test_parents_whose_readings_contradict_their_genes_are_refused():
    text = """
species: ball python
dam: {genes: pastel, evidence: {clown: 1}}
sires: [{genes: enchi}]
eggs: [{label: A1}]
"""
    with pytest.raises(ContradictionError, match=r"readings of the parents .* cannot be true together .*; check the parents' genes"):
        sort_clutch(load_sheet(text=text))


def test_uninformative_evidence_changes_nothing():
    read = "evidence: {pastel: 0.7, enchi: 0.2, otherwise: 0.1}"
    parents = {"dam": "pastel, 66% het clown", "sires": "{name: Basil, genes: 'enchi, het clown'}"}
    plain = sorted_clutch(read, "sex: male", **parents)
    flat = sorted_clutch(read, "sex: male, evidence: {pastel: 0.3, otherwise: 0.3}", **parents)
    for one, other in zip(plain.eggs, flat.eggs, strict=True):
        assert chances(one) == pytest.approx(chances(other), abs=1e-12)
        assert all(one.loci[at] == pytest.approx(other.loci[at], abs=1e-12) for at in one.loci)
    for one, other in zip(plain.parents, flat.parents, strict=True):
        assert all(one.after[at] == pytest.approx(other.after[at], abs=1e-12) for at in one.after)


def test_a_visual_hatchling_proves_a_possible_het_parent():
    report = sorted_clutch("evidence: {clown: 1}", dam="66% het clown", sires="{name: Basil, genes: het clown}")
    dam = report.parents[0]
    assert {str(g): p for g, p in dam.after["clown"].items() if p} == {"clown/normal": 1.0}
    assert dam.news == ("proven: het clown (67 % before the clutch)",)
    assert report.parents[1].news == ()


def test_plain_hatchlings_lower_a_possible_het():
    """Prior 1/2, three plain hatchlings from a visual mate: 1/9 (setup of Ogino and Wilson 2004, J Mol Diagn 6:1-9)."""
    report = sorted_clutch(*["evidence: {normal: 1}"] * 3, dam="50% het clown", sires="{name: Basil, genes: clown}")
    after = {str(g): p for g, p in report.parents[0].after["clown"].items()}
    assert after["clown/normal"] == pytest.approx(1 / 9, abs=1e-12)
    assert "het clown: now 11 % (50 % before the clutch)" in report.parents[0].news


def test_a_misfit_goes_to_check_parents_with_ranked_alternatives():
    report = sorted_clutch("evidence: {clown: 1, otherwise: 0.001}", "evidence: {pastel: 1}")
    egg = report.eggs[0]
    assert egg.tray is Tray.CHECK_PARENTS
    assert egg.reasons[0].startswith("it reads best as clown, which these parents cannot give: neither Juniper nor Basil carries clown")
    factors = [a.bayes_factor for a in egg.alternatives]
    assert factors == sorted(factors, reverse=True)
    assert factors[0] > 10
    assert "Juniper and Basil both carry het clown unrecorded" in [a.explanation for a in egg.alternatives[:2]]
    assert egg.alternatives[0].explanation in egg.reasons[0]
    assert egg.label_text == ""
    assert report.eggs[1].tray is Tray.LABEL


def test_the_bar_for_a_misfit_is_the_keepers():
    evidence = "evidence: {clown: 1, otherwise: 0.2}"
    assert sorted_clutch(evidence).eggs[0].tray is not Tray.CHECK_PARENTS
    assert sorted_clutch(evidence, settings=Settings(misfit_ratio=0.5)).eggs[0].tray is Tray.CHECK_PARENTS


def test_the_sire_of_one_egg():
    sires = "{name: Basil, genes: enchi, share: 0.85}, {name: Thyme, genes: mojave, share: 0.15}"
    enchi, mojave = sorted_clutch("evidence: {enchi: 1}", "evidence: {mojave: 1}", sires=sires).eggs
    assert enchi.sires == pytest.approx({"Basil": 1, "Thyme": 0}, abs=1e-12)
    assert mojave.sires == pytest.approx({"Basil": 0, "Thyme": 1}, abs=1e-12)


def test_no_label_where_the_call_is_open_and_no_promise_beyond_the_records():
    """66 % stays 66 % though the siblings say more (common practice: a label claims what the records support; no source)."""
    eggs = ["evidence: {normal: 1}"] * 2 + ["evidence: {pastel: 0.6, normal: 0.4}"]
    report = sorted_clutch(*eggs, dam="pastel, het clown", sires="{name: Basil, genes: het clown}")
    assert report.eggs[0].label_text == "0.0.1; normal; 66% possible het clown, not proven"
    assert report.eggs[0].tray is Tray.HOLD_BACK
    assert report.eggs[2].label_text == ""
    assert report.eggs[2].tray is Tray.LOOK_AGAIN
    by_clown = "{name: Basil, genes: clown}"
    seen = sorted_clutch("sex: female, evidence: {normal: 1}", "evidence: {clown: 1}", dam="66% het clown", sires=by_clown)
    assert seen.eggs[0].label_text == "0.1; normal; 100% het clown"
    open_dam = sorted_clutch("evidence: {normal: 1}", "evidence: {clown: 1}", dam="66% het clown", sires="{name: Basil, genes: het clown}")
    (records,) = [egg.label_text for egg in open_dam.eggs[:1]]
    # Normal from (2/3 het) x het: het 2/3 * 1/2 + 1/3 * 1/2 = 1/2 of all, 5/6 look normal: 3/5, whatever the sibling proved.
    assert records == "0.0.1; normal; 60% possible het clown, not proven"
    assert {str(g): p for g, p in open_dam.eggs[0].loci["clown"].items()}["clown/normal"] == pytest.approx(2 / 3)


def test_what_an_answer_rests_on():
    (egg,) = sorted_clutch("sex: male, call: pastel, evidence: {pastel: 0.9, otherwise: 0.1}, laboratory: [{gene: clown, copies: 0}]").eggs
    assert set(egg.rests_on) == {"parents", "keeper's call", "evidence", "laboratory", "sex"}
    assert sorted_clutch("sex: male").eggs[0].rests_on == ("parents", "sex")


def test_luck_line_names_a_number():
    report = sorted_clutch(*["evidence: {clown: 1}"] * 3, dam="66% het clown", sires="{name: Basil, genes: het clown}")
    # Three visuals of three from het x het: 1/64, and no outcome is as unlikely.
    assert report.luck.startswith("Luck: 1 in 64 clutches of these parents come out no likelier than this one")


def test_luck_where_the_likeliest_parents_together_cannot_give_the_clutch():
    """One clown by one of three males, each normal at no less than 2 in 3 by itself."""
    sires = ", ".join(f"{{name: {name}, genes: 10% het clown}}" for name in ("Basil", "Flint", "Sorrel"))
    report = sorted_clutch("evidence: {clown: 1}", dam="clown", sires=sires)
    assert report.luck.startswith("Luck: parents that are each what is likeliest of them cannot give this clutch; ")


def test_cautions_stand_with_the_call_they_belong_to():
    spider, plain = sorted_clutch("evidence: {spider: 1}", "evidence: {normal: 1}", dam="spider", sires="{name: Basil, genes: normal}").eggs
    assert any("balance" in c for c in spider.cautions)
    assert plain.cautions == ()
