"""Photos are refused or warned about with advice, for faults added to renders in known amounts."""

import numpy as np
import pytest
from PIL import Image, ImageFilter

from triage.hatchery import render
from triage.vision.intake import Photo
from triage.vision.quality import Fault, judge

N = 6


@pytest.fixture(scope="module")
def renders():
    drawn = render([{}, {"pastel": ("normal", "pastel")}] * (N // 2), range(N), range(300, 300 + N), size=320)
    return [(i.permute(1, 2, 0).numpy() * 255).round().astype(np.uint8) for i in drawn.images]


def faults(pixels):
    return {r.fault for r in judge(Photo("p.jpg", np.asarray(pixels, np.uint8), pixels.shape[1::-1], "PNG"))}


def share(renders, change, fault):
    return np.mean([fault in faults(change(pixels)) for pixels in renders])


def test_good_photos_pass(renders):
    assert np.mean([not faults(p) for p in renders]) >= 0.65
    assert not any(r.refuses for p in renders for r in judge(Photo("p", p, (320, 320), "PNG")))


def test_heavy_blur_is_noticed(renders):
    blurred = lambda p: np.asarray(Image.fromarray(p).filter(ImageFilter.GaussianBlur(6)))  # noqa: E731
    assert share(renders, blurred, Fault.BLURRED) == 1


def test_darkness_is_noticed(renders):
    assert share(renders, lambda p: (p * 0.2).astype(np.uint8), Fault.DARK) == 1
    dark = judge(Photo("p", (renders[0] * 0.05).astype(np.uint8), (320, 320), "PNG"))
    assert dark[0].refuses and "brighter lamp" in dark[0].text


def test_burnt_highlights_are_noticed(renders):
    assert share(renders, lambda p: np.minimum(p.astype(int) * 8 + 60, 255), Fault.BURNT) >= 0.8


def test_a_colour_cast_is_noticed(renders):
    assert share(renders, lambda p: p * np.array([1.0, 0.3, 0.2]), Fault.CAST) == 1


def test_a_plain_field_is_no_photo_of_an_animal():
    remarks = judge(Photo("p", np.full((300, 300, 3), 140, np.uint8), (300, 300), "PNG"))
    assert [r.fault for r in remarks] == [Fault.BLURRED] and remarks[0].refuses
