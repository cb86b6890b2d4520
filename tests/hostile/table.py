"""Everything hostile that is tried on the program, as a table: ``python tests/hostile/table.py`` (about an hour).

``--each N`` tries N of each kind instead; kinds named behind it are the only ones tried. Status 1 when anything was wrong.
"""

from __future__ import annotations

import argparse
import importlib
import sys
import tempfile
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

KINDS = ("images", "sheets", "imports", "restores", "kills", "flips", "entries", "names")


def main() -> int:
    """Try, print a row a kind and a line a fault."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("kinds", nargs="*", metavar="kind", help=f"one or more of {', '.join(KINDS)}; all if none is named")
    asked.add_argument("--each", type=int, help="how many of each kind (default: what the table promises)")
    asked.add_argument("--seed", type=int, default=14)
    told = asked.parse_args()
    wrong = []
    print("| kind | tried | outcomes | faults | peak MB | longest s |\n| --- | --- | --- | --- | --- | --- |")
    for kind in told.kinds or KINDS:
        module = importlib.import_module(f"tests.hostile.{kind}")
        with tempfile.TemporaryDirectory(prefix="triage-hostile-") as folder:
            tried = list(module.attempts(told.each or module.FULL, told.seed, Path(folder)))
        outcomes = Counter(one.outcome for one in tried)
        faults = [one for one in tried if one.fault]
        wrong += [f"{kind}, {one.name}: {one.fault}" for one in faults]
        said = ", ".join(f"{n} {outcome}" for outcome, n in outcomes.most_common())
        peak, longest = max(one.peak_mb for one in tried), max(one.seconds for one in tried)
        print(f"| {kind} | {len(tried)} | {said} | {len(faults)} | {peak} | {longest:.1f} |", flush=True)
    print("\n".join(["", *wrong]))
    return int(bool(wrong))


if __name__ == "__main__":
    sys.exit(main())
