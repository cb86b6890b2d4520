"""The network: a small convolutional backbone, one attention query per locus, and terms for pairs of looks.

The backbone follows EfficientNet-Lite0 (Tan and Le 2019, arXiv 1905.11946, without squeeze-excitation and with ReLU6),
so that weights learnt on everyday photographs can start it; further blocks may follow at the end of its stages. Nothing here
knows of training.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any, TypeVar

import torch
import torch.nn.functional as F
from torch import Tensor, nn

from triage.vision.critic import LookEncoder
from triage.vision.likelihood import joint_log_likelihood

#: (times wider inside, channels out, blocks, stride of the first, kernel)
_STAGES = (
    (1, 16, 1, 1, 3),
    (6, 24, 2, 2, 3),
    (6, 40, 2, 2, 5),
    (6, 80, 3, 2, 3),
    (6, 112, 3, 1, 5),
    (6, 192, 4, 2, 5),
    (6, 320, 1, 1, 3),
)
_BN = {"eps": 1e-3, "momentum": 0.01}
#: Blocks of each stage in the plain backbone.
PLAIN_DEPTHS = tuple(stage[2] for stage in _STAGES)


@dataclass(frozen=True)
class NetworkShape:
    """Everything needed to build the network anew. Photos are read at `input_px` and the animal in them is looked for at
    `locate_px`; both are multiples of 32, and 0 means as `input_px`. `critic_width` 0 means heads and pair terms alone. `depths`:
    blocks of each stage of the backbone, at least those of the plain one."""

    n_classes: tuple[int, ...]
    n_stages: int
    input_px: int
    token_width: int = 256
    queries: int = 2
    pair_width: int = 48
    locate_px: int = 0
    critic_width: int = 0
    depths: tuple[int, ...] = PLAIN_DEPTHS

    def to_json(self) -> dict[str, Any]:
        return asdict(self)

    @classmethod
    def from_json(cls, values: dict[str, Any]) -> NetworkShape:
        return cls(**{name: tuple(value) if isinstance(value, list) else value for name, value in values.items()})

    def __post_init__(self) -> None:
        if len(self.depths) != len(PLAIN_DEPTHS) or any(d < least for d, least in zip(self.depths, PLAIN_DEPTHS)):
            raise ValueError(f"depths {self.depths}: needed one number for each stage, at least {PLAIN_DEPTHS}")

    @property
    def looking_px(self) -> int:
        """Side of what the network is shown to find the animal."""
        return self.locate_px or self.input_px


@dataclass(frozen=True)
class Outputs:
    """What the network says of B photos. Logits are raw; classes of all loci lie side by side.

    `looks` (B, n_total), `pairs` (B, pair_width), `critic` (B, critic_width) the photo's code for the critic, `mask`
    (B, 1, px/8, px/8), `company` (B,) log-odds of a second animal (learnt on whole photos of `locate_px`), `stage` (B,
    n_stages), `visible` (B,) logit of the share of the body seen, `attention` (B, n_loci, px/16 * px/16) where each locus
    looked, `features` (B, 1280) the pooled backbone.
    """

    looks: Tensor
    pairs: Tensor
    critic: Tensor
    mask: Tensor
    company: Tensor
    stage: Tensor
    visible: Tensor
    attention: Tensor
    features: Tensor


AnyNetwork = TypeVar("AnyNetwork", bound=nn.Module)


class SameConv(nn.Conv2d):
    """Convolution whose output is ceil(input / stride); the odd pixel of padding goes right and below."""

    def __init__(self, inside: int, out: int, kernel: int, stride: int = 1, groups: int = 1) -> None:
        super().__init__(inside, out, kernel, stride, 0 if stride > 1 else kernel // 2, groups=groups, bias=False)
        self.extra = (kernel - stride) if stride > 1 else 0

    def forward(self, x: Tensor) -> Tensor:
        if self.extra:
            low, high = self.extra // 2, self.extra - self.extra // 2
            x = F.pad(x, (low, high, low, high))
        return super().forward(x)


def _pad_in_kernel(conv: SameConv) -> None:
    """Give a strided kernel a first row and column of zeros, so that even padding does what the uneven one did: copying planes
    to pad them took a sixth of the time."""
    low = conv.extra // 2
    conv.weight.data = F.pad(conv.weight.data, (1, 0, 1, 0))
    conv.kernel_size = (conv.kernel_size[0] + 1, conv.kernel_size[1] + 1)
    conv.padding, conv.extra = (low + 1, low + 1), 0


def _conv(inside: int, out: int, kernel: int, stride: int = 1, groups: int = 1, act: bool = True) -> nn.Sequential:
    layers: list[nn.Module] = [SameConv(inside, out, kernel, stride, groups), nn.BatchNorm2d(out, **_BN)]
    return nn.Sequential(*layers, *([nn.ReLU6(inplace=True)] if act else []))


class Block(nn.Module):
    """Widen, filter each channel, narrow; add the input where shapes allow."""

    def __init__(self, inside: int, out: int, widen: int, stride: int, kernel: int) -> None:
        super().__init__()
        wide = inside * widen
        self.expand = _conv(inside, wide, 1) if widen > 1 else nn.Identity()
        self.filter = _conv(wide, wide, kernel, stride, groups=wide)
        self.project = _conv(wide, out, 1, act=False)
        self.adds = stride == 1 and inside == out

    def forward(self, x: Tensor) -> Tensor:
        y = self.project(self.filter(self.expand(x)))
        return x + y if self.adds else y


class Backbone(nn.Module):
    """Features at 1/8, 1/16 and 1/32 of the input (40, 112 and 1280 channels).

    Blocks beyond the plain depths pass their input on until trained.
    """

    def __init__(self, depths: Sequence[int] = PLAIN_DEPTHS) -> None:
        super().__init__()
        self.stem = _conv(3, 32, 3, 2)
        blocks: list[nn.Module] = []
        inside = 32
        for (widen, out, plain, stride, kernel), depth in zip(_STAGES, depths, strict=True):
            for number in range(depth):
                blocks.append(Block(inside, out, widen, stride if number == 0 else 1, kernel))
                inside = out
                if number >= plain:
                    nn.init.zeros_(blocks[-1].project[1].weight)
        self.blocks = nn.ModuleList(blocks)
        self.fine_at, self.middle_at = sum(depths[:3]) - 1, sum(depths[:5]) - 1
        self.head = _conv(inside, 1280, 1)

    def forward(self, x: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        x = self.stem(x)
        kept = {}
        for number, block in enumerate(self.blocks):
            x = block(x)
            if number in (self.fine_at, self.middle_at):
                kept[number] = x
        return kept[self.fine_at], kept[self.middle_at], self.head(x)


class ReaderNetwork(nn.Module):
    """Photos float32 (B, 3, px, px) in 0..1 sRGB to `Outputs`."""

    def __init__(self, shape: NetworkShape) -> None:
        super().__init__()
        self.shape = shape
        width, n_loci, n_total = shape.token_width, len(shape.n_classes), sum(shape.n_classes)
        self.backbone = Backbone(shape.depths)
        self.fine, self.middle, self.coarse = (_conv(c, width, 1, act=False) for c in (40, 112, 1280))
        self.blend = _conv(width, width, 3, groups=width)
        self.key = nn.Conv2d(width, 64, 1)
        self.query = nn.Parameter(torch.randn(n_loci * shape.queries, 64) * 0.05)
        self.overall = nn.Linear(1280, width)
        self.hidden = nn.Linear(width * (shape.queries + 1), width)
        self.look_weight = nn.Parameter(torch.randn(n_total, width) * 0.02)
        self.look_bias = nn.Parameter(torch.zeros(n_total))
        self.pair_scale = nn.Linear(width, shape.pair_width)
        self.pair_embedding = nn.Parameter(torch.randn(n_total, shape.pair_width) * 0.05)
        self.look_encoder = LookEncoder(n_total, shape.critic_width) if shape.critic_width else None
        self.critic_code = nn.Linear(width, shape.critic_width) if shape.critic_width else None
        if self.critic_code is not None:  # at first the critic adds nothing to what heads and pairs say
            nn.init.zeros_(self.critic_code.weight)
            nn.init.zeros_(self.critic_code.bias)
        self.mask_fine = _conv(40, 64, 1, act=False)
        self.mask_token = _conv(width, 64, 1, act=False)
        self.mask_out = nn.Sequential(_conv(64, 64, 3), nn.Conv2d(64, 1, 1))
        self.company_place = nn.Sequential(_conv(64, 32, 3), nn.Conv2d(32, 1, 1))
        self.company_out = nn.Linear(width, 1)
        self.stage_out = nn.Linear(width, shape.n_stages)
        self.visible_out = nn.Linear(width, 1)
        locus_of = [locus for locus, count in enumerate(shape.n_classes) for _ in range(count)]
        self.register_buffer("locus_of", torch.tensor(locus_of), persistent=False)

    def forward(self, photos: Tensor) -> Outputs:
        c3, c4, c5 = self.backbone((photos * 255.0 - 127.0) / 128.0)
        tokens = self.middle(c4) + F.interpolate(self.coarse(c5), size=c4.shape[-2:], mode="nearest")
        tokens = self.blend(tokens + self.fine(F.avg_pool2d(c3, 2)))  # linear, so thinning may come first
        features = c5.mean((2, 3))
        overall = F.relu6(self.overall(features))

        n_loci, queries, width = len(self.shape.n_classes), self.shape.queries, self.shape.token_width
        scores = torch.einsum("bkhw,qk->bqhw", self.key(tokens), self.query).flatten(2) * 64**-0.5 * 4
        attention = scores.float().softmax(2)
        pooled = torch.einsum("bqt,bwt->bqw", attention.to(tokens.dtype), tokens.flatten(2))
        pooled = pooled.reshape(-1, n_loci, queries * width)
        pooled = torch.cat([pooled, overall[:, None].expand(-1, n_loci, -1)], 2)
        hidden = F.relu6(self.hidden(pooled))
        per_class = hidden.index_select(1, self.locus_of)
        looks = (per_class * self.look_weight).sum(2, dtype=torch.float32) + self.look_bias

        mask = self.mask_fine(c3) + F.interpolate(self.mask_token(tokens), size=c3.shape[-2:], mode="nearest")
        place = F.relu6(mask)
        # a second animal shows in a few places, so the likeliest of them counts, not their mean
        places = self.company_place(place).float().flatten(1)
        elsewhere = places.logsumexp(1) - math.log(places.shape[1])
        return Outputs(
            looks=looks,
            pairs=self.pair_scale(overall).float(),
            critic=overall.new_zeros(len(overall), 0).float() if self.critic_code is None else self.critic_code(overall).float(),
            mask=self.mask_out(place).float(),
            company=elsewhere + self.company_out(overall).float()[:, 0],
            stage=self.stage_out(overall).float(),
            visible=self.visible_out(overall).float()[:, 0],
            attention=attention.reshape(-1, n_loci, queries, attention.shape[2]).mean(2),
            features=features.float(),
        )

    def joint(self, ratios: Tensor, outputs: Outputs, codes: Tensor, offsets: Tensor) -> Tensor:
        """log P(photo | look) up to a constant per photo (B, n); arguments as of `joint_log_likelihood`."""
        return joint_log_likelihood(
            ratios, outputs.pairs, self.pair_embedding, codes, offsets, outputs.critic, self.look_encoder
        )


def fuse(network: AnyNetwork) -> AnyNetwork:
    """Fold every batch normalisation into the convolution before it, and one-sided padding into its kernel, and lay channels
    last, in place; for reading only. A CPU then needs less than half of the time."""
    for module in network.modules():
        if isinstance(module, SameConv) and module.extra:
            _pad_in_kernel(module)
    for module in network.modules():
        if isinstance(module, nn.Sequential) and len(module) >= 2:
            conv, norm = module[0], module[1]
            if isinstance(conv, SameConv) and isinstance(norm, nn.BatchNorm2d):
                scale = norm.weight.data / torch.sqrt(norm.running_var + norm.eps)
                conv.weight.data = conv.weight.data * scale[:, None, None, None]
                conv.bias = nn.Parameter(norm.bias.data - norm.running_mean * scale)
                module[1] = nn.Identity()
    return network.eval().to(memory_format=torch.channels_last)
