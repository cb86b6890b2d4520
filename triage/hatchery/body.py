"""Proportions of a hatchling: length, girth, head; widths along the body as tables."""

from functools import lru_cache

import torch
from torch import Tensor

GIRTHS = 5.5  # body length in mid-body girths
HEAD = 0.068  # head length as a share of body length
RADIUS = 0.0295  # mid-body radius, in body lengths

# s (0 snout, 1 tail tip), half width, half height; widths in mid-body radii
_PROFILE = torch.tensor(
    [
        [0.000, 0.05, 0.05], [0.003, 0.35, 0.21], [0.009, 0.49, 0.31], [0.020, 0.60, 0.41], [0.034, 0.76, 0.50],
        [0.047, 0.86, 0.54], [0.058, 0.82, 0.53], [0.073, 0.60, 0.50], [0.092, 0.52, 0.51], [0.130, 0.66, 0.63],
        [0.220, 0.87, 0.84], [0.380, 1.00, 0.97], [0.620, 1.00, 0.97], [0.780, 0.90, 0.87], [0.870, 0.72, 0.70],
        [0.915, 0.55, 0.53], [0.955, 0.34, 0.33], [0.985, 0.17, 0.17], [1.000, 0.02, 0.02],
    ]
)  # fmt: skip


def _interpolate(query: Tensor, places: Tensor, values: Tensor) -> Tensor:
    index = torch.searchsorted(places, query.contiguous()).clamp(1, len(places) - 1)
    share = ((query - places[index - 1]) / (places[index] - places[index - 1])).clamp(0, 1)
    return values[index - 1] + (values[index] - values[index - 1]) * share


@lru_cache(maxsize=64)
def stations(count: int, device: str) -> dict[str, Tensor]:
    """Tables (count,) over evenly spaced stations.

    `s`; `width` and `height`: half axes in body lengths; `taper`: d radius / ds; `girths`: distance along the spine
    measured in local girths (scales keep their shape where the body thins).
    """
    s = torch.linspace(0, 1, count)
    places = _PROFILE[:, 0].contiguous()
    width = _interpolate(s, places, _PROFILE[:, 1]) * RADIUS
    height = _interpolate(s, places, _PROFILE[:, 2]) * RADIUS
    mean = 0.5 * (width + height)
    ahead = _interpolate((s + 0.003).clamp(max=1), places, (_PROFILE[:, 1] + _PROFILE[:, 2]) * 0.5 * RADIUS)
    behind = _interpolate((s - 0.003).clamp(min=0), places, (_PROFILE[:, 1] + _PROFILE[:, 2]) * 0.5 * RADIUS)
    step = 1.0 / (count - 1)
    girths = torch.cumsum(step / (2 * torch.pi * mean).clamp(min=0.012), 0)
    tables = {"s": s, "width": width, "height": height, "taper": (ahead - behind) / 0.006, "girths": girths}
    return {name: table.to(device) for name, table in tables.items()}
