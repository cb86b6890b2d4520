"""Chances in words, the same wherever one is shown."""


def percent(p: float) -> str:
    """A probability for people: never "0 %" or "100 %" unless it is exactly that."""
    if p in (0.0, 1.0):
        return f"{p:.0%}".replace("%", " %")
    if p < 0.01:
        return "under 1 %"
    if p > 0.99:
        return "over 99 %"
    return f"{100 * p:.0f} %"
