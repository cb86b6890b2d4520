"""Colour by a grey card in the picture, checked against colour-science's curves and illuminants."""

import colour
import numpy as np
import pytest

from triage.hatchery import draws, render
from triage.vision.colour import (
    find_grey_card,
    neutral_by_card,
    tightest_rectangle,
    to_linear,
    to_srgb,
)
from triage.vision.intake import Photo


def test_the_curve_is_that_of_srgb():
    values = np.linspace(0, 1, 256)
    assert to_linear(values) == pytest.approx(colour.eotf(values, "sRGB"), abs=1e-7)
    assert to_srgb(colour.eotf(values, "sRGB")) == pytest.approx(values, abs=1e-4)


def card_on_ground(cast, turn=0.4):
    """A grey card on a speckled brown ground under a coloured light."""
    size = 300
    draw = np.random.default_rng(3)
    ground = np.clip(np.array([0.30, 0.20, 0.12]) * (1 + 0.35 * draw.normal(size=(size, size, 1))), 0.01, 1)
    x, y = np.meshgrid(np.arange(size) - 150.0, np.arange(size) - 150.0)
    across, down = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    light = np.where(((np.abs(across) < 45) & (np.abs(down) < 30))[..., None], 0.18, ground) * cast
    return Photo("card", (to_srgb(light) * 255).round().astype(np.uint8), (size, size), "PNG")


@pytest.mark.parametrize("cast", [(1.4, 1.0, 0.6), (0.8, 1.0, 1.3), (1.0, 1.0, 1.0)])
def test_a_free_grey_card_is_found_and_made_neutral(cast):
    photo = card_on_ground(np.array(cast))
    card = find_grey_card(photo)
    assert card is not None
    assert card.colour / card.colour.mean() == pytest.approx(np.array(cast) / np.mean(cast), rel=0.06)
    middle = neutral_by_card(photo, card).pixels[140:160, 140:160].reshape(-1, 3).mean(0)
    assert middle.max() - middle.min() < 4
    assert "grey card" in neutral_by_card(photo, card).remarks[-1]


def test_no_card_is_seen_where_there_is_none():
    """On photos of the hatchery without a card: at most one in fifty is mistaken for one."""
    drawn = render([{}] * 50, range(50), range(8000, 8050), size=192)
    with_card = draws.uniform(draws.seed_tensor(range(8000, 8050), "cpu"), 806, 5)[:, 0] < 0.06
    found = [
        find_grey_card(Photo("p", (i.permute(1, 2, 0).numpy() * 255).round().astype(np.uint8), (192, 192), "PNG")) is not None
        for i, has in zip(drawn.images, with_card, strict=True)
        if not has
    ]
    assert sum(found) <= 1


def test_the_tightest_rectangle_of_a_turned_rectangle_is_itself():
    u, v = np.meshgrid(np.arange(60), np.arange(25))
    points = np.stack([u.ravel() * np.cos(0.35) - v.ravel() * np.sin(0.35), u.ravel() * np.sin(0.35) + v.ravel() * np.cos(0.35)], 1)
    corners, fill, long = tightest_rectangle(points)
    assert fill > 0.95 and long == pytest.approx(60 / 25, rel=0.03)
    assert corners.shape == (4, 2)
