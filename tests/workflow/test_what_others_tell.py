"""A clutch of the records whose parents others tell of: their own clutch, other clutches, what was seen of the parents themselves."""

import pytest

from triage.records import Genotype
from triage.storage.archive import Archive
from triage.storage.database import Database
from triage.storage.kinds import KINDS
from triage.workflow.known import known_of
from triage.workflow.names import find_entry
from triage.workflow.recorded import cross_of
from triage.workflow.sort_again import sort_recorded

AT = "2031-08-01T10:00:00+00:00"
HET, WILD = Genotype("clown", "normal"), Genotype("normal", "normal")


@pytest.fixture
def archive(tmp_path):
    return Archive(Database(f"sqlite:///{tmp_path / 'records.sqlite'}"))


def put(draft, kind, **content):
    return draft.add(KINDS[kind].from_json(content))


def animal(draft, name, sex, **more):
    return put(draft, "animal", name=name, species="ball python", sex=sex, **more)


def clutch(draft, name, dam, sire, calls):
    """A clutch with an egg for each call; ids of the eggs by label."""
    of = put(draft, "clutch", name=name, pairing=put(draft, "pairing", dam=dam, sires=[{"animal": sire}]))
    eggs = {}
    for number, call in enumerate(calls, 1):
        eggs[f"A{number}"] = put(draft, "egg", clutch=of, label=f"A{number}", state="hatched")
        if call:
            put(draft, "call", about=eggs[f"A{number}"], call=call, by="keeper", at=AT)
    return eggs


def as_known(archive, report, eggs, loci):
    """Largest difference between a sort and what is known, at some loci."""
    known, worst = known_of(archive), 0.0
    for egg in report.eggs:
        for locus in loci:
            for genotype, p in egg.loci.get(locus, {}).items():
                worst = max(worst, abs(p - known.posterior.chance(eggs[egg.label], locus, genotype)))
    return worst


def test_a_parent_hatched_here_enters_with_what_its_own_clutch_says(archive):
    """Two hets of clown; their normal daughter is het at 2/3 by her look, more or less by her sisters'; then she is bred to a clown."""
    with archive.change("two seasons") as draft:
        dam, sire = animal(draft, "Juniper", "female", genes="66% het clown"), animal(draft, "Basil", "male", genes="het clown")
        first = clutch(draft, "2031-1", dam, sire, ["normal", "normal", "clown"])
        daughter = animal(draft, "Clove", "female", egg=first["A1"])
        mate = animal(draft, "Reed", "male", genes="clown")
        second = clutch(draft, "2034-1", daughter, mate, ["normal", "normal", ""])
    entry = find_entry(archive, "2034-1")
    report = sort_recorded(archive, entry)
    before = dict(report.cross.dam.loci["clown"].states)
    assert 0 < before[HET] < 1 and before[HET] != pytest.approx(2 / 3)
    assert as_known(archive, report, second, ["clown"]) < 1e-9
    entered = cross_of(archive, entry).dam.loci["clown"].states  # all that her clutch can give
    assert {str(genotype) for genotype, p in entered if p > 0} == {"clown/clown", "clown/normal", "normal/normal"}
    known = known_of(archive)
    for genotype, p in report.parents[0].after["clown"].items():
        assert known.posterior.chance(daughter, "clown", genotype) == pytest.approx(p, rel=0, abs=1e-9)


def test_another_clutch_of_a_parent_tells_of_it(archive):
    """A visual clown in the first clutch proves the dam: sorted afterwards, the second clutch starts from that."""
    with archive.change("two seasons") as draft:
        dam, sire = animal(draft, "Juniper", "female", genes="50% het clown"), animal(draft, "Basil", "male", genes="clown")
        first = clutch(draft, "2031-1", dam, sire, ["clown"])
        put(draft, "laboratory", about=first["A1"], gene="clown", copies=2, at=AT)
        second = clutch(draft, "2032-1", dam, sire, [""])
    report = sort_recorded(archive, find_entry(archive, "2032-1"))
    assert dict(report.cross.dam.loci["clown"].states) == {HET: pytest.approx(1)}
    assert report.eggs[0].calls[0].parents_only == pytest.approx(0.5)
    assert as_known(archive, report, second, ["clown"]) < 1e-9


def test_what_was_seen_of_a_parent_counts_in_its_clutch(archive):
    """A dam that may be a super pastel by her papers, called so by her keeper: sorting and records weigh that call alike."""
    with archive.change("a season") as draft:
        dam = animal(draft, "Juniper", "female", genes="possible super pastel, het clown")
        sire = animal(draft, "Basil", "male", genes="33% het clown")
        eggs = clutch(draft, "2031-1", dam, sire, ["pastel", ""])
        put(draft, "call", about=dam, call="super pastel", by="keeper", at=AT)
        put(draft, "reading", about=sire, at=AT, log_likelihoods={"normal": 0.0, "clown": -3.0}, floor=0.0, exponent=0.65, shortlist=1.0)
        put(draft, "outcome", animal=sire, says={"het clown": 0.9, "no clown": 0.1}, at=AT)
    report = sort_recorded(archive, find_entry(archive, "2031-1"))
    assert report.parents[0].after["pastel"][Genotype("pastel", "pastel")] > 0.8
    assert as_known(archive, report, eggs, ["pastel", "clown"]) < 1e-9
    known = known_of(archive)
    for parent, id in zip(report.parents, (dam, sire), strict=True):
        for locus, table in parent.after.items():
            for genotype, p in table.items():
                assert known.posterior.chance(id, locus, genotype) == pytest.approx(p, rel=0, abs=1e-9)


def test_a_founder_whose_sex_is_not_known_may_carry_a_sex_linked_gene_either_way(archive):
    """Banana with one copy on any of a male's two chromosomes or in a female: banana for certain, whatever it is."""
    with archive.change("bought") as draft:
        id = animal(draft, "Clove", "unknown", genes="banana")
        other = animal(draft, "Reed", "unknown", genes="male-maker banana")
    known = known_of(archive)
    table = known.posterior.loci[id]["banana"]
    assert table == {Genotype("banana", "normal"): pytest.approx(0.5), Genotype("banana", "normal", True): pytest.approx(0.25),
                     Genotype("normal", "banana", True): pytest.approx(0.25)}  # fmt: skip
    assert known.posterior.loci[other]["banana"] == {Genotype("normal", "banana", True): 1.0}


def test_two_clutches_may_name_animals_of_two_species(archive):
    with archive.change("two") as draft:
        animal(draft, "Juniper", "female", genes="pastel")
        put(draft, "animal", name="Juniper", species="corn snake", sex="female", genes="amel")
    assert known_of(archive).animals != known_of(archive, "corn snake").animals
    assert len(known_of(archive, "corn snake").animals) == 1
