"""Synthetic hatchlings: photos of any genotype, with masks and truth, from integer seeds."""

from triage.hatchery.express import Genotype, decode, encode
from triage.hatchery.hatch import HatchedPhoto, HatchSpec, hatch
from triage.hatchery.render import DOMAINS, REPORTED_DOMAINS, Photos, render
from triage.hatchery.stages import STAGES

__all__ = [
    "DOMAINS", "REPORTED_DOMAINS", "STAGES", "Genotype", "HatchSpec", "HatchedPhoto", "Photos", "decode", "encode", "hatch",
    "render",
]  # fmt: skip
