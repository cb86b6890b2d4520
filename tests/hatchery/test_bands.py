"""The further ways of drawing blotches and spinal marks keep to the settings, beside the plain way and by themselves."""

import itertools

import numpy as np
import pytest
import torch
from scipy.signal import find_peaks

from triage.hatchery.body import GIRTHS
from triage.hatchery.hands import spines
from triage.hatchery.hands.bands import facets, limbs, lobes, scallops
from triage.hatchery.hands.outlines import cells, columns
from triage.hatchery.hands.patches import beads, gaps, islands, lozenges
from triage.hatchery.hands.spines import drops, margins
from triage.hatchery.skin import Style, blotches, spinal_marks

ROWS, COLUMNS, ANIMALS = 900, 100, 10
HANDS = [facets, lobes, limbs, scallops]
MARKS = [drops, margins]
PLAIN = {
    "blotch_count": 20.0, "blotch_width": 0.6, "blotch_top": 0.09, "blotch_eyes": 0.0, "single_eye": 0.0, "belly_edge": 0.32,
    "banding": 0.0, "dropped_columns": 0.0, "dorsal_width": 0.03, "dorsal_length": 0.2, "dorsal_share": 0.8, "dorsal_dots": 0.0,
}  # fmt: skip
#: Nothing of the animal's own, so that the settings alone can be seen.
EXACT = Style(shift=0.0, width=0.0, top=0.0)
V = ((torch.arange(COLUMNS) + 0.5) / COLUMNS - 0.5).numpy()
FLANK = (V > 0.12) & (V < 0.28)


def fields(way, seeds: torch.Tensor, style: Style = EXACT, **settings: float | list[float]) -> tuple[torch.Tensor, torch.Tensor]:
    """Pale and dark fields (B, ROWS, COLUMNS) of animals with these seeds; a setting is one number, or one an animal."""
    batch = len(seeds)
    look = {name: torch.tensor(value).expand(batch).reshape(batch, 1, 1) for name, value in {**PLAIN, **settings}.items()}
    along = ((torch.arange(ROWS) + 0.5) / ROWS * GIRTHS).view(1, -1, 1).expand(batch, -1, COLUMNS)
    v = torch.from_numpy(V).view(1, 1, -1)
    across = v.expand(batch, ROWS, -1)
    given = (across,) if way in (*MARKS, spinal_marks, lozenges) else (v, across.abs())
    return way(look, seeds, along, *given, style)


def drawn(way, style: Style = EXACT, **settings: float) -> tuple[np.ndarray, np.ndarray]:
    pale, dark = fields(way, torch.arange(ANIMALS) + 7, style, **settings)
    return pale.numpy(), dark.numpy()


def cover(way, style: Style = EXACT, **settings: float) -> float:
    """Share of the flank that is pale."""
    return float((drawn(way, style, **settings)[0][..., FLANK] > 0).mean())


@pytest.mark.parametrize("way", HANDS)
def test_as_many_blotches_a_side_as_set(way):
    for count in (14.0, 26.0):
        pale, _ = drawn(way, blotch_count=count)
        for side in (-0.2, 0.2):
            line = pale[..., np.abs(V - side).argmin()]
            found = np.array([len(find_peaks(one, prominence=0.01)[0]) for one in line])
            assert abs(found.mean() - count / 0.86) < 1.0  # the table of blotches has `count` on 86 % of the body
            assert np.abs(found - count / 0.86).max() < 3


@pytest.mark.parametrize("way", HANDS)
def test_the_flank_is_as_pale_as_set(way):
    for width in (0.3, 0.5, 0.7, 0.9):
        assert abs(cover(way, blotch_width=width) - width) < 0.06
        # the plain way rounds its blotches off and waists them, so it stays up to a sixth of the flank behind
        assert -0.03 < cover(way, blotch_width=width) - cover(blotches, blotch_width=width) < 0.18
        assert abs(cover(way, Style(), blotch_width=width) - width) < 0.08


@pytest.mark.parametrize("way", HANDS)
def test_lost_columns_leave_no_ground(way):
    shares = [cover(way, dropped_columns=lost) for lost in (0.0, 0.4, 1.0)]
    assert shares[0] + 0.05 < shares[1] < shares[2] - 0.05
    joined = drawn(way, dropped_columns=1.0)[0][..., (np.abs(V) > 0.11) & (np.abs(V) < 0.30)]
    assert (joined > 0).mean() > 0.995


@pytest.mark.parametrize("way", HANDS)
def test_blotches_end_where_set(way):
    for top in (0.05, 0.13):
        shown = (drawn(way, blotch_top=top)[0] > 0).any((0, 1))
        assert abs(np.abs(V[shown]).min() - top) < 0.02


@pytest.mark.parametrize("way", HANDS)
def test_bands_are_in_register_and_meet_over_the_back(way):
    pale, _ = drawn(way, Style(), banding=1.0, blotch_top=-0.06)
    assert np.allclose(pale, pale[..., ::-1], atol=1e-4)
    spine = (pale[..., COLUMNS // 2] > 0).mean()
    assert 0.25 < spine < 0.85
    apart, _ = drawn(way, Style())
    assert ((apart > 0) != (apart[..., ::-1] > 0)).mean() > 0.02 and (apart[..., COLUMNS // 2] > 0).mean() < 0.02


@pytest.mark.parametrize("way", HANDS)
def test_spots_in_as_many_blotches_as_set(way):
    shares = [(drawn(way, blotch_eyes=eyes)[1] > 0).mean() for eyes in (0.0, 0.4, 0.9)]
    assert shares[0] == 0 and 0.3 < shares[1] / shares[2] < 0.6
    pale, dark = drawn(way, blotch_eyes=0.9)
    assert ((dark > 0) & (pale > -0.011)).sum() == (dark > 0).sum()


@pytest.mark.parametrize("way", HANDS)
def test_two_spots_a_blotch_or_one(way):
    def spots(single: float) -> float:
        """Runs of dark on the line along which most is dark, an animal."""
        dark = drawn(way, blotch_eyes=1.0, single_eye=single)[1][..., FLANK] > 0
        line = dark[..., dark.sum((0, 1)).argmax()]
        return float((line[:, 1:] > line[:, :-1]).sum(1).mean())

    assert spots(0.0) > 1.4 * spots(1.0)


@pytest.mark.parametrize("way", HANDS)
def test_depth_is_the_distance_from_the_edge(way):
    """So rims and halos are as broad as in the plain way."""
    pale, _ = drawn(way)
    slope = np.hypot(np.gradient(pale, GIRTHS / ROWS, axis=1), np.gradient(pale, 1 / COLUMNS, axis=2))
    for low, high in ((0.07, 0.11), (0.12, 0.28)):
        edge = (np.abs(pale) < 0.02) & (np.abs(V) > low) & (np.abs(V) < high)
        assert 0.85 < np.median(slope[edge]) < 1.2
    plain = drawn(blotches)[0][..., FLANK]
    for part in (5, 95):
        assert 0.5 < np.percentile(pale[..., FLANK], part) / np.percentile(plain, part) < 2.0


@pytest.mark.parametrize("way", [*HANDS, *MARKS])
def test_an_animal_is_drawn_alike_in_any_company(way):
    style, counts = Style(), [14.0, 20.0, 26.0, 21.0]
    seeds = torch.tensor([3, 2**40 + 5, 7, 11])
    together = fields(way, seeds, style, blotch_count=counts, blotch_eyes=0.6, dorsal_dots=0.5)
    for row in range(4):
        alone = fields(way, seeds[row : row + 1], style, blotch_count=counts[row], blotch_eyes=0.6, dorsal_dots=0.5)
        for whole, one in zip(together, alone, strict=True):
            assert torch.equal(whole[row], one[0])
    twins = fields(way, torch.tensor([3, 4]), style)[0]
    assert ((twins[0] > 0) != (twins[1] > 0)).float().mean() > 0.005


@pytest.mark.parametrize("way", MARKS)
def test_spinal_marks_follow_their_width_length_and_share(way):
    def share(**settings: float) -> float:
        return float((drawn(way, **settings)[0] > 0).mean())

    plain = share()
    assert 0.6 < plain / float((drawn(spinal_marks)[0] > 0).mean()) < 1.4
    assert share(dorsal_width=0.06) > 1.6 * plain
    assert share(dorsal_length=0.6) > 1.2 * plain
    assert share(dorsal_share=0.3) < 0.5 * plain
    assert share(dorsal_width=0.0) == 0
    dots = drawn(way, dorsal_dots=0.5)[1]
    assert (dots[..., np.abs(V) < 0.02] > 0).any() and not (dots[..., np.abs(V) > 0.05] > 0).any()
    assert not (drawn(way)[1] > 0).any()


def test_the_ways_differ():
    shown = [drawn(way, Style())[0] > 0 for way in (blotches, cells, columns, islands, gaps, beads, *HANDS)]
    for one, other in itertools.combinations(shown, 2):
        assert (one != other).mean() > 0.03
    shown = [drawn(way, Style())[0] > 0 for way in (spinal_marks, lozenges, *MARKS)]
    for one, other in itertools.combinations(shown, 2):
        assert (one != other).mean() > 0.01


def test_the_edges_of_margins_wander_otherwise_in_every_animal(monkeypatch):
    """With the same marks and the same numbers of its own, an animal still has edges of its own."""
    rows = spines.mark_rows
    monkeypatch.setattr(spines, "mark_rows", lambda *given, **more: rows(*given, **more)[:1].expand(ANIMALS, -1, -1))
    monkeypatch.setattr(spines, "own", lambda seeds, salt, *ranges: tuple(torch.full((1, 1, 1), 0.4) for _ in ranges))
    pale, _ = drawn(margins, dorsal_length=1.5, dorsal_share=1.0)
    assert all((pale[0] > 0).sum() != (one > 0).sum() for one in pale[1:])
