"""From network outputs to log P(photo | look): divide out the training mix, add pairs of looks.

Arrays may be NumPy arrays or torch tensors: training and reading share these lines.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import torch
from torch import Tensor

from triage.vision.critic import LookEncoder, critic_score


def divide_out_training_mix(look_logits: Tensor, log_mix: Tensor, n_classes: Sequence[int]) -> Tensor:
    """log P(look | photo) - log P(look in training), per locus: log P(photo | look) up to a constant per photo.

    Parameters
    ----------
    look_logits
        (B, n_total), classes of all loci side by side.
    log_mix
        (n_total,) log share of each class among the training photos.

    Notes
    -----
    A classifier's softmax carries the class mix it was trained on; Bayes' rule divides it out (Hermans et al. 2020,
    arXiv 1903.04057: posterior = prior x ratio).
    """
    places, missing, back = _padding(tuple(n_classes), str(look_logits.device))
    padded = look_logits[:, places].masked_fill(missing, -1e30)  # all loci at once, the short ones filled up
    return padded.log_softmax(-1).flatten(1)[:, back] - log_mix


@lru_cache(maxsize=8)
def _padding(n_classes: tuple[int, ...], device: str) -> tuple[Tensor, Tensor, Tensor]:
    """Flat class of every locus and column, which columns a locus lacks, both (n_loci, most), and the way back (n_total,).

    Kept on the device: making them anew would wait for it at every step of training.
    """
    with torch.inference_mode(False):  # kept for training too, whoever asks first
        counts = torch.tensor(n_classes)
        column = torch.arange(int(counts.max()))
        real = column < counts[:, None]
        places = (counts.cumsum(0) - counts)[:, None] + torch.minimum(column, counts[:, None] - 1)
        return places.to(device), ~real.to(device), real.flatten().nonzero()[:, 0].to(device)


def pair_terms(scale: Tensor, embedding: Tensor, flat_codes: Tensor, wild: Tensor) -> Tensor:
    """What pairs of looks add beyond each alone: sum over l < m of sum_k scale_k e_lk e_mk, float (B, n).

    `scale` (B, k) comes from the photo, `embedding` (n_total, k) from the looks, `flat_codes` (B, n, n_loci) or
    (n, n_loci) are flat classes, `wild` (n_total,) is true where a class is the wild look, which takes no part.
    The sum over pairs is half of (square of the sum - sum of the squares): Rendle 2010, "Factorization machines", eq. 5.
    """
    table = embedding * (~wild)[:, None]
    # shown (..., n_total) is 1 where a look shows a class: a product with it is far quicker to learn through than look-ups
    shown = torch.zeros(*flat_codes.shape[:-1], len(table), dtype=table.dtype, device=table.device)
    shown.scatter_(-1, flat_codes, 1.0)
    total = (shown @ table).square() - shown @ table.square()
    return 0.5 * (total @ scale[..., None]).squeeze(-1) if total.dim() == 3 else 0.5 * scale @ total.T


def joint_log_likelihood(
    ratios: Tensor,
    pairs: Tensor,
    embedding: Tensor,
    codes: Tensor,
    offsets: Tensor,
    critic: Tensor | None = None,
    encoder: LookEncoder | None = None,
) -> Tensor:
    """log P(photo | visual call) up to a constant per photo, (B, n).

    `ratios` (B, n_total) from `divide_out_training_mix`, `codes` (n, n_loci) or (B, n, n_loci) classes per locus; `critic` (B,
    critic_width) the photo's code where the network has an `encoder` of looks.
    """
    flat = codes + offsets
    wild = torch.zeros(ratios.shape[-1], dtype=torch.bool, device=ratios.device)
    wild[offsets] = True
    single = (
        ratios[:, flat].sum(-1)
        if flat.dim() == 2
        else torch.gather(ratios, 1, flat.flatten(1)).reshape(flat.shape).sum(-1)
    )
    joint = single + pair_terms(pairs, embedding, flat, wild)
    return joint if encoder is None else joint + critic_score(critic, encoder(flat))


@dataclass(frozen=True)
class Calibration:
    """How far readings are believed: L' = (1 - eps) L^beta / norm + eps / n.

    `loci`: trust in each locus' own evidence beside beta, in the vocabulary's order; empty is 1 for all. `together`: the same
    for what pairs of looks and the critic add.
    `photo_exponent`: n photos of one animal count as n**(1 - photo_exponent) independent ones.
    `shortlist`: a call is on the 95 % shortlist while the likelier ones together have no more than this (`mass_above`).
    `fitted_on`: words for the sidecar.
    """

    beta: float
    eps: float
    photo_exponent: float
    shortlist: float
    fitted_on: str
    loci: tuple[float, ...] = ()
    together: float = 1.0

    def __post_init__(self) -> None:
        object.__setattr__(self, "loci", tuple(self.loci))
        exponents = (self.beta, self.together, *self.loci)
        if not (min(exponents) > 0 and 0 < self.eps < 1 and 0 <= self.photo_exponent <= 1 and 0 <= self.shortlist <= 1):
            raise ValueError(f"calibration out of range: {self}")

    def of_classes(self, n_classes: Sequence[int]) -> np.ndarray:
        """Trust in the evidence for each class, those of all loci side by side, float64 (n_total,)."""
        return np.repeat(self.loci or np.ones(len(n_classes)), n_classes)

    def to_json(self) -> dict[str, Any]:
        return asdict(self)
