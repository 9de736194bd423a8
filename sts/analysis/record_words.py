"""Whether a tip is still as it was, in a sentence."""

from __future__ import annotations

import math
from dataclasses import dataclass

from sts.quantities import decimals_for

AS_IT_WAS, UNTOLD, CHANGED = STATES = ("as it was", "cannot be told", "changed")
MORE_DAYS = "More days of this tip, or other tips measured on several days, narrow that"


@dataclass(frozen=True)
class Told:
    """What the chart of a tip says; barriers [eV], factors are pure numbers."""

    tip: str
    state: str
    days: int
    first: str = ""
    last: str = ""
    since: str = ""
    changes: tuple[tuple[str, float, float, float], ...] = ()  # day, factor to the days before, its interval
    alone: tuple[tuple[str, float], ...] = ()  # day that was off alone, factor to the days before
    barrier: tuple[float, float, float] = (math.nan, math.nan, math.nan)
    unseen: tuple[float, float] = (math.nan, math.nan)  # factors that a day to come may lie off by and pass
    days_since: int = 0


def sentence(told: Told, confidence: float) -> str:
    """State first, then by how much and since when, or what stands in the way.

    Parameters
    ----------
    told : Told
    confidence : float
        Level of the intervals.
    """
    return f"{_state(told, confidence)}{_off(told)}"


def _off(told: Told) -> str:
    """Days outside their limits after which the tip was as before."""
    if not told.alone:
        return ""
    return f" Off on {', '.join(f'{day} ({_percent(factor)})' for day, factor in told.alone)} alone, then as before."


def _state(told: Told, confidence: float) -> str:
    name = told.tip or "(no name)"
    if told.state == CHANGED:
        level = f"{confidence * 100:g} %"
        parts = [
            f"{_percent(f)} ({level}: {_percent(low)} to {_percent(high)}) on {day}"
            for day, f, low, high in told.changes
        ]
        since = "that day alone" if told.days_since == 1 else f"{told.days_since} days"
        return (
            f"{name}: changed. Barrier against the days before: {'; '.join(parts)}. Now {_barrier(told)}, from {since}."
        )
    if told.state == AS_IT_WAS:
        return (
            f"{name}: as it was. Barrier {_barrier(told)} over {told.days} days ({told.first} to {told.last}); a "
            f"day more than {_apart(told.unseen)} than this would stand out."
        )
    if not told.days:
        return f"{name}: cannot be told: no day has a barrier with an uncertainty. Measure I(z) at two or more sites."
    days = "1 day" if told.days == 1 else f"{told.days} days"
    if not math.isfinite(told.unseen[0]):
        return (
            f"{name}: cannot be told with {days}: nothing tells how much a tip scatters from day to day. {MORE_DAYS}."
        )
    if told.days == 1:
        return (
            f"{name}: cannot be told with 1 day, {told.last} ({told.barrier[0]:.3g} eV). By the scatter of the other tips a next "
            f"day more than {_apart(told.unseen)} than this would stand out."
        )
    only = f"only a day more than {_apart(told.unseen)} than these would stand out"
    return f"{name}: cannot be told with {days}: {only}. {MORE_DAYS}."


def _barrier(told: Told) -> str:
    value, low, high = told.barrier
    if not (math.isfinite(low) and math.isfinite(high)):
        return f"{value:.2f} eV"
    digits = decimals_for((high - low) / 2)
    return f"{value:.{digits}f} eV ({low:.{digits}f} to {high:.{digits}f})"


def _apart(factors: tuple[float, float]) -> str:
    """``8 % lower or 9 % higher``."""
    lower, higher = factors
    above = "ten times" if not math.isfinite(higher) or higher > 10 else f"{100 * (higher - 1):.0f} %"
    return f"{100 * (1 - lower):.0f} % lower or {above} higher"


def _percent(factor: float) -> str:
    """``+12 %``; beyond tenfold as a factor."""
    if not math.isfinite(factor) or factor > 10:
        return "more than tenfold"
    return f"{100 * (factor - 1):+.0f} %".replace("-", "−")
