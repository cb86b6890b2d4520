"""The comparison of designs runs, measures every contestant in both domains, and its critic can learn what it must."""

import json

import pytest
import torch

from triage.training import compare
from triage.training.critic import Critic


@pytest.fixture(scope="module")
def rows(tmp_path_factory):
    with pytest.MonkeyPatch.context() as patch:  # the weights to start from are an extra; what is learnt is not tested here
        patch.setattr(compare, "start_file", lambda: None)
        patch.setattr(compare, "load_start", lambda network, path: 0)
        yield run_tiny(tmp_path_factory)


def run_tiny(tmp_path_factory):
    directory = tmp_path_factory.mktemp("comparison")
    tiny = ["--photos", "8", "--steps", "2", "--batch", "2", "--render-px", "64", "--input-px", "64", "--test-photos", "4"]
    for share in ("0/2", "1/2"):
        compare.compare(compare.parse([*tiny, "--device", "cpu", "--directory", str(directory), "--share", share]))
    path = compare.join(compare.parse(["--directory", str(directory), "--join"]))
    assert [file.name for file in directory.iterdir()] == [compare.FILE]
    return json.loads(path.read_text("utf-8"))["rows"]


def test_every_contestant_is_measured_in_both_domains(rows):
    names = [who.name for who in compare.CONTESTANTS]
    assert [(row["name"], row["domain"]) for row in rows] == [(n, d) for n in names for d in ("training", "shifted")]
    assert all(row["n"] == 4 and row["nll"] > 0 for row in rows)
    assert {row["photos"] for row in rows if "plain" in row["name"]} == {4}


def test_runs_are_kept_apart_and_the_same_run_is_one(tmp_path):
    """Three files, two of one commit: their rows stand under two runs, none is lost, and what was joined before stays."""
    for number, commit in enumerate("aba"):
        row = {"run": 1, "name": f"design {number}", "domain": "training"}
        (tmp_path / f"comparison.{number}.json").write_text(json.dumps({"runs": [{"commit": commit}], "rows": [row]}))
    path = compare.join(compare.parse(["--directory", str(tmp_path), "--join"]))
    (tmp_path / "comparison.0.json").write_text(json.dumps({"runs": [{"commit": "c"}], "rows": [row]}))
    assert compare.join(compare.parse(["--directory", str(tmp_path), "--join"])) == path
    found = json.loads(path.read_text("utf-8"))
    assert [run["commit"] for run in found["runs"]] == ["a", "b", "c"]
    assert [(r["run"], r["name"]) for r in found["rows"]] == [(1, "design 0"), (1, "design 2"), (2, "design 1"), (3, "design 2")]


def test_joining_nothing_says_what_to_do(tmp_path):
    with pytest.raises(SystemExit, match="run the shares first"):
        compare.join(compare.parse(["--directory", str(tmp_path), "--join"]))


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
