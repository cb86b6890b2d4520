"""Further crosses are none of the report's and none of another set's, and their figures are those of the same cases."""

import json
import shutil
from pathlib import Path

import pytest

from triage.training import further, shift
from triage.training.shift import photographed

MODELS = Path(__file__).parents[2] / "models"


@pytest.mark.parametrize("domain", ["training", "shifted"])
def test_the_command_writes_each_set_and_all_of_them(tmp_path, monkeypatch, domain):
    for name in ("python_regius.json", "python_regius.safetensors"):
        shutil.copy(MODELS / name, tmp_path)
    seeds, asked, believed = [], [], []

    def drawn(truth, where, *rest):
        seeds.extend(truth.seeds.tolist())
        asked.append(where.name)
        return photographed(truth, where, *rest)

    monkeypatch.setattr(shift, "photographed", drawn)
    figures = further.figures
    monkeypatch.setattr(further, "figures", lambda name, cases, said: believed.append((cases, said)) or figures(name, cases, said))
    further.main(["--directory", str(tmp_path), "--sets", "2", "--photos", "3", "--px", "96", "--domain", domain])
    found = json.loads((tmp_path / further.FILE).read_text("utf-8"))
    assert found["command"] == f"python -m triage.training.further --sets 2 --photos 3 --px 96 --seed 20 --domain {domain}"
    assert [(row["name"], row["n"]) for row in found["sets"]] == [("set 1", 3), ("set 2", 3), ("all", 6)]
    one, two, whole = found["sets"]
    assert whole["nll"] == pytest.approx((one["nll"] + two["nll"]) / 2, abs=1e-4)
    assert set(one["ece by chance"]) == {"median", "95 %"} and "shortlist_coverage" in whole

    report = (1 * 7 + 3) * 10**9  # seed 1, photo set 3: `photo_seeds`
    assert set(asked) == {domain} and len(set(seeds)) == 6 and min(seeds) > report + 10**9
    sidecar = json.loads((MODELS / "python_regius.json").read_text("utf-8"))
    name = "training domain" if domain == "training" else "cautious"
    assert all(said.beta == sidecar["calibration"][name]["beta"] for _, said in believed)
