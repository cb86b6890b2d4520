"""Power cuts and crowds: kill -9 in the middle of writes, ten writers and readers at once."""

import os
import random
import signal
import threading
import time
from multiprocessing import get_context

import pytest

from triage.storage.archive import Archive, StaleEntryError
from triage.storage.database import Database
from triage.storage.kinds import kind_named

KILLS = {"sqlite": 200, "postgresql": 60}
ANIMAL = {"name": "Juniper", "species": "ball python", "sex": "female"}


def put(draft, kind, content):
    return draft.add(kind_named(kind).from_json(content))


def write_until_killed(address, pipe):
    """Pairs of entries that belong together; each confirmed on the pipe after the change ended."""
    archive = Archive(Database(address))
    number = 0
    while True:
        with archive.change(f"entry {number}") as draft:
            first = put(draft, "animal", ANIMAL)
            put(draft, "note", {"about": first, "text": str(number), "at": "2031-06-02T10:00:00+00:00"})
        os.write(pipe, f"{first}\n".encode())
        number += 1


def test_nothing_confirmed_is_lost_and_nothing_is_half_there_after_kill_9(address):
    """Writers, each killed at a random moment of its first tenths of a second, all into one database."""
    kills = KILLS[address.partition("+")[0].partition(":")[0]]
    archive = Archive(Database(address))
    draw = random.Random(7)
    confirmed: list[str] = []
    for _ in range(kills):
        read_end, write_end = os.pipe()
        child = os.fork()
        if child == 0:
            try:
                os.close(read_end)
                write_until_killed(address, write_end)
            finally:
                os._exit(1)
        os.close(write_end)
        time.sleep(draw.uniform(0.005, 0.16 if kills == 200 else 0.3))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        with os.fdopen(read_end) as lines:
            confirmed += [line.strip() for line in lines if line.endswith("\n")]
    assert len(confirmed) > kills / 2
    there = {entry.id for entry in archive.all("animal")}
    assert set(confirmed) <= there
    noted = [entry.content.about for entry in archive.all("note")]
    assert sorted(noted) == sorted(there)  # never one without the other
    assert archive.faults() == ()


def count_up(address, id, times, failures):
    """Add one to the weight `times` times, looking again whenever somebody was quicker."""
    try:
        archive = Archive(Database(address))
        done = 0
        while done < times:
            entry = archive.find(id)
            try:
                with archive.change("one more") as draft:
                    draft.put(entry, weight_g=(entry.content.weight_g or 0) + 1)
                done += 1
            except StaleEntryError:
                continue
    except Exception as error:
        failures.append(repr(error))


def look_on(address, failures, stop):
    try:
        archive = Archive(Database(address))
        seen = 0
        while not stop.is_set():
            (entry,) = archive.all("animal")
            assert entry.version >= seen and (entry.content.weight_g or 0) == entry.version - 1
            seen = entry.version
    except Exception as error:
        failures.append(repr(error))


def test_ten_writers_and_readers_lose_no_update_and_see_no_lock(address):
    """Five threads write and five read, each with connections of its own."""
    archive = Archive(Database(address))
    with archive.change("start") as draft:
        id = put(draft, "animal", ANIMAL)
    failures: list[str] = []
    stop = threading.Event()
    writers = [threading.Thread(target=count_up, args=(address, id, 8, failures)) for _ in range(5)]
    readers = [threading.Thread(target=look_on, args=(address, failures, stop)) for _ in range(5)]
    for one in [*writers, *readers]:
        one.start()
    for one in writers:
        one.join()
    stop.set()
    for one in readers:
        one.join()
    assert failures == []
    assert archive.find(id).content.weight_g == 40 and len(archive.history(id)) == 41
    assert archive.faults() == ()


def put_many(address, worker):
    archive = Archive(Database(address))
    for number in range(10):
        with archive.change("crowd") as draft:
            put(draft, "animal", {**ANIMAL, "name": f"{worker} {number}"})


@pytest.mark.parametrize("processes", [10])
def test_ten_processes_at_once(address, processes):
    """Also the making of the tables: nobody was there before them."""
    context = get_context("spawn")
    workers = [context.Process(target=put_many, args=(address, number)) for number in range(processes)]
    for one in workers:
        one.start()
    for one in workers:
        one.join()
    assert [one.exitcode for one in workers] == [0] * processes
    archive = Archive(Database(address))
    assert len({entry.content.name for entry in archive.all("animal")}) == 10 * processes
    assert archive.faults() == ()
