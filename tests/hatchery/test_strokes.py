"""Every way of drawing a line, stripe, ring or grain keeps to its setting: absent at 0, as much skin as the plain way at 1."""

import itertools
from dataclasses import replace

import pytest
import torch
from torch import Tensor

from triage.hatchery import skin
from triage.hatchery.body import GIRTHS
from triage.hatchery.domains import VARIED
from triage.hatchery.hands import grain, strokes
from triage.hatchery.skin import PLAIN, Elements, Places, Textures, WhiteEdge, lateral_blotches, make_skin, skin_noise
from triage.hatchery.varied import own_elements

SIZE, SEEDS = (480, 96), torch.arange(8) + 5
STROKES = {
    "pin_lines": strokes.PINS, "web_lines": strokes.WEBS, "dorsal_stripe": strokes.DARK_STRIPES, "pale_stripe": strokes.PALE_STRIPES,
    "blotch_rings": strokes.RINGS,
}  # fmt: skip
TEXTURES = {"speckle": grain.SPECKLES, "belly_marks": grain.BELLIES, "mottle": grain.MOTTLES, "freckles": grain.FRECKLES}
WAYS = [(name, way) for name, ways in STROKES.items() for way in ways]
PLAINLY = {  # a wild type without spread
    "ground_melanin": 4.0, "blotch_melanin": 0.62, "ground_xanthin": 0.45, "blotch_xanthin": 0.8, "ground_erythrin": 0.4,
    "blotch_erythrin": 0.32, "melanin": 1.0, "xanthin": 1.0, "erythrin": 1.0, "lavender": 0.0, "leucism": 0.0, "contrast_loss": 0.0,
    "blotch_fill": 0.0, "blush": 0.07, "halo": 0.45, "rim": 0.35, "flank_paling": 0.42, "belly_edge": 0.315, "belly_checks": 0.25,
    "belly_tracks": 0.05, "flank_speckle": 0.08, "flank_white": 0.0, "freckles": 0.0, "unpigmented": 0.0, "dorsal_glow": 0.0,
    "blotch_count": 21.0, "blotch_width": 0.7, "blotch_top": 0.088, "blotch_eyes": 0.7, "single_eye": 0.1, "blotch_rings": 0.0,
    "dorsal_width": 0.03, "dorsal_length": 0.2, "dorsal_share": 0.82, "dorsal_dots": 0.0, "irregularity": 1.0, "edge_softness": 0.01,
    "reduction": 0.0, "dropped_columns": 0.0, "pin_lines": 0.0, "web_lines": 0.0, "dorsal_stripe": 0.0, "pale_stripe": 0.0,
    "banding": 0.0, "head_fade": 0.05, "head_dark": 0.0, "head_wash": 0.0, "head_mark": 0.0, "nose_spots": 0.1,
}  # fmt: skip


def settings(batch: int = len(SEEDS), **changed: float) -> dict[str, Tensor]:
    return {name: torch.full((batch, 1, 1), value) for name, value in {**PLAINLY, **changed}.items()}


def around(columns: int = SIZE[1]) -> Tensor:
    return ((torch.arange(columns) + 0.5) / columns - 0.5).view(1, 1, -1)


@pytest.fixture(scope="module")
def places() -> Places:
    noise = skin_noise(SEEDS, SIZE)
    s = ((torch.arange(SIZE[0]) + 0.5) / SIZE[0]).view(1, -1, 1)
    return Places(around(), *skin.warp(settings(), SEEDS, s, around(), noise, PLAIN), noise)


def blank(name: str, places: Places) -> Tensor:
    """Pale skin everywhere, or blotches with room for rings."""
    if name != "blotch_rings":
        return torch.full_like(places.along, 1.0)
    return 0.09 - ((places.along / 0.26).frac() - 0.5).abs() * 0.26


def darkened(name: str, way, places: Places, amount: float) -> Tensor:
    """Share of the pale skin that an element darkens, by animal."""
    pattern = blank(name, places)
    drawn = way(settings(**{name: amount}), SEEDS, pattern, places, PLAIN)
    return ((drawn < 0) & (pattern > 0)).float().mean((1, 2)) / (pattern > 0).float().mean((1, 2))


@pytest.mark.parametrize(("name", "way"), WAYS)
def test_nothing_is_drawn_without_the_setting(name, way, places):
    given = (settings(), SEEDS, around(), places.noise, PLAIN)
    plain, other = lateral_blotches(*given), lateral_blotches(*given, Elements(**{name: way}))
    assert torch.equal(plain.pattern, other.pattern)
    given = (settings(**{name: 1.0}), *given[1:])
    assert not torch.equal(lateral_blotches(*given).pattern, lateral_blotches(*given, Elements(**{name: way})).pattern)


@pytest.mark.parametrize(("name", "way"), WAYS)
def test_a_full_setting_covers_about_as_much_skin_as_the_plain_way(name, way, places):
    plain, own = (darkened(name, drawn, places, 1.0) for drawn in (getattr(skin, name), way))
    assert 0.75 < own.mean() / plain.mean() < 1.35
    assert own.min() > 0.5 * plain.mean() and own.max() < 1.6 * plain.mean()


@pytest.mark.parametrize(("name", "way"), WAYS)
def test_it_grows_with_the_setting(name, way, places):
    few, more, most = (darkened(name, way, places, amount).mean() for amount in (0.5, 0.8, 1.0))
    assert few < 0.9 * more and more < 0.95 * most


@pytest.mark.parametrize("name", STROKES)
def test_the_ways_of_an_element_differ(name, places):
    pattern = blank(name, places)
    drawn = [way(settings(**{name: 1.0}), SEEDS, pattern, places, PLAIN) < 0 for way in (getattr(skin, name), *STROKES[name])]
    for one, other in itertools.combinations(drawn, 2):
        assert (one != other).float().mean() > 0.2 * torch.minimum(one.float().mean(), other.float().mean())


@pytest.mark.parametrize("way", (skin.pale_stripe, *strokes.PALE_STRIPES))
def test_a_pale_stripe_is_whole(way, places):
    drawn = way(settings(pale_stripe=1.0), SEEDS, -torch.ones_like(places.along), places, PLAIN) > 0
    assert drawn.any(2).all()
    assert 0.07 < drawn.float().mean() < 0.11


@pytest.mark.parametrize("way", (skin.pin_lines, *strokes.PINS))
def test_pin_lines_stay_beside_the_spine(way, places):
    drawn = way(settings(pin_lines=1.0), SEEDS, torch.ones_like(places.along), places, PLAIN) < 0
    assert not drawn[..., around()[0, 0].abs() < 0.02].any() and not drawn[..., around()[0, 0].abs() > 0.20].any()
    assert drawn.any(2).float().mean() > 0.85


@pytest.mark.parametrize("way", (skin.web_lines, *strokes.WEBS))
def test_a_web_reaches_from_the_spine_down_both_flanks(way, places):
    drawn = (way(settings(web_lines=1.0), SEEDS, torch.ones_like(places.along), places, PLAIN) < 0).float()
    v = around()[0, 0]
    for low, high in ((-0.22, -0.12), (-0.05, 0.05), (0.12, 0.22)):
        assert 0.05 < drawn[..., (v > low) & (v < high)].mean() < 0.3
    assert not drawn[..., v.abs() > 0.40].any()


@pytest.mark.parametrize("way", (skin.dorsal_stripe, *strokes.DARK_STRIPES))
def test_a_dark_stripe_lies_on_the_spine(way, places):
    drawn = (way(settings(dorsal_stripe=1.0), SEEDS, torch.ones_like(places.along), places, PLAIN) < 0).float()
    v = around()[0, 0].abs()
    assert drawn[..., v < 0.04].mean() > 0.7 and drawn[..., v > 0.20].mean() < 0.01


@pytest.mark.parametrize("name", TEXTURES)
def test_textures_differ_and_weigh_as_much_as_the_plain_one(name, places):
    look = settings(freckles=0.4, belly_tracks=0.5)
    drawn = []
    for way in (getattr(skin, name), *TEXTURES[name]):
        given = (PLAIN.check,) if name == "belly_marks" else ()
        found = way(look, SEEDS, places, *given)
        drawn.append(found if isinstance(found, tuple) else (found,))
    for other in drawn[1:]:
        for plain, own in zip(drawn[0], other, strict=True):
            assert 0.6 < own.square().mean().sqrt() / plain.square().mean().sqrt() < 1.6
    for one, other in itertools.combinations(drawn, 2):
        assert (one[0] - other[0]).abs().mean() > 0.1 * one[0].abs().mean()


def test_no_freckles_and_no_track_without_their_settings(places):
    look = settings(freckles=0.0, belly_tracks=0.0)
    assert not any(way(look, SEEDS, places).any() for way in grain.FRECKLES)
    assert not any(way(look, SEEDS, places, PLAIN.check)[2].any() for way in grain.BELLIES)


def test_warps_and_edges_differ_and_are_about_as_strong_as_the_plain_ones(places):
    s = ((torch.arange(SIZE[0]) + 0.5) / SIZE[0]).view(1, -1, 1)
    moved = []
    for way in (skin.warp, *grain.WARPS):
        along, across = way(settings(), SEEDS, s, around(), places.noise, PLAIN)
        still = way(settings(irregularity=0.0), SEEDS, s, around(), places.noise, PLAIN)
        assert (still[0] == s * GIRTHS).all() and (still[1] == around()).all()
        moved.append(across - around())
        assert 0.01 < (along - s * GIRTHS).std() < 0.06 and 0.006 < moved[-1].std() < 0.02
    edges = [way(settings(), SEEDS, places, PLAIN) for way in (skin.roughness, *grain.EDGES)]
    for edge in edges:
        assert 0.001 < edge.std() < 0.005
    for one, other in (*itertools.combinations(moved, 2), *itertools.combinations(edges, 2)):
        assert (one - other).std() > 0.25 * one.std()


def test_white_edges_of_the_animals_own_leave_as_much_skin_white():
    noise = skin_noise(SEEDS, SIZE)
    s, va = ((torch.arange(SIZE[0]) + 0.5) / SIZE[0]).view(1, -1, 1), around().abs()
    for name in ("unpigmented", "flank_white"):
        bare = [skin._unpigmented(settings(**{name: 0.5}), SEEDS, s, va, noise, SIZE, edge)
                for edge in (WhiteEdge(), *(grain.own_white_edge(SEEDS + start) for start in (0, 100)))]  # fmt: skip
        assert (skin._unpigmented(settings(), SEEDS, s, va, noise, SIZE, grain.own_white_edge(SEEDS)) == 1).all()
        for own in bare[1:]:
            assert (own.mean() - bare[0].mean()).abs() < 0.04 and (own - bare[0]).abs().mean() > 0.01


def test_every_hand_is_taken_by_some_animals_and_each_element_draws_for_itself():
    """Pattern of all elements at once: as many combinations as animals, and the plain way among the hands."""
    seeds, size = torch.arange(40), (96, 32)
    noise, look = skin_noise(seeds, size), settings(40, **dict.fromkeys(STROKES, 1.0))
    place = Places(around(32), torch.rand(40, *size, generator=torch.Generator().manual_seed(1)) * GIRTHS,
                   around(32).expand(40, *size), noise)  # fmt: skip
    elements, hands = own_elements(seeds), []
    for name, ways in STROKES.items():
        pattern = blank(name, place)
        drawn = getattr(elements, name)(look, seeds, pattern, place, PLAIN)
        choices = torch.stack([way(look, seeds, pattern, place, PLAIN) for way in (getattr(skin, name), *ways)], 1)
        same = (choices == drawn[:, None]).all(3).all(2)
        assert (same.sum(1) == 1).all() and same.any(0).all()
        hands.append(same.long().argmax(1))
    assert len({tuple(row) for row in torch.stack(hands, 1).tolist()}) > 30


def test_a_skin_does_not_depend_on_its_batch():
    seeds = torch.arange(6) + 40
    look = {name: value[:, 0, 0] for name, value in settings(6).items()}
    for row, name in enumerate(("pin_lines", "web_lines", "dorsal_stripe", "pale_stripe", "blotch_rings", "unpigmented")):
        look[name][row] = look[name][row - 1] = 0.9
    look["freckles"] = look["flank_white"] = torch.full((6,), 0.3)
    together = make_skin(look, seeds, (160, 48), VARIED.draw_markings)
    for row in range(6):
        one = {name: value[row : row + 1] for name, value in look.items()}
        alone = make_skin(one, seeds[row : row + 1], (160, 48), VARIED.draw_markings)
        assert torch.equal(alone[0], together[row])


@pytest.mark.parametrize("part", ("head", "white_edge"))
def test_numbers_of_the_plain_head_and_edge_given_per_animal_change_nothing(part):
    """A head of numbers (B, 1, 1) is drawn as the plain one when they are the plain numbers, and otherwise when they are not."""
    look = {name: value[:, 0, 0] for name, value in settings(unpigmented=0.5, head_mark=0.5).items()}
    numbers = getattr(Textures(), part)
    same = replace(numbers, **{k: torch.full((len(SEEDS), 1, 1), x) for k, x in vars(numbers).items() if x is not None})
    other = {"head": grain.own_head, "white_edge": grain.own_white_edge}[part](SEEDS)

    def drawn(value) -> Tensor:
        elements = Elements(textures=Textures(**{part: value}))
        return make_skin(look, SEEDS, (160, 48), lambda q, seeds, v, noise: lateral_blotches(q, seeds, v, noise, elements=elements))

    plain = make_skin(look, SEEDS, (160, 48))
    assert torch.allclose(drawn(same), plain, atol=1e-5) and (drawn(other) - plain).abs().max() > 0.1
