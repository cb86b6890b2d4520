"""Numbers from seeds: the published hash, uniformity, independence of the batch."""

import torch

from triage.hatchery import draws


def test_mixing_is_lowbias32():
    """Against the definition of the hash (C. Wellons, "Prospecting for Hash Functions", 2018) in unbounded integers."""
    values = [0, 1, 2, 0x7FFFFFFF, 0x80000000, 0xDEADBEEF, 0xFFFFFFFF]

    def lowbias32(x: int) -> int:
        x = (x ^ (x >> 16)) * 0x7FEB352D % 2**32
        x = (x ^ (x >> 15)) * 0x846CA68B % 2**32
        return x ^ (x >> 16)

    signed = torch.tensor([v - 2**32 if v >= 2**31 else v for v in values], dtype=torch.int32)
    mixed = [int(v) % 2**32 for v in draws.mix(signed)]
    assert mixed == [lowbias32(v) for v in values]


def test_a_row_depends_on_its_own_seed_alone():
    many = draws.normal(draws.seed_tensor(range(50), "cpu"), 7, 5, 4)
    one = draws.normal(draws.seed_tensor([31], "cpu"), 7, 5, 4)
    assert torch.equal(many[31], one[0])
    other = draws.normal(draws.seed_tensor([31], "cpu"), 8, 5, 4)
    assert not torch.equal(one, other)


def test_any_integer_is_a_seed():
    seeds = draws.seed_tensor([-1, 2**64 - 1, 2**63, -(2**63), 2**31, 2**32 + 5, 5], "cpu")
    rows = draws.uniform(seeds, 1, 3)
    assert torch.equal(rows[0], rows[1]) and torch.equal(rows[2], rows[3])  # equal modulo 2**64
    assert len({tuple(row.tolist()) for row in rows}) == 5


def test_uniform_and_normal_have_their_moments():
    seeds = draws.seed_tensor(range(2000), "cpu")
    u = draws.uniform(seeds, 3, 20).double()
    assert float(u.min()) >= 0 and float(u.max()) < 1
    # mean 1/2, variance 1/12; five standard errors of 40,000 draws
    assert abs(float(u.mean()) - 0.5) < 5 * (1 / 12 / 40000) ** 0.5
    for kind in (draws.normal, draws.coarse_normal):
        z = kind(seeds, 4, 20).double()
        assert abs(float(z.mean())) < 5 / 200
        assert abs(float(z.var()) - 1) < 0.03
        correlation = torch.corrcoef(z.T)
        assert float((correlation - torch.eye(20)).abs().max()) < 5 / 2000**0.5
    noise = draws.pixel_noise(seeds[:4], 5, 64, 64).double()
    assert abs(float(noise.var()) - 1) < 0.02 and abs(float(noise.mean())) < 0.02
