"""Each animal of the varied domain has the amounts of its settings a little otherwise; in no other domain do they change."""

from dataclasses import replace

import pytest
import torch

from triage.hatchery.company import has_mate, mate_seeds
from triage.hatchery.domains import BY_NAME
from triage.hatchery.express import encode, express
from triage.hatchery.hands.amounts import FACTORS, own_amounts
from triage.hatchery.render import draw_at_once
from triage.species.drawing import usual_looks


@pytest.fixture(scope="module")
def look():
    seeds = torch.arange(500)
    return express(encode([{"pastel": ("pastel", "normal")}] * 500), seeds, torch.zeros(500), usual_looks())


def test_amounts_vary_by_as_much_as_written_and_nothing_else_does(look):
    taken = own_amounts(look, torch.arange(500))
    for name, value in look.items():
        if name not in FACTORS:
            assert torch.equal(taken[name], value)
            continue
        free = (value > 0) & (taken[name] < 1) if value.max() <= 1 else value > 0
        assert (taken[name][free] / value[free]).log().std() == pytest.approx(FACTORS[name], rel=0.2)
        assert torch.equal(taken[name] == 0, value == 0)


def test_shares_stay_shares_however_strong_the_hand(look):
    full = {name: torch.ones_like(value) for name, value in look.items()}
    taken = own_amounts(full, torch.arange(500))
    assert max(float(taken[name].max()) for name in ("blush", "halo", "flank_paling", "head_fade")) == 1
    assert taken["rim"].max() > 1  # no share: a rim may be half as dark again


def test_an_animal_keeps_its_amounts_in_any_batch(look):
    alone = {name: value[7:8] for name, value in look.items()}
    assert all(torch.equal(value, own_amounts(look, torch.arange(500))[name][7:8])
               for name, value in own_amounts(alone, torch.tensor([7])).items())  # fmt: skip


def test_only_the_varied_domain_takes_settings_otherwise(look):
    for name, domain in BY_NAME.items():
        same = all(torch.equal(value, look[key]) for key, value in domain.take(look, torch.arange(500)).items())
        assert same == (name != "varied")


def test_the_renderer_draws_settings_as_the_domain_takes_them_also_of_a_second_animal():
    seen = []

    def paler(look, animal_seeds):
        seen.append(animal_seeds)
        return {**look, "leucism": torch.ones_like(look["leucism"])}

    looks, seeds = usual_looks(), torch.arange(40)
    photos = seeds[has_mate(seeds, torch.zeros(40, dtype=torch.bool))][:1]
    assert len(photos)
    codes = encode([{}])
    with torch.inference_mode():
        plain = draw_at_once(codes, photos, photos, 96, "after first shed", looks, BY_NAME["training"])
        taken = draw_at_once(codes, photos, photos, 96, "after first shed", looks, replace(BY_NAME["training"], take=paler))
    assert [one.tolist() for one in seen] == [photos.tolist(), mate_seeds(photos).tolist()]
    covered = plain.masks[0, 0] > 0.99
    assert taken.images[0, :, covered].mean() > plain.images[0, :, covered].mean() + 0.15
