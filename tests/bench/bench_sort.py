"""Time of sorting clutches of few and of very many possible calls, without photos: `python tests/bench/bench_sort.py`."""

import time

from triage.genetics.clutch.model import compile_cross
from triage.workflow.sheet import load_sheet
from triage.workflow.sort import sort_clutch

USUAL = """
species: ball python
dam: {name: Juniper, genes: "pastel, 66% het clown"}
sires: [{name: Basil, genes: "enchi, het clown", share: 0.8}, {name: Thyme, genes: mojave, share: 0.2}]
eggs:
"""
WIDE = """
species: ball python
mixed: 0.1
dam:
  name: Juniper
  genes: "pastel, enchi, fire, mojave, het clown, het piebald, 66% het ghost, spotnose, het albino, 50% het genetic stripe"
sires:
  - {name: Basil, genes: "pinstripe, yellow belly, enchi, het clown, het piebald, 50% het albino, leopard", share: 0.8}
  - {name: Thyme, genes: "mojave, pastel, cinnamon, 66% het clown, het ghost, banana", share: 0.2}
eggs:
"""


def main() -> None:
    for name, parents, misfits in (("usual", USUAL, ()), ("ten genes a side, four misfits", WIDE, ("champagne",) * 3 + ("desert ghost",))):
        calls = ["pastel enchi"] * 8 + list(misfits)
        text = parents + "".join(f"  - {{label: A{n}, call: {call}}}\n" for n, call in enumerate(calls, 1))
        sheet = load_sheet(text=text, name=name)
        start = time.perf_counter()
        report = sort_clutch(sheet)
        took = time.perf_counter() - start
        print(f"{name}: {len(report.eggs)} hatchlings, {compile_cross(sheet.cross).n_calls:,} possible calls, {took:.2f} s", flush=True)


if __name__ == "__main__":
    main()
