"""What a photo shows in numbers: depths of pigment, count and width of blotches, where the belly begins, and so on.

A look is a word for a region of these numbers. Estimating them teaches a network far more per photo than the word does, and a
whole animal is then judged by all of them together.
"""

from __future__ import annotations

import torch
import torch.nn.functional as F
from torch import Tensor, nn

_KEY_WIDTH = 64
_HIDDEN = 128
#: An error is never taken for smaller or larger than these, in logs of a trait's standard deviation among animals.
LEAST_LOG_ERROR, MOST_LOG_ERROR = -4.0, 1.0


class TraitHead(nn.Module):
    """One attention query per trait, then its estimate and the log of the error to expect.

    Traits are in standard deviations from their mean among the animals trained on.
    """

    def __init__(self, n_traits: int, width: int) -> None:
        super().__init__()
        self.query = nn.Parameter(torch.randn(n_traits, _KEY_WIDTH) * 0.05)
        self.hidden = nn.Linear(2 * width, _HIDDEN)
        self.weight = nn.Parameter(torch.randn(n_traits, 2, _HIDDEN) * 0.02)
        self.bias = nn.Parameter(torch.zeros(n_traits, 2))
        self.code = nn.Sequential(nn.Linear(2 * n_traits, width), nn.GELU(), nn.Linear(width, width), nn.GELU())

    def forward(self, pooled: Tensor, overall: Tensor) -> tuple[Tensor, Tensor]:
        """(B, n_traits, width) pooled where each trait looked and (B, width) of the whole photo, to estimates (B, n_traits, 2)
        and a code of them all (B, width)."""
        seen = torch.cat([pooled, overall[:, None].expand(-1, pooled.shape[1], -1)], 2)
        hidden = F.relu6(self.hidden(seen))
        both = (hidden[:, :, None] * self.weight).sum(3, dtype=torch.float32) + self.bias
        estimates = torch.stack([both[..., 0], both[..., 1].clamp(LEAST_LOG_ERROR, MOST_LOG_ERROR)], 2)
        return estimates, self.code(estimates.flatten(1).to(overall.dtype))


def trait_loss(estimates: Tensor, traits: Tensor) -> Tensor:
    """Mean negative log density of traits (B, n_traits) under Laplace laws of the estimates, a scalar up to a constant.

    Laplace rather than normal, so that a hidden belly or a thumb over the head does not outweigh the rest.
    """
    log_error = estimates[..., 1]
    return (log_error + (traits - estimates[..., 0]).abs() * torch.exp(-log_error)).mean()
