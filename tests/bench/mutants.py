"""How many small faults put into the engines and the workflow do their tests notice? Prints the share killed and every survivor.

    pip install cosmic-ray
    python tests/bench/mutants.py --sample 300 --seed 1
    python tests/bench/mutants.py --part collection --sample 60 --seed 1 --minutes 12
    python tests/bench/mutants.py --part workflow --sample 60 --seed 1
    python tests/bench/mutants.py --part door --sample 60 --seed 1

cosmic-ray makes the mutants; each runs the tests in a child process that sees the changed module in memory, so no file is
touched. Left out are mutants that cannot change what the engine does: of type annotations, of the flags of ``dataclass``
and ``zip(..., strict=True)``, of numbers on a line with ``reshape(-1`` (NumPy takes any negative number), and ``is`` for
``==`` and back (enumerations, small numbers). The sample is drawn with the seed from all others (0 means all of them). The
tests are the quick ones of each part, so the share is a lower bound for the whole suite.
"""

import argparse
import ast
import difflib
import importlib.abc
import importlib.util
import os
import random
import resource
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import parso
from cosmic_ray.ast import ast_nodes
from cosmic_ray.mutating import mutate_code
from cosmic_ray.plugins import get_operator, operator_names

ROOT = Path(__file__).parents[2]
MODULES = {
    "clutch": ["genetics.transmission", *(f"genetics.clutch.{n}" for n in ("model", "contraction", "dense", "exact", "posterior"))],
    "collection": [f"genetics.collection.{n}" for n in ("graph", "tree", "web", "network", "inference", "grounds", "calls")],
    "door": ["files", "vision.intake", "storage.kinds", "storage.backup"],
    "workflow": ["genetics.readings", "workflow.keep", "workflow.recorded", "workflow.sort"],
}
_SEEDS = (1, 2, 3, 5, 7, 9, 11, 12, 15, 18, 21, 23, 27, 30, 35, 40)
TESTS = {
    "collection": [f"genetics/collection/test_{name}.py" for name in ("tree", "pedigree", "like_the_clutch_engine")],
    "clutch": [
        f"genetics/{name}"
        for name in (
            "test_rules_of_thumb.py",
            "test_engine_details.py",
            "test_lost_eggs.py",
            "test_small_numbers.py",
            "test_errors.py",
            "test_published.py",
            "test_published_crosses.py",
            "test_published_uncertain.py",
            "test_published_paternity.py",
            "test_against_reference.py::test_drawn_clutches[0]",
            "test_against_reference.py::test_drawn_clutches[3]",
        )
    ],
    "door": ["test_files.py", "vision/test_intake.py", "storage/test_kinds.py", "storage/test_backup.py"],
    "workflow": [
        "genetics/test_readings.py",
        "workflow/test_sort.py",
        "workflow/test_answer.py",
        "workflow/test_sheet.py",
        "workflow/test_keeping.py",
        "workflow/test_what_others_tell.py",
        *(f"workflow/test_one_clutch.py::test_kept_known_sorted_again_and_printed_are_what_was_sorted[{seed}]" for seed in _SEEDS),
    ],
}
#: Processor seconds after which a mutant counts as killed, because it hangs.
PATIENCE_S = 240


@dataclass(frozen=True)
class Mutant:
    """One fault: an operator of cosmic-ray applied at one of its places in a module."""

    module: str
    operator: str
    occurrence: int
    line: int


def annotation_places(source: str) -> set[tuple[int, int]]:
    """(line, column) of every character that stands in a type annotation or a type alias."""
    places = set()
    for node in ast.walk(ast.parse(source)):
        notes = [getattr(node, "annotation", None), getattr(node, "returns", None)]
        if isinstance(node, ast.Assign) and isinstance(node.value, ast.BinOp) and isinstance(node.value.op, ast.BitOr):
            notes.append(node.value)
        for note in filter(None, notes):
            for line in range(note.lineno, note.end_lineno + 1):
                start = note.col_offset if line == note.lineno else 0
                end = note.end_col_offset if line == note.end_lineno else 200
                places |= {(line, column) for column in range(start, end)}
    return places


def cannot_matter(operator: str, line: str) -> bool:
    """Whether a mutant is equivalent by its kind alone."""
    if operator == "core/ReplaceTrueWithFalse":
        return "@dataclass" in line or "strict=True" in line
    if operator in ("core/NumberReplacer", "core/ReplaceUnaryOperator_USub_Invert"):
        return "reshape(" in line and "-1" in line
    return operator in ("core/ReplaceComparisonOperator_Is_Eq", "core/ReplaceComparisonOperator_Eq_Is")


def file_of(module: str) -> Path:
    return ROOT / "triage" / (module.replace(".", "/") + ".py")


def every_mutant(part: str) -> list[Mutant]:
    """All mutants that could matter, in a fixed order."""
    found = []
    for module in MODULES[part]:
        source = file_of(module).read_text("utf-8")
        places, tree = annotation_places(source), parso.parse(source)
        nodes, lines = list(ast_nodes(tree)), source.splitlines()
        for name in sorted(operator_names()):
            if name.startswith("core/Variable"):  # needs names to be told
                continue
            operator = get_operator(name)()
            spots = [start for node in nodes for start, _ in operator.mutation_positions(node)]
            found += [
                Mutant(module, name, i, spot[0])
                for i, spot in enumerate(spots)
                if spot not in places and not cannot_matter(name, lines[spot[0] - 1])
            ]
    return found


class _Changed(importlib.abc.MetaPathFinder, importlib.abc.SourceLoader):
    """Serves one changed module from memory."""

    def __init__(self, module: str, source: str) -> None:
        self._name, self._source = f"triage.{module}", source
        self._path = str(file_of(module))

    def find_spec(self, fullname, path=None, target=None):
        return importlib.util.spec_from_loader(fullname, self, origin=self._path) if fullname == self._name else None

    def get_filename(self, fullname: str) -> str:
        return self._path

    def get_data(self, path: str) -> bytes:
        return self._source.encode()

    def path_stats(self, path: str):
        raise OSError  # never cached


def survives(mutant: Mutant, changed: str, part: str) -> bool:
    """Run the tests against one mutant in a child process."""
    child = os.fork()
    if child == 0:
        import pytest

        silent = os.open(os.devnull, os.O_WRONLY)
        os.dup2(silent, 1)
        os.dup2(silent, 2)
        resource.setrlimit(resource.RLIMIT_CPU, (PATIENCE_S, PATIENCE_S))
        sys.meta_path.insert(0, _Changed(mutant.module, changed))
        tests = [str(ROOT / "tests" / t) for t in TESTS[part]]
        os._exit(pytest.main(["-x", "-q", "-n0", "-p", "no:cacheprovider", f"--rootdir={ROOT}", *tests]))
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--part", choices=sorted(MODULES), default="clutch", help="what to put faults into (clutch)")
    parser.add_argument("--sample", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=25, help="stop after this time; what was tried by then counts")
    parser.add_argument("--only", nargs="*", help="of the sample, only mutants of these places, such as exact:349")
    options = parser.parse_args(argv)
    os.environ["OMP_NUM_THREADS"] = "1"
    os.chdir(ROOT)
    sys.path.insert(0, str(ROOT))
    # Loaded once, so that every child has them at once; nothing of the engine may be among them.
    import numpy, pytest, scipy.optimize, scipy.stats  # noqa: E401, F401, I001
    import triage.species.loader, triage.records  # noqa: E401, F401

    assert not any(f"triage.{module}" in sys.modules for modules in MODULES.values() for module in modules)
    unchanged = Mutant(MODULES[options.part][-1], "none", 0, 0)
    assert survives(unchanged, file_of(unchanged.module).read_text("utf-8"), options.part), "the tests fail unchanged"
    mutants = every_mutant(options.part)
    chosen = random.Random(options.seed).sample(mutants, min(options.sample or len(mutants), len(mutants)))
    if options.only:
        chosen = [m for m in chosen if f"{m.module}:{m.line}" in options.only]
    started, tried, left = time.monotonic(), 0, []
    for mutant in chosen:
        if time.monotonic() - started > 60 * options.minutes:
            break
        source = file_of(mutant.module).read_text("utf-8")
        changed = mutate_code(source, get_operator(mutant.operator)(), mutant.occurrence)
        if changed is None or changed == source:
            continue
        tried += 1
        if tried % 25 == 0:
            print(f"{tried} tried, {len(left)} left", file=sys.stderr, flush=True)
        if survives(mutant, changed, options.part):
            left.append(mutant)
            lines = difflib.unified_diff(source.splitlines(), changed.splitlines(), n=0, lineterm="")
            print(f"{mutant.module}.py:{mutant.line} {mutant.operator}", *list(lines)[3:], sep="\n    ", flush=True)
    killed = tried - len(left)
    print(f"\n{tried} of {len(mutants)} mutants tried, {killed} killed ({killed / max(tried, 1):.1%})")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
