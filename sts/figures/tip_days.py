"""Figures of the record of a tip: its days in order, with the limits that the days before set."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from sts.figures.barrier import BARRIER_LABEL
from sts.figures.marks import Look, draw_band, draw_interval, draw_line
from sts.figures.style import BLUE, GREY, VERMILLION, given_or_new
from sts.figures.styled import styled

MOST_NAMES = 8  # days named on the axis; of more only some are
_ROOM = 0.35  # of the range of the intervals, above and below: limits that reach further are cut


@styled
def plot_tip_days(days: pd.DataFrame, *, confidence: float = 0.95, ax: Axes | None = None) -> Axes:
    """The barrier of one tip on each of its days, and between which limits each day was expected.

    Parameters
    ----------
    days : pandas.DataFrame
        Rows of one tip, in order: with the columns of ``tip_days.csv``.
    confidence : float
        Level of the intervals, for the legend.
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure if not given.

    Raises
    ------
    ValueError
        If no day has a barrier.
    """
    ax = given_or_new(ax, height_in=2.3)
    x = np.arange(len(days), dtype=float)
    value, low, high, before, least, most = (
        days[name].to_numpy(float)
        for name in ("barrier_eV", "barrier_low_eV", "barrier_high_eV", "before_eV", "limit_low_eV", "limit_high_eV")
    )
    there = np.isfinite(value)
    if not there.any():
        raise ValueError("No day of this tip has a barrier; there is nothing to draw.")
    bottom, top = _range(value, low, high)
    limits = np.isfinite(least)
    for i in np.flatnonzero(limits).tolist():
        ends = np.clip([least[i], most[i]], bottom, top)
        edges = [x[i] - 0.5, x[i] + 0.5]
        label = "limits for the day, from those before" if i == np.flatnonzero(limits)[0] else ""
        draw_band(
            ax, edges, [ends[0]] * 2, [ends[1]] * 2, series=f"{days['day'].iloc[i]}: limits", label=label, colour=GREY
        )
        draw_line(
            ax, edges, [before[i]] * 2, series=f"{days['day'].iloc[i]}: mean before", look=Look(colour=GREY, width=0.7)
        )
    changed = days["like_before"].isin(["changed", "off that day alone"]).to_numpy(bool)
    for rows, name, look in (
        (there & ~changed, f"day, with {confidence * 100:g} % interval", Look(colour=BLUE, size=4)),
        (there & changed, "day outside its limits", Look(colour=VERMILLION, mark="s", size=4.5)),
    ):
        if rows.any():
            draw_interval(ax, x[rows], value[rows], (low[rows], high[rows]), series=name, label=name, look=look)
    step = -(-len(days) // MOST_NAMES)
    ax.set_xticks(x[::step], [_short(str(day)) for day in days["day"].iloc[::step]])
    ax.set_xlim(-0.6, len(days) - 0.4)
    ax.set_ylim(bottom, top)
    ax.set_xlabel("Day")
    ax.set_ylabel(BARRIER_LABEL)
    ax.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=1, borderaxespad=0.0)
    return ax


def _range(value: np.ndarray, low: np.ndarray, high: np.ndarray) -> tuple[float, float]:
    """From where to where the days and their intervals go, and room about it."""
    ends = np.concatenate([value, low, high])
    ends = ends[np.isfinite(ends)]
    room = _ROOM * max(float(np.ptp(ends)), 0.1 * float(np.max(np.abs(ends))))
    return max(float(ends.min()) - room, 0.0), float(ends.max()) + room


def _short(day: str) -> str:
    """A date without its year, ``11-04``; other names as they are, cut."""
    parts = day.split("-")
    date = len(parts) == 3 and all(part.isdecimal() for part in parts)
    return f"{parts[1]}-{parts[2]}" if date else day if len(day) <= 12 else f"{day[:11]}…"
