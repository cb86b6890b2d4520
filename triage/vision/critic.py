"""What whole looks show beyond one locus at a time: a code of a look, to be set against a code of a photo.

A sum over loci that is then mixed, so that any interaction of genes can be expressed, of combinations never trained on too. The
score is a residual of the heads and pair terms; it is trained with them, by telling the true look from its siblings (InfoNCE, van
den Oord et al. 2018, arXiv 1807.03748, eq. 4), at whose optimum the whole is log P(photo | look) up to a constant per photo.
"""

from __future__ import annotations

import torch
import torch.nn.functional as F
from torch import Tensor, nn


class LookEncoder(nn.Module):
    """Codes of looks. `n_total` classes of all loci side by side, codes of `width` numbers."""

    def __init__(self, n_total: int, width: int) -> None:
        super().__init__()
        self.look = nn.Parameter(torch.randn(n_total, width) * 0.1)
        self.mixer = nn.Sequential(nn.Linear(width, 2 * width), nn.GELU(), nn.Linear(2 * width, width))

    def forward(self, flat_codes: Tensor) -> Tensor:
        """(..., n_loci) flat classes to (..., width)."""
        # one product with what a look shows is far quicker to learn through than look-ups
        shown = torch.zeros(*flat_codes.shape[:-1], len(self.look), dtype=self.look.dtype, device=self.look.device)
        shown.scatter_(-1, flat_codes, 1.0)
        total = shown @ self.look
        return total + self.mixer(F.layer_norm(total, total.shape[-1:]))


def critic_score(photo: Tensor, looks: Tensor) -> Tensor:
    """Scores (B, n) of looks (n, width) or (B, n, width) for photo codes (B, width)."""
    shown = photo / looks.shape[-1] ** 0.5
    return shown @ looks.T if looks.dim() == 2 else (looks @ shown[..., None])[..., 0]
