"""Which point of the body each pixel sees.

Points on the half of the body that faces the camera, evenly spaced on the picture, are projected; each pixel keeps the
nearest one (scatter of a packed depth-and-index key, minimum). Minimum is exact, so the result has no order in it.
"""

from dataclasses import dataclass

import torch
import torch.nn.functional as F
from torch import Tensor

from triage.hatchery.body import RADIUS, stations
from triage.hatchery.camera import ZOOM_LIMIT, Camera
from triage.hatchery.pose import NODES, Pose

_DENSITY = 1.25  # points per pixel at the closest zoom
_FAR = 1 << 62
_DEPTH_STEPS = 1 << 20


@dataclass(frozen=True)
class Pixels:
    """The pixels that see the animal: n columns a photo, as many as the photo of the batch that has most.

    `seen` bool (B, H, H). `columns` int64 (B, n): flat indices of those pixels, H * H where a photo has fewer; what
    stands in such a column is arbitrary and never reaches the picture.
    Per pixel (B, n): `seen_flat` float, `s`, `v`, `girths`, `width`; vectors (B, 3, n): `position`, `normal`, `along`,
    `side`.
    """

    seen: Tensor
    columns: Tensor
    seen_flat: Tensor
    s: Tensor
    v: Tensor
    girths: Tensor
    width: Tensor
    position: Tensor
    normal: Tensor
    along: Tensor
    side: Tensor

    def spread(self, values: Tensor) -> Tensor:
        """(B, C, n) -> planes (B, C, H, H), zero where the animal is not seen."""
        batch, channels, _ = values.shape
        height = self.seen.shape[-1]
        planes = torch.zeros(batch, channels, height * height + 1, device=values.device)
        planes.scatter_(2, self.columns[:, None].expand(-1, channels, -1), values)
        return planes[..., :-1].reshape(batch, channels, height, height)

    def pick(self, planes: Tensor) -> Tensor:
        """Planes (B, C, H, H) -> (B, C, n)."""
        flat = planes.flatten(2)
        place = self.columns.clamp(max=flat.shape[2] - 1)
        return flat.gather(2, place[:, None].expand(-1, flat.shape[1], -1))


def unit(vectors: Tensor) -> Tensor:
    """(B, 3, n) scaled to length 1, summed in a fixed order."""
    x, y, z = vectors.unbind(1)
    return vectors * torch.rsqrt((x * x + y * y + z * z).clamp(min=1e-12))[:, None]


def _frame(pose: Pose, count: int) -> dict[str, Tensor]:
    """The body's frame at `count` stations: position, along, side, up, each (B, 3, count)."""
    nodes = pose.nodes.transpose(1, 2)
    before, after = 2 * nodes[..., :1] - nodes[..., 1:2], 2 * nodes[..., -1:] - nodes[..., -2:-1]
    padded = torch.cat([before, nodes, after], 2)
    place = torch.linspace(0, NODES - 1, count, device=nodes.device)
    index = place.long().clamp(0, NODES - 2)
    t = place - index
    p0, p1, p2, p3 = (padded[..., index + step] for step in range(4))  # Catmull-Rom
    second, third = 2 * p0 - 5 * p1 + 4 * p2 - p3, 3 * p1 - p0 - 3 * p2 + p3
    position = 0.5 * (2 * p1 + t * ((p2 - p0) + t * (second + t * third)))
    along = unit(p2 - p0 + t * (2 * second + 3 * t * third))
    flat = torch.stack([along[:, 1], -along[:, 0], torch.zeros_like(along[:, 0])], 1)
    side = unit(flat)
    up = torch.stack(
        [
            side[:, 1] * along[:, 2] - side[:, 2] * along[:, 1],
            side[:, 2] * along[:, 0] - side[:, 0] * along[:, 2],
            side[:, 0] * along[:, 1] - side[:, 1] * along[:, 0],
        ],
        1,
    )
    roll = pose.roll[:, index] * (1 - t) + pose.roll[:, index + 1] * t
    cos, sin = roll.cos()[:, None], roll.sin()[:, None]
    return {"position": position, "along": along, "side": side * cos + up * sin, "up": up * cos - side * sin}


def rasterise(pose: Pose, camera: Camera, height: int) -> Pixels:
    """What each of height x height pixels sees."""
    batch, device = len(pose.nodes), pose.nodes.device
    count = int(height * ZOOM_LIMIT * _DENSITY)
    rings = int(height * ZOOM_LIMIT * 2 * RADIUS * _DENSITY)  # across the body
    bits = (rings - 1).bit_length()
    tables = stations(count, str(device))
    width, tall = tables["width"], tables["height"]
    frame = _frame(pose, count)
    position, side, up = frame["position"], frame["side"], frame["up"]

    # the facing half is phi0 +- 90 degrees; offset = sin(phi - phi0) runs evenly across the silhouette
    view = unit(camera.position[:, :, None] - position)
    towards_side = (view * side)[:, 0] + (view * side)[:, 1] + (view * side)[:, 2]
    towards_up = (view * up)[:, 0] + (view * up)[:, 1] + (view * up)[:, 2]
    facing = torch.atan2(towards_side * tall, towards_up * width)  # (B, count)
    sin0, cos0 = facing.sin(), facing.cos()
    wide, high = side * width, up * tall
    steps = (torch.arange(rings, device=device) + 0.5) / rings * 2 - 1
    steps = steps * 0.9999
    rise = (1 - steps * steps).sqrt()
    centre = camera.turn((position - camera.target[..., None]).transpose(1, 2))
    across = camera.turn((wide * cos0[:, None] - high * sin0[:, None]).transpose(1, 2))
    outward = camera.turn((wide * sin0[:, None] + high * cos0[:, None]).transpose(1, 2))
    right, top, towards = (
        c[..., None] + a[..., None] * steps + o[..., None] * rise
        for c, a, o in zip(centre, across, outward, strict=True)
    )
    depth = (camera.distance.view(-1, 1, 1) - towards).clamp(min=0.02)
    per_depth = (camera.focal * height).view(-1, 1, 1) / depth
    column = (0.5 * height + right * per_depth).floor()
    row = (0.5 * height - top * per_depth).floor()
    inside = (column >= 0) & (column < height) & (row >= 0) & (row < height)
    target = torch.where(inside, row * height + column, float(height * height)).long()
    nearness = ((depth - camera.distance.view(-1, 1, 1)) * 0.5 + 0.5).clamp(0, 1)  # bodies are 1 long: depth varies less
    key = (nearness * (_DEPTH_STEPS - 1)).long() << 24
    key = key + (torch.arange(count, device=device)[:, None] << bits) + torch.arange(rings, device=device)
    nearest = torch.full((batch, height * height + 1), _FAR, device=device, dtype=torch.int64)
    nearest.scatter_reduce_(1, target.flatten(1), key.flatten(1), "amin")
    nearest = _fill_pinholes(nearest[:, :-1].view(batch, height, height))
    seen = nearest < _FAR
    columns = _seen_columns(seen.flatten(1))
    flat = F.pad(nearest.flatten(1), (0, 1), value=_FAR).gather(1, columns)
    seen_flat = (flat < _FAR).float()
    index = (flat & ((1 << 24) - 1)) * (flat < _FAR)
    station, ring = index >> bits, index & ((1 << bits) - 1)
    phi = facing.gather(1, station) + torch.asin(steps)[ring]
    table = torch.cat(
        [
            torch.stack([tables[name] for name in ("s", "girths", "width", "height", "taper")]).expand(batch, -1, -1),
            position, frame["along"], side, up,
        ],
        1,
    )  # fmt: skip
    picked = table.gather(2, station[:, None].expand(-1, table.shape[1], -1))
    s, girths, w, h, taper = picked[:, :5].unbind(1)
    centre_p, along_p, side_p, up_p = (picked[:, start : start + 3] for start in (5, 8, 11, 14))
    sin, cos = phi.sin(), phi.cos()
    point = centre_p + side_p * (w * sin)[:, None] + up_p * (h * cos)[:, None]
    around = side_p * (w * cos)[:, None] - up_p * (h * sin)[:, None]
    ds, dphi = _to_pixel_centre(point, along_p, around, camera, height, columns, 1.5 / count)
    normal = unit(side_p * (sin / w)[:, None] + up_p * (cos / h)[:, None])
    normal = unit(normal - along_p * taper.clamp(-2, 2)[:, None])
    v = (phi + dphi) / (2 * torch.pi)
    v = v - (v + 0.5).floor()
    girths = girths + ds / (2 * torch.pi * w).clamp(min=0.012)
    return Pixels(seen, columns, seen_flat, (s + ds).clamp(0, 1), v, girths, w, point, normal, along_p, side_p)


def _seen_columns(seen: Tensor) -> Tensor:
    """Flat indices (B, n) of the true places of bool (B, P), in order, filled up with P."""
    batch, places = seen.shape
    photo, place = seen.nonzero(as_tuple=True)
    rank = seen.cumsum(1)
    most = max(1, int(rank[:, -1].max()))
    columns = torch.full((batch, most), places, device=seen.device)
    columns[photo, rank[photo, place] - 1] = place
    return columns


def _to_pixel_centre(
    point: Tensor, along: Tensor, around: Tensor, camera: Camera, height: int, columns: Tensor, limit: float
) -> tuple[Tensor, Tensor]:
    """How far to move along and around the body (B, n) to stand at the pixel's centre; fine pattern moires without.

    First order, from the tangents `along` (per body length) and `around` (per radian); nothing near the silhouette.
    """
    right, up, towards = camera.turn((point - camera.target[..., None]).transpose(1, 2))
    scale = (camera.focal * height)[:, None] / (camera.distance[:, None] - towards).clamp(min=0.02)
    rest_x = (columns % height + 0.5 - 0.5 * height) - right * scale
    rest_y = (0.5 * height - 0.5 - torch.div(columns, height, rounding_mode="floor")) - up * scale  # upwards
    along_x, along_y, _ = camera.turn(along.transpose(1, 2))
    around_x, around_y, _ = camera.turn(around.transpose(1, 2))
    determinant = (along_x * around_y - around_x * along_y) * scale
    usable = determinant.abs() > 0.15 * RADIUS * scale
    inverse = torch.where(usable, 1 / determinant, 0.0)
    ds = (around_y * rest_x - around_x * rest_y) * inverse
    dphi = (along_x * rest_y - along_y * rest_x) * inverse
    return ds.clamp(-limit, limit), dphi.clamp(-0.15, 0.15)


def _fill_pinholes(nearest: Tensor) -> Tensor:
    """Give a lone empty pixel, most of whose neighbours see the animal, its nearest neighbour's point."""
    covered = (nearest < _FAR).float()
    crowd = F.avg_pool2d(covered[:, None], 3, 1, 1)[:, 0]
    hole = (covered == 0) & (crowd > 0.6)
    padded = F.pad(nearest, (1, 1, 1, 1), value=_FAR)
    across = torch.minimum(torch.minimum(padded[:, :, :-2], padded[:, :, 1:-1]), padded[:, :, 2:])
    around = torch.minimum(torch.minimum(across[:, :-2], across[:, 1:-1]), across[:, 2:])
    return torch.where(hole, around, nearest)
