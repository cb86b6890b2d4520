"""Where figures and weights come from: the commit of the code, hashes of what is drawn, the device."""

from __future__ import annotations

import hashlib
import os
import subprocess
from pathlib import Path

import torch

from triage.species import load_species, usual_species
from triage.species.drawing import LOOKS
from triage.vision.weights import sha256_of

_PACKAGE = Path(__file__).resolve().parents[1]


def commit_of_code() -> str:
    """The commit the code stands at, or "unknown" outside a checkout; GIT_COMMIT in the environment wins."""
    given = os.environ.get("GIT_COMMIT")
    if given:
        return given
    try:
        asked = subprocess.run(["git", "rev-parse", "HEAD"], cwd=_PACKAGE.parent, check=True, capture_output=True, text=True)
    except (OSError, subprocess.CalledProcessError):
        return "unknown"
    return asked.stdout.strip()


def data_hashes() -> dict[str, str]:
    """What, together with the seeds, says which photos were drawn."""
    return {"looks_sha256": looks_hash(), "hatchery_sha256": hatchery_hash()}


def looks_hash() -> str:
    """Hash of the looks file of the usual species."""
    return sha256_of(_PACKAGE / "species" / "data" / load_species(usual_species()).key / LOOKS)


def hatchery_hash() -> str:
    """One hash over the renderer's source, names of files included."""
    whole = hashlib.sha256()
    folder = _PACKAGE / "hatchery"
    for path in sorted(folder.rglob("*.py")):
        whole.update(path.relative_to(folder).as_posix().encode() + path.read_bytes())
    return whole.hexdigest()


def device_name() -> str:
    """The GPU's own name, or CPU."""
    return torch.cuda.get_device_name() if torch.cuda.is_available() else "CPU"
