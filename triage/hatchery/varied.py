"""The training domain let loose: every animal drawn by its own variant of the generator, pigments and camera.

Trained on beside the plain training domain, so that what is learnt is what a gene does and not how one generator draws
it. Nothing is taken from the shifted domain: no wave, no rational law, none of its grounds and cameras.
"""

from collections.abc import Callable, Sequence
from dataclasses import is_dataclass, replace

import torch
from torch import Tensor

from triage.hatchery import draws, skin
from triage.hatchery.fields import noise_plane, plane_mean
from triage.hatchery.hands import washes
from triage.hatchery.hands.bands import facets, limbs, lobes, scallops
from triage.hatchery.hands.grain import BELLIES, EDGES, FRECKLES, MOTTLES, SPECKLES, WARPS, own_head, own_white_edge
from triage.hatchery.hands.outlines import cells, columns, shreds
from triage.hatchery.hands.patches import beads, gaps, islands, lozenges
from triage.hatchery.hands.spines import drops, margins
from triage.hatchery.hands.strokes import DARK_STRIPES, PALE_STRIPES, PINS, RINGS, WEBS
from triage.hatchery.response import expose, to_linear
from triage.hatchery.skin import (
    BROWN,
    ERYTHRIN,
    LAVENDER,
    SHOWN,
    WHITE,
    XANTHIN,
    Elements,
    Markings,
    Noise,
    Style,
    Textures,
    blotches,
    lateral_blotches,
    ramp,
    spinal_marks,
)  # fmt: skip

(_SALT_STYLE, _SALT_PIGMENT, _SALT_GROUND, _SALT_LOW, _SALT_FINE, _SALT_LAMPS, _SALT_OUTLINES, _SALT_MARKS, _SALT_HAND,
 _SALT_REACH) = range(1301, 1311)  # fmt: skip
(_SALT_WARPS, _SALT_EDGES, _SALT_RINGS, _SALT_PALE_STRIPES, _SALT_WEBS, _SALT_DARK_STRIPES, _SALT_PINS, _SALT_SPECKLES,
 _SALT_BELLIES, _SALT_MOTTLES, _SALT_FRECKLES, _SALT_LAWS) = range(1681, 1693)  # fmt: skip
#: How far one hand's rendering of a setting may lie from another's: standard deviation of its logarithm, or of itself.
_HAND_FACTORS = {
    "blotch_width": 0.13, "blotch_count": 0.07, "dorsal_width": 0.20, "irregularity": 0.30, "edge_softness": 0.30, "pin_lines": 0.15,
    "web_lines": 0.08, "blotch_rings": 0.15,
}  # fmt: skip
_HAND_SHIFTS = {
    "blotch_top": 0.016, "dorsal_length": 0.10, "dorsal_share": 0.10, "blotch_eyes": 0.09, "belly_edge": 0.010, "reduction": 0.003,
}  # fmt: skip


def own_style(animal_seeds: Tensor) -> Style:
    """A `Style` per animal, each number uniform on a range around the plain one."""
    u = draws.uniform(animal_seeds, _SALT_STYLE, 12)[..., None]
    ranges = {
        "shift": (0.04, 0.24), "width": (0.06, 0.32), "top": (0.010, 0.040), "waist": (0.10, 0.62), "flare": (0.10, 0.90),
        "spot": (0.20, 0.42), "spot_height": (0.30, 0.52), "warp": (0.4, 2.0), "rough": (0.3, 2.5), "spacing": (0.25, 0.45),
        "stripe": (0.036, 0.058), "check": (42.0, 78.0),
    }  # fmt: skip
    return Style(**{name: low + (high - low) * u[:, place] for place, (name, (low, high)) in enumerate(ranges.items())})


def _by_hand(
    hands: Sequence[Callable], animal_seeds: Tensor, salt: int, uses: Sequence[str] | None = None, stroke: bool = False
) -> Callable:
    """One way of drawing out of several ways, each animal by the one its seed says.

    `uses`: the settings that the hands look at, None for all. A `stroke` looks at one setting, and an animal that has no more
    than `SHOWN` of it keeps the pattern, the first thing given, as it is.
    """
    hand = (draws.uniform(animal_seeds, salt, 1)[:, 0] * len(hands)).long()

    def draw(look: dict[str, Tensor], seeds: Tensor, *given: object) -> Tensor | tuple[Tensor, ...]:
        look = look if uses is None else {name: look[name] for name in uses}
        chosen = torch.where(look[uses[0]].flatten() > SHOWN, hand, -1) if stroke else hand
        numbers = set(chosen.tolist())
        if numbers == {-1}:
            return given[0]
        if len(numbers) == 1:
            return hands[numbers.pop()](look, seeds, *given)
        found = (given[0].clone(),) if stroke else None
        for number in sorted(numbers - {-1}):
            rows = (chosen == number).nonzero()[:, 0]
            part = hands[number](_rows(look, rows), seeds[rows], *(_rows(x, rows) for x in given))
            single = isinstance(part, Tensor)
            part = (part,) if single else part
            found = found or tuple(values.new_empty(len(seeds), *values.shape[1:]) for values in part)
            for values, some in zip(found, part, strict=True):
                values[rows] = some
        return found[0] if single else found

    return draw


def _rows(given, rows: Tensor):
    """The animals `rows` alone of a tensor, or of all tensors in a dictionary or dataclass; one row stands for all animals."""
    if isinstance(given, Tensor):
        return given if len(given) == 1 else given[rows]
    if isinstance(given, dict):
        return {name: _rows(value, rows) for name, value in given.items()}
    return type(given)(**_rows(vars(given), rows)) if is_dataclass(given) else given


def own_hand(look: dict[str, Tensor], animal_seeds: Tensor) -> dict[str, Tensor]:
    """The settings as a hand of the animal's own takes them: a little wider, higher, softer or fewer than written.

    What is absent stays absent, and shares stay within 0..1. `look` holds (B, 1, 1) each.
    """
    names = (*_HAND_FACTORS, *_HAND_SHIFTS)
    z = draws.normal(animal_seeds, _SALT_HAND, len(names))[..., None, None]
    taken = dict(look)
    for place, name in enumerate(names):
        if name in _HAND_FACTORS:
            taken[name] = look[name] * torch.exp(_HAND_FACTORS[name] * z[:, place])
        else:
            taken[name] = look[name] + _HAND_SHIFTS[name] * z[:, place] * (look[name] != 0)
    for name in ("dorsal_share", "blotch_eyes"):
        taken[name] = taken[name].clamp(0, 1)
    taken["blotch_top"] = taken["blotch_top"].clamp(min=0)
    return taken


def own_reach(pattern: Tensor, animal_seeds: Tensor) -> Tensor:
    """The signed field (B, S, P) as deep as a hand of the animal's own makes it: how far rims, halos and hazes reach inwards.

    Edges stay where they are. Half of the fields level off, at 0.02 to 0.2 girths from the edge.
    """
    u = draws.uniform(animal_seeds, _SALT_REACH, 3)[..., None, None]
    steep = torch.exp(0.7 * (u[:, 0] - 0.5))
    level = 0.02 * 10 ** u[:, 1]
    return torch.where(u[:, 2] < 0.5, level * torch.tanh(steep * pattern / level), steep * pattern)


def own_elements(animal_seeds: Tensor) -> Elements:
    """How each element of the pattern is drawn: in one of several ways, each element by a draw of its own."""
    textures = Textures(
        speckle=_by_hand((skin.speckle, *SPECKLES), animal_seeds, _SALT_SPECKLES, ()),
        belly_marks=_by_hand((skin.belly_marks, *BELLIES), animal_seeds, _SALT_BELLIES, ("belly_tracks",)),
        mottle=_by_hand((skin.mottle, *MOTTLES), animal_seeds, _SALT_MOTTLES, ()),
        freckles=_by_hand((skin.freckles, *FRECKLES), animal_seeds, _SALT_FRECKLES, ("freckles",)),
        head=own_head(animal_seeds),
        white_edge=own_white_edge(animal_seeds),
    )

    def stroke(name: str, further: Sequence[Callable], salt: int) -> Callable:
        return _by_hand((getattr(skin, name), *further), animal_seeds, salt, (name,), stroke=True)

    return Elements(
        warp=_by_hand((skin.warp, *WARPS), animal_seeds, _SALT_WARPS, ("irregularity",)),
        roughness=_by_hand((skin.roughness, *EDGES), animal_seeds, _SALT_EDGES, ()),
        blotches=_by_hand(
            (blotches, cells, columns, islands, gaps, beads, facets, lobes, limbs, scallops), animal_seeds, _SALT_OUTLINES
        ),
        marks=_by_hand((spinal_marks, shreds, lozenges, drops, margins), animal_seeds, _SALT_MARKS),
        blotch_rings=stroke("blotch_rings", RINGS, _SALT_RINGS),
        pale_stripe=stroke("pale_stripe", PALE_STRIPES, _SALT_PALE_STRIPES),
        web_lines=stroke("web_lines", WEBS, _SALT_WEBS),
        dorsal_stripe=stroke("dorsal_stripe", DARK_STRIPES, _SALT_DARK_STRIPES),
        pin_lines=stroke("pin_lines", PINS, _SALT_PINS),
        textures=textures,
    )


def own_blotches(q: dict[str, Tensor], animal_seeds: Tensor, v: Tensor, noise: Noise) -> Markings:
    """The training domain's generator in a style of the animal's own, each element drawn in one of several ways."""
    look, style = own_hand(q, animal_seeds), own_style(animal_seeds)
    drawn = lateral_blotches(look, animal_seeds, v, noise, style, own_elements(animal_seeds))
    return replace(drawn, pattern=own_reach(drawn.pattern, animal_seeds))


def own_pigments(
    melanin: Tensor, xanthin: Tensor, erythrin: Tensor, lavender: Tensor, animal_seeds: Tensor
) -> Tensor:
    """Reflectance (B, 3, S, P) by one of five laws, constants and all the animal's own."""
    laws = (any_order, washes.cover, washes.layers, washes.spectra, washes.crowded)
    hands = [lambda pigments, seeds, law=law: law(**pigments, animal_seeds=seeds) for law in laws]
    pigments = {"melanin": melanin, "xanthin": xanthin, "erythrin": erythrin, "lavender": lavender}
    return _by_hand(hands, animal_seeds, _SALT_LAWS)(pigments, animal_seeds)


def any_order(
    melanin: Tensor, xanthin: Tensor, erythrin: Tensor, lavender: Tensor, animal_seeds: Tensor
) -> Tensor:
    """White * (1 + depth / k)**-k with k and the absorptions drawn per animal; k to infinity is the law of Beer and Lambert."""
    z = draws.normal(animal_seeds, _SALT_PIGMENT, 12)[..., None, None]
    u = draws.uniform(animal_seeds, _SALT_PIGMENT + 50, 4)[..., None, None]
    order = 3.0 + 12.0 * u[:, 0] ** 2
    amount = torch.exp(0.12 * z[:, 9])
    planes = []
    for channel in range(3):
        brown, lilac = BROWN[channel] * torch.exp(0.06 * z[:, channel]), LAVENDER[channel] * torch.exp(0.06 * z[:, channel])
        depth = melanin * amount * (brown + (lilac - brown) * lavender)
        depth = depth + xanthin * XANTHIN[channel] * torch.exp(0.15 * z[:, 3 + channel])
        depth = depth + erythrin * ERYTHRIN[channel] * torch.exp(0.15 * z[:, 6 + channel])
        planes.append((WHITE[channel] + 0.03 * (u[:, 1] - 0.5)) * (1 + depth.clamp(min=0) / order) ** -order)
    return torch.stack(planes, 1)


def clouds(ground: Tensor, photo_seeds: Tensor) -> Tensor:
    """Any surface with soft patches of any two colours."""
    size = ground.shape[-1]
    u = draws.uniform(photo_seeds, _SALT_GROUND, 10)[..., None, None]
    low = noise_plane(photo_seeds, _SALT_LOW, 2, (6, 6), (size, size))
    fine = noise_plane(photo_seeds, _SALT_FINE, 1, (size // 3, size // 3), (size, size))
    first, second = to_linear(0.08 + 0.87 * u[:, 0:3]), to_linear(0.08 + 0.87 * u[:, 3:6])
    mix = ramp(-0.2 - u[:, 6:7], 0.2 + u[:, 6:7], low[:, :1])
    return ((first + (second - first) * mix) * (1 + 0.12 * u[:, 7:8] * fine + 0.1 * low[:, 1:])).clamp(0.01, 0.95)


def mesh(ground: Tensor, photo_seeds: Tensor) -> Tensor:
    """Any mat or board with a regular grain: two crossed gratings of any rate."""
    size = ground.shape[-1]
    u = draws.uniform(photo_seeds, _SALT_GROUND, 12)[..., None, None]
    angle = u[:, 0] * 2 * torch.pi
    x = ground[:, 0] * angle.cos() + ground[:, 1] * angle.sin()
    y = ground[:, 1] * angle.cos() - ground[:, 0] * angle.sin()
    low = noise_plane(photo_seeds, _SALT_LOW, 1, (6, 6), (size, size))[:, 0]
    first = torch.sin(x * (20 + 180 * u[:, 1]) + 1.5 * low)
    second = torch.sin(y * (20 + 180 * u[:, 2]) + 1.5 * low) * (u[:, 3] < 0.5)
    base, other = to_linear(0.08 + 0.87 * u[:, 4:7]), to_linear(0.08 + 0.87 * u[:, 7:10])
    mix = (0.5 + 0.25 * (first + second))[:, None] * u[:, 10:11]
    return ((base + (other - base) * mix) * (1 + 0.08 * low[:, None])).clamp(0.01, 0.95)


def any_camera(light: Tensor, photo_seeds: Tensor) -> Tensor:
    """The training camera with half as much again of every variation, behind a second lamp of another colour."""
    z = draws.normal(photo_seeds, _SALT_LAMPS, 3)[..., None, None, None]
    tint = torch.cat([torch.exp(0.16 * z[:, 0]), torch.exp(0.05 * z[:, 1]), torch.exp(-0.16 * z[:, 0])], 1)
    haze = 0.05 * z[:, 2].clamp(min=0) * plane_mean(light)
    return expose(light * tint + haze, photo_seeds, 1.5)
