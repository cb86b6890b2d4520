"""The comparison of designs measures every contestant in both domains, and its critic can learn what it must."""

from dataclasses import replace

import pytest
import torch

from triage.training.critic import Critic
from triage.training.measures import comparison

OPTIONS = comparison.Options(photos=8, steps=2, batch=2, render_px=64, input_px=64, test_photos=4)


@pytest.fixture(scope="module")
def found(bench):
    with pytest.MonkeyPatch.context() as patch:  # the weights to start from are an extra; what is learnt is not tested here
        patch.setattr(comparison, "start_file", lambda: None)
        patch.setattr(comparison, "load_start", lambda network, path: 0)
        return [comparison.figures(replace(bench, share=(number, 2)), OPTIONS) for number in (0, 1)]


def test_every_contestant_of_a_share_is_measured_in_both_domains(found):
    names = [who.name for who in comparison.CONTESTANTS]
    assert [list(share) for share in found] == [names[0::2], names[1::2]]
    rows = {(name, domain): row for share in found for name, by_domain in share.items() for domain, row in by_domain.items()}
    assert set(rows) == {(name, domain) for name in names for domain in ("training", "shifted")}
    assert all(row["n"] == 4 and row["nll"] > 0 for row in rows.values())
    assert {row["photos"] for (name, _), row in rows.items() if "plain" in name} == {4}


def test_a_critic_learns_an_interaction_that_sums_of_loci_cannot():
    """Photos that show whether two loci agree (exclusive or): no sum of terms per locus can tell."""
    torch.manual_seed(0)
    offsets = torch.tensor([0, 2])
    codes = torch.tensor([[0, 0], [0, 1], [1, 0], [1, 1]])
    agree = (codes[:, 0] == codes[:, 1]).float()
    photos = torch.stack([agree, 1 - agree], 1) + 0.01 * torch.randn(4, 2)
    critic = Critic(4, 2, width=32)
    optimiser = torch.optim.Adam(critic.parameters(), lr=0.02)
    wanted = agree[:, None] == agree[None]
    for _ in range(150):
        scores = critic(photos, codes, offsets)
        loss = -(scores.log_softmax(1).exp() * wanted).sum(1).log().mean()
        optimiser.zero_grad()
        loss.backward()
        optimiser.step()
    share = (critic(photos, codes, offsets).softmax(1) * wanted).sum(1)
    assert share.min() > 0.95
    each = critic(photos, codes[None].expand(4, -1, -1), offsets)
    assert torch.allclose(each, critic(photos, codes, offsets), atol=1e-5)
