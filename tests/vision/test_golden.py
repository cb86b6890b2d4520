"""A stored photo and its stored reading: tight from the tensor, loose from the JPEG, since decoders differ."""

import importlib.util
import json
from pathlib import Path

import numpy as np
import pytest
import torch
from PIL import Image

from triage.vision.intake import open_photo
from triage.vision.reader import PhotoReader

FOLDER = Path(__file__).parent / "golden"
_spec = importlib.util.spec_from_file_location("make_golden", Path(__file__).parent / "make_golden.py")
make_golden = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(make_golden)


@pytest.fixture(scope="module")
def reader():
    return PhotoReader.load()


@pytest.fixture(scope="module")
def answer(reader):
    stored = json.loads((FOLDER / "reading.json").read_text())
    assert stored["weights"] == reader.sidecar["sha256"], "run python tests/vision/make_golden.py after training anew"
    return stored


def test_from_the_tensor(reader, answer):
    square = torch.from_numpy(np.array(Image.open(FOLDER / "square.png"))).permute(2, 0, 1)[None].float() / 255
    outputs = reader.read_square(square)
    assert outputs.looks[0].numpy() == pytest.approx(np.array(answer["looks"]), abs=2e-3)
    assert outputs.pairs[0].numpy() == pytest.approx(np.array(answer["pairs"]), abs=2e-3)


def test_from_the_jpeg(reader, answer):
    found = make_golden.log_likelihoods(reader.read([open_photo(FOLDER / "photo.jpg")])[0])
    assert found == pytest.approx(np.array(answer["log_likelihoods"]), abs=0.15)


def test_the_golden_photo_is_read_right(reader):
    """Pastel enchi among eight calls: the likeliest, or the second."""
    found = make_golden.log_likelihoods(reader.read([open_photo(FOLDER / "photo.jpg")])[0])
    assert list(np.argsort(-found)).index(4) <= 1
