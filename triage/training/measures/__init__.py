"""Everything that is measured of a reader or of a design: `python -m triage.training.measures --list`.

A measure is a module here with a record of options and a function of plain figures, and a line of `MEASURES`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from triage.training import stranger_domain
from triage.training.bench import Bench
from triage.training.measures import ceiling, comparison, further, realism, report, shift, stranger


@dataclass(frozen=True)
class Measure:
    """`figures(bench, options)` gives plain figures, ready for JSON; the fields of `options` become options of the command.

    Figures of a reader give way to those of the next run. Where `of_reader` is false they stand beside those of other runs, of
    other photos or code. `drawn_by`: further files, besides looks and hatchery, that say which photos are drawn.
    """

    name: str
    help: str
    options: type
    figures: Callable[[Bench, Any], dict[str, Any]]
    of_reader: bool = True
    drawn_by: tuple[Path, ...] = ()


MEASURES = (
    Measure("ceiling", "how well any reader could do", ceiling.Options, ceiling.figures),
    Measure("comparison", "designs and settings on equal budget", comparison.Options, comparison.figures, of_reader=False),
    Measure("further", "whether a stated chance means what it says, on crosses used for nothing else", further.Options, further.figures),
    Measure("realism", "how much renders look like snakes to a network that never saw one of them", realism.Options, realism.figures),
    Measure("report", "the protocol: parents, photo and both, in detail, in both reported domains", report.Options, report.figures),
    Measure("shift", "which part of the shifted domain costs what", shift.Options, shift.figures),
    Measure("stranger", "how the reader fares in a domain drawn by another hand", stranger.Options, stranger.figures,
            drawn_by=(Path(stranger_domain.__file__),)),
)  # fmt: skip
