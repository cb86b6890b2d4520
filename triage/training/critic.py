"""A contrastive critic: how well an encoded photo and an encoded look go together, trained on siblings alone.

The design that independent heads are compared with: it can express any interaction of genes, and has to learn all of
them. Its loss is InfoNCE (van den Oord et al. 2018, arXiv 1807.03748, eq. 4) with siblings and the rest of the batch as
negatives; at the optimum the score is log P(photo | look) up to a constant per photo.
"""

from __future__ import annotations

import torch
import torch.nn.functional as F
from torch import Tensor, nn


class Critic(nn.Module):
    """Scores of looks for photos. `photo_width` is the width of the photo's code, `n_total` the number of classes."""

    def __init__(self, n_total: int, photo_width: int, width: int = 256) -> None:
        super().__init__()
        self.look = nn.Parameter(torch.randn(n_total, width) * 0.1)
        self.mixer = nn.Sequential(nn.Linear(width, 2 * width), nn.GELU(), nn.Linear(2 * width, width))
        self.photo = nn.Linear(photo_width, width)
        self.scale = nn.Parameter(torch.tensor(0.0))

    def forward(self, photo: Tensor, codes: Tensor, offsets: Tensor) -> Tensor:
        """Scores (B, n) of looks `codes` (n, n_loci) or (B, n, n_loci) for photo codes (B, photo_width)."""
        looks = self.encode_looks(codes, offsets)
        shown = self.photo(photo) * self.scale.exp() / looks.shape[-1] ** 0.5
        return shown @ looks.T if looks.dim() == 2 else (looks @ shown[..., None])[..., 0]

    def encode_looks(self, codes: Tensor, offsets: Tensor) -> Tensor:
        """Codes of looks (..., width): a sum over loci, then mixed."""
        total = self.look[codes + offsets].sum(-2)
        return total + self.mixer(F.layer_norm(total, total.shape[-1:]))
