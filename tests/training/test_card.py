"""The model card: the same bytes twice, no number that is in no file of figures, and what is missing said."""

import re

import pytest
from matplotlib.axes import Axes
from PIL import ImageFont

from triage.errors import ModelFileError
from triage.training import pictures
from triage.training.card import card, card_of
from triage.training.measures import MEASURES
from triage.training.measures.results import read_results
from triage.vision.gate import read_gate_sidecar
from triage.vision.weights import SHIPPED, read_sidecar


def leaves(found):
    if isinstance(found, dict):
        for value in found.values():
            yield from leaves(value)
    elif isinstance(found, list):
        for value in found:
            yield from leaves(value)
    elif isinstance(found, int | float) and not isinstance(found, bool):
        yield found


def spellings(value):
    return {str(value), f"{value:.0f}", f"{value:,}", f"{value:.1f}", f"{value:.3f}", f"{100 * value:.1f}"}


def numbers_of_tables(text):
    """Numbers in the cells of the card's tables, the first cell (a name) left out."""
    for line in text.splitlines():
        if line.startswith("| ") and not line.startswith("| ---"):
            for cell in line.strip("|").split("|")[1:]:
                if "`" not in cell:
                    yield from re.findall(r"\d[\d,]*(?:\.\d+)?(?:e-\d+)?", re.sub(r"95 %", "", cell))


def unknown_numbers(text, sources):
    known = set().union(*(spellings(value) for value in leaves(sources)))
    return [number for number in numbers_of_tables(text) if number not in known]


@pytest.fixture(scope="module")
def sources():
    return read_sidecar(SHIPPED), read_results(SHIPPED), read_gate_sidecar(SHIPPED)


@pytest.fixture(scope="module")
def report(sources):
    return sources[1]["report"][-1]["figures"]


def words_of(calibrations):
    """Numbers inside the words of the calibrations, which the card repeats."""
    return [float(n) for c in calibrations.values() for n in re.findall(r"\d+", c["fitted_on"])] + [
        int(n) for c in calibrations.values() for n in re.findall(r"\d+", c["fitted_on"])
    ]


def test_the_card_is_the_same_twice_and_is_the_one_in_the_repository():
    assert card_of(SHIPPED) == card_of(SHIPPED) == (SHIPPED / "MODEL_CARD.md").read_text("utf-8")


def test_every_number_of_a_table_is_in_a_file_of_figures(sources):
    runs = [[number, run] for number, run in enumerate(pictures.runs_of(sources[0]), 1)]
    numbered = [number for number, _ in enumerate(sources[1]["comparison"], 1)]
    text = card(*sources)
    assert len(list(numbers_of_tables(text))) > 1000
    assert unknown_numbers(text, [list(sources), runs, numbered, words_of(sources[0]["calibration"])]) == []


def test_a_number_changed_by_hand_is_found(sources, report):
    figures = report["shifted"]["twelve genes"]["both"]
    assert unknown_numbers(f"| both | {figures['top1']:.3f} |", list(sources)) == []
    assert unknown_numbers("| both | 0.98765 |", list(sources)) == ["0.98765"]


def test_both_domains_stand_side_by_side(sources, report):
    text = card(*sources)
    one, two = (report[domain]["twelve genes"]["both"] for domain in ("training", "shifted"))
    assert f"| twelve genes | {one['n']} | {one['top1']:.3f} | {two['top1']:.3f} |" in text


def test_every_lookalike_pair_and_its_n_are_there(sources, report):
    text = card(*sources)
    pairs = report["training"]["look-alikes"]
    assert len(pairs) > 20
    assert all(f"| {name} | {figures['n']} | {figures['right']:.3f} |" in text for name, figures in pairs.items())


def test_what_is_missing_is_said(sources):
    bare = card(sources[0], {})
    assert "None drawn" in bare
    for name in ("gate", *(f"measures {measure.name}" for measure in MEASURES)):
        assert f"ot measured: run `python -m triage.training.{name}`" in bare


def test_half_of_a_report_is_shown_alone(sources, report):
    half = card(sources[0], {"report": [{"figures": {"shifted": report["shifted"]}}]})
    assert "### Shifted domain, twelve genes" in half and "### Training domain" not in half
    assert "In detail, both domains side by side\n\nNot measured" in half


def test_the_newest_run_of_a_reader_and_all_of_designs_are_shown(sources):
    comparison, shift = sources[1]["comparison"], sources[1]["shift"]
    older = [{**shift[-1], "command": "an older command"}]
    text = card(sources[0], {"comparison": comparison, "shift": older + shift})
    assert "an older command" not in text and f"`{shift[-1]['command']}`" in text
    assert len(comparison) > 1 and all(f"Run {n}: `{run['command']}` at" in text for n, run in enumerate(comparison, 1))


def test_mistakes_are_drawn_again_as_they_were(report):
    """The seeds in the file of figures still give the animals it names, else the pictures would show others."""
    for domain in ("training", "shifted"):
        for protocol in ("twelve genes", "whole catalogue"):
            wrong = report[domain][protocol]["mistakes"]
            assert pictures.truth_of_seeds([one["seed"] for one in wrong], protocol)[1] == [one["truth"] for one in wrong]


def test_seeds_that_give_other_animals_are_refused(report):
    entry = report["training"]["twelve genes"]["mistakes"][0]
    changed = {"training": {"twelve genes": {"mistakes": [{**entry, "truth": "banana"}]}}}
    with pytest.raises(ModelFileError, match=r"the seeds no longer give the animals named there.*measures report again"):
        pictures.failures(changed, "training", "twelve genes", 64)
    assert pictures.failures({}, "training", "twelve genes", 64) is None


def test_captions_keep_to_three_lines():
    font = ImageFont.load_default(12)
    text = pictures.wrapped("super pastel fire enchi yellow belly banana cinnamon mojave clown piebald", font, 100)
    assert text.count("\n") == 2 and text.endswith("...")
    assert all(font.getlength(line.removesuffix("...")) <= 100 for line in text.split("\n"))


def test_a_chance_stays_on_one_line_and_has_no_sign_the_font_lacks():
    font = ImageFont.load_default(12)
    text = pictures.wrapped("yellow belly pinstripe, called yellow belly (95\u00a0%)", font, 160)
    assert "(95 %)" in text.split("\n")[-1] and "\u00a0" not in text


def test_the_learning_curves_show_every_run_in_both_domains(sources, report, tmp_path, monkeypatch):
    drawn, plot = [], Axes.plot

    def noted(axes, x, y, **look):
        drawn.append((len(x), look))
        return plot(axes, x, y, **look)

    monkeypatch.setattr(Axes, "plot", noted)
    pictures.draw_curves(sources[0], report, tmp_path / "curves.png")
    runs = pictures.runs_of(sources[0])
    solid = [(n, look["label"]) for n, look in drawn if str(look.get("label", "")).startswith("run ")]
    assert solid[::2] == [(len(run["history"]), f"run {i}, {run['settings']['input_px']} px") for i, run in enumerate(runs, 1)]
    dashed = [n for n, look in drawn if look.get("linestyle") == "--"]
    assert dashed[::2] == [sum("shifted_nll" in entry for entry in run["history"]) for run in runs] and dashed[-1] > 0
