"""The stranger: its mosaic follows every setting of the pattern, its pigments the closed form, its photos nothing but their seeds."""

from importlib import import_module
from pathlib import Path

import numpy as np
import pytest
import torch
from scipy.ndimage import label

from triage.hatchery.body import GIRTHS
from triage.hatchery.domains import BY_NAME
from triage.hatchery.express import encode, express
from triage.hatchery.render import draw_at_once
from triage.hatchery.skin import Noise, make_skin, skin_noise
from triage.species.drawing import usual_looks
from triage.training import protocol, stranger_domain
from triage.training.measures import stranger
from triage.training.photos import draw_photos

ROOT = Path(__file__).parents[2]
LOOKS = usual_looks()
ROWS, COLUMNS = 1100, 200
SEEDS = torch.tensor([3, 14, 159, 2653])
BARE = {"blotch_eyes": 0.0, "dorsal_share": 0.0, "irregularity": 0.1, "reduction": 0.0}  # nothing but tiles, hardly warped
V = ((torch.arange(COLUMNS) + 0.5) / COLUMNS - 0.5).view(1, 1, COLUMNS)


def settings(**changed: float) -> dict[str, torch.Tensor]:
    """Base settings (B, 1, 1) of the looks file with some of them replaced."""
    base = {parameter.name: parameter.base for parameter in LOOKS.parameters} | changed
    return {name: torch.full((len(SEEDS), 1, 1), float(value)) for name, value in base.items()}


def drawn(still: bool = True, **changed: float):
    noise = skin_noise(SEEDS, (ROWS, COLUMNS))
    if still:
        noise = Noise(*(torch.zeros_like(plane) for plane in (noise.low, noise.middle, noise.fine)))
    return stranger_domain.mosaic(settings(**changed), SEEDS, V, noise)


def flank(markings, low: float = 0.12, high: float = 0.28) -> torch.Tensor:
    """The pattern (B, rows, columns) of one flank, between two distances from the spine, head and tail tip left out."""
    return markings.pattern[:, 100:1000, (V[0, 0] > low) & (V[0, 0] < high)]


def share(pattern: torch.Tensor) -> float:
    return float((pattern > 0).float().mean())


def test_pale_grows_with_blotch_width():
    widths = (0.2, 0.45, 0.7, 0.95)
    found = [share(flank(drawn(**BARE, blotch_width=width))) for width in widths]
    assert found == sorted(found) and found[-1] - found[0] > 0.5
    assert found[2] == pytest.approx(0.7, abs=0.12)


@pytest.mark.parametrize("count", [14, 21, 30])
def test_as_many_blotches_a_side_as_wanted(count):
    """`blotch_count` is meant for 0.86 of the body: head and end of the tail have none."""
    line = drawn(**BARE, blotch_count=count, blotch_width=0.6).pattern[:, :, int(COLUMNS * 0.70)] > 0
    starts = (line[:, 1:] & ~line[:, :-1]).sum(1).float() * 0.86
    assert float(starts.mean()) == pytest.approx(count, rel=0.10)


@pytest.mark.parametrize("top", [0.04, 0.088, 0.15])
def test_blotches_end_near_their_top(top):
    pattern = drawn(**BARE, blotch_top=top).pattern[:, 100:1000, COLUMNS // 2 :]
    place = torch.where(pattern > 0, V[..., COLUMNS // 2 :], torch.tensor(1.0)).amin(2)
    reached = place[place < 0.25]  # rows that lie in a tile
    assert float(reached.quantile(0.3)) == pytest.approx(top, abs=0.025)
    assert float(reached.min()) > top - 0.08


def test_tiles_open_where_the_belly_begins():
    pattern = drawn(**BARE)
    assert share(flank(pattern, 0.30, 0.32)) > share(flank(pattern, 0.24, 0.27)) + 0.05  # below its neck a tile opens
    high, low = (share(flank(drawn(**BARE, belly_edge=edge), 0.235, 0.265)) for edge in (0.24, 0.40))
    assert high > low + 0.05


def test_dropped_columns_raise_the_pale_share():
    found = [share(flank(drawn(**BARE, dropped_columns=part))) for part in (0.0, 0.4, 0.9)]
    assert found == sorted(found) and found[2] > found[0] + 0.15


def test_reduction_thins_the_dark():
    assert share(drawn(**BARE | {"reduction": 0.03}).pattern) > share(drawn(**BARE).pattern) + 0.05


def test_spots_only_where_blotches_have_eyes():
    none, some = (drawn(**BARE | {"blotch_eyes": part}).pattern for part in (0.0, 0.8))
    darker = (none > 0) & (some < 0)
    assert float(darker.float().mean()) > 0.01
    assert not ((none < 0) & (some > 0)).any()
    assert torch.equal(drawn(**BARE, single_eye=1.0).pattern, none)  # no eye to make single


def test_single_eyes_are_fewer_and_larger():
    plain = flank(drawn(**BARE), 0.12, 0.23) > 0
    found = []
    for part in (0.0, 1.0):
        spots = plain & (flank(drawn(**BARE | {"blotch_eyes": 1.0}, single_eye=part), 0.12, 0.23) < 0)
        numbers = [label(animal.numpy())[1] for animal in spots]
        found.append((sum(numbers), float(spots.sum()) / sum(numbers)))
    (two, small), (one, large) = found
    assert two > 1.4 * one and large > 1.3 * small


def spine(**changed: float) -> torch.Tensor:
    """The pattern about the spine (B, rows, columns), away from the flanks' tiles."""
    return drawn(**BARE | {"dorsal_share": 1.0, "blotch_top": 0.2} | changed).pattern[:, 100:1000, V[0, 0].abs() < 0.11]


def test_marks_on_the_spine_follow_width_share_and_length():
    wide = [share(spine(dorsal_width=width)) for width in (0.0, 0.02, 0.05)]
    assert wide[0] == 0.0 and wide == sorted(wide) and wide[2] > 1.8 * wide[1]
    most = [share(spine(dorsal_share=part)) for part in (0.0, 0.5, 1.0)]
    assert most[0] == 0.0 and most == sorted(most) and most[2] > 1.4 * most[1] > 0
    long = [share(spine(dorsal_length=length)) for length in (-0.5, 0.2, 1.0)]
    assert long == sorted(long)
    middle = spine(dorsal_length=1.4, dorsal_width=0.04)[:, :, 22]  # from about 1 on they join up
    assert share(middle) > 0.95


def test_rings_darken_tiles_inside_their_rim():
    plain, ringed = drawn(**BARE).pattern, drawn(**BARE, blotch_rings=1.0).pattern
    dark = (plain > 0) & (ringed < 0)
    assert float(dark.float().mean()) > 0.02
    assert float(plain[dark].min()) > 0.015  # the rim itself stays pale


def test_banding_joins_both_sides_over_the_spine():
    banded = drawn(**BARE, banding=1.0, blotch_top=-0.03).pattern[:, 100:1000]
    left, right = banded[..., : COLUMNS // 2].flip(2), banded[..., COLUMNS // 2 :]
    assert torch.allclose(left, right, atol=1e-5)
    assert share(banded[..., COLUMNS // 2 - 1 : COLUMNS // 2 + 1]) > 0.4
    assert not torch.allclose(*(half(drawn(**BARE).pattern) for half in (lambda p: p[..., :100].flip(2), lambda p: p[..., 100:])))


@pytest.mark.parametrize(
    ("name", "low", "high", "darker"),
    [("pale_stripe", 0.0, 0.03, False), ("dorsal_stripe", 0.0, 0.03, True), ("pin_lines", 0.07, 0.11, True),
     ("web_lines", 0.0, 0.24, True)],
)  # fmt: skip
def test_stripes_and_lines_lie_where_they_belong(name, low, high, darker):
    pale = {"dropped_columns": 1.0, "blotch_width": 1.2, "dorsal_share": 1.0, "dorsal_width": 0.12, "dorsal_length": 1.5}
    dark = {"blotch_width": 0.3}
    others = BARE | (pale if darker else dark)
    plain, changed = (drawn(**others | {name: part}).pattern[:, 100:1000] for part in (0.0, 1.0))
    there = (V[0, 0].abs() >= low) & (V[0, 0].abs() < high)
    before, after = share(plain[..., there]), share(changed[..., there])
    assert (after < before - 0.1) if darker else (after > 0.95 > before)
    if name == "web_lines":
        assert share(plain[..., there]) - after < 0.5  # threads, not a net of ropes


def test_a_pale_stripe_has_dark_edges():
    pale = BARE | {"dropped_columns": 1.0, "blotch_width": 1.2, "dorsal_share": 1.0, "dorsal_width": 0.12, "dorsal_length": 1.5}
    beside = (V[0, 0].abs() > 0.04) & (V[0, 0].abs() < 0.10)
    before, after = (share(drawn(**pale | {"pale_stripe": part}).pattern[:, 100:1000, beside]) for part in (0.0, 1.0))
    assert after < before - 0.2


def test_irregularity_loosens_the_mosaic():
    calm, loose = (drawn(still=False, **BARE | {"irregularity": part}).along for part in (0.1, 2.0))
    straight = ((torch.arange(ROWS) + 0.5) / ROWS * GIRTHS).view(1, -1, 1)
    assert float((loose - straight).std()) > 10 * float((calm - straight).std())
    leaning = []
    for part in (0.1, 2.0):  # cells alone, unwarped: how far walls run askew between two heights
        tiles = flank(drawn(**BARE | {"irregularity": part}), 0.17, 0.28) > 0
        leaning.append(float((tiles[..., 0] != tiles[..., -1]).float().mean()))
    assert leaning[1] > 1.5 * leaning[0]


def test_the_field_is_about_a_distance():
    """Its slope at an edge is about one girth a girth, so edges keep the softness asked for."""
    pattern = drawn(**BARE | {"dorsal_share": 0.8}).pattern[:, 100:1000]
    along = (pattern[:, 2:, 1:-1] - pattern[:, :-2, 1:-1]) * 0.5 * ROWS / GIRTHS
    around = (pattern[:, 1:-1, 2:] - pattern[:, 1:-1, :-2]) * 0.5 * COLUMNS
    slope = (along**2 + around**2).sqrt()[pattern[:, 1:-1, 1:-1].abs() < 0.004]
    assert 0.8 < float(slope.median()) < 1.25 and float(slope.quantile(0.95)) < 2


def test_both_flanks_meet_on_the_belly():
    pattern = drawn(still=False).pattern
    assert (pattern[..., [0, -1]] > 0).all()


def test_pigments_obey_kubelka_and_munk():
    draw = np.random.default_rng(5)
    m, x, e, lavender = (draw.uniform(0, high, (2, 6, 5)) for high in (6.0, 2.0, 1.5, 1.0))
    seeds = torch.tensor([8, 9])
    found = stranger_domain.two_flux(*(torch.tensor(plane) for plane in (m, x, e, lavender)), seeds).numpy()
    own = np.exp(0.08 * stranger_domain.draws.normal(seeds, stranger_domain._SALT_SCATTER, 1).numpy())[..., None]
    s = 20.0 / (1 + 7.5 * m + 2.8 * m**2 + 3.0 * (x + e)) * own
    for channel in range(3):
        brown, purple = stranger_domain._BROWN[channel], stranger_domain._LAVENDER[channel]
        k = m * (brown + (purple - brown) * lavender) + x * stranger_domain._XANTHIN[channel] + e * stranger_domain._ERYTHRIN[channel]
        wanted = stranger_domain.WHITE[channel] * (1 + k / s - np.sqrt((k / s) ** 2 + 2 * k / s))
        np.testing.assert_allclose(found[:, channel], wanted, rtol=1e-4)


@pytest.mark.parametrize("pigment", range(3))
def test_more_of_any_pigment_is_darker(pigment):
    depth = [torch.full((1, 1, 60), value) for value in (0.3, 0.4, 0.2, 0.0)]
    depth[pigment] = torch.linspace(0, 8, 60).view(1, 1, -1)
    found = stranger_domain.two_flux(*depth, torch.tensor([1]))
    assert (found[..., 1:] < found[..., :-1]).all() and (found > 0).all() and (found < 1).all()


def test_a_wild_type_has_the_colours_of_one():
    """Dark brown ground, tan tiles, white belly: by judgement, in linear light."""
    look = express(encode([{}] * 4), SEEDS, torch.zeros(4), LOOKS)
    skin = make_skin(look, SEEDS, (ROWS, COLUMNS), stranger_domain.mosaic, stranger_domain.two_flux)[:, :, 150:900]
    ground, belly = skin[..., 95:105].flatten(2).quantile(0.2, 2).mean(0), skin[..., :10].flatten(2).median(2).values.mean(0)
    tan = skin[..., 135:150].flatten(2).quantile(0.8, 2).mean(0)
    assert (ground < 0.08).all() and ground[0] > ground[1] > ground[2]
    assert 0.25 < tan[0] < 0.6 and tan[0] > 1.2 * tan[1] > 1.2 * 1.5 * tan[2]
    assert (belly > 0.5).all()


def test_a_photo_does_not_depend_on_its_batch():
    threads = torch.get_num_threads()
    torch.set_num_threads(1)
    try:
        spider = {"spider": ("normal", "spider")}
        codes, seeds = encode([{}, spider, {"pastel": ("pastel", "pastel")}]), torch.tensor([21, 22, 23])
        with torch.inference_mode():
            many = draw_at_once(codes, seeds, seeds, 96, None, LOOKS, stranger_domain.STRANGER).images
            for row in range(3):
                here = slice(row, row + 1)
                alone = draw_at_once(codes[here], seeds[here], seeds[here], 96, None, LOOKS, stranger_domain.STRANGER).images
                assert torch.equal(alone[0], many[row])
    finally:
        torch.set_num_threads(threads)


@pytest.mark.parametrize("ground", stranger_domain.STRANGER.grounds)
def test_grounds_are_reflectances_of_their_own_seed(ground):
    centre = (torch.arange(96) + 0.5) / 96 * 0.5
    place = torch.stack(torch.meshgrid(centre, centre, indexing="ij"))[None].expand(3, -1, -1, -1)
    found = ground(place, torch.tensor([1, 2, 3]))
    assert found.shape == (3, 3, 96, 96) and bool(torch.isfinite(found).all())
    assert float(found.min()) >= 0 and float(found.quantile(0.99)) < 1
    assert torch.equal(ground(place[:1], torch.tensor([2]))[0], found[1]) and not torch.equal(found[0], found[1])


def test_it_shares_nothing_with_the_domains_that_are_known():
    own = stranger_domain.STRANGER
    assert own.name not in BY_NAME and own not in BY_NAME.values()
    assert sum(own.ground_shares) == pytest.approx(1) and len(own.ground_shares) == len(own.grounds)
    for known in BY_NAME.values():
        assert own.draw_markings is not known.draw_markings and own.reflect is not known.reflect
        assert own.respond is not known.respond and not set(own.grounds) & set(known.grounds)
        assert own.camera != known.camera and own.light != known.light


def test_its_random_numbers_are_its_own():
    def salts(module) -> list[int]:
        return [value for name, value in vars(module).items() if name.startswith("_SALT")]

    own = salts(stranger_domain)
    assert len(set(own)) == len(own) == 13
    others = [import_module(".".join(path.relative_to(ROOT).with_suffix("").parts)) for part in ("hatchery", "training")
              for path in sorted((ROOT / "triage" / part).rglob("[a-z]*.py"))]  # fmt: skip
    taken = {salt for module in others if module is not stranger_domain for salt in salts(module)}
    assert len(taken) > 100 and not taken & set(own)


def test_it_alone_is_read_unless_others_are_wanted_beside_it(bench, monkeypatch):
    asked = []
    monkeypatch.setattr(protocol, "draw_photos", lambda truth, px, *, domain: asked.append(domain) or draw_photos(truth, px, domain=domain))
    found = stranger.figures(bench, stranger.Options(photos=4, px=96))
    assert asked == [stranger_domain.STRANGER]
    assert set(found) == {"parents only", "both"} and found["both"]["n"] == 4 and "shortlist_coverage" in found["both"]
    beside = stranger.figures(bench, stranger.Options(photos=1, px=96, beside=True))
    assert list(beside) == ["parents only", "both", "both, training domain", "both, shifted domain"]
    assert [domain.name for domain in asked[1:]] == ["stranger", "training", "shifted"]
