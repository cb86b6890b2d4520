"""Every way of drawing blotches and spinal marks keeps to the settings: how many, how wide, how high, how many with spots."""

import itertools

import numpy as np
import pytest
import torch
from scipy.signal import find_peaks

from triage.hatchery.body import GIRTHS
from triage.hatchery.hands.outlines import cells, columns, shreds
from triage.hatchery.hands.patches import beads, gaps, islands, lozenges
from triage.hatchery.skin import Style, blotches, spinal_marks
from triage.hatchery.varied import _HAND_FACTORS, _HAND_SHIFTS, own_hand, own_reach

ROWS, COLUMNS, ANIMALS = 1200, 120, 12
OUTLINES = [blotches, cells, columns, islands, gaps, beads]
MARKS = [spinal_marks, shreds, lozenges]
PLAIN = {
    "blotch_count": 20.0, "blotch_width": 0.6, "blotch_top": 0.09, "blotch_eyes": 0.0, "single_eye": 0.0, "belly_edge": 0.32,
    "banding": 0.0, "dropped_columns": 0.0, "dorsal_width": 0.03, "dorsal_length": 0.2, "dorsal_share": 0.8, "dorsal_dots": 0.0,
}  # fmt: skip
#: Other settings that a hand takes in its own way.
EXTRAS = {"irregularity": 1.0, "edge_softness": 0.01, "pin_lines": 0.0, "web_lines": 1.0, "blotch_rings": 0.0, "reduction": 0.02}
#: Nothing of the animal's own, so that the settings alone can be seen.
EXACT = Style(shift=0.0, width=0.0, top=0.0)


def drawn(way, style: Style = EXACT, **settings: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Pale and dark fields (ANIMALS, ROWS, COLUMNS) and the distance from the spine of each column."""
    look = {name: torch.full((ANIMALS, 1, 1), value) for name, value in {**PLAIN, **settings}.items()}
    s = (torch.arange(ROWS) + 0.5) / ROWS
    v = ((torch.arange(COLUMNS) + 0.5) / COLUMNS - 0.5).view(1, 1, -1)
    along = (s * GIRTHS).view(1, -1, 1).expand(ANIMALS, -1, COLUMNS)
    across = v.expand(ANIMALS, ROWS, -1)
    seeds = torch.arange(ANIMALS) + 7
    given = (across,) if way in MARKS else (v, across.abs())
    pale, dark = way(look, seeds, along, *given, style)
    return pale.numpy(), dark.numpy(), v.flatten().numpy()


@pytest.mark.parametrize("way", OUTLINES)
def test_as_many_blotches_a_side_as_set(way):
    for count in (14.0, 26.0):
        pale, _, v = drawn(way, blotch_count=count)
        flank = np.abs(v - 0.2).argmin()
        for animal in range(ANIMALS):
            peaks, _ = find_peaks(pale[animal, :, flank], prominence=0.01)
            assert abs(len(peaks) - count / 0.86) <= 1.5  # the table of blotches has `count` on 86 % of the body


@pytest.mark.parametrize("way", OUTLINES)
def test_wider_blotches_leave_less_ground_and_lost_columns_none(way):
    _, _, v = drawn(way)
    flank = (v > 0.12) & (v < 0.28)
    shares = [(drawn(way, blotch_width=width)[0][..., flank] > 0).mean() for width in (0.3, 0.5, 0.7, 0.9)]
    assert (np.diff(shares) > 0.15).all()
    assert (drawn(way, dropped_columns=1.0)[0][..., flank] > 0).mean() > shares[1] + 0.2


@pytest.mark.parametrize("way", OUTLINES)
def test_blotches_end_where_set(way):
    for top in (0.05, 0.13):
        pale, _, v = drawn(way, blotch_top=top)
        shown = (pale > 0).any((0, 1))
        assert abs(np.abs(v[shown]).min() - top) < 0.03


@pytest.mark.parametrize("way", OUTLINES)
def test_spots_in_as_many_blotches_as_set(way):
    shares = [(drawn(way, blotch_eyes=eyes)[1] > 0).mean() for eyes in (0.0, 0.4, 0.9)]
    assert shares[0] == 0 and 0 < shares[1] < 0.7 * shares[2]


@pytest.mark.parametrize("way", MARKS)
def test_spinal_marks_follow_their_width_length_and_share(way):
    def share(**settings: float) -> float:
        pale, _, _ = drawn(way, **settings)
        return float((pale > 0).mean())

    plain = share()
    assert share(dorsal_width=0.06) > 1.6 * plain
    assert share(dorsal_length=0.6) > 1.2 * plain
    assert share(dorsal_share=0.3) < 0.7 * plain
    assert share(dorsal_width=0.0) == 0
    _, dots, v = drawn(way, dorsal_dots=0.5)
    assert (dots[..., np.abs(v) < 0.02] > 0).any() and not (dots[..., np.abs(v) > 0.05] > 0).any()
    assert not (drawn(way)[1] > 0).any()


def test_the_ways_differ():
    shown = [drawn(way, Style())[0] > 0 for way in OUTLINES]
    for one, other in itertools.combinations(shown, 2):
        assert (one != other).mean() > 0.03


def test_a_hand_of_the_animals_own_keeps_what_is_absent_absent_and_shares_within_bounds():
    look = {name: torch.full((400, 1, 1), value) for name, value in {**PLAIN, **EXTRAS}.items()}
    taken = own_hand(look, torch.arange(400))
    for name, factor in _HAND_FACTORS.items():
        spread = (taken[name] / look[name]).log().std() if look[name].any() else taken[name].abs().max()
        assert spread == pytest.approx(factor if look[name].any() else 0.0, rel=0.15)
    for name, shift in _HAND_SHIFTS.items():
        if look[name].any():
            assert 0.5 * shift < (taken[name] - look[name]).std() < 1.15 * shift
        else:
            assert not taken[name].any()
    for name in ("dorsal_share", "blotch_eyes"):
        assert taken[name].min() >= 0 and taken[name].max() <= 1
    assert {name for name in look if not torch.equal(look[name], taken[name])} <= {*_HAND_FACTORS, *_HAND_SHIFTS}


def test_the_reach_of_a_field_changes_its_depth_and_no_edge():
    pattern = torch.linspace(-0.3, 0.3, 601).view(1, 1, -1).expand(300, 1, -1)
    reached = own_reach(pattern, torch.arange(300))
    assert torch.equal(reached.sign(), pattern.sign()) and (reached.diff(dim=2) >= 0).all()
    deepest = reached[..., -1].flatten()
    level = deepest < 0.201  # those that level off do so within 0.02 to 0.2 girths
    assert 0.35 < level.float().mean() < 0.65 and deepest.min() >= 0.0199
    assert deepest[~level].min() > 0.3 * 0.70 and deepest[~level].max() < 0.3 * 1.43
