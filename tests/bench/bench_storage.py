"""Records of many seasons in one SQLite file: one change, one look-up, all of a kind, verify, backup and restore.

    python tests/bench/bench_storage.py
"""

import random
import tempfile
import time
from pathlib import Path

from triage.storage.archive import Archive
from triage.storage.backup import back_up, restore
from triage.storage.database import Database
from triage.storage.kinds import kind_named
from triage.storage.photo_files import PhotoFiles

SEASONS, CLUTCHES_A_SEASON, EGGS = 10, 40, 6
SEED = 0


def put(draft, kind, content):
    return draft.add(kind_named(kind).from_json(content))


def fill(archive: Archive) -> list[str]:
    """A change for each clutch: a dam, a sire, a pairing, the clutch and its eggs. Ids of the animals."""
    animals = []
    for season in range(SEASONS):
        for number in range(CLUTCHES_A_SEASON):
            name = f"{2031 + season}-{number}"
            with archive.change("clutch laid") as draft:
                dam, sire = (
                    put(draft, "animal", {"name": f"{name} {sex}", "species": "ball python", "sex": sex, "genes": "pastel"})
                    for sex in ("female", "male")
                )
                pairing = put(draft, "pairing", {"dam": dam, "sires": [{"animal": sire, "share": 1.0}]})
                clutch = put(draft, "clutch", {"name": name, "pairing": pairing})
                for egg in range(EGGS):
                    put(draft, "egg", {"clutch": clutch, "label": f"A{egg + 1}", "state": "hatched"})
            animals += [dam, sire]
    return animals


def timed(what: str, work, times: int = 1):
    start = time.perf_counter()
    for _ in range(times):
        answer = work()
    print(f"{what:44s} {(time.perf_counter() - start) / times * 1000:9.1f} ms")
    return answer


def main() -> None:
    rng = random.Random(SEED)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        archive, photos = Archive(Database(f"sqlite:///{folder / 'records.sqlite'}")), PhotoFiles(folder / "photos")
        animals = timed(f"{SEASONS * CLUTCHES_A_SEASON} clutches, a change for each", lambda: fill(archive))
        print(f"{len(archive.all()):,} entries")

        def weigh() -> None:
            with archive.change("weighed") as draft:
                draft.put(archive.find(rng.choice(animals)), weight_g=1500.0)

        timed("one animal changed", weigh, 100)
        timed("one animal found", lambda: archive.find(rng.choice(animals)), 100)
        timed("all animals", lambda: archive.all("animal"), 5)
        faults = timed("all checked against their history", archive.faults)
        assert not faults, faults
        timed("backup", lambda: back_up(archive, photos, folder / "b.zip"))
        again = Archive(Database(f"sqlite:///{folder / 'again.sqlite'}"))
        timed("restore", lambda: restore(folder / "b.zip", again, PhotoFiles(folder / "photos-again")))
        assert {e.id: e.version for e in again.all()} == {e.id: e.version for e in archive.all()}


if __name__ == "__main__":
    main()
