"""Is this a photo of a snake such as the model learnt from? If not, it cannot be read, whatever the reader says.

Two witnesses, and one is enough. A linear probe on the reader's own features knows rendered hatchlings, also wet or in the
egg; it costs nothing. A network trained on everyday photographs (EfficientNet-Lite0, ImageNet, Apache 2.0) knows snakes
from cats and cups: the probability it puts on the 17 snake classes (indices 52 to 68); it is asked only where the probe
says no. Neither knows one kind of snake from another, or a hatchling from an adult.

Whether a second animal is in the frame, the reader itself says, of the whole photo; the limit is kept here.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import torch
from safetensors import SafetensorError, safe_open
from torch import Tensor, nn

from triage.errors import ModelFileError
from triage.species.shipped import ReaderFiles, usual_reader_files
from triage.vision.intake import Photo
from triage.vision.network import Backbone, fuse
from triage.vision.quality import Fault, QualityRemark
from triage.vision.reader import WHOLE, PhotoReading, padded_square, sample
from triage.vision.sealed import read_sealed
from triage.vision.weights import SHIPPED, sha256_of

SNAKES = slice(52, 69)
INPUT_PX = 224
PROBE = "known"
_ALONE = (
    "there seems to be more than one animal in the photo: take one of each hatchling alone, or draw a frame around the one "
    "that is meant"
)
_ADVICE = (
    "cannot read this photo: it is unlike the hatchlings the model learnt from; photograph the hatchling itself, in focus, "
    "without anything in front of it"
)


class EverydayNetwork(nn.Module):
    """Photos float32 (B, 3, 224, 224) in 0..1 sRGB to log-odds of the 1,000 ImageNet classes."""

    def __init__(self) -> None:
        super().__init__()
        self.backbone = Backbone()
        self.classes = nn.Linear(1280, 1000)

    def forward(self, photos: Tensor) -> Tensor:
        return self.classes(self.backbone((photos * 255.0 - 127.0) / 128.0)[2].mean((2, 3)))


def probe_input(features: np.ndarray) -> np.ndarray:
    """The reader's pooled features (..., 1280) as the probe sees them."""
    return np.log1p(np.maximum(features, 0.0))


def log_odds(probe: np.ndarray, features: np.ndarray) -> float:
    """What a probe (1281,), the constant last, says of pooled features (1280,)."""
    return float(probe_input(features.astype(np.float64)) @ probe[:-1] + probe[-1])


@dataclass(frozen=True)
class Verdict:
    """`readable`; `probe`, log-odds of the probe; `snake_mass`, 0..1, None where the network was not asked."""

    readable: bool
    probe: float
    snake_mass: float | None


class Gate:
    """Decides whether a photo's reading may be believed at all.

    `known` (1281,) is the probe, the constant last, that belongs to one set of reader weights; a photo needs `least_probe` of
    it or `least_mass` of the everyday network. Above `most_company` (log-odds) a second animal is believed.
    """

    def __init__(self, known: np.ndarray, weights: Path, *, least_probe: float, least_mass: float, most_company: float) -> None:
        self._known, self._weights = known, weights
        self.least_probe, self.least_mass, self.most_company = least_probe, least_mass, most_company

    @classmethod
    def load(cls, reader_sha256: str, directory: Path | None = None, names: ReaderFiles | None = None) -> Gate:
        """The gate fitted to the reader whose weights have this hash; ModelFileError says what does not fit."""
        directory, names = SHIPPED if directory is None else directory, names or usual_reader_files()
        sidecar = read_gate_sidecar(directory, names)
        weights = directory / names.gate_weights
        if not weights.is_file() or sha256_of(weights) != sidecar["sha256"]:
            raise ModelFileError(f"{weights}: missing, or not the file that {names.gate_sidecar} describes; restore both.")
        if sidecar["reader_sha256"] != reader_sha256:
            raise ModelFileError(
                f"{directory / names.gate_sidecar}: was fitted to other reader weights; run python -m triage.training.gate."
            )
        try:
            with safe_open(weights, "pt") as file:
                known = file.get_tensor(PROBE).double().numpy()
        except (SafetensorError, OSError) as error:
            raise ModelFileError(f"{weights}: cannot be read ({error}); restore models/.") from error
        limits = {name: sidecar[name] for name in ("least_probe", "least_mass", "most_company")}
        return cls(known, weights, **limits)

    @cached_property
    def _everyday(self) -> EverydayNetwork:
        network = EverydayNetwork()
        with safe_open(self._weights, "pt") as file:
            tensors = {name: file.get_tensor(name).float() for name in file.keys() if name != PROBE}  # noqa: SIM118
        counters = {k: v for k, v in network.state_dict().items() if k.endswith("num_batches_tracked")}
        network.load_state_dict({**tensors, **counters})
        return fuse(network)

    def probe(self, reading: PhotoReading) -> float:
        """Log-odds that a photo shows what the reader was trained on."""
        return log_odds(self._known, reading.features)

    def snake_mass(self, photo: Photo) -> float:
        """Probability that a network of everyday photographs puts on its snake classes."""
        square = sample(padded_square(photo), WHOLE, INPUT_PX)
        with torch.inference_mode():
            return float(self._everyday(square[None]).softmax(1)[0, SNAKES].sum())

    def look(self, photo: Photo, reading: PhotoReading) -> Verdict:
        """The witnesses' words on one photo."""
        probe = self.probe(reading)
        if probe >= self.least_probe:
            return Verdict(True, probe, None)
        mass = self.snake_mass(photo)
        return Verdict(mass >= self.least_mass, probe, mass)

    def judge(self, photo: Photo, reading: PhotoReading) -> tuple[QualityRemark, ...]:
        """A refusal or a warning in plain words; empty if there is nothing to say."""
        verdict = self.look(photo, reading)
        if not verdict.readable:
            return (QualityRemark(Fault.UNLIKE, _ADVICE, True, verdict.snake_mass or 0.0, self.least_mass),)
        if reading.company > self.most_company:
            return (QualityRemark(Fault.SEVERAL, _ALONE, False, reading.company, self.most_company),)
        return ()


def read_gate_sidecar(directory: Path, names: ReaderFiles | None = None) -> dict[str, Any]:
    """The gate's limits, rates and origin; ModelFileError if missing or damaged."""
    path = directory / (names or usual_reader_files()).gate_sidecar
    try:
        sidecar = read_sealed(path)
        limits = {name: float(sidecar[name]) for name in ("least_probe", "least_mass", "most_company")}
        return {**sidecar, **limits, "sha256": str(sidecar["sha256"]), "reader_sha256": str(sidecar["reader_sha256"])}
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise ModelFileError(f"{path}: missing or damaged ({error!r}); restore models/.") from error
