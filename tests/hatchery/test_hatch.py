"""Photos written to a folder."""

import csv
import json

import numpy as np
import pytest
from PIL import Image

from triage.errors import PhotoError
from triage.hatchery import HatchSpec, hatch, render
from triage.hatchery.hatch import COLUMNS

SPECS = (
    HatchSpec("A1", {"pastel": ("normal", "pastel")}, 1, 2, "in the egg"),
    HatchSpec("A2", {}, 5, 6),
    HatchSpec("A3", {"clown": ("clown", "clown")}, 7, 8, "after first shed"),
)


def test_photos_masks_and_truth(tmp_path):
    seen = []
    rows = hatch(SPECS, tmp_path / "new", size=64, progress=lambda done, total: seen.append((done, total)))
    assert seen == [(3, 3)]
    with (tmp_path / "new" / "truth.csv").open(newline="", encoding="utf-8") as file:
        table = list(csv.DictReader(file))
    assert tuple(table[0]) == COLUMNS and [row["label"] for row in table] == ["A1", "A2", "A3"]
    assert {key: tuple(pair) for key, pair in json.loads(table[0]["genotype"]).items()} == SPECS[0].genotype
    assert [row["stage"] for row in table] == [row.stage for row in rows]
    assert rows[0].stage == "in the egg" and rows[2].stage == "after first shed"
    wanted = render([SPECS[2].genotype], [7], [8], size=64, stage="after first shed")
    image = np.asarray(Image.open(rows[2].photo))
    assert image.shape == (64, 64, 3)
    assert np.array_equal(image, (wanted.images[0] * 255 + 0.5).byte().permute(1, 2, 0).numpy())
    mask = np.asarray(Image.open(rows[2].mask)) / 255
    assert mask.mean() == pytest.approx(rows[2].coverage, abs=1e-3)
    assert float(table[2]["coverage"]) == pytest.approx(rows[2].coverage, abs=1e-4)


def test_jpeg_is_close_to_the_render(tmp_path):
    row = hatch(SPECS[2:], tmp_path, size=64, jpeg_quality=95)[0]
    assert row.photo.suffix == ".jpg"
    wanted = render([SPECS[2].genotype], [7], [8], size=64, stage="after first shed").images[0].permute(1, 2, 0).numpy()
    assert np.abs(np.asarray(Image.open(row.photo)) / 255 - wanted).mean() < 0.02


def test_nothing_is_overwritten(tmp_path):
    hatch(SPECS[:1], tmp_path, size=64)
    with pytest.raises(PhotoError, match="exists already and is not overwritten"):
        hatch(SPECS[:1], tmp_path, size=64)


@pytest.mark.parametrize("label", ["", "a/b", "..", "a\\b"])
def test_a_label_that_is_no_file_name_is_refused(tmp_path, label):
    with pytest.raises(ValueError, match="cannot be a file name"):
        hatch([HatchSpec(label, {}, 1, 1)], tmp_path)


def test_equal_labels_and_a_file_in_the_way_are_refused(tmp_path):
    with pytest.raises(ValueError, match="same label"):
        hatch([HatchSpec("a", {}, 1, 1), HatchSpec("A", {}, 2, 2)], tmp_path)
    (tmp_path / "file").write_text("x")
    with pytest.raises(PhotoError, match="cannot be written"):
        hatch([HatchSpec("a", {}, 1, 1)], tmp_path / "file", size=64)
