"""Further crosses are none of the report's and none of another set's, and their figures are those of the same cases."""

import pytest

from triage.training import protocol
from triage.training.measures import further
from triage.training.photos import draw_photos


@pytest.mark.parametrize(("domain", "calibration"), [("training", "training domain"), ("shifted", "cautious")])
def test_each_set_and_all_of_them(bench, monkeypatch, domain, calibration):
    seeds, asked, believed, metrics = [], [], [], further.metrics

    def drawn(truth, px, *, domain):
        seeds.extend(truth.seeds.tolist())
        asked.append(domain)
        return draw_photos(truth, px, domain=domain)

    monkeypatch.setattr(protocol, "draw_photos", drawn)
    monkeypatch.setattr(further, "metrics", lambda cases, beta, *rest: believed.append(beta) or metrics(cases, beta, *rest))
    found = further.figures(bench, further.Options(sets=2, photos=3, px=96, domain=domain))
    assert found["domain"] == domain and [(row["name"], row["n"]) for row in found["sets"]] == [("set 1", 3), ("set 2", 3), ("all", 6)]
    one, two, whole = found["sets"]
    assert whole["nll"] == pytest.approx((one["nll"] + two["nll"]) / 2, abs=1e-4)
    assert set(one["ece by chance"]) == {"median", "95 %"} and "shortlist_coverage" in whole

    report = (1 * 7 + 3) * 10**9  # seed 1, photo set 3: `photo_seeds`
    assert set(asked) == {domain} and len(set(seeds)) == 6 and min(seeds) > report + 10**9
    assert set(believed) == {bench.files.calibrations[calibration].beta}
