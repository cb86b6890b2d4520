"""The laws of mixing pigments agree on what a pigment does, and on how much of it is how dark."""

import itertools

import pytest
import torch

from triage.hatchery.hands.washes import cover, crowded, layers, spectra
from triage.hatchery.skin import WHITE
from triage.hatchery.varied import any_order

LAWS = [cover, layers, spectra, crowded]
ANIMALS = 200
SEEDS = torch.arange(ANIMALS) + 3
LUMINANCE = torch.tensor([0.2126, 0.7152, 0.0722])


def seen(law, melanin=0.0, xanthin=0.0, erythrin=0.0, lavender=0.0, seeds=SEEDS) -> torch.Tensor:
    """Reflectance (B, 3) of skin with the same pigments on every animal."""
    planes = [torch.full((len(seeds), 1, 1), float(amount)) for amount in (melanin, xanthin, erythrin, lavender)]
    return law(*planes, seeds)[..., 0, 0]


def luminance(colour: torch.Tensor) -> torch.Tensor:
    return (colour * LUMINANCE).sum(-1)


@pytest.mark.parametrize("law", LAWS)
def test_skin_without_pigment_is_near_white(law):
    bare = seen(law)
    assert (bare - torch.tensor(WHITE)).abs().max() < 0.04
    assert (seen(law, lavender=1.0) == bare).all()


@pytest.mark.parametrize("law", LAWS)
def test_more_pigment_is_never_lighter_and_light_stays_within_bounds(law):
    amounts = torch.linspace(0, 9, 91).view(1, 1, -1).expand(ANIMALS, -1, -1)
    none, some = torch.zeros_like(amounts), torch.full_like(amounts, 0.4)
    for lavender in (0.0, 0.5, 1.0):
        purple = torch.full((ANIMALS, 1, 1), lavender)
        for rest, place in itertools.product((none, some), range(3)):
            pigments = [rest] * 3
            pigments[place] = amounts
            light = law(*pigments, purple, SEEDS)
            assert (light.diff(dim=-1) <= 1e-6).all() and light.min() > 0 and light.max() < 1
            assert (light[..., 0] > light[..., 20]).all()


@pytest.mark.parametrize("law", LAWS)
def test_depth_one_is_about_as_dark_as_by_the_first_law(law):
    for pigments in ({"melanin": 1.0}, {"xanthin": 1.0}, {"erythrin": 1.0}, {"melanin": 1.0, "lavender": 1.0},
                     {"melanin": 0.62, "xanthin": 0.8, "erythrin": 0.32}):  # fmt: skip
        ratio = luminance(seen(law, **pigments)).mean() / luminance(seen(any_order, **pigments)).mean()
        assert 0.8 < ratio < 1.2
    assert luminance(seen(law, melanin=4.0, xanthin=0.45, erythrin=0.4)).max() < 0.09  # the ground is dark on every animal


@pytest.mark.parametrize("law", LAWS)
def test_hues(law):
    red, green, blue = seen(law, xanthin=1.0).unbind(1)
    assert (red > green).all() and (green > 2 * blue).all() and (green > 0.65 * red).all()  # yellow
    orange = seen(law, erythrin=1.0)
    assert (orange[:, 0] > 1.5 * orange[:, 1]).all() and orange[:, 1].mean() > 1.1 * orange[:, 2].mean()
    assert (orange[:, 1] < 0.75 * seen(law, xanthin=1.0)[:, 1]).all()  # redder than yellow
    brown = seen(law, melanin=1.0).mean(0)
    assert brown[0] > brown[1] > brown[2]
    lilac = seen(law, melanin=1.0, lavender=1.0)
    assert (lilac[:, 2] > lilac[:, 1]).all() and (lilac[:, 0] > lilac[:, 1]).all()


@pytest.mark.parametrize("law", LAWS)
def test_an_animal_keeps_its_colours_in_any_company(law):
    planes = [torch.rand(4, 5, 3, generator=torch.Generator().manual_seed(2)) * 3 for _ in range(3)]
    lavender, seeds = torch.tensor([0.0, 0.3, 1.0, 0.0]).view(4, 1, 1), torch.tensor([1, 2**40, 7, 9])
    together = law(*planes, lavender, seeds)
    assert together.shape == (4, 3, 5, 3)
    for row in range(4):
        one = slice(row, row + 1)
        assert torch.equal(together[one], law(*(plane[one] for plane in planes), lavender[one], seeds[one]))
    assert (seen(law, melanin=1.0).std(0) > 0.01).all()  # no two animals are alike


def test_the_laws_differ():
    amounts = torch.linspace(0, 4, 9)
    shown = [
        torch.stack([seen(law, melanin=m, xanthin=0.3 * m).mean(0) for m in amounts]) for law in (any_order, *LAWS)
    ]
    for one, other in itertools.combinations(shown, 2):
        assert (one - other).abs().max() > 0.01
