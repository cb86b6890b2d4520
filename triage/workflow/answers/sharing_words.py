"""What an egg's answer would be if clutches were shared more often or less often than was taken, in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from triage.genetics.clutch.posterior import CallChance
from triage.proving.chances import percent
from triage.proving.trays import Tray
from triage.records import Parthenogenesis

_SAME = 1e-9  # two chances closer than this are alike


@dataclass(frozen=True, slots=True)
class Standing:
    """Where a hatchling stands: its likeliest sires and calls, several where they are alike, and its tray."""

    sires: tuple[str, ...]
    calls: tuple[str, ...]
    tray: Tray

    @classmethod
    def of(cls, sires: Mapping[str, float], calls: Sequence[CallChance], tray: Tray) -> Standing:
        return cls(_likeliest(sires), _likeliest({c.call.name: c.probability for c in calls}), tray)


def sharing_words(now: Standing, at: Mapping[float, Standing]) -> str:
    """How the answer differs at other shares: "at 10 % shared this egg would be Flint's"; empty where it is the same at all."""
    shares: dict[str, list[str]] = {}
    for share, then in sorted(at.items()):
        if changed := _changed(now, then):
            shares.setdefault(changed, []).append(percent(share))
    return "; ".join(f"at {' and '.join(of)} shared this egg would {changed}" for changed, of in shares.items())


def _changed(now: Standing, then: Standing) -> str:
    parts = []
    if then.sires and not set(then.sires) & set(now.sires):
        parts.append("be " + " or ".join("of no sire" if name == Parthenogenesis().name else f"{name}'s" for name in then.sires))
    if then.calls and not set(then.calls) & set(now.calls):
        parts.append(f"most likely be {' or '.join(then.calls)}")
    if then.tray is not now.tray:
        parts.append(f"go to '{then.tray}'")
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}" if parts else ""


def _likeliest(chances: Mapping[str, float]) -> tuple[str, ...]:
    best = max(chances.values(), default=0.0)
    return tuple(name for name, p in chances.items() if p > 0 and p >= best - _SAME)
