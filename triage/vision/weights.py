"""Weights and their sidecar: written together, checked together, read without pickles."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import torch
from safetensors import SafetensorError
from safetensors.torch import load_file, save_file
from torch import Tensor

from triage.errors import ModelFileError
from triage.species.shipped import ReaderFiles, shipped_folder, usual_reader_files
from triage.vision.likelihood import Calibration
from triage.vision.network import NetworkShape, ReaderNetwork
from triage.vision.sealed import BrokenSealError, read_sealed, write_sealed
from triage.vision.vocabulary import Vocabulary

FORMAT = 1
LARGEST_BYTES = 16 * 2**20
#: Folder that holds the shipped models.
SHIPPED = shipped_folder("models")
_NEEDED = ("format", "species", "classes", "log_mix", "network", "input", "stages", "calibration", "sha256", "licence")


@dataclass(frozen=True)
class ModelFiles:
    """A model as read from disk. `log_mix` (n_total,); `calibrations` by name; `sidecar` is the whole JSON."""

    network: ReaderNetwork
    vocabulary: Vocabulary
    log_mix: Tensor
    calibrations: dict[str, Calibration]
    stages: tuple[str, ...]
    sidecar: dict[str, Any]


def sha256_of(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def read_sidecar(directory: Path, names: ReaderFiles | None = None) -> dict[str, Any]:
    """The sidecar of a model directory; ModelFileError if it is missing, damaged, or lacks a field. `names`: of its files, those
    of the usual species unless given."""
    path = directory / (names or usual_reader_files()).sidecar
    try:
        sidecar = read_sealed(path)
    except FileNotFoundError as error:
        raise ModelFileError(f"{path}: not found; the model's description belongs there. Restore models/.") from error
    except (OSError, BrokenSealError) as error:
        raise ModelFileError(f"{path}: damaged ({error}); restore models/.") from error
    missing = [key for key in _NEEDED if key not in sidecar]
    if missing:
        raise ModelFileError(f"{path}: '{missing[0]}' is missing; restore models/ or train anew.")
    if sidecar["format"] != FORMAT:
        raise ModelFileError(f"{path}: format {sidecar['format']!r}; this program reads format {FORMAT}.")
    return sidecar


def load_model(directory: Path | None = None, names: ReaderFiles | None = None) -> ModelFiles:
    """Read weights and sidecar from a directory; ModelFileError unless every check passes. Nothing is downloaded."""
    directory, names = SHIPPED if directory is None else Path(directory), names or usual_reader_files()
    sidecar = read_sidecar(directory, names)
    place = str(directory / names.sidecar)
    weights = directory / names.weights
    if not weights.is_file():
        raise ModelFileError(f"{weights}: not found; the weights belong there. Restore models/.")
    if sha256_of(weights) != sidecar["sha256"]:
        raise ModelFileError(
            f"{weights}: is not the file that {names.sidecar} describes (sha256 differs); restore both."
        )
    vocabulary = Vocabulary.from_json(str(sidecar["species"]), sidecar["classes"], place)
    try:
        shape = NetworkShape.from_json(sidecar["network"])
        calibrations = {name: Calibration(**values) for name, values in sidecar["calibration"].items()}
        log_mix = torch.tensor(sidecar["log_mix"], dtype=torch.float64)
    except (TypeError, KeyError, ValueError) as error:
        raise ModelFileError(f"{place}: network, calibration or log_mix is not usable ({error}).") from error
    if shape.n_classes != vocabulary.n_classes or log_mix.shape != (vocabulary.n_total,):
        raise ModelFileError(f"{place}: classes, network and log_mix disagree on how many looks there are.")
    if any(len(c.loci) not in (0, len(vocabulary.loci)) for c in calibrations.values()):
        raise ModelFileError(f"{place}: a calibration trusts other than the {len(vocabulary.loci)} loci there are.")
    network = ReaderNetwork(shape)
    try:
        tensors = {name: value.float() for name, value in load_file(weights).items()}
        network.load_state_dict(_with_counters(tensors, network), strict=True)
    except (SafetensorError, OSError, RuntimeError) as error:
        reason = str(error).splitlines()[0]
        raise ModelFileError(f"{weights}: does not hold this network's weights ({reason}); restore models/.") from error
    return ModelFiles(network.eval(), vocabulary, log_mix, calibrations, tuple(sidecar["stages"]), sidecar)


def save_model(network: ReaderNetwork, directory: Path, sidecar: dict[str, Any]) -> dict[str, Any]:
    """Write weights in half precision and the sidecar beside them; returns the sidecar with hash, sizes and counts."""
    names = usual_reader_files()
    directory.mkdir(parents=True, exist_ok=True)
    tensors = {
        name: value.detach().cpu().half().contiguous()
        for name, value in network.state_dict().items()
        if not name.endswith("num_batches_tracked")
    }
    save_file(tensors, directory / names.weights)
    n_bytes = (directory / names.weights).stat().st_size
    if n_bytes > LARGEST_BYTES:
        raise ModelFileError(f"{directory / names.weights}: {n_bytes} bytes; a weight file stays under {LARGEST_BYTES}.")
    sidecar = {
        **sidecar,
        "format": FORMAT,
        "sha256": sha256_of(directory / names.weights),
        "bytes": n_bytes,
        "parameters": sum(p.numel() for p in network.parameters()),
    }
    write_sidecar(directory, sidecar)
    return sidecar


def write_sidecar(directory: Path, sidecar: dict[str, Any]) -> None:
    write_sealed(directory / usual_reader_files().sidecar, sidecar)


def _with_counters(tensors: dict[str, Tensor], network: ReaderNetwork) -> dict[str, Tensor]:
    """Half precision files leave the batch counters out: reading does not use them."""
    zero = torch.zeros((), dtype=torch.long)
    return {**tensors, **{k: zero for k in network.state_dict() if k.endswith("num_batches_tracked")}}
