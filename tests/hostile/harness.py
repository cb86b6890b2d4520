"""Runs the program on one hostile input at a time, in a process of its own, and judges what came back.

A kind of input is a module of this folder with ``FULL`` (how many the whole table tries) and
``attempts(n, seed, folder)``, which yields one ``Attempt`` for each of ``n`` inputs drawn from ``seed``.
"""

from __future__ import annotations

import os
import signal
import sys
import time
import traceback
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryFile

LIMIT_S, LIMIT_MB = 60, 1500
# What a terminal would obey: C0 and C1 controls but for tab and line feed, and marks of direction.
_OBEYED = frozenset(
    [chr(c) for c in (*range(0x20), *range(0x7F, 0xA0), 0x061C, 0x200E, 0x200F, *range(0x202A, 0x202F), *range(0x2066, 0x206A))]
) - {"\n", "\t"}


@dataclass(frozen=True)
class Ran:
    """One run of the program; ``status`` is negative when a signal ended it."""

    status: int
    out: str
    err: str
    peak_mb: int
    seconds: float


@dataclass(frozen=True)
class Attempt:
    """One hostile input: what became of it in one word, and what was wrong with that (empty when nothing)."""

    name: str
    outcome: str
    fault: str = ""
    peak_mb: int = 0
    seconds: float = 0.0


def program(*words: str, cwd: Path, data: Path, env: Mapping[str, str] = {}, stdin: bytes = b"") -> Ran:
    """Run ``triage`` with these words in a forked process, its records under ``data``; killed after ``LIMIT_S``."""
    with TemporaryFile() as out, TemporaryFile() as err, TemporaryFile() as into:
        into.write(stdin)
        into.seek(0)
        start = time.perf_counter()
        child = os.fork()
        if not child:
            _become(words, cwd, {"TRIAGE_DATA": str(data), **env}, into.fileno(), out.fileno(), err.fileno())
        signal.signal(signal.SIGALRM, lambda *_: os.kill(child, signal.SIGKILL))
        signal.alarm(LIMIT_S)
        _, code, usage = os.wait4(child, 0)
        signal.alarm(0)
        seconds = time.perf_counter() - start
        return Ran(os.waitstatus_to_exitcode(code), _text(out), _text(err), usage.ru_maxrss // 1024, seconds)


def judge(name: str, ran: Ran, outcome: str = "", fault: str = "", statuses: Sequence[int] = (0, 2)) -> Attempt:
    """What a run must never show, whatever it was given; ``fault`` adds what only the caller can see."""
    lines = [line for line in ran.err.splitlines() if line.strip()]
    for wrong, words in (
        (ran.status == -signal.SIGKILL, f"no answer within {LIMIT_S} s"),
        (ran.status not in statuses, f"status {ran.status}: {lines[-1] if lines else ''}"),
        ("Traceback (most recent call last)" in ran.out + ran.err, "a traceback"),
        (ran.status == 2 and len(lines) != 1, f"refused in {len(lines)} lines"),
        (bool(_OBEYED & set(ran.out + ran.err)), "control characters or marks of direction in what was said"),
        (ran.peak_mb > LIMIT_MB, f"{ran.peak_mb} MB of memory"),
    ):
        if wrong:
            fault = fault or words
    return Attempt(name, outcome or ("refused" if ran.status == 2 else "answered"), fault, ran.peak_mb, ran.seconds)


def _become(words: Sequence[str], cwd: Path, env: Mapping[str, str], *streams: int) -> None:
    """In the child: be the program and nothing else, and leave without a word of the parent's."""
    code = 1
    try:
        for number, stream in enumerate(streams):
            os.dup2(stream, number)
        sys.stdin, sys.stdout, sys.stderr = open(0), open(1, "w", errors="replace"), open(2, "w", errors="replace")
        os.chdir(cwd)
        os.environ.update(env)
        from triage.cli.main import main

        code = main(list(words))
    except BaseException:
        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


def _text(file) -> str:
    file.seek(0)
    return file.read().decode(errors="replace")
