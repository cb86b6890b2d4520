"""Evidence maps: they lie on the animal, agree with the reading, and point at what moves it."""

import numpy as np
import pytest
import torch

from triage.hatchery import render
from triage.vision.evidence import blurred_copy, find_evidence, mask_of_cut, overlay
from triage.vision.intake import Photo
from triage.vision.reader import PhotoReader, padded_square, sample

CASES = [
    ({"spider": ("normal", "spider")}, {"spider": "spider"}),
    ({"clown": ("clown", "clown")}, {"clown": "clown"}),
    ({"pinstripe": ("normal", "pinstripe")}, {"pinstripe": "pinstripe"}),
    ({"pastel": ("pastel", "pastel")}, {"pastel": "super pastel"}),
]


@pytest.fixture(scope="module")
def found():
    reader = PhotoReader.load()
    drawn = render([genes for genes, _ in CASES], range(4), range(60, 64), size=320, stage="after first shed")
    results = []
    for image, (_, call) in zip(drawn.images, CASES, strict=True):
        photo = Photo("p", (image.permute(1, 2, 0).numpy() * 255).round().astype(np.uint8), (320, 320), "PNG")
        reading = reader.read([photo])[0]
        results.append((reader, photo, reading, call, find_evidence(reader, photo, reading, call, {})))
    return results


def test_the_difference_is_the_reading_s(found):
    for _, _, reading, call, evidence in found:
        both = reading.raw_log_likelihoods([call, {}])
        assert evidence.difference == pytest.approx(both[0] - both[1], abs=1e-2)


def test_the_other_way_round_only_changes_the_sign(found):
    reader, photo, reading, call, evidence = found[0]
    back = find_evidence(reader, photo, reading, {}, call)
    assert back.difference == pytest.approx(-evidence.difference, abs=1e-3)
    assert np.allclose(back.map, -evidence.map, atol=1e-3)


def test_evidence_lies_on_the_animal(found):
    for reader, _, reading, _, evidence in found:
        mask = mask_of_cut(reading, reader.input_px).numpy()
        on = np.abs(evidence.map)[mask > 0.2].sum()  # the mask's own edge is soft
        assert on > 0.8 * np.abs(evidence.map).sum() > 0


def test_hiding_what_the_map_points_at_costs_more_than_hiding_as_much_elsewhere(found):
    """The deletion test of Petsiuk, Das and Saenko 2018 (arXiv 1806.07421), on a tenth of the animal."""
    wins = []
    for reader, photo, reading, call, evidence in found:
        codes = torch.from_numpy(reading.vocabulary.encode([call, {}]))
        cut = sample(padded_square(photo), reading.box, reader.input_px)[None]
        mask = mask_of_cut(reading, reader.input_px)
        plain = blurred_copy(cut, mask)
        on = mask.numpy() > 0.5
        few = int(on.sum() * 0.10)

        def left(hidden, reader=reader, cut=cut, plain=plain, codes=codes):
            shown = torch.from_numpy(hidden)[None, None].float()
            both = reader.log_likelihoods_of_codes(cut * (1 - shown) + plain * shown, codes)[0]
            return float(both[0] - both[1])

        ranked = np.argsort(np.where(on, -evidence.map, np.inf).ravel())
        pointed = np.zeros(on.size, bool)
        pointed[ranked[:few]] = True
        least = np.zeros(on.size, bool)
        least[ranked[: int(on.sum())][-few:]] = True
        wins.append(left(pointed.reshape(on.shape)) < left(least.reshape(on.shape)))
    assert sum(wins) >= 3


def test_the_overlay_is_a_picture_of_the_cut(found):
    *_, evidence = found[0]
    picture = overlay(evidence)
    assert picture.size == evidence.cut.shape[1::-1] and picture.mode == "RGB"
    coloured = np.asarray(picture).astype(int)
    assert (coloured.max(2) - coloured.min(2)).max() > 60  # tinted where the evidence is
    far = np.abs(evidence.map) < 1e-6
    assert (coloured[far].max(1) - coloured[far].min(1)).max() <= 1  # grey elsewhere
