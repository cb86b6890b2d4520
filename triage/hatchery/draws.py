"""Random numbers that depend on a seed and a place in a table, and on nothing else.

A counter-based generator: integer mixing of (seed, salt, counter), evaluated on whatever device the seeds lie on.
No state is kept, so a photo does not depend on the batch it is drawn in, and CPU and GPU give the same numbers.
The mixing constants are the two-round 32-bit integer hash "lowbias32" (Chris Wellons, public domain, 2018).
"""

from collections.abc import Sequence

import torch
from torch import Tensor

_FIRST_FACTOR = 0x7FEB352D
_SECOND_FACTOR = 0x846CA68B - (1 << 32)  # the same bits as a signed 32-bit number
_COUNTER_STEP = 0x9E3779B9 - (1 << 32)


def seed_tensor(seeds: Sequence[int] | Tensor, device: torch.device | str) -> Tensor:
    """Seeds as int64 (B,) on `device`; integers outside 64 bits are folded into them."""
    if isinstance(seeds, Tensor):
        return seeds.to(device=device, dtype=torch.int64)
    folded = [((int(seed) + (1 << 63)) % (1 << 64)) - (1 << 63) for seed in seeds]
    return torch.tensor(folded, dtype=torch.int64, device=device)


def mix(value: Tensor) -> Tensor:
    """Scramble int32 `value`, element by element; every input bit reaches every output bit."""
    value = value ^ ((value >> 16) & 0xFFFF)
    value = value * _FIRST_FACTOR
    value = value ^ ((value >> 15) & 0x1FFFF)
    value = value * _SECOND_FACTOR
    return value ^ ((value >> 16) & 0xFFFF)


def _words(seeds: Tensor, salt: int, count: int) -> Tensor:
    """int32 (B, count): one scrambled word per seed and counter."""
    low = _low_word(seeds)
    high = (seeds >> 32).to(torch.int32)
    key = mix(low ^ mix(high + salt * 0x3C6EF372 % (1 << 31)))
    counter = torch.arange(count, device=seeds.device, dtype=torch.int32) * _COUNTER_STEP
    return mix(key[:, None] + counter)


def _low_word(seeds: Tensor) -> Tensor:
    low = seeds & 0xFFFFFFFF
    return torch.where(low >= 1 << 31, low - (1 << 32), low).to(torch.int32)


def uniform(seeds: Tensor, salt: int, *shape: int) -> Tensor:
    """float32 (B, *shape), uniform on [0, 1) in steps of 2**-24."""
    count = _count(shape)
    return ((_words(seeds, salt, count) & 0xFFFFFF).float() * 2.0**-24).reshape(len(seeds), *shape)


def normal(seeds: Tensor, salt: int, *shape: int) -> Tensor:
    """float32 (B, *shape), close to standard normal: a scaled sum of four 16-bit uniforms, so never beyond 3.47.

    Sums of integers are exact, hence equal on every device; the short tail also keeps odd animals out.
    """
    count = _count(shape)
    words = _words(seeds, salt, 2 * count)
    total = (words & 0xFFFF) + ((words >> 16) & 0xFFFF)
    total = total[:, :count] + total[:, count:]
    return ((total.float() - 131070.0) * (3.0**0.5 / 65536.0)).reshape(len(seeds), *shape)


def coarse_normal(seeds: Tensor, salt: int, *shape: int) -> Tensor:
    """As `normal` with 1,021 levels for half the work: fit for sensor noise and textures."""
    words = _words(seeds, salt, _count(shape))
    total = (words & 0xFF) + ((words >> 8) & 0xFF) + ((words >> 16) & 0xFF) + ((words >> 24) & 0xFF)
    return ((total.float() - 510.0) * (3.0**0.5 / 256.0)).reshape(len(seeds), *shape)


def _count(shape: tuple[int, ...]) -> int:
    count = 1
    for length in shape:
        count *= length
    return count


def pixel_noise(seeds: Tensor, salt: int, height: int, width: int) -> Tensor:
    """float32 (B, 3, height, width): uniform noise of mean 0 and variance 1, three channels from one word a pixel."""
    words = _words(seeds, salt, height * width)
    channels = torch.stack([words & 0x3FF, (words >> 10) & 0x3FF, (words >> 20) & 0x3FF], 1)
    return ((channels.float() - 511.5) * (12.0**0.5 / 1024.0)).reshape(len(seeds), 3, height, width)
