"""Figures of the sweeps themselves: what was measured, in which order, and what was left out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from sts.figures.marks import Look, draw_many, draw_points
from sts.figures.style import BLUE, COLOURS, GREY, MARKS, STYLES, VERMILLION, given_or_new, legend, log_ticks, thin_out
from sts.figures.styled import styled
from sts.quantities import LEAST_BIAS, scale_for
from sts.sweeps import KIND_WORDS, SweepSet

BIAS_LABEL = "Bias, sample relative to tip"
HEIGHT_LABEL = "Height, away from the surface (nm)"
FROM_NEAR_END = "Height from the sweep's near end (nm)"


def height_axis(height: np.ndarray) -> tuple[np.ndarray, str]:
    """Heights (n,) in nm from the end near the surface, and what to call them: where a piezo stood tells nobody anything.

    Parameters
    ----------
    height : ndarray, shape (n,)
        Ascending [m].
    """
    return (height - height[0]) * 1e9, HEIGHT_LABEL if height[0] == 0 else FROM_NEAR_END


def bias_axis(bias: np.ndarray) -> tuple[float, str]:
    """The factor from volts to the unit of a bias axis, and what it is called: ±6 mV in millivolts.

    Parameters
    ----------
    bias : ndarray, shape (n,)
        [V].
    """
    factor, unit = scale_for(bias, "V", least=LEAST_BIAS)
    return factor, f"{BIAS_LABEL} ({unit})"


@styled
def plot_sweeps(sweeps: SweepSet, *, used: np.ndarray | None = None, ax: Axes | None = None) -> Axes:
    """Every sweep of a set: those kept, and those left out.

    Parameters
    ----------
    sweeps : SweepSet
        I(V) is drawn on a linear scale of current, I(z) as its magnitude on a logarithmic one. A set with a lock-in
        channel only shows that channel.
    used : numpy.ndarray, shape (m,), optional
        True where a sweep is used; all are, if not given.
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure if not given.

    Returns
    -------
    matplotlib.axes.Axes
    """
    ax = given_or_new(ax)
    used = np.ones(len(sweeps), bool) if used is None else np.asarray(used, bool)
    rows, unit = sweeps.current, "A"
    quantity = "Current"
    if not sweeps.has_current and sweeps.lockin is not None:
        rows, unit, quantity = sweeps.lockin, sweeps.lockin_unit or "unit not recorded", "Lock-in signal"
    falling = sweeps.kind == "iz"
    volts, bias_label = bias_axis(sweeps.axis)
    x, label = height_axis(sweeps.axis) if falling else (sweeps.axis * volts, bias_label)
    factor, shown = (1.0, unit) if "not recorded" in unit else scale_for(rows, unit)
    logarithmic = falling and bool((np.abs(rows) > 0).any())  # a dead channel may hold nothing but zero
    rows = np.where(rows != 0, np.abs(rows), np.nan) * factor if logarithmic else rows * factor
    for mask, word, colour, style, width in (
        (used, "kept", BLUE, "-", 0.5),
        (~used, "left out", VERMILLION, STYLES[1], 0.9),
    ):
        if mask.any():
            drawn, words = thin_out(np.flatnonzero(mask))
            count = f"{word}: n = {mask.sum()}{words}"
            names = [f"{word}: {sweeps.names[i]}" for i in drawn]
            draw_many(ax, x, rows[drawn], series=names, label=count,
                      look=Look(alpha=0.7, colour=colour, style=style, width=width))  # fmt: skip
    if logarithmic:
        ax.set_yscale("log")
        log_ticks(ax.yaxis)
    ax.set_xlabel(label)
    ax.set_ylabel(f"{'|Current|' if falling else quantity} ({shown})")
    legend(ax, below=True, columns=2)
    return ax


@styled
def plot_sweep_trend(
    table: pd.DataFrame, *, value: str = "barrier_eV", label: str = "Apparent barrier height (eV)", by: str = "tip",
    order: str = "in order of measurement", ax: Axes | None = None,
) -> Axes:  # fmt: skip
    """A result of each sweep against the order in which the sweeps were taken.

    Parameters
    ----------
    table : pandas.DataFrame
        One row per sweep, in order, with `value`, `by` and, where known, `used`.
    value, label : str
        The column to draw and its name with unit.
    by : str
        The column that tells the series apart.
    order : str
        What order the rows are in, for the axis.
    """
    ax = given_or_new(ax)
    number = np.arange(1, len(table) + 1)
    used = table["used"].to_numpy(bool) if "used" in table else np.ones(len(table), bool)
    values = table[value].to_numpy(float)
    for i, name in enumerate(pd.unique(table[by])):
        mine = (table[by] == name).to_numpy()
        kwargs: dict[str, Any] = {"colour": COLOURS[i % len(COLOURS)], "mark": MARKS[i % len(MARKS)], "size": 3.0}
        shown = mine & used
        draw_points(ax, number[shown], values[shown], series=f"{name or 'all'}: kept",
                    label=f"{name or 'all'}: n = {shown.sum()}", look=Look(**kwargs))  # fmt: skip
        if (mine & ~used & np.isfinite(values)).any():
            draw_points(ax, number[mine & ~used], values[mine & ~used], series=f"{name or 'all'}: left out",
                        look=Look(filled=False, **kwargs))  # fmt: skip
    kept, out = values[used & np.isfinite(values)], values[~used & np.isfinite(values)]
    if kept.size:
        low, high = kept.min(), kept.max()
        room = 0.15 * (high - low or abs(high) or 1.0)
        ax.set_ylim(low - room, high + room)  # a sweep left out may lie anywhere: it must not flatten the others
    if out.size:
        beyond = np.sum((out < ax.get_ylim()[0]) | (out > ax.get_ylim()[1]))
        words = f", {beyond} of {out.size} beyond the frame" if beyond else ""
        ax.plot([], [], ls="none", marker="o", mfc="white", mec=GREY, ms=3, label=f"open: left out{words}")
    ax.set_xlabel(f"Sweep number, {order}")
    ax.set_ylabel(label)
    legend(ax, below=True, columns=2)
    return ax


@styled
def plot_session_timeline(
    table: pd.DataFrame, *, order: str = "in order of measurement", ax: Axes | None = None
) -> Axes:
    """When each sweep was taken, by tip: one row per tip and kind, left-out sweeps open.

    Parameters
    ----------
    table : pandas.DataFrame
        One row per sweep with `tip`, `kind`, `used` and `started` (text; empty where not recorded). Where any start is
        missing, the order of the rows is drawn instead and the axis says so.
    order : str
        What order the rows are in.
    """
    ax = given_or_new(ax)
    times = pd.to_datetime(table["started"].replace("", None), errors="coerce", utc=True, format="ISO8601")
    timed = bool(len(times)) and bool(times.notna().all())
    if timed:
        x = ((times - times.min()).dt.total_seconds() / 60.0).to_numpy(float)
        ax.set_xlabel("Time since the first sweep (min)")
    else:
        x = np.arange(1, len(table) + 1, dtype=float)
        ax.set_xlabel(f"Sweep number, {order}\n(start times not recorded)")
    used = table["used"].to_numpy(bool)
    lanes = list(dict.fromkeys(zip(table["tip"], table["kind"], strict=True)))
    for lane, (tip, kind) in enumerate(lanes):
        mine = ((table["tip"] == tip) & (table["kind"] == kind)).to_numpy()
        colour = BLUE if kind == "iz" else COLOURS[2]
        mark = "|" if kind == "iz" else "d"
        name = f"{tip or 'no tip'}, {KIND_WORDS[kind]}"
        draw_points(ax, x[mine & used], np.full((mine & used).sum(), lane), series=f"{name}: kept",
                    look=Look(colour=colour, mark=mark, size=6 if kind == "iz" else 3.5))  # fmt: skip
        if (mine & ~used).any():
            draw_points(ax, x[mine & ~used], np.full((mine & ~used).sum(), lane), series=f"{name}: left out",
                        look=Look(colour=VERMILLION, mark="x", size=4, order=6))  # fmt: skip
    if (~used).any():
        ax.plot([], [], ls="none", marker="x", color=VERMILLION, ms=4, label=f"left out: n = {(~used).sum()}")
        ax.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), borderaxespad=0.0)
    _name_rows(ax, [f"{tip or '(no tip)'}, {KIND_WORDS[kind]}" for tip, kind in lanes])
    return ax


def _name_rows(ax: Axes, names: Sequence[str]) -> None:
    """Names instead of numbers on the vertical axis, the first on top."""
    ax.set_yticks(range(len(names)), names)
    ax.set_ylim(len(names) - 0.4, -0.6)
    ax.tick_params(axis="y", length=0)
    ax.grid(axis="y", color="#EEEEEE", lw=0.5)
