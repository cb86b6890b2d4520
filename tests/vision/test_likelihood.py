"""Dividing out the training mix, pair terms, tempering and joining of photos, against closed forms."""

import numpy as np
import pytest
import torch
from hypothesis import given, settings
from hypothesis import strategies as st

from triage.genetics.readings import combine_photos, temper
from triage.vision.critic import LookEncoder
from triage.vision.likelihood import (
    Calibration,
    divide_out_training_mix,
    joint_log_likelihood,
    pair_terms,
)
from triage.vision.shortlist import mass_above

COUNTS = (3, 2, 4)


def test_dividing_out_the_mix_recovers_the_likelihood():
    """p(look | photo) = mix * likelihood / norm by construction, so the ratio is the likelihood up to a constant."""
    generator = torch.Generator().manual_seed(0)
    likelihood = torch.rand(5, 9, generator=generator, dtype=torch.float64) + 0.1
    mix = torch.cat([torch.distributions.Dirichlet(torch.ones(n, dtype=torch.float64)).sample() for n in COUNTS])
    ratios = divide_out_training_mix((likelihood * mix).log() + 3.0, mix.log(), COUNTS)
    for ratio, wanted in zip(ratios.split(COUNTS, 1), likelihood.log().split(COUNTS, 1)):
        difference = ratio - wanted
        assert torch.allclose(difference, difference[:, :1].expand_as(difference), atol=1e-12)


def test_the_mix_cancels():
    """Training with twice as many pastels changes the logits by log 2 and the reading not at all."""
    logits, mix = torch.randn(2, 9, dtype=torch.float64), torch.full((9,), 0.25, dtype=torch.float64)
    more = torch.zeros(9, dtype=torch.float64)
    more[1] = np.log(2)
    a = divide_out_training_mix(logits, mix.log(), COUNTS)
    b = divide_out_training_mix(logits + more, mix.log() + more, COUNTS)
    for x, y in zip(a.split(COUNTS, 1), b.split(COUNTS, 1)):
        assert torch.allclose(x - x[:, :1], y - y[:, :1], atol=1e-12)


def test_pair_terms_equal_the_sum_over_pairs():
    generator = torch.Generator().manual_seed(1)
    scale, embedding = torch.randn(2, 5, generator=generator), torch.randn(9, 5, generator=generator)
    wild = torch.zeros(9, dtype=torch.bool)
    wild[[0, 3, 5]] = True
    codes = torch.tensor([[1, 4, 6], [0, 4, 8], [2, 3, 5], [1, 3, 7]])
    found = pair_terms(scale, embedding, codes, wild)
    for b in range(2):
        for row, chosen in enumerate(codes.tolist()):
            shown = [c for c in chosen if not wild[c]]
            wanted = sum(
                (scale[b] * embedding[i] * embedding[j]).sum() for k, i in enumerate(shown) for j in shown[k + 1 :]
            )
            assert float(found[b, row]) == pytest.approx(float(wanted), abs=1e-5)
    batched = pair_terms(scale, embedding, codes.expand(2, 4, 3), wild)
    assert torch.allclose(batched, found, atol=1e-6)


def test_both_shapes_of_joint_agree():
    ratios, pairs, embedding = torch.randn(2, 9), torch.randn(2, 5), torch.randn(9, 5)
    codes, offsets = torch.tensor([[1, 1, 3], [0, 0, 0]]), torch.tensor([0, 3, 5])
    flat = joint_log_likelihood(ratios, pairs, embedding, codes, offsets)
    assert torch.allclose(
        flat, joint_log_likelihood(ratios, pairs, embedding, codes.expand(2, 2, 3), offsets), atol=1e-5
    )
    assert torch.allclose(flat[:, 1], ratios[:, [0, 3, 5]].sum(1), atol=1e-6)  # wild looks take no part in pairs
    encoder, code = LookEncoder(9, 6), torch.randn(2, 6)
    more = joint_log_likelihood(ratios, pairs, embedding, codes, offsets, code, encoder)
    wanted = torch.stack([encoder(codes + offsets) @ one for one in code]) / 6**0.5
    assert torch.allclose(more - flat, wanted, atol=1e-5)
    each = joint_log_likelihood(ratios, pairs, embedding, codes.expand(2, 2, 3), offsets, code, encoder)
    assert torch.allclose(more, each, atol=1e-5)


@settings(max_examples=200, deadline=None)
@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=40), st.floats(0.05, 2), st.floats(1e-6, 0.9))
def test_tempered_is_finite_sums_to_one_and_keeps_the_order(values, beta, eps):
    out = temper(np.array(values), beta, eps)
    assert np.isfinite(out).all() and np.exp(out).sum() == pytest.approx(1, abs=1e-9)
    assert (np.exp(out) >= eps / len(values) * (1 - 1e-9)).all()
    order = np.argsort(values, kind="stable")
    assert (np.diff(out[order]) >= -1e-12).all()


def test_temper_equals_its_formula():
    """L' = (1 - eps) L^beta / norm + eps / n, written out."""
    likelihood = np.array([0.2, 0.7, 0.1])
    wanted = 0.9 * likelihood**0.5 / (likelihood**0.5).sum() + 0.1 / 3
    assert np.exp(temper(np.log(likelihood), 0.5, 0.1)) == pytest.approx(wanted, rel=1e-12)


def test_one_photo_is_itself_and_copies_count_less_than_independent_ones():
    one = np.array([0.0, -1.0, -3.0])
    assert combine_photos(one, 0.4) == pytest.approx(one)
    assert combine_photos(np.stack([one] * 4), 0.0) == pytest.approx(4 * one)
    assert combine_photos(np.stack([one] * 4), 1.0) == pytest.approx(one)
    assert combine_photos(np.stack([one] * 4), 0.5) == pytest.approx(2 * one)


def test_mass_above_is_what_the_likelier_calls_have_together():
    """By hand, and against its definition on drawn posteriors with ties."""
    assert mass_above(np.array([0.2, 0.5, 0.3])) == pytest.approx([0.8, 0.0, 0.5])
    assert mass_above(np.array([0.25, 0.5, 0.25])) == pytest.approx([0.5, 0.0, 0.5])
    generator = np.random.default_rng(5)
    for _ in range(50):
        p = generator.integers(1, 5, 9) / 45
        assert mass_above(p) == pytest.approx([p[p > one].sum() for one in p], abs=1e-12)


@pytest.mark.parametrize("wrong", [{"beta": 0}, {"eps": 0}, {"eps": 1}, {"photo_exponent": 1.5}, {"shortlist": -1},
                                   {"loci": (1.0, 0.0)}, {"together": -1.0}])  # fmt: skip
def test_a_calibration_out_of_range_is_refused(wrong):
    good = {"beta": 1.0, "eps": 0.01, "photo_exponent": 0.5, "shortlist": 0.1, "fitted_on": "nothing"}
    with pytest.raises(ValueError, match="out of range"):
        Calibration(**{**good, **wrong})
