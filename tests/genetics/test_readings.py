"""What a keeper's words and a laboratory's result are worth."""

import pytest

from triage.genetics.clutch.model import compile_cross
from triage.genetics.readings import keeper_reading, laboratory_reading
from triage.records import Genotype
from triage.species import load_species, parse_call
from triage.species.looks_alike import lookalikes_of
from triage.workflow.sheet import load_sheet

CROSSES = {
    "pastel fire": ("pastel, fire", "pastel, het clown"),
    "lesser butter": ("lesser", "butter"),
    "dark series": ("cinnamon, mahogany", "black pastel, yellow belly"),
    "clown": ("66% het clown, enchi", "het clown"),
}


@pytest.fixture(scope="module")
def ball_python():
    return load_species("ball python")


def calls_of(name):
    dam, sire = CROSSES[name]
    sheet = load_sheet(text=f"species: ball python\ndam: {{genes: '{dam}'}}\nsires: [{{genes: '{sire}'}}]\neggs: [{{label: 1}}]")
    return sheet.species, compile_cross(sheet.cross).calls


def told(species, call, possible, accuracy=0.9, share=0.8):
    return keeper_reading(species, [call], possible, accuracy=accuracy, lookalike_share=share).likelihoods


@pytest.mark.parametrize("name", CROSSES)
def test_over_all_that_could_be_said_chances_sum_to_at_most_one(name):
    """P(words | true call): over every combination of look words at the loci about they sum to 1 for each true call."""
    import itertools

    species, possible = calls_of(name)
    words = {}
    for call in possible:
        for at, look in call.looks:
            words.setdefault(at, {""}).add(look)
    every = [species.call_of(dict(zip(words, looks))) for looks in itertools.product(*words.values())]
    assert set(possible) <= set(every)
    for true in possible:
        total = sum(told(species, said, every)[true] for said in every)
        assert total == pytest.approx(1, abs=1e-9), true.name


@pytest.mark.parametrize("name", CROSSES)
def test_a_call_that_the_parents_could_not_give_counts_like_any_other(name):
    """Named from outside or standing among the possible calls from the start, it makes the same reading, call by call."""
    species, calls = calls_of(name)
    for call in calls:
        others = [other for other in calls if other != call]
        outside, inside = told(species, call, others), told(species, call, calls)
        assert outside.keys() == inside.keys()
        assert all(outside[other] == pytest.approx(inside[other], rel=1e-12) for other in inside)


def test_the_right_call_is_told_with_the_keepers_accuracy():
    species, possible = calls_of("clown")
    for accuracy in (0.6, 0.9, 0.99):
        for call in possible:
            assert told(species, call, possible, accuracy)[call] == pytest.approx(accuracy, abs=1e-12)


@pytest.mark.parametrize("name", CROSSES)
def test_a_lookalike_is_the_likeliest_mistake(name):
    species, possible = calls_of(name)
    for true in possible:
        alike = {c for c, _ in lookalikes_of(species, true)} & set(possible)
        others = set(possible) - alike - {true}
        if not alike or not others:
            continue
        least = min(told(species, said, possible)[true] for said in alike)
        most = max(told(species, said, possible)[true] for said in others if not _seen_alike(species, said, true))
        assert least > most, true.name


def _seen_alike(species, one, other):
    from triage.species.looks_alike import seen_as

    return seen_as(species, one) == seen_as(species, other)


def test_lesser_and_butter_are_each_others_likeliest_mistake():
    """They cannot be told apart by eye (common practice, no source)."""
    species, possible = calls_of("lesser butter")
    (butter,) = parse_call(species, "butter")
    (lesser,) = parse_call(species, "lesser")
    (normal,) = parse_call(species, "normal")
    reading = told(species, butter, possible)
    assert reading[butter] > reading[lesser] > 2 * reading[normal]


def test_further_off_is_rarer():
    species, possible = calls_of("clown")
    (both,) = parse_call(species, "enchi clown")
    (one,) = parse_call(species, "enchi")
    (none,) = parse_call(species, "normal")
    reading = told(species, both, possible, share=0.0)
    assert reading[both] > reading[one] > reading[none]
    assert reading[one] == pytest.approx(10 * reading[none], rel=1e-9)


def test_words_that_mean_several_calls_add_up():
    species, possible = calls_of("lesser butter")
    lesser, butter = (parse_call(species, w)[0] for w in ("lesser", "butter"))
    both = keeper_reading(species, [lesser, butter], possible, accuracy=0.9, lookalike_share=0.8).likelihoods
    one, other = told(species, lesser, possible), told(species, butter, possible)
    assert all(both[c] == pytest.approx(one[c] + other[c], abs=1e-12) for c in possible)


def test_a_keeper_is_never_certain():
    species, possible = calls_of("clown")
    reading = keeper_reading(species, [possible[0]], possible, accuracy=0.99, lookalike_share=0.8)
    assert all(v > 0 for v in reading.likelihoods.values())
    assert reading.otherwise > 0
    for accuracy, share in ((1.0, 0.5), (0.0, 0.5), (0.9, 1.5), (0.9, -0.1)):
        with pytest.raises(ValueError, match="accuracy must lie between 0 and 1"):
            keeper_reading(species, [possible[0]], possible, accuracy=accuracy, lookalike_share=share)


@pytest.mark.parametrize(("false_positive", "false_negative"), [(0, 0), (0.01, 0.02), (0.3, 0.1), (1, 1)])
def test_a_laboratory_must_report_something(ball_python, false_positive, false_negative):
    """P(0, 1 or 2 copies | genotype) sums to 1 for every genotype."""
    for gene in ("clown", "banana", "mojave"):
        locus = ball_python.locus_of(gene)
        rows = [
            laboratory_reading(locus, gene, n, false_positive=false_positive, false_negative=false_negative).likelihoods
            for n in (0, 1, 2)
        ]
        for genotype in rows[0]:
            assert sum(row[genotype] for row in rows) == pytest.approx(1, abs=1e-12)


def test_a_perfect_laboratory_counts_copies(ball_python):
    locus = ball_python.locus_of("banana")
    for n in (0, 1, 2):
        reading = laboratory_reading(locus, "banana", n, false_positive=0, false_negative=0)
        assert all((p == 1) == (g.copies("banana") == n) and p in (0, 1) for g, p in reading.likelihoods.items())


def test_a_laboratorys_errors_are_those_of_two_readings(ball_python):
    """Against scipy.stats.binom: two copies, each missed with 0.1; and no copy, each imagined with 0.03."""
    from scipy.stats import binom

    locus = ball_python.locus_of("clown")
    for n in (0, 1, 2):
        reading = laboratory_reading(locus, "clown", n, false_positive=0.03, false_negative=0.1).likelihoods
        assert reading[Genotype("clown", "clown")] == pytest.approx(binom.pmf(n, 2, 0.9), abs=1e-12)
        assert reading[Genotype("normal", "normal")] == pytest.approx(binom.pmf(n, 2, 0.03), abs=1e-12)


def test_a_laboratory_refuses_what_cannot_be(ball_python):
    locus = ball_python.locus_of("clown")
    with pytest.raises(ValueError, match="a test reports 0, 1 or 2 copies, not 3"):
        laboratory_reading(locus, "clown", 3, false_positive=0, false_negative=0)
    with pytest.raises(ValueError, match="error rates must lie between 0 and 1"):
        laboratory_reading(locus, "clown", 1, false_positive=1.1, false_negative=0)
