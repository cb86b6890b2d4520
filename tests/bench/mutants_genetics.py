"""How many small faults put into the genetics engine do its tests notice? Prints the share killed and every survivor.

    pip install cosmic-ray
    python tests/bench/mutants_genetics.py --sample 300 --seed 1

Works on a copy of the tree in a temporary folder. Mutants of type annotations (which never run) are left out. The sample is drawn
with the seed from all mutants; a sample of 0 means all of them. The tests are the quick ones of ``tests/genetics`` and two groups
of the comparison with the reference, so the share is a lower bound for the whole suite.
"""

import argparse
import ast
import os
import random
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
MODULES = ["transmission", "model", "contraction", "dense", "exact", "posterior"]
TESTS = [
    "test_errors.py",
    "test_published.py",
    "test_published_crosses.py",
    "test_published_uncertain.py",
    "test_published_paternity.py",
    "test_rules_of_thumb.py",
    "test_engine_details.py",
    "test_against_reference.py::test_drawn_clutches[0]",
    "test_against_reference.py::test_drawn_clutches[3]",
]


def annotation_places(path: Path) -> set[tuple[int, int]]:
    """(line, column) of every character that stands in a type annotation."""
    places = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        notes = [getattr(node, "annotation", None), getattr(node, "returns", None)]
        if isinstance(node, ast.Assign) and isinstance(node.value, ast.BinOp) and isinstance(node.value.op, ast.BitOr):
            notes.append(node.value)  # a type alias
        for note in filter(None, notes):
            for line in range(note.lineno, note.end_lineno + 1):
                start = note.col_offset if line == note.lineno else 0
                end = note.end_col_offset if line == note.end_lineno else 500
                places |= {(line, column) for column in range(start, end)}
    return places


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sample", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=25, help="stop after this time; what was tried by then counts")
    options = parser.parse_args(argv)
    cosmic_ray = shutil.which("cosmic-ray", path=f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}")
    if cosmic_ray is None:
        parser.error("cosmic-ray is not installed: pip install cosmic-ray")
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "tree"
        for part in ("triage", "tests"):
            shutil.copytree(ROOT / part, copy / part, ignore=shutil.ignore_patterns("__pycache__", "*.safetensors"))
        shutil.copy(ROOT / "pyproject.toml", copy)
        tests = " ".join(f"'tests/genetics/{t}'" for t in TESTS)
        command = f"{sys.executable} -m pytest -x -q -p no:cacheprovider {tests}"
        (copy / "cr.toml").write_text(
            "[cosmic-ray]\n"
            f"module-path = {[f'triage/genetics/{m}.py' for m in MODULES]}\n"
            "timeout = 60.0\nexcluded-modules = []\n"
            f'test-command = "{command}"\n'
            '[cosmic-ray.distributor]\nname = "local"\n'
        )
        environment = {**os.environ, "PYTHONPATH": str(copy), "OMP_NUM_THREADS": "1", "PYTHONDONTWRITEBYTECODE": "1"}
        subprocess.run([cosmic_ray, "init", "cr.toml", "cr.sqlite"], cwd=copy, env=environment, check=True)
        n_all = draw_sample(copy, options.sample, options.seed)
        run = subprocess.Popen([cosmic_ray, "exec", "cr.toml", "cr.sqlite"], cwd=copy, env=environment)
        try:
            run.wait(60 * options.minutes)
        except subprocess.TimeoutExpired:
            run.terminate()
            run.wait()
        report(copy / "cr.sqlite", n_all)
    return 0


def draw_sample(copy: Path, n: int, seed: int) -> int:
    """Keep a random sample of the mutants outside annotations, in random order; returns how many there were."""
    base = sqlite3.connect(copy / "cr.sqlite")
    rows = base.execute(
        "select m.*, m.rowid from mutation_specs m order by module_path, operator_name, occurrence"
    ).fetchall()
    names = [d[0] for d in base.execute("select * from mutation_specs limit 1").description]
    at = {name: names.index(name) for name in names}
    notes: dict[str, set] = {}
    kept = []
    for row in rows:
        path = row[at["module_path"]]
        places = notes.setdefault(path, annotation_places(copy / path))
        if (row[at["start_pos_row"]], row[at["start_pos_col"]]) not in places:
            kept.append(row[at["job_id"]])
    chosen = random.Random(seed).sample(kept, min(n or len(kept), len(kept)))
    for table in ("mutation_specs", "work_items"):
        columns = [d[0] for d in base.execute(f"select * from {table} limit 1").description]
        by_id = {r[columns.index("job_id")]: r for r in base.execute(f"select * from {table}").fetchall()}
        base.execute(f"delete from {table}")
        marks = ",".join("?" * len(columns))
        base.executemany(f"insert into {table} values ({marks})", [by_id[job] for job in chosen])
    base.commit()
    base.close()
    return len(kept)


def report(path: Path, n_all: int) -> None:
    rows = sqlite3.connect(path).execute(
        "select m.module_path, m.start_pos_row, m.operator_name, r.test_outcome, r.worker_outcome, r.diff "
        "from work_results r join mutation_specs m using (job_id)"
    ).fetchall()
    rows = [r for r in rows if "NORMAL" in r[4].upper()]
    survivors = sorted(r for r in rows if "SURVIVED" in r[3].upper())
    killed = len(rows) - len(survivors)
    print(f"{len(rows)} of {n_all} mutants tried, {killed} killed ({killed / max(len(rows), 1):.1%})")
    for module, line, operator, _, _, diff in survivors:
        changed = [x for x in diff.splitlines() if x[:1] in "+-" and x[:3] not in ("+++", "---")]
        print(f"\n{module}:{line} {operator}", *changed, sep="\n    ")


if __name__ == "__main__":
    raise SystemExit(main())
