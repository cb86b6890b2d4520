"""A gene that a look hides stays where Mendel left it, whoever looked: on trays, labels and in the collection.

The first table's clutches are those of a second reading of the catalogue, which measured .50 -> .095 and .077 before hiding was data.
"""

import itertools

import pytest

from triage.genetics.clutch.exact import infer
from triage.genetics.clutch.model import compile_cross
from triage.genetics.readings import keeper_reading
from triage.proving.trays import Tray
from triage.records import Cross, Egg, Sex
from triage.species import load_species, parse_call, parse_parent
from triage.workflow.sheet import load_sheet
from triage.workflow.sort import sort_clutch

BALL = load_species("ball python")


def sorted_sheet(tmp_path, dam, sire, calls):
    eggs = "".join(f"  - {{label: E{n}, call: {call}}}\n" for n, call in enumerate(calls))
    sheet = tmp_path / "sheet.yaml"
    sheet.write_text(
        f"species: ball python\ndam: {{name: Dam, genes: '{dam}'}}\nsires: [{{name: Sire, genes: '{sire}'}}]\neggs:\n{eggs}", "utf-8"
    )
    return sort_clutch(load_sheet(sheet))


def chance(table, gene):
    return sum(p for genotype, p in table.items() if genotype.copies(gene))


def parent_chance(report, gene):
    locus = BALL.locus_of(gene).name
    (dam,) = (p for p in report.posterior.parents if p.role == "dam")
    return chance(dam.loci[locus], gene)


def test_a_white_clutch_says_nothing_of_clown_and_pastel(tmp_path):
    """Dam mojave, pastel, 50 % het clown x sire lesser, clown; four young called white: 1/2 and 1/2."""
    report = sorted_sheet(tmp_path, "mojave, pastel, 50% het clown", "lesser, clown", ["blue-eyed leucistic"] * 4)
    assert parent_chance(report, "clown") == pytest.approx(0.5, abs=0.015)
    for egg in report.eggs:
        assert chance(egg.loci["pastel"], "pastel") == pytest.approx(0.5, abs=0.015)
        assert egg.calls[0].call.name == "lesser mojave" and egg.calls[0].probability > 0.95
        assert any("white: other genes cannot be seen on this animal" in words for words in egg.reasons)


@pytest.mark.parametrize(
    ("dam", "sire", "call", "gene", "low"),
    [
        ("yellow belly, pastel", "yellow belly", "ivory", "pastel", 0.48),
        ("black pastel, pinstripe", "black pastel", "super black pastel", "pinstripe", 0.45),
        ("albino, het ghost", "albino, ghost", "albino", "ghost", 0.3),
        ("champagne", "pinstripe", "champagne", "pinstripe", 0.3),
    ],
)
def test_what_is_nearly_or_partly_hidden_falls_less(tmp_path, dam, sire, call, gene, low):
    """One half before the call; were nothing hidden the call would leave less than a tenth. Ghost counts where it is visual."""
    report = sorted_sheet(tmp_path, dam, sire, [call])
    (egg,) = report.eggs
    locus = BALL.locus_of(gene)
    seen = sum(p for genotype, p in egg.loci[locus.name].items() if locus.look(genotype))
    assert low < seen < 0.5


def shared_by(words):
    """A cross in which every gene named may or may not be in a young, and the calls it can give."""
    dam = parse_parent(BALL, "lesser, pastel, het clown, het albino, spider", name="Dam", sex=Sex.FEMALE)
    sire = parse_parent(BALL, words, name="Sire", sex=Sex.MALE)
    return compile_cross(Cross(BALL, dam, (sire,), (1,), 0))


SAID = ["blue-eyed leucistic", "lesser mojave", "lesser mojave pastel", "lesser mojave clown spider", "pastel", "normal"]


@pytest.mark.parametrize("said", SAID)
def test_no_call_moves_a_gene_that_the_look_hides(said):
    """Of young that are white, the chance of everything else is what it was before the call, whatever the call."""
    model = shared_by("mojave, clown, albino")
    reading = keeper_reading(BALL, parse_call(BALL, said), model.calls, accuracy=0.9, lookalike_share=0.8)
    (egg,) = infer(model, [Egg("E", None, (reading,))]).eggs
    expected = model.expected_calls()
    white = [i for i, call in enumerate(model.calls) if call.look("blue-eyed-leucistic series") == "lesser mojave"]
    assert len(white) >= 16
    ratios = [egg.call_chances[i] / expected[i] for i in white]
    assert max(ratios) == pytest.approx(min(ratios), rel=1e-12)


def test_words_for_what_cannot_be_seen_are_struck_out_and_say_nothing(tmp_path):
    plain, worded = (
        sorted_sheet(tmp_path, "mojave, pastel, 50% het clown", "lesser, clown", [call]).eggs[0]
        for call in ("lesser mojave", "lesser mojave pastel")
    )
    assert [(c.call, pytest.approx(c.probability, abs=1e-12)) for c in worded.calls] == [(c.call, c.probability) for c in plain.calls]
    assert ("pastel", "this animal could not show it: the word counts neither for it nor against it") in [
        (one.call, one.reason) for one in worded.struck_out
    ]


def test_a_label_of_a_white_animal_promises_what_mendel_gives(tmp_path):
    report = sorted_sheet(tmp_path, "mojave, pastel, 50% het clown", "lesser, clown", ["lesser mojave"])
    text = report.eggs[0].label_text
    assert text == (
        "0.0.1; lesser mojave; white: other genes cannot be seen on this animal; 50% possible pastel, not proven; "
        "25% possible clown, not proven; 75% possible het clown, not proven"
    )


def test_a_white_hatchling_is_held_back_for_what_it_may_carry_and_not_looked_at_again(tmp_path):
    (egg,) = sorted_sheet(tmp_path, "mojave, pastel, 50% het clown", "lesser, clown", ["blue-eyed leucistic"]).eggs
    assert egg.tray is Tray.HOLD_BACK
    assert "het clown at 75 % cannot be seen: only breeding (or a laboratory) can tell" in egg.reasons


def test_photo_evidence_of_white_calls_does_not_depend_on_what_they_hide():
    from triage.hatchery import render
    from triage.vision.intake import Photo
    from triage.vision.reader import PhotoReader

    drawn = render([{"blue-eyed-leucistic series": ("lesser", "mojave")}, {}], [1, 2], [3, 4], size=224, stage="after first shed")
    reader = PhotoReader.load()
    calls = shared_by("mojave, clown, albino").calls
    for image in drawn.images:
        pixels = (image.permute(1, 2, 0).numpy() * 255).astype("uint8")
        photo = Photo("drawn", pixels, (224, 224), "PNG")
        told = reader.read([photo])[0].evidence(calls, BALL).log_likelihoods
        white = {told[call] for call in calls if call.look("blue-eyed-leucistic series") == "lesser mojave"}
        assert len(white) == 1 < len({told[call] for call in calls}), "one value for all white calls"


def test_every_hiding_of_every_species_leaves_the_hidden_gene_to_mendel():
    """Ratio of the likelihoods with and without a wholly hidden look: exactly 1, for the keeper's call, at every hiding."""
    for hiding in (one for one in BALL.hidings if one.missed == 1):
        for look, (locus, other) in itertools.product(sorted(hiding.looks)[:3], [("pastel", "pastel"), ("clown", "clown")]):
            bare = BALL.call_of({hiding.locus: look})
            covered = BALL.call_of({hiding.locus: look, locus: other})
            pale = BALL.call_of({locus: other})
            for said in (bare, covered, pale):
                told = keeper_reading(BALL, [said], [bare, covered, pale, BALL.call_of({})], accuracy=0.9, lookalike_share=0.8).likelihoods
                assert told[bare] == told[covered]
