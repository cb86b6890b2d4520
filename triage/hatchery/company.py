"""What else gets into a picture: a clutch mate under or beside the animal, a thumb across it."""

from dataclasses import dataclass

import torch
from torch import Tensor

from triage.hatchery import draws
from triage.hatchery.fields import noise_plane, pixel_grid
from triage.hatchery.pose import Pose, make_pose
from triage.hatchery.skin import ramp
from triage.species.drawing import Looks

_SALT_MATE, _SALT_GENES, _SALT_ALLELES, _SALT_PLACE, _SALT_THUMB, _SALT_SKIN = 1101, 1102, 1103, 1104, 1105, 1106
_MATE_SHARE, _THUMB_SHARE = 0.05, 0.06
_GENE_SHARE = 0.04  # chance of a mutant allele at each place of a mate's genotype
_TONES = ((0.52, 0.30, 0.21), (0.40, 0.21, 0.14), (0.62, 0.40, 0.31), (0.20, 0.10, 0.065))


def has_mate(photo_seeds: Tensor, in_egg: Tensor) -> Tensor:
    """bool (B,): a second animal is in the frame."""
    return (draws.uniform(photo_seeds, _SALT_MATE, 1)[:, 0] < _MATE_SHARE) & ~in_egg


def mate_genotypes(photo_seeds: Tensor, looks: Looks) -> Tensor:
    """Allele indices int64 (B, n_loci, 2) of the second animal."""
    loci = len(looks.loci)
    counts = torch.tensor([len(locus.alleles) - 1 for locus in looks.loci], device=photo_seeds.device)[None, :, None]
    allele = (draws.uniform(photo_seeds, _SALT_ALLELES, loci, 2) * counts).long() + 1
    return torch.where(draws.uniform(photo_seeds, _SALT_GENES, loci, 2) < _GENE_SHARE, allele, 0)


def mate_seeds(photo_seeds: Tensor) -> Tensor:
    """Seeds of the second animal, apart from those of the photo."""
    return photo_seeds ^ 0x5DEECE66D


def mate_pose(photo_seeds: Tensor) -> Pose:
    """The second animal's pose, beside the first."""
    seeds = mate_seeds(photo_seeds)
    pose = make_pose(seeds, torch.zeros(len(seeds), dtype=torch.bool, device=seeds.device))
    u = draws.uniform(seeds, _SALT_PLACE, 2)
    angle, reach = u[:, 0] * 2 * torch.pi, 0.16 + 0.16 * u[:, 1]
    offset = torch.stack([reach * angle.cos(), reach * angle.sin(), torch.zeros_like(reach)], -1)
    return Pose(pose.nodes + offset[:, None], pose.roll)


@dataclass(frozen=True)
class Thumb:
    """`cover` (B, 1, H, H) and `reflectance` (B, 3, H, H) of a thumb that reaches in from the picture's edge."""

    cover: Tensor
    reflectance: Tensor


def make_thumb(photo_seeds: Tensor, size: int, in_egg: Tensor, shown: bool = True) -> Thumb:
    """A thumb in a few photos, nothing in the others, nowhere unless `shown`."""
    u = draws.uniform(photo_seeds, _SALT_THUMB, 8)[..., None, None]
    row, column = pixel_grid(size, photo_seeds.device)
    x, y = column / size - 0.5, row / size - 0.5
    angle = u[:, 1] * 2 * torch.pi
    along = x * angle.cos() + y * angle.sin()
    across = y * angle.cos() - x * angle.sin() - (u[:, 2] - 0.5) * 0.5
    low = noise_plane(photo_seeds, _SALT_SKIN, 2, (10, 10), (size, size))
    width = 0.06 + 0.05 * u[:, 3]
    tip = 0.05 + 0.32 * u[:, 4]
    over = (tip - along).clamp(min=0)
    distance = torch.sqrt(across * across + over * over) * (1 + 0.02 * low[:, 0])
    present = (u[:, 0] < _THUMB_SHARE) & ~in_egg[:, None, None] & shown
    cover = ramp(width, width - 0.012, distance) * present
    dome = (1 - (distance / width) ** 2).clamp(min=0).sqrt()
    nail = ramp(1.0, 0.75, ((along - tip - 0.3 * width) / (0.55 * width)) ** 2 + (across / (0.62 * width)) ** 2)
    tones = torch.tensor(_TONES, device=photo_seeds.device)
    tone = tones[(u[:, 5, 0, 0] * 3.999).long()][..., None, None]
    skin = tone * (0.55 + 0.45 * dome + 0.03 * low[:, 1])[:, None]
    skin = skin + (0.9 * skin + 0.06 - skin) * (nail * (u[:, 6] < 0.6))[:, None]
    return Thumb(cover[:, None], skin)
