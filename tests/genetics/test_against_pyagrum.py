"""The engine equals pyAgrum, a general-purpose library for Bayesian networks, to 1e-9 on 100 drawn clutches.

Outside source: pyAgrum's exact inference ``LazyPropagation`` (https://agrum.gitlab.io). The networks are built from the
mathematics in ``networks.py``, without the engine.
"""

import math
from fractions import Fraction
from random import Random

import pytest
from support import DOMINANT, INCOMPLETE, RECESSIVE, Case, allele, draw_prior, draw_reading, locus, species

from triage.genetics.clutch.exact import infer, log_evidence
from triage.genetics.clutch.model import compile_cross
from triage.records import Compound, Cross, Egg, Linkage, Locus, Parent, Phase, Sex

pyagrum = pytest.importorskip("pyagrum")
networks = pytest.importorskip("networks")

N_DRAWN, N_GROUPS = 100, 10
TOLERANCE = 1e-9
LOCI = (
    locus("amber", INCOMPLETE),
    locus("zebra", RECESSIVE),
    Locus(
        "series",
        (allele("opal", INCOMPLETE), allele("azure", RECESSIVE), allele("umber", DOMINANT)),
        (Compound(frozenset({"opal", "azure"}), "storm", hatch_rate=0.5),),
    ),
    locus("pale", DOMINANT, hatch_rate=0.25),
    locus("maple", INCOMPLETE, crossover=0.0625),
    locus("violet", RECESSIVE),
)


def draw_clutch(rng: Random) -> Case:
    """Up to 4 loci, 6 eggs and 2 sires; about half of the parents' statuses are uncertain."""
    of = species(*LOCI, heterogametic=rng.choice(list(Sex)))
    loci = rng.sample(LOCI, rng.randint(1, 4))

    def animal(name: str, sex: Sex) -> Parent:
        return Parent(
            name,
            sex,
            {x.name: draw_prior(rng, x, x.sex_linked and sex is of.heterogametic, rng.choice([1, 2])) for x in loci},
        )

    fathers = tuple(animal(f"sire {k}", Sex.MALE) for k in range(rng.choice([1, 2, 2])))
    shares = rng.choice([(Fraction(4, 5), Fraction(1, 5)), (Fraction(1, 2), Fraction(1, 2)), (Fraction(1), Fraction(0))])
    linkages = ()
    autosomal = [x.name for x in loci if not x.sex_linked]
    if len(autosomal) > 1 and rng.random() < 0.5:
        phases = {name: rng.choice(list(Phase)) for name in ("dam", "sire 0") if rng.random() < 0.5}
        linkages = (Linkage(*rng.sample(autosomal, 2), {Sex.FEMALE: 0.125, Sex.MALE: 0.25}, phases),)
    cross = Cross(
        of,
        animal("dam", Sex.FEMALE),
        fathers,
        shares if len(fathers) == 2 else (Fraction(1),),
        rng.choice([Fraction(0), Fraction(1, 10), Fraction(1)]),
        linkages=linkages,
    )
    calls = compile_cross(cross).calls
    eggs = tuple(
        Egg(f"egg {e}", rng.choice([None, None, *Sex]), (draw_reading(rng, of, calls),))
        for e in range(rng.randint(1, 6))
    )
    readings = {"dam": [draw_reading(rng, of, calls)]} if rng.random() < 0.3 else {}
    return Case(cross, eggs, readings)


def possible_clutches():
    """Drawn clutches that do not contradict their cross, without end."""
    seed = 0
    while True:
        case = draw_clutch(Random(seed))
        if log_evidence(compile_cross(case.cross), case.eggs, case.parent_readings) > -math.inf:
            yield seed, case
        seed += 1


def compare(case: Case) -> int:
    """Compare every number; returns how many were compared."""
    cross, model = case.cross, compile_cross(case.cross)
    found = infer(model, case.eggs, case.parent_readings)
    network = networks.clutch_network(cross, case.eggs, case.parent_readings)
    groups = networks.live_groups(cross)
    n = 0

    def near(value: float, outside: float, what: str) -> None:
        nonlocal n
        n += 1
        assert abs(value - outside) <= TOLERANCE, f"{what}: engine {value!r}, pyAgrum {outside!r}"

    engine = network.engine()
    engine.addAllTargets()
    for e in range(len(case.eggs)):
        variables = [v for v in (f"egg {e} {g}" for g in range(len(groups))) if len(network.states[v]) > 1]
        if len(variables) > 1:
            engine.addJointTarget(set(variables))
    engine.makeInference()
    log = network.log_scale + (math.log(engine.evidenceProbability()) if network.evidence else 0.0)
    near(found.log_evidence, log, "log evidence")
    for e, egg in enumerate(found.eggs):
        sires = network.chances(engine, f"sire of {e}")
        for k, sire in enumerate(cross.sires):
            near(egg.sires[sire.name], sires.get(k, 0.0), f"sire {k} of egg {e}")
        for g, group in enumerate(groups):
            chances = network.chances(engine, f"egg {e} {g}")
            for i, name in enumerate(group):
                for genotype, p in egg.loci[name].items():
                    outside = sum(q for o, q in chances.items() if o[1 + i] == genotype)
                    near(p, outside, f"{name} of egg {e}: {genotype}")
            if len(group) == 1 and cross.species.locus(group[0]).sex_linked:
                for sex in Sex:
                    near(egg.sex[sex], sum(q for o, q in chances.items() if o[0] is sex), f"sex of egg {e}")
        calls: dict = {}
        for states, p in joint(network, engine, [f"egg {e} {g}" for g in range(len(groups))]):
            call = cross.species.call(networks.genotypes_of(cross, groups, states, None))
            calls[call] = calls.get(call, 0.0) + p
        for chance in found.calls(e, at_least=-1.0):
            near(chance.probability, calls.get(chance.call, 0.0), f"call of egg {e}: {chance.call}")
    for one, role in zip(found.parents, ["dam", *(f"sire {k}" for k in range(len(cross.sires)))], strict=True):
        for g, group in enumerate(groups):
            chances = network.chances(engine, f"{role} {g}")
            sex = Sex.FEMALE if role == "dam" else Sex.MALE
            for name in group:
                for genotype, p in one.loci[name].items():
                    outside = sum(
                        q for s, q in chances.items() if networks.genotypes_of(cross, [group], [s], sex)[name] == genotype
                    )
                    near(p, outside, f"{name} of {role}: {genotype}")
    return n


def joint(network, engine, names):
    """Every joint state of several variables with its posterior."""
    free = [v for v in names if len(network.states[v]) > 1]
    if not free:
        yield [network.states[v][0] for v in names], 1.0
        return
    table = engine.jointPosterior(set(free)) if len(free) > 1 else engine.posterior(free[0])
    step = pyagrum.Instantiation(table)
    while not step.end():
        yield (
            [network.states[v][step.val(v)] if v in free else network.states[v][0] for v in names],
            table.get(step),
        )
        step.inc()


@pytest.mark.parametrize("group", range(N_GROUPS))
def test_drawn_clutches(group):
    n_numbers = 0
    for i, (seed, case) in enumerate(possible_clutches()):
        if i == N_DRAWN:
            break
        if i % N_GROUPS == group:
            try:
                n_numbers += compare(case)
            except AssertionError as error:
                raise AssertionError(f"drawn clutch {seed}: {error}") from error
    assert n_numbers > 300
