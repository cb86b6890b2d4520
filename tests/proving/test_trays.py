"""Each tray with its reason, and where the keeper's bars lie."""

import pytest

from triage.genetics.clutch.posterior import CallChance
from triage.proving.chances import percent
from triage.proving.trays import Tray, choose_tray, hidden_genes, remaining_calls
from triage.records import Genotype
from triage.species import load_species, parse_call


@pytest.fixture(scope="module")
def ball_python():
    return load_species("ball python")


def calls(species, **chances):
    found = []
    for words, p in chances.items():
        (call,) = parse_call(species, words.replace("_", " "))
        found.append(CallChance(call, p, p))
    return found


def choose(species, chances, loci=None, *, n_possible=7, misfit=None, label=0.95, hold=0.6, genes=None):
    loci = {k: {Genotype.parse(g): p for g, p in v.items()} for k, v in (loci or {}).items()}
    bars = {"misfit": misfit, "label_threshold": label, "hold_chance": hold, "hold_genes": genes}
    return choose_tray(species, calls(species, **chances), n_possible, loci, **bars)


def het(chance, gene="clown"):
    return {gene: {f"{min(gene, 'normal')}/{max(gene, 'normal')}": chance, "normal/normal": 1 - chance}}


def test_label_when_the_look_is_settled_and_nothing_hides(ball_python):
    choice = choose(ball_python, {"pastel": 0.96, "enchi": 0.04})
    assert choice.tray is Tray.LABEL
    assert choice.reasons == ("the look is settled: pastel at 96 %",)


@pytest.mark.parametrize(("p", "tray"), [(0.9499, Tray.LOOK_AGAIN), (0.95, Tray.LABEL), (0.9501, Tray.LABEL)])
def test_label_threshold(ball_python, p, tray):
    assert choose(ball_python, {"pastel": p, "enchi": 1 - p}).tray is tray


def test_label_threshold_is_the_keepers(ball_python):
    assert choose(ball_python, {"pastel": 0.96, "enchi": 0.04}, label=0.99).tray is Tray.LOOK_AGAIN
    assert choose(ball_python, {"pastel": 0.8, "enchi": 0.2}, label=0.75).tray is Tray.LABEL


def test_look_again_names_the_calls_and_what_differs(ball_python):
    choice = choose(ball_python, {"pastel": 0.6, "enchi": 0.38, "normal": 0.02}, n_possible=4)
    assert choice.tray is Tray.LOOK_AGAIN
    (reason,) = choice.reasons
    assert reason.startswith("2 of 4 possible calls remain, pastel 60 %, enchi 38 %; they differ in ")
    assert reason.endswith("a sharper photo or the first shed can tell them apart")
    differ = reason.split("they differ in ")[1]
    assert "pastel" in differ and "enchi" in differ and "normal" not in differ


def test_look_again_says_what_to_look_for(ball_python):
    choice = choose(ball_python, {"pastel": 0.6, "normal": 0.4})
    assert choice.tray is Tray.LOOK_AGAIN
    pair = next(p for p in ball_python.lookalikes if {p.first.name, p.second.name} == {"pastel", "normal"})
    assert choice.look_for == (f"{pair.first.name} or {pair.second.name}: {pair.look_for}",)


def test_hold_back_for_looks_the_eye_cannot_separate(ball_python):
    """Lesser and butter cannot be told apart by eye (common practice, no source)."""
    choice = choose(ball_python, {"lesser": 0.5, "butter": 0.5}, n_possible=3)
    assert choice.tray is Tray.HOLD_BACK
    assert choice.reasons[0].startswith("2 of 3 possible calls remain, lesser 50 %, butter 50 %; ")
    assert "only breeding (or a laboratory) can tell" in choice.reasons[0]


def test_hold_back_for_a_hidden_gene(ball_python):
    choice = choose(ball_python, {"pastel": 1.0}, het(2 / 3))
    assert choice.tray is Tray.HOLD_BACK
    assert choice.reasons == (
        "the look is settled: pastel at 100 %",
        "het clown at 67 % cannot be seen: only breeding (or a laboratory) can tell",
    )


@pytest.mark.parametrize(
    ("chance", "tray"),
    [
        (0.0, Tray.LABEL),
        (0.5, Tray.LABEL),
        (0.5999, Tray.LABEL),
        (0.6, Tray.HOLD_BACK),
        (0.9499, Tray.HOLD_BACK),
        (0.95, Tray.LABEL),
        (1.0, Tray.LABEL),
    ],
)
def test_hold_back_bar(ball_python, chance, tray):
    """Held back from the keeper's bar up to where the label counts it as settled."""
    assert choose(ball_python, {"pastel": 1.0}, het(chance)).tray is tray


def test_below_the_bar_is_said(ball_python):
    choice = choose(ball_python, {"pastel": 1.0}, het(0.5))
    assert choice.reasons[1] == "what stays open is below your bar for proving: het clown 50 %"


def test_hold_back_only_for_genes_worth_it(ball_python):
    assert choose(ball_python, {"pastel": 1.0}, het(2 / 3), genes={"piebald"}).tray is Tray.LABEL
    assert choose(ball_python, {"pastel": 1.0}, het(2 / 3), genes={"piebald", "clown"}).tray is Tray.HOLD_BACK
    assert choose(ball_python, {"pastel": 1.0}, het(2 / 3), genes=set()).tray is Tray.LABEL


def test_hold_back_one_or_two_copies_of_a_dominant(ball_python):
    choice = choose(ball_python, {"pinstripe": 1.0}, {"pinstripe": {"normal/pinstripe": 0.3, "pinstripe/pinstripe": 0.7}})
    assert choice.tray is Tray.HOLD_BACK
    assert choice.reasons[1].startswith("homozygous pinstripe at 70 % cannot be seen")


def test_check_parents_for_a_misfit_or_no_call(ball_python):
    choice = choose(ball_python, {"pastel": 1.0}, misfit="it reads best as clown")
    assert (choice.tray, choice.reasons) == (Tray.CHECK_PARENTS, ("it reads best as clown",))
    choice = choose(ball_python, {})
    assert (choice.tray, choice.reasons) == (Tray.CHECK_PARENTS, ("no call that these parents could give fits what was read",))



def test_remaining_calls_are_the_fewest(ball_python):
    listed = calls(ball_python, pastel=0.6, enchi=0.3, mojave=0.06, normal=0.04)
    assert [c.call.name for c in remaining_calls(listed, 0.6)] == ["pastel"]
    assert [c.call.name for c in remaining_calls(listed, 0.95)] == ["pastel", "enchi", "mojave"]
    assert len(remaining_calls(listed, 1.0)) == 4


def test_hidden_genes_are_given_the_look(ball_python):
    """Of het x het, looks normal: 2/3 het (common practice, no source)."""
    (normal,) = parse_call(ball_python, "normal")
    mendel = {Genotype.parse(g): p for g, p in {"clown/clown": 0.25, "clown/normal": 0.5, "normal/normal": 0.25}.items()}
    (hidden,) = hidden_genes(ball_python, normal, {"clown": mendel})
    assert (hidden.locus, hidden.what) == ("clown", "het clown")
    assert hidden.chance == pytest.approx(2 / 3)
    (clown,) = parse_call(ball_python, "clown")
    assert hidden_genes(ball_python, clown, {"clown": mendel}) == ()


@pytest.mark.parametrize(
    ("p", "words"),
    [
        (0.0, "0 %"),
        (1e-9, "under 1 %"),
        (0.0099, "under 1 %"),
        (0.01, "1 %"),
        (2 / 3, "67 %"),
        (0.99, "99 %"),
        (0.9999, "over 99 %"),
        (1.0, "100 %"),
    ],
)
def test_percent_is_never_certain_unless_it_is(p, words):
    assert percent(p) == words
