"""The machine-readable answer of sorting a clutch; the format stands in README.md and is kept stable."""

from __future__ import annotations

import math
from typing import Any

from triage.workflow.answers.report import ClutchReport, EggReport

FORMAT = 1


def to_json(report: ClutchReport) -> dict[str, Any]:
    """The report as plain values that ``json.dumps`` takes.

    ``log_evidence`` is null where the readings contradict the cross.
    """
    posterior = report.posterior
    return {
        "format": FORMAT,
        "log_evidence": report.log_evidence if math.isfinite(report.log_evidence) else None,
        "mixed": posterior.mixed if posterior else None,
        "eggs": [_egg(egg) for egg in report.eggs],
        "parents": [
            {"role": p.role, "name": p.name, "loci": _loci(p.after), "news": list(p.news)} for p in report.parents
        ],
        "luck": report.luck,
        "notes": list(report.notes),
    }


def _egg(egg: EggReport) -> dict[str, Any]:
    return {
        "label": egg.label,
        "tray": egg.tray.value,
        "reasons": list(egg.reasons),
        "sires": dict(egg.sires),
        "sex": {sex.value: p for sex, p in egg.sex.items()},
        "calls": [
            {"call": c.call.name, "probability": c.probability, "parents_only": c.parents_only} for c in egg.calls
        ],
        "loci": _loci(egg.loci),
        "struck_out": [{"call": s.call, "reason": s.reason} for s in egg.struck_out],
        "reads_as": {"call": egg.reads_as.call, "reason": egg.reads_as.reason} if egg.reads_as else None,
        "label_text": egg.label_text,
        "rests_on": list(egg.rests_on),
        "moved_by": list(egg.moved_by),
        "sharing": egg.sharing,
        "photo_remarks": list(egg.photo_remarks),
        "shortlist": list(egg.shortlist),
        "look_for": list(egg.look_for),
        "alternatives": [
            {
                "explanation": a.explanation,
                "bayes_factor": a.bayes_factor if math.isfinite(a.bayes_factor) else None,
            }
            for a in egg.alternatives
        ],
    }


def _loci(loci) -> dict[str, dict[str, float]]:
    return {name: {str(g): p for g, p in chances.items()} for name, chances in loci.items()}
