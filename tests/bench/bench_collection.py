"""A keeper's ten years in the records, and what is then known of everybody: `python tests/bench/bench_collection.py`.

The drawn collection of bench_pedigree.py (2,050 animals, 400 clutches, 12 loci) is entered into a SQLite file as a keeper would; then
the time from the file to what is known is taken, and the same after one more clutch has been entered.
"""

import argparse
import sys
import tempfile
import time
from pathlib import Path

from triage.records import CallReading, Parent, Sex
from triage.species import write_parent
from triage.storage.archive import Archive
from triage.storage.database import Database
from triage.storage.kinds import kind_named
from triage.workflow.known import known_of

sys.path.insert(0, str(Path(__file__).parents[1] / "genetics" / "collection"))
from draws import SPECIES, keepers_collection

AT = "2031-01-01T00:00:00+00:00"


def put(draft, kind, content):
    return draft.add(kind_named(kind).from_json(content))


def enter(archive: Archive, collection) -> dict[str, str]:
    """A change for the founders, and one for each clutch with its young and what was seen of them; id by name."""
    ids: dict[str, str] = {}
    with archive.change("founders") as draft:
        for animal in collection.animals.values():
            if animal.clutch is None:
                genes = write_parent(SPECIES, Parent(animal.name, animal.sex or Sex.FEMALE, dict(animal.known)))
                content = {"name": animal.name, "species": SPECIES.name, "sex": animal.sex.value, "genes": genes}
                ids[animal.name] = put(draft, "animal", content)
    for clutch in collection.clutches.values():
        enter_clutch(archive, collection, clutch, ids)
    return ids


def enter_clutch(archive: Archive, collection, clutch, ids: dict[str, str]) -> None:
    with archive.change(clutch.name) as draft:
        sires = [{"animal": ids[s], "share": float(p)} for s, p in zip(clutch.sires, clutch.shares, strict=True)]
        pairing = put(draft, "pairing", {"dam": ids[clutch.dam], "sires": sires, "mixed": float(clutch.mixed)})
        laid = put(draft, "clutch", {"name": clutch.name, "pairing": pairing})
        for animal in collection.animals.values():
            if animal.clutch != clutch.name:
                continue
            egg = put(draft, "egg", {"clutch": laid, "label": animal.name, "state": "hatched"})
            ids[animal.name] = egg
            if animal.sex is not None:  # kept to breed: an animal of its own
                content = {"name": animal.name, "species": SPECIES.name, "sex": animal.sex.value, "egg": egg}
                ids[animal.name] = put(draft, "animal", content)
            for reading in animal.readings:
                if isinstance(reading, CallReading):
                    ((call, p),) = reading.likelihoods.items()
                    said = {"likelihoods": {call.name: p}, "otherwise": reading.otherwise}
                    put(draft, "evidence", {"about": ids[animal.name], "at": AT, **said})


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--clutches", type=int, default=400)
    given = parser.parse_args()
    collection = keepers_collection(given.clutches + 1)
    last = list(collection.clutches.values())[-1]
    with tempfile.TemporaryDirectory() as name:
        archive = Archive(Database(f"sqlite:///{Path(name) / 'records.sqlite'}"))
        start = time.perf_counter()
        clutches = {n: c for n, c in collection.clutches.items() if n != last.name}
        animals = {n: a for n, a in collection.animals.items() if a.clutch != last.name}
        ids = enter(archive, type(collection)(SPECIES, animals, clutches))
        took = time.perf_counter() - start
        print(f"{len(animals):,} animals, {len(clutches)} clutches entered in {took:.1f} s, {len(archive.all()):,} entries")
        start = time.perf_counter()
        known = known_of(archive)
        print(f"what is known of everybody, from the file: {time.perf_counter() - start:.2f} s")
        enter_clutch(archive, collection, last, ids)
        start = time.perf_counter()
        after = known_of(archive, previous=known)
        print(f"the same after one more clutch: {time.perf_counter() - start:.2f} s")
        assert len(after.collection.animals) == len(collection.animals)


if __name__ == "__main__":
    main()
