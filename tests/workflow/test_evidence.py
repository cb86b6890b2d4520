"""Evidence for a hatchling of a sheet, from the workflow and from the command line; frames drawn by hand."""

import io
import json
import shutil

import numpy as np
import pytest
from PIL import Image

from triage.cli.main import main
from triage.errors import PhotoError, SheetError
from triage.vision.intake import Photo, cut_to
from triage.workflow.demo import FOLDER
from triage.workflow.evidence_view import find_clutch_evidence
from triage.workflow.photos import open_source
from triage.workflow.sheet import load_sheet
from triage.workflow.sort import sort_clutch

SHEET = """
species: ball python
dam: {{name: D, genes: pastel}}
sires: [{{name: S, genes: fire}}]
eggs:
  - {{label: A1, photos: [{photo}]}}
  - {{label: A2, call: normal}}
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("clutch")
    shutil.copy(FOLDER / "a1.jpg", folder / "a1.jpg")
    (folder / "clutch.yaml").write_text(SHEET.format(photo="a1.jpg"))
    return folder


@pytest.fixture(scope="module")
def sorted_clutch(folder):
    sheet = load_sheet(folder / "clutch.yaml")
    return sheet, sort_clutch(sheet)


def test_the_two_likeliest_calls_unless_named(sorted_clutch):
    _, report = sorted_clutch
    view = find_clutch_evidence(report, "A1")
    best = [chance.call.name for chance in report.eggs[0].calls[:2]]
    assert [view.call, view.other] == best
    assert Image.open(io.BytesIO(view.overlay)).size == Image.open(io.BytesIO(view.cut)).size
    named = find_clutch_evidence(report, "A1", "fire", "normal")
    assert (named.call, named.other) == ("fire", "normal") and "head" in named.look_for


@pytest.mark.parametrize(
    ("label", "calls", "words"),
    [("A9", (), "no hatchling 'A9'; needed: one of A1, A2"), ("A2", (), "has no photo"),
     ("A1", ("lesser", "butter"), "look the same in every photo")],
)  # fmt: skip
def test_what_cannot_be_shown_is_refused_with_what_is_needed(sorted_clutch, label, calls, words):
    with pytest.raises(SheetError, match=words):
        find_clutch_evidence(sorted_clutch[1], label, *calls)


def test_the_command_writes_a_picture_and_does_not_overwrite(folder, tmp_path, capsys):
    target = tmp_path / "a1.png"
    assert main(["evidence", str(folder / "clutch.yaml"), "A1", "--to", str(target), "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["label"] == "A1" and Image.open(target).format == "PNG"
    assert main(["evidence", str(folder / "clutch.yaml"), "A1", "--to", str(target)]) == 2
    assert "not overwritten" in capsys.readouterr().err


def test_a_frame_drawn_by_hand_is_what_is_read(folder):
    (folder / "framed.yaml").write_text(SHEET.format(photo="{file: a1.jpg, crop: [0.1, 0.2, 0.9, 1.0]}"))
    sheet = load_sheet(folder / "framed.yaml")
    (source,) = sheet.eggs[0].photos
    whole, cut = open_source(load_sheet(folder / "clutch.yaml").eggs[0].photos[0]), open_source(source)
    height, width = whole.pixels.shape[:2]
    assert np.array_equal(cut.pixels, whole.pixels[round(0.2 * height) :, round(0.1 * width) : round(0.9 * width)])


@pytest.mark.parametrize(
    ("photo", "words"),
    [
        ("{file: a1.jpg, crop: [0.9, 0, 0.1, 1]}", "line 6.*is no frame.*left before right"),
        ("{file: a1.jpg, crop: [0, 0, 1]}", "is no frame"),
        ("{file: a1.jpg, crop: [0, 0, 1, 2]}", "a number from 0 to 1"),
        ("{file: a1.jpg, frame: [0, 0, 1, 1]}", "unknown key 'frame'"),
        ("{crop: [0, 0, 1, 1]}", "has no 'file'"),
    ],
)
def test_a_bad_frame_is_refused_by_line(folder, photo, words):
    with pytest.raises(SheetError, match=words):
        load_sheet(None, text=SHEET.format(photo=photo), name="sheet")


def test_a_frame_that_leaves_too_little_is_refused():
    photo = Photo("p.jpg", np.zeros((200, 200, 3), np.uint8), (200, 200), "PNG")
    with pytest.raises(PhotoError, match="leaves 20 x 200 pixels; both sides need 64"):
        cut_to(photo, (0, 0, 0.1, 1))
    with pytest.raises(PhotoError, match="is not inside the photo"):
        cut_to(photo, (0, 0, 1.2, 1))
