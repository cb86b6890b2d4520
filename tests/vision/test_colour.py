"""Colour by a grey card or a chart in the picture, checked against colour-science's patch values and illuminants."""

import colour
import numpy as np
import pytest

from triage.hatchery import draws, render
from triage.vision.colour import (
    CHART,
    chart_patches,
    find_grey_card,
    homography,
    neutral_by_card,
    neutral_by_chart,
    tightest_rectangle,
    to_linear,
    to_srgb,
)
from triage.vision.intake import Photo

CORNERS = ((0.15, 0.20), (0.85, 0.25), (0.80, 0.80), (0.10, 0.75))


def reference_chart():
    """Linear sRGB of colour-science's "ColorChecker24 - After November 2014", Bradford-adapted from D50."""
    chart = colour.CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]
    xyz = colour.xyY_to_XYZ(np.array(list(chart.data.values())))
    return colour.XYZ_to_RGB(xyz, "sRGB", illuminant=chart.illuminant, chromatic_adaptation_transform="Bradford")


def photographed_chart(gains, size=400):
    """A photo of the chart in perspective, under a light of the given channel gains."""
    square = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    back = np.linalg.inv(homography(square, np.array(CORNERS) * size))
    x, y = np.meshgrid(np.arange(size) + 0.5, np.arange(size) + 0.5)
    place = np.stack([x, y, np.ones_like(x)], -1) @ back.T
    u, v = place[..., 0] / place[..., 2], place[..., 1] / place[..., 2]
    inside = (u >= 0) & (u < 1) & (v >= 0) & (v < 1)
    index = (np.clip((v * 4).astype(int), 0, 3) * 6 + np.clip((u * 6).astype(int), 0, 5))[..., None]
    light = np.where(inside[..., None], np.take_along_axis(CHART[None], index.reshape(1, -1, 1), 1).reshape(size, size, 3), 0.3)
    pixels = (to_srgb(light * gains) * 255).round().astype(np.uint8)
    return Photo("chart", pixels, (size, size), "PNG")


def difference(patches):
    """CIE 2000 differences of linear patches from the chart's own, after matching their mean brightness."""
    usable = np.arange(24) != 17  # cyan lies outside the gamut of sRGB
    matched = patches * (CHART[usable].mean() / patches[usable].mean())
    return colour.delta_E(*(colour.XYZ_to_Lab(colour.RGB_to_XYZ(p, "sRGB")) for p in (matched, CHART)), method="CIE 2000")[usable]


def test_the_chart_is_the_published_one():
    assert pytest.approx(reference_chart(), abs=6e-5) == CHART


def test_the_curve_is_that_of_srgb():
    values = np.linspace(0, 1, 256)
    assert to_linear(values) == pytest.approx(colour.eotf(values, "sRGB"), abs=1e-7)
    assert to_srgb(colour.eotf(values, "sRGB")) == pytest.approx(values, abs=1e-4)


@pytest.mark.parametrize("illuminant", ["A", "D50", "D75", "FL2"])
def test_a_chart_makes_colours_right_under_another_light(illuminant):
    """Gains of the illuminant's white point in linear sRGB (colour-science), dimmed so that no patch clips."""
    white = colour.xy_to_XYZ(colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"][illuminant])
    gains = colour.XYZ_to_RGB(white, "sRGB", chromatic_adaptation_transform=None)
    gains = 0.75 * gains / gains.max()
    photo = photographed_chart(np.maximum(gains, 0.12))
    before, after = difference(chart_patches(photo, CORNERS)), difference(chart_patches(neutral_by_chart(photo, CORNERS), CORNERS))
    assert after.mean() < 1.5 and after.mean() < before.mean() / (2 if illuminant in ("D50", "D75") else 5)


def test_corners_must_be_four_and_on_a_chart():
    photo = photographed_chart(np.ones(3))
    with pytest.raises(ValueError, match="3 corners given"):
        neutral_by_chart(photo, CORNERS[:3])
    flat = Photo("flat", np.full((200, 200, 3), 90, np.uint8), (200, 200), "PNG")
    with pytest.raises(ValueError, match="too little colour"):
        neutral_by_chart(flat, CORNERS)


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
