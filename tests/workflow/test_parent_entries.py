"""What a sheet may say of parents beyond their genes: descent, look, hets nobody recorded, sires by date or unrecorded."""

from fractions import Fraction

import pytest

from triage.errors import SheetError
from triage.records import Genotype
from triage.workflow.sheet import load_sheet
from triage.workflow.sort import sort_clutch

PLAIN_EGG = "eggs:\n  - {label: A1, call: normal}\n"


def sheet(dam="{name: Fern, genes: normal}", sires="  - {name: Moss, genes: normal}\n", head="", eggs=PLAIN_EGG):
    return load_sheet(text=f"species: ball python\n{head}dam: {dam}\nsires:\n{sires}{eggs}", name="clutch.yaml")


def chances(parent, locus):
    return {str(g): float(p) for g, p in parent.loci[locus].states}


def test_normal_young_of_two_hets_is_two_thirds_het():
    """Rule of thumb (common practice, no source): het x het, young that look normal are "66 % het"."""
    dam = sheet(dam="{name: Fern, offspring_of: {dam: het clown, sire: het clown}, looks: normal}").cross.dam
    assert chances(dam, "clown") == pytest.approx({"clown/normal": 2 / 3, "normal/normal": 1 / 3}, abs=1e-12)


def test_descent_without_a_look_keeps_every_genotype():
    dam = sheet(dam="{name: Fern, offspring_of: {dam: het clown, sire: het clown}}").cross.dam
    assert chances(dam, "clown") == pytest.approx(
        {"clown/clown": 1 / 4, "clown/normal": 1 / 2, "normal/normal": 1 / 4}, abs=1e-12
    )


def test_descent_goes_back_generations():
    """Rosalind MEND's tree ((Aa,aa),(Aa,Aa)) as a dam: the loci of her parents follow from theirs (SOURCES.md 3b)."""
    dam = sheet(
        dam="{name: Fern, offspring_of: {dam: {name: a, offspring_of: {dam: het clown, sire: clown}},"
        " sire: {name: b, offspring_of: {dam: het clown, sire: het clown}}}}"
    ).cross.dam
    # (1/2 Aa + 1/2 aa) x (1/4 AA + 1/2 Aa + 1/4 aa): gametes a with 3/4 and 1/2.
    assert chances(dam, "clown") == pytest.approx(
        {"clown/clown": 3 / 8, "clown/normal": 1 / 2, "normal/normal": 1 / 8}, abs=1e-12
    )


def test_phase_of_a_sex_linked_gene_follows_from_the_sires_own_parents():
    """His gene came from his dam, so it lies on his X, but for crossing-over that the catalogue gives no say here."""
    sires = "  - {name: Moss, offspring_of: {dam: banana, sire: normal}, looks: banana}\n"
    moss = sheet(sires=sires).cross.sires[0]
    assert chances(moss, "banana") == {"banana|normal": 1.0}


def test_unknown_hets_are_added_where_nothing_is_recorded():
    dam = sheet(dam="{name: Fern, genes: 50% het ghost, unknown_hets: {clown: 0.05, ghost: 0.05}}").cross.dam
    assert dam.loci["clown"].states[0] == (Genotype("clown", "normal"), Fraction(1, 20))
    assert chances(dam, "ghost") == {"ghost/normal": 0.5, "normal/normal": 0.5}


def test_an_animal_known_by_its_look_has_hardy_weinberg_odds():
    """p^2 : 2pq of two copies to one, for a dominant gene at allele frequency p."""
    dam = sheet(dam="{name: Fern, looks: pinstripe, background: 0.2}").cross.dam
    assert chances(dam, "pinstripe") == pytest.approx(
        {"pinstripe/pinstripe": 0.04 / 0.36, "normal/pinstripe": 0.32 / 0.36}, abs=1e-12
    )


def test_dates_of_pairing_become_shares():
    sires = (
        "  - {name: Moss, genes: normal, paired: [2030-12-01, 2031-01-02]}\n"
        "  - {name: Reed, genes: normal, paired: [2030-12-20]}\n"
    )
    assert sheet(sires=sires, head="laid: 2031-03-14\n").cross.shares == (Fraction(2, 3), Fraction(1, 3))


def test_an_unrecorded_sire_explains_what_nobody_carries():
    sires = "  - {name: Moss, genes: normal, share: 0.98}\n  - {unrecorded: true, share: 0.02}\n"
    eggs = "eggs:\n  - {label: A1, evidence: {pastel: 1, otherwise: 0.0001}}\n"
    clutch = sheet(sires=sires, eggs=eggs)
    assert [s.name for s in clutch.cross.sires] == ["Moss", "unrecorded sire"]
    (egg,) = sort_clutch(clutch).eggs
    assert egg.calls[0].call.name == "pastel"
    # A plain dam: the gene comes from him with his allele frequency, 0.025 unless stated.
    by_him, by_moss = 0.02 * (0.025 + 0.975 * 0.0001), 0.98 * 0.0001
    assert egg.sires["unrecorded sire"] == pytest.approx(by_him / (by_him + by_moss), abs=1e-12)


def test_parthenogenesis_is_a_candidate_like_any_other():
    """Half-clones (Booth et al. 2014): a het mother's daughter is homozygous, and every young is a daughter."""
    sires = "  - {name: Moss, genes: normal, share: 0.99}\n  - {parthenogenesis: true, share: 0.01}\n"
    eggs = "eggs:\n  - {label: A1, evidence: {super pastel: 1}}\n"
    (egg,) = sort_clutch(sheet("{name: Fern, genes: pastel}", sires, eggs=eggs)).eggs
    assert egg.sires == {"Moss": 0.0, "no sire (parthenogenesis)": 1.0}
    assert {sex.value: p for sex, p in egg.sex.items()} == {"female": 1.0, "male": 0.0}


def test_parthenogenesis_is_refused_where_females_are_zw():
    text = "species: corn snake\ndam: {genes: het amel}\nsires:\n  - {parthenogenesis: true}\n" + PLAIN_EGG
    with pytest.raises(SheetError, match=r"line 4: parthenogenesis is computed for species with XX females only"):
        load_sheet(text=text, name="clutch.yaml")


def test_a_lost_egg_is_counted_and_not_sorted():
    lost = "eggs:\n  - {label: A1, call: champagne}\n  - {label: A2, hatched: false}\n"
    clutch = sheet("{name: Fern, genes: champagne}", "  - {name: Moss, genes: champagne}\n", "other_loss: 0.2\n", lost)
    report = sort_clutch(clutch)
    assert [e.label for e in report.eggs] == ["A1"]
    assert any(note.startswith("A2 did not hatch") and "20 %" in note for note in report.notes)


@pytest.mark.parametrize(
    ("parts", "message"),
    [
        ({"dam": "{name: Fern, genes: pastel, looks: pastel}"}, r"line 2: Fern has 'genes' beside .*; needed: either genes"),
        ({"dam": "{name: Fern, genes: pastel, background: 0.1}"}, r"'background' without 'looks' alone"),
        ({"dam": "{name: Fern, offspring_of: {dam: normal}}"}, r"has no 'sire'; needed: the sire's genes"),
        ({"dam": "{name: Fern, offspring_of: {dam: normal, sire: normal}, looks: pastel}"}, r"line 2: Fern shows pastel, but neither"),
        ({"dam": "{name: Fern, looks: blue-eyed leucistic}"}, r"fits \d+ looks; needed: one look"),
        ({"dam": "{name: Fern, genes: normal, unknown_hets: {pastel: 0.1}}"}, r"'pastel' is incomplete dominant"),
        ({"dam": "{name: Fern, genes: normal, unknown_hets: {clwn: 0.1}}"}, r"no known gene.*clown"),
        ({"sires": "  - {name: Moss, genes: normal, paired: [2031-01-01]}\n"}, r"there is no 'laid'"),
        ({"sires": "  - {name: Moss, genes: normal, paired: [soon]}\n", "head": "laid: 2031-03-14\n"}, r"'soon'; needed: a date"),
        ({"sires": "  - {name: Moss, genes: normal, paired: [2031-05-01]}\n", "head": "laid: 2031-03-14\n"}, r"no mating lies before"),
        ({"eggs": "eggs:\n  - {label: A1, hatched: false, call: pastel}\n"}, r"egg A1 did not hatch, yet"),
    ],
)
def test_refusals_name_the_place_and_the_cure(parts, message):
    with pytest.raises(SheetError, match=message) as caught:
        sheet(**parts)
    assert str(caught.value).startswith("clutch.yaml, line ")
