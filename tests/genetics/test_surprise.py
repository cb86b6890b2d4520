"""What is said of a cross beside its posterior, in closed form: parents beforehand, eggs it loses, the luck of a clutch."""

from fractions import Fraction

import pytest
from support import DOMINANT, INCOMPLETE, RECESSIVE, dam, eggs_seen, locus, pair, parent, seen, sire, species

from triage.errors import WorkTooLargeError
from triage.genetics.clutch import luck
from triage.genetics.clutch.exact import infer
from triage.genetics.clutch.losses import expected_losses
from triage.genetics.clutch.model import compile_cross
from triage.genetics.clutch.surprise import surprise
from triage.records import Genotype, Linkage, Parthenogenesis, Sex

OF = species(
    locus("albino", RECESSIVE),
    locus("pastel", INCOMPLETE),
    locus("web", DOMINANT, hatch_rate=0.0),
    locus("weak", INCOMPLETE, hatch_rate=0.5),
)
HET, WILD = "albino/normal", "normal/normal"
POSSIBLE_HET = {HET: Fraction(2, 3), WILD: Fraction(1, 3)}
POSSIBLE_SUPER = {"pastel/pastel": Fraction(1, 2), "normal/pastel": Fraction(1, 2)}


def as_text(loci):
    return {name: {str(genotype): p for genotype, p in table.items()} for name, table in loci.items()}


def test_parents_before_the_clutch():
    """Each as it was stated, at every locus of the cross; the eggs do not enter."""
    mother = dam(albino=POSSIBLE_HET)
    first, second = parent("first", Sex.MALE, pastel=POSSIBLE_SUPER), parent("second", Sex.MALE, albino="albino/albino")
    model = compile_cross(pair(OF, mother, first, second))
    assert as_text(model.prior_of(mother)) == {"albino": pytest.approx(POSSIBLE_HET), "pastel": {WILD: 1.0}}
    assert as_text(model.prior_of(first)) == {"albino": {WILD: 1.0}, "pastel": pytest.approx(POSSIBLE_SUPER)}
    assert as_text(model.prior_of(second)) == {"albino": {"albino/albino": 1.0}, "pastel": {WILD: 1.0}}


def test_a_linked_pair_is_split_into_its_loci():
    """A double het either way round on its chromosomes is a het at each locus, once."""
    mother = dam(albino=POSSIBLE_HET, pastel="normal/pastel")
    male = sire(albino="albino/albino")
    model = compile_cross(pair(OF, mother, male, linkages=(Linkage("albino", "pastel", dict.fromkeys(Sex, 0.1)),)))
    assert as_text(model.prior_of(mother)) == {"albino": pytest.approx(POSSIBLE_HET), "pastel": {"normal/pastel": pytest.approx(1)}}


@pytest.mark.parametrize(
    ("mother", "fathers", "share"),
    [
        (dam(albino=HET), [sire(albino=HET)], 0),
        (dam(web="normal/web"), [sire(web="normal/web")], 1 / 4),
        (dam(web={"normal/web": Fraction(1, 2), WILD: Fraction(1, 2)}), [sire(web="normal/web")], 1 / 8),
        # Half of the quarter with two copies: 1/8; beside the web: 1 - 3/4 x 7/8.
        (dam(weak="normal/weak"), [sire(weak="normal/weak")], 1 / 8),
        (dam(web="normal/web", weak="normal/weak"), [sire(web="normal/web", weak="normal/weak")], 11 / 32),
        # Automixis makes half of a single copy's young double.
        (dam(web="normal/web"), [Parthenogenesis()], 1 / 2),
    ],
)
def test_eggs_that_a_cross_loses(mother, fathers, share):
    assert expected_losses(compile_cross(pair(OF, mother, *fathers))) == pytest.approx(share, abs=1e-15)


@pytest.mark.parametrize("mixed", [Fraction(0), Fraction(1, 2)])
def test_losses_by_the_share_of_each_sire(mixed):
    fathers = parent("carrier", Sex.MALE, web="normal/web"), parent("plain", Sex.MALE)
    cross = pair(OF, dam(web="normal/web"), *fathers, shares=(Fraction(1, 5), Fraction(4, 5)), mixed=mixed)
    assert expected_losses(compile_cross(cross)) == pytest.approx(1 / 20)


def told(cross, eggs, most=3):
    model = compile_cross(cross)
    return surprise(model, infer(model, eggs), most)


def test_seven_of_seven():
    """All of seven show it: certain of two copies, 2 in 128 of one; the odds of two copies are then 128 to 1."""
    tail, others = told(pair(OF, dam(), sire(pastel=POSSIBLE_SUPER)), eggs_seen(7, seen(("pastel", "pastel"))))
    assert tail == pytest.approx(1)
    (other,) = others
    assert (other.parent, other.locus, other.genotype) == ("sire", "pastel", Genotype("normal", "pastel"))
    assert other.probability == pytest.approx(1 / 129) and other.tail == pytest.approx(2 / 128)


def test_what_stays_open_comes_first_and_only_so_much_is_told():
    mother = dam(albino=POSSIBLE_HET)
    cross = pair(OF, mother, sire(pastel=POSSIBLE_SUPER))
    eggs = eggs_seen(2, seen(("pastel", "pastel")))
    _, others = told(cross, eggs)
    # One copy has 1 in 4 clutches of two that show it; nothing was learned of the dam.
    assert [(one.parent, one.probability) for one in others] == [("dam", pytest.approx(1 / 3)), ("sire", pytest.approx(1 / 5))]
    assert told(cross, eggs, most=1)[1] == others[:1]
    assert told(cross, eggs, most=0)[1] == ()


def test_what_the_clutch_rules_out_is_no_runner_up():
    """A young albino proves the sire het: 1 in 2 of such young is albino, so one alone is no luck."""
    tail, others = told(pair(OF, dam(albino="albino/albino"), sire(albino=POSSIBLE_HET)), eggs_seen(1, seen(("albino", "albino"))))
    assert (tail, others) == (pytest.approx(1), ())


def test_a_clutch_the_likeliest_parents_cannot_give():
    """One albino by one of three males, each het with 1 in 10: 1/3 + 2/3 x 1/10 of each, so none is likelier het than not."""
    males = [parent(name, Sex.MALE, albino={HET: Fraction(1, 10), WILD: Fraction(9, 10)}) for name in ("A", "B", "C")]
    cross = pair(OF, dam(albino="albino/albino"), *males, mixed=Fraction(1))
    tail, others = told(cross, eggs_seen(1, seen(("albino", "albino"))))
    assert tail == 0
    # Were one of them the het, an albino would be the rarer outcome: 1/3 x 1/2.
    assert [(str(one.genotype), one.probability, one.tail) for one in others] == [
        (HET, pytest.approx(2 / 5), pytest.approx(1 / 6))
    ] * 3


def test_too_many_outcomes_are_refused(monkeypatch):
    monkeypatch.setattr(luck, "MOST_PARTIAL_OUTCOMES", 1)
    cross = pair(OF, dam(pastel="normal/pastel", weak="normal/weak"), sire(pastel="normal/pastel"))
    with pytest.raises(WorkTooLargeError, match="the luck of 4 eggs"):
        told(cross, eggs_seen(4, seen(("pastel", "pastel"))))
