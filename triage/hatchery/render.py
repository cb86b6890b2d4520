"""Draws photos of hatchlings from genotypes and seeds."""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import torch
import torch.nn.functional as F
from torch import Tensor

from triage.hatchery import draws
from triage.hatchery.backgrounds import choose, make_background
from triage.hatchery.camera import Camera, make_camera
from triage.hatchery.company import has_mate, make_thumb, mate_genotypes, mate_pose, mate_seeds
from triage.hatchery.domains import BY_NAME, REPORTED, Domain
from triage.hatchery.egg import paint_egg
from triage.hatchery.express import Genotype, encode, express
from triage.hatchery.fields import box_blur
from triage.hatchery.light import Light, light_ground, light_skin, make_light
from triage.hatchery.pose import make_pose
from triage.hatchery.raster import Pixels, rasterise
from triage.hatchery.skin import make_skin
from triage.hatchery.stages import STAGES, Stage, make_stage
from triage.hatchery.surface import shade_surface
from triage.species.drawing import Looks, usual_looks

DOMAINS = tuple(BY_NAME)
REPORTED_DOMAINS = REPORTED
_SUPERSAMPLING = 2
_VISIBLE_BINS = 64
_PIXELS_A_BATCH = 256 * 256 * 256  # bounds the memory of one pass on a GPU


@dataclass(frozen=True)
class Photos:
    """Rendered photos and the truth about them.

    `images` float32 (B, 3, size, size), sRGB 0..1. `masks` float32 (B, 1, size, size), share of each pixel covered by
    the visible animal. `stage_index` int64 (B,) into STAGES. `visible_share` float32 (B,): share of the body's length
    of which some of the surface is seen. `accompanied` bool (B,): a second animal is in the frame.
    All lie on the device they were rendered on.
    """

    images: Tensor
    masks: Tensor
    stage_index: Tensor
    visible_share: Tensor
    accompanied: Tensor

    @property
    def stages(self) -> tuple[str, ...]:
        """The stage of each photo, in words."""
        return tuple(STAGES[index] for index in self.stage_index.tolist())


def render(
    genotypes: Sequence[Genotype] | Tensor,
    animal_seeds: Sequence[int] | Tensor,
    photo_seeds: Sequence[int] | Tensor,
    *,
    size: int = 224,
    stage: str | Sequence[str] | None = None,
    device: torch.device | str = "cpu",
    domain: str | Domain = "training",
    looks: Looks | None = None,
) -> Photos:
    """One photo per (genotype, animal, photo) triple.

    `genotypes`: mappings locus -> (allele, allele), or the tensor of `encode`. The animal seed fixes the individual,
    the photo seed everything about the picture: pose, stage unless given, light, ground, camera. A photo has the same
    bits whatever else is in the call. `size` is in pixels, a multiple of 16, 64 or more. `domain` is one of DOMAINS by name, or
    any other as it is. ValueError on bad arguments, UnknownNameError on a genotype the looks do not know.
    """
    if isinstance(domain, str):
        if domain not in DOMAINS:
            raise ValueError(f"domain {domain!r} is not one of {', '.join(DOMAINS)}")
        domain = BY_NAME[domain]
    if size < 64 or size % 16:
        raise ValueError(f"size {size}: needed a multiple of 16, at least 64")
    looks = looks or usual_looks()
    device = torch.device(device)
    codes = encode(genotypes, looks).to(device)
    animals, photos = draws.seed_tensor(animal_seeds, device), draws.seed_tensor(photo_seeds, device)
    if not len(codes) == len(animals) == len(photos) or not len(codes):
        raise ValueError(f"{len(codes)} genotypes, {len(animals)} animal seeds, {len(photos)} photo seeds: needed as "
                         "many of each, at least one")
    if stage is not None and not isinstance(stage, str) and len(stage) != len(codes):
        raise ValueError(f"{len(stage)} stages for {len(codes)} photos")

    def one_pass(rows: slice) -> Photos:
        part = stage if stage is None or isinstance(stage, str) else list(stage)[rows]
        with torch.inference_mode():
            return draw_at_once(codes[rows], animals[rows], photos[rows], size, part, looks, domain)

    # On a CPU one photo at a time stays in the cache; a GPU wants as many as its memory holds, and of like coverage,
    # because a pass has as many columns of pixels as its fullest photo.
    step, order = 1, None
    if device.type != "cpu":
        step = max(1, _PIXELS_A_BATCH // (size * size))
        if len(codes) > step:
            order = _coverage(photos, stage, domain).argsort()
            codes, animals, photos = codes[order], animals[order], photos[order]
            if stage is not None and not isinstance(stage, str):
                stage = [stage[row] for row in order.tolist()]
    slices = [slice(start, min(start + step, len(codes))) for start in range(0, len(codes), step)]
    threaded = device.type == "cpu" and torch.get_num_threads() > 1
    parts = _in_threads(one_pass, slices) if threaded else [one_pass(rows) for rows in slices]
    # joined outside inference mode, so that a network can be trained on the result
    names = ("images", "masks", "stage_index", "visible_share", "accompanied")
    joined = [torch.cat([getattr(part, name) for part in parts]) for name in names]
    return Photos(*joined) if order is None else Photos(*(values[order.argsort()] for values in joined))


def _coverage(photos: Tensor, stage_name: str | Sequence[str] | None, domain: Domain) -> Tensor:
    """About how much of each picture its animal covers (B,), overlaps counted twice: good enough to sort by."""
    with torch.inference_mode():
        in_egg = make_stage(photos, stage_name).in_egg
        nodes = make_pose(photos, in_egg).nodes
        camera = make_camera(photos, nodes, in_egg, domain.camera)
        x, y, _ = camera.project(nodes)
        return ((x.abs() < 0.5) & (y.abs() < 0.5)).float().mean(1) * camera.scale**2


def _in_threads(one_pass: Callable[[slice], Photos], slices: Sequence[slice]) -> list[Photos]:
    """Photos side by side, one thread each: cheaper than splitting every small operation over threads, and an operation
    that is split rounds differently at the seams."""
    threads = torch.get_num_threads()
    try:
        with ThreadPoolExecutor(min(threads, len(slices)), initializer=torch.set_num_threads, initargs=(1,)) as pool:
            return list(pool.map(one_pass, slices))
    finally:
        torch.set_num_threads(threads)


def skin_size(size: int) -> tuple[int, int]:
    """Rows and columns of the skin map that suit a picture `size` pixels wide."""
    return 16 * round(size * 2.9 / 16), 16 * round(size * 0.52 / 16)


def draw_at_once(
    codes: Tensor, animals: Tensor, photos: Tensor, size: int, stage_name: str | Sequence[str] | None, looks: Looks,
    domain: Domain,
) -> Photos:  # fmt: skip
    """Photos of `codes` (B, n_loci, 2) for their seeds (B,), all in one pass on one device; `render` says when that pays."""
    batch, device = len(codes), codes.device
    stage = make_stage(photos, stage_name)
    look = domain.take(express(codes, animals, stage.age, looks), animals)
    skin = make_skin(look, animals, skin_size(size), domain.draw_markings, domain.reflect)
    pose = make_pose(photos, stage.in_egg)
    camera = make_camera(photos, pose.nodes, stage.in_egg, domain.camera)
    high = size * _SUPERSAMPLING
    pixels = rasterise(pose, camera, high)
    surface = shade_surface(skin, look, stage, pixels, animals, photos, camera.scale * high)

    ground = camera.ground(size) * stage.growth.view(-1, 1, 1, 1)  # in lengths of a hatchling
    kinds = choose(photos, stage.in_egg, domain.ground_shares, domain.hand)
    back = make_background(kinds, domain.grounds, ground, photos)
    visible = pixels.seen_flat[:, None]
    depth_shadow = torch.zeros(batch, 1, size, size, device=device)
    eggs = [row for row, inside in enumerate(stage.in_egg.tolist()) if inside]
    if eggs:
        rows = torch.tensor(eggs, device=device)
        egg = paint_egg(back[rows], pose.nodes[rows], camera.rows(rows), photos[rows])
        back[rows] = egg.back
        depth_shadow[rows] = egg.depth_shadow
        slit = torch.ones(batch, 1, size, size, device=device)
        slit[rows] = egg.slit
        emerged = torch.full((batch, 1), 2.0, device=device)
        emerged[rows] = egg.emerged[:, None]
        slit_p, shadow_p = pixels.pick(F.interpolate(torch.cat([slit, depth_shadow], 1), (high, high), mode="bilinear",
                                                     align_corners=False)).unbind(1)
        free = ((emerged - pixels.s) * (1 / 0.012)).clamp(0, 1)
        visible = visible * torch.maximum(free, slit_p)[:, None]
        darkened = (1 - 0.35 * shadow_p * (1 - free))[:, None]
    else:
        darkened = torch.ones(batch, 1, 1, device=device)

    planes = pixels.spread(torch.cat([pixels.position[:, 2:].clamp(min=0), visible], 1))
    planes = F.avg_pool2d(planes, _SUPERSAMPLING)
    light = make_light(planes[:, :1], planes[:, 1:], camera, photos, domain.light)
    lit_ground = light_ground(back, light, (depth_shadow > 0).float())
    accompanied = has_mate(photos, stage.in_egg) & domain.company
    mates = [row for row, present in enumerate(accompanied.tolist()) if present]
    if mates:
        rows = torch.tensor(mates, device=device)
        lit_ground[rows] = _draw_mate(lit_ground[rows], light.rows(rows), stage.rows(rows), camera.rows(rows),
                                      photos[rows], looks, domain)
    colour = light_skin(surface, pixels, light, stage, camera, lit_ground) * darkened
    animal = F.avg_pool2d(pixels.spread(colour * visible), _SUPERSAMPLING)
    mask = planes[:, 1:]
    picture = animal + lit_ground * (1 - mask)
    thumb = make_thumb(photos, size, stage.in_egg, shown=domain.company)
    picture = picture + (thumb.reflectance * (light.ambient + 0.7 * light.key * light.lamp) - picture) * thumb.cover
    mask = mask * (1 - thumb.cover)
    return Photos(domain.respond(picture, photos), mask, stage.index, _visible_share(pixels, visible[:, 0], thumb.cover),
                  accompanied)


def _draw_mate(ground: Tensor, light: Light, stage: Stage, camera: Camera, photos: Tensor, looks: Looks,
               domain: Domain) -> Tensor:  # fmt: skip
    """The lit ground (B, 3, H, H) with a second animal lying on it."""
    high = ground.shape[-1] * _SUPERSAMPLING
    seeds = mate_seeds(photos)
    look = domain.take(express(mate_genotypes(photos, looks), seeds, stage.age, looks), seeds)
    skin = make_skin(look, seeds, skin_size(ground.shape[-1]), domain.draw_markings, domain.reflect)
    pixels = rasterise(mate_pose(photos), camera, high)
    surface = shade_surface(skin, look, stage, pixels, seeds, photos, camera.scale * high)
    visible = pixels.seen_flat[:, None]
    colour = light_skin(surface, pixels, light, stage, camera, ground)
    mask = F.avg_pool2d(pixels.spread(visible), _SUPERSAMPLING)
    halo = 1 - 0.35 * box_blur(mask, max(3, ground.shape[-1] // 20))  # stands in for its shadow
    return ground * halo * (1 - mask) + F.avg_pool2d(pixels.spread(colour * visible), _SUPERSAMPLING)


def _visible_share(pixels: Pixels, visible: Tensor, cover: Tensor) -> Tensor:
    """Share of the body's length seen (B,): bins along s with at least one visible pixel."""
    high = pixels.seen.shape[-1]
    visible = visible * (1 - pixels.pick(F.interpolate(cover, (high, high), mode="nearest"))[:, 0])
    s = pixels.s
    bins = (s * _VISIBLE_BINS).long().clamp(0, _VISIBLE_BINS - 1)
    found = torch.zeros(len(s), _VISIBLE_BINS, device=s.device)
    found.scatter_reduce_(1, bins, (visible > 0.5).float(), "amax")
    count = found[:, 0]
    for number in range(1, _VISIBLE_BINS):
        count = count + found[:, number]
    return count / _VISIBLE_BINS
