"""Photos: the same bits in every batch, hets that cannot be seen, masks, stages, domains."""

import importlib

import pytest
import torch

from triage.hatchery import DOMAINS, STAGES, draws, encode, render
from triage.hatchery.camera import make_camera
from triage.hatchery.domains import BY_NAME
from triage.hatchery.pose import make_pose
from triage.hatchery.raster import rasterise
from triage.species.drawing import usual_looks

module = importlib.import_module("triage.hatchery.render")
LOOKS = usual_looks()
MIXED = [
    {},
    {"pastel": ("normal", "pastel")},
    {"clown": ("clown", "clown"), "fire series": ("fire", "normal")},
    {"piebald": ("piebald", "piebald")},
    {"fire series": ("fire", "fire")},
    {"spider": ("normal", "spider"), "banana": ("banana", "normal")},
]


def every_look():
    """(locus, allele pair) of everything the looks file draws."""
    return [(locus.name, pair) for locus in LOOKS.loci for pair in locus.effects]


@pytest.mark.parametrize("domain", DOMAINS)
def test_a_photo_does_not_depend_on_its_batch(domain):
    """Bit for bit: alone, in a call of six, and in one dense pass as on a GPU."""
    size, animals, photos = 96, list(range(6)), list(range(300, 306))
    torch.set_num_threads(2)  # photos of one call side by side
    together = render(MIXED, animals, photos, size=size, domain=domain)
    seeds = draws.seed_tensor(animals, "cpu"), draws.seed_tensor(photos, "cpu")
    torch.set_num_threads(1)  # an operation split over threads rounds differently at the seams
    with torch.no_grad():
        dense = module.draw_at_once(encode(MIXED), *seeds, size, None, LOOKS, BY_NAME[domain])
    for number in range(6):
        torch.set_num_threads(1 + number % 2)
        alone = render(MIXED[number : number + 1], animals[number : number + 1], photos[number : number + 1], size=size,
                       domain=domain)  # fmt: skip
        for name in ("images", "masks", "visible_share", "stage_index", "accompanied"):
            assert torch.equal(getattr(alone, name)[0], getattr(together, name)[number]), name
            assert torch.equal(getattr(alone, name)[0], getattr(dense, name)[number]), name


def test_clutch_mates_and_thumbs_do_not_depend_on_the_batch_either():
    """The rare branches: photos whose seed puts a second animal or a thumb in the frame."""
    seeds = draws.seed_tensor(range(400), "cpu")
    company = importlib.import_module("triage.hatchery.company")
    never = torch.zeros(400, dtype=torch.bool)
    mates = seeds[company.has_mate(seeds, never)][:2].tolist()
    thumbs = seeds[company.make_thumb(seeds, 16, never).cover.amax((1, 2, 3)) > 0][:2].tolist()
    photos = mates + thumbs
    together = render([{}] * 4, [1, 2, 3, 4], photos, size=64, stage="after first shed")
    assert together.accompanied[:2].all()
    for number in range(4):
        alone = render([{}], [number + 1], photos[number : number + 1], size=64, stage="after first shed")
        assert torch.equal(alone.images[0], together.images[number])


def test_the_same_seeds_give_the_same_photo_and_others_do_not():
    first, second = (render(MIXED[:2], [4, 5], [8, 9], size=64) for _ in range(2))
    assert torch.equal(first.images, second.images) and torch.equal(first.masks, second.masks)
    other = render(MIXED[:2], [4, 5], [10, 11], size=64)
    assert not torch.equal(first.images, other.images)


def test_one_animal_keeps_its_pattern_and_another_differs():
    photos = render([{}] * 2, [1, 2], [7, 7], size=64, stage="after first shed")
    assert torch.equal(photos.masks[0], photos.masks[1])  # the pose belongs to the photo
    assert (photos.images[0] - photos.images[1]).abs().mean() > 0.01  # the skin to the animal


def test_an_invisible_het_is_exactly_invisible():
    hets = [
        {locus.name: ("normal", allele)}
        for locus in LOOKS.loci
        for allele in locus.alleles[1:]
        if not locus.effects[tuple(sorted(("normal", allele)))]
    ]
    assert len(hets) == 12  # clown, cryptic, albino, toffee, candy and seven recessives more; piebald hets carry tracks
    for stage in ("after first shed", "three months"):
        wild = render([{}], [1], [7], size=64, stage=stage)
        photos = render(hets, [1] * len(hets), [7] * len(hets), size=64, stage=stage)
        for image in photos.images:
            assert torch.equal(image, wild.images[0])


def test_everything_in_the_looks_file_renders_and_shows():
    """Each allele and compound: finite, in range, and not the wild type's pixels unless it has no effect."""
    looks = every_look()
    photos = render([{name: pair} for name, pair in looks], [3] * len(looks), [75] * len(looks), size=64,
                    stage="after first shed")  # fmt: skip
    assert torch.isfinite(photos.images).all()
    assert float(photos.images.min()) >= 0 and float(photos.images.max()) <= 1
    wild = photos.images[[pair for _, pair in looks].index(("normal", "normal"))]
    hidden = {"scaleless head", "piebald"}  # on the head or belly, too small at 64 pixels
    for (name, pair), image in zip(looks, photos.images, strict=True):
        effects = LOOKS.locus(name).effects[pair]
        if not effects:
            assert torch.equal(image, wild), (name, pair)
        elif not (name in hidden and "normal" in pair):
            assert (image - wild).abs().max() > 0.02, (name, pair)


@pytest.mark.parametrize("domain", DOMAINS)
def test_masks_are_sane(domain):
    photos = render([{}] * 40, range(40), range(1000, 1040), size=64, domain=domain)
    coverage = photos.masks.mean((1, 2, 3))
    assert float(photos.masks.min()) >= 0 and float(photos.masks.max()) <= 1
    assert 0.10 < float(coverage.mean()) < 0.30
    assert float(coverage.max()) < 0.75
    assert (coverage > 0).all()
    assert ((photos.visible_share > 0) & (photos.visible_share <= 1)).all()
    in_egg = torch.tensor([stage == "in the egg" for stage in photos.stages])
    assert photos.visible_share[in_egg].mean() < photos.visible_share[~in_egg].mean()  # the shell hides most


def test_stages():
    photos = render([{}] * 5, [1] * 5, [60] * 5, size=64, stage=STAGES)
    assert photos.stages == STAGES
    for first in range(5):
        for second in range(first):
            assert (photos.images[first] - photos.images[second]).abs().mean() > 0.002
    drawn = render([{}] * 60, [1] * 60, range(60), size=64)
    assert set(drawn.stages) == set(STAGES)
    with pytest.raises(ValueError, match="stage 'moulting' is not one of in the egg"):
        render([{}], [1], [1], stage="moulting")


def test_the_shifted_domain_is_another():
    training = render(MIXED, range(6), range(6), size=64, stage="after first shed")
    shifted = render(MIXED, range(6), range(6), size=64, stage="after first shed", domain="shifted")
    assert (training.images - shifted.images).abs().mean() > 0.05
    seen_in_training = {*BY_NAME["training"].grounds, *BY_NAME["varied"].grounds}
    assert not seen_in_training & set(BY_NAME["shifted"].grounds)
    for part in ("draw_markings", "reflect", "respond"):
        assert getattr(BY_NAME["shifted"], part) not in {getattr(BY_NAME[name], part) for name in ("training", "varied")}


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (dict(genotypes=[{}], animal_seeds=[1], photo_seeds=[1, 2]), "1 genotypes, 1 animal seeds, 2 photo seeds"),
        (dict(genotypes=[], animal_seeds=[], photo_seeds=[]), "at least one"),
        (dict(genotypes=[{}], animal_seeds=[1], photo_seeds=[1], size=100), "size 100: needed a multiple of 16"),
        (dict(genotypes=[{}], animal_seeds=[1], photo_seeds=[1], domain="real"), "domain 'real' is not one of"),
        (dict(genotypes=[{}], animal_seeds=[1], photo_seeds=[1], stage=["before shed"] * 2), "2 stages for 1 photos"),
    ],
)
def test_bad_arguments_are_refused(arguments, words):
    with pytest.raises(ValueError, match=words):
        render(**arguments)


@pytest.mark.parametrize("domain", DOMAINS)
def test_no_pinholes_where_the_body_comes_near(domain: str) -> None:
    """The rasteriser's points must be dense enough at the nearest part of the animal, or the ground shines through."""
    for seed in range(3000, 3024):
        seeds = draws.seed_tensor([seed], "cpu")
        pose = make_pose(seeds, torch.tensor([False]))
        camera = make_camera(seeds, pose.nodes, torch.tensor([False]), BY_NAME[domain].camera)
        seen = rasterise(pose, camera, 192).seen
        crowd = torch.nn.functional.avg_pool2d(seen[None].float(), 3, 1, 1)[0]
        assert int((~seen & (crowd > 0.85)).sum()) <= 1, f"seed {seed}"


def test_clean_photos_show_the_animal_alone() -> None:
    photos = render([{}] * 40, range(40), range(40), size=64, domain="clean")
    assert not photos.accompanied.any()
    with_company = render([{}] * 40, range(40), range(40), size=64)
    assert with_company.accompanied.any()
