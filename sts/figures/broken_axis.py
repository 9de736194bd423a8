"""A logarithmic axis on which empty stretches are cut short: one bad tip does not flatten the others."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from sts.figures.style import GREY

FACTOR = 2.5  # values that differ by more are drawn so
EMPTY = 0.2  # decades without a value that are cut short
SHORT = 0.12  # what is left of them, as a share of all that is drawn
ROOM = 0.15  # beside the values of a stretch, as a share of its length
LEAST = 0.02  # decades of a stretch at least, room on each side


@dataclass(frozen=True, eq=False)
class Stretches:
    """Stretches of an axis in decades, and where each is drawn; between them the axis is pressed together."""

    values: np.ndarray  # (2 k,) ends of k stretches, log10, rising
    places: np.ndarray  # (2 k,)

    def place(self, x: Any) -> np.ndarray:
        """Where values stand.

        Parameters
        ----------
        x : array_like, any shape
            Above zero.
        """
        logs = np.log10(np.maximum(np.asarray(x, float), 1e-300))
        inside = np.interp(logs, self.values, self.places)
        beyond = np.minimum(logs - self.values[0], 0) + np.maximum(logs - self.values[-1], 0)
        return np.asarray(inside + beyond)

    def value(self, place: Any) -> np.ndarray:
        """What stands at places.

        Parameters
        ----------
        place : array_like, any shape
        """
        place = np.asarray(place, float)
        beyond = np.minimum(place - self.places[0], 0) + np.maximum(place - self.places[-1], 0)
        return np.asarray(10 ** (np.interp(place, self.places, self.values) + beyond))


def stretches(values: Any) -> Stretches | None:
    """How to draw values that differ by a factor; None where a linear axis shows them well, or not all are above zero.

    Parameters
    ----------
    values : array_like, shape (n,)
        Everything that is drawn.
    """
    values = np.sort(np.asarray(values, float)[np.isfinite(values)])
    if values.size < 2 or values[0] <= 0 or values[-1] < FACTOR * values[0]:
        return None
    logs = np.log10(values)
    cuts = np.flatnonzero(np.diff(logs) > EMPTY)
    first, last = logs[np.r_[0, cuts + 1]], logs[np.r_[cuts, logs.size - 1]]
    room = np.maximum(ROOM * (last - first), LEAST)
    first, last = first - room, last + room
    left = SHORT * (last - first).sum()
    start = np.cumsum(np.r_[0, (last - first)[:-1] + left])
    return Stretches(np.column_stack([first, last]).ravel(), np.column_stack([start, start + last - first]).ravel())


def axis_words(found: Stretches) -> str:
    """What the name of the axis says of its scale.

    Parameters
    ----------
    found : Stretches
    """
    return "logarithmic, // empty stretch cut" if len(found.values) > 2 else "logarithmic"


def break_axis(ax: Axes, found: Stretches) -> None:
    """Draw the horizontal axis so, with ticks in each stretch and a mark where it is cut.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
    found : Stretches
    """
    ax.set_xlim(10 ** found.values[0], 10 ** found.values[-1])
    ax.set_xscale("function", functions=(found.place, found.value))
    ends = found.values.reshape(-1, 2)
    ticks: list[float] = []
    for low, high in 10**ends:
        share = np.ptp(found.place([low, high])) / np.ptp(found.places)
        most = max(round(5 * share), 1)
        inner = MaxNLocator(most, steps=[1, 2, 5, 10]).tick_values(low, high)
        seen = [float(tick) for tick in inner if low <= tick <= high] or [float(f"{(low * high) ** 0.5:.2g}")]
        ticks += seen if len(seen) <= most else seen[len(seen) // (2 * most) :: -(-len(seen) // most)]
    ax.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
    ax.set_xticks([], minor=True)
    total = np.ptp(found.places)
    for at in (found.places[1:-1:2] + found.places[2::2]) / 2 - found.places[0]:
        for shift in (-0.006, 0.006):
            x = at / total + shift
            ax.plot([x - 0.006, x + 0.006], [-0.02, 0.02], transform=ax.transAxes, color=GREY, lw=0.8, clip_on=False)
