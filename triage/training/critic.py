"""A contrastive critic by itself: how well an encoded photo and an encoded look go together, trained on siblings alone.

The design that independent heads are compared with: it can express any interaction of genes, and has to learn all of them. The
shipped design can have the same critic beside its heads (`NetworkShape.critic_width`).
"""

from __future__ import annotations

import torch
from torch import Tensor, nn

from triage.vision.critic import LookEncoder, critic_score


class Critic(nn.Module):
    """Scores of looks for photos. `photo_width` is the width of the photo's code, `n_total` the number of classes."""

    def __init__(self, n_total: int, photo_width: int, width: int = 256) -> None:
        super().__init__()
        self.looks = LookEncoder(n_total, width)
        self.photo = nn.Linear(photo_width, width)
        self.scale = nn.Parameter(torch.tensor(0.0))

    def forward(self, photo: Tensor, codes: Tensor, offsets: Tensor) -> Tensor:
        """Scores (B, n) of looks `codes` (n, n_loci) or (B, n, n_loci) for photo codes (B, photo_width)."""
        return critic_score(self.photo(photo) * self.scale.exp(), self.looks(codes + offsets))
