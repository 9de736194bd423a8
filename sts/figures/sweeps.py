"""Figures of the sweeps themselves: what was measured, in which order, and what was left out."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from sts.figures.marks import Look, draw_many, draw_points
from sts.figures.style import (
    BLACK,
    BLUE,
    COLOURS,
    GREY,
    MARKS,
    MOST_SWEEPS,
    STYLES,
    VERMILLION,
    given_or_new,
    legend,
    log_ticks,
    place_words,
    site_words,
    thin_out,
)
from sts.figures.styled import styled
from sts.quantities import LEAST_BIAS, scale_for
from sts.sweeps import KIND_WORDS, SweepSet, with_day

MOST_NAMED_SITES = 8  # more sites are drawn, but not named in the legend
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
def plot_tip_sweeps(
    sets: Sequence[SweepSet], rows: Sequence[np.ndarray], *, used: Collection[str] | None = None, ax: Axes | None = None
) -> Axes:
    """Every sweep of one tip and kind, coloured by site; those left out dashed and black.

    Parameters
    ----------
    sets : sequence of SweepSet
        Of one kind, all with a current, or all with a lock-in channel only.
    rows : sequence of ndarray of bool, shape (m,)
        Which sweeps of each set are the tip's.
    used : collection of str, optional
        Names of the sweeps that are used; all are, if not given.
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure if not given.
    """
    ax = given_or_new(ax)
    parts = [s.select(mask) for s, mask in zip(sets, rows, strict=True)]
    falling, recorded = parts[0].kind == "iz", parts[0].has_current
    values = [s.current if recorded or s.lockin is None else s.lockin for s in parts]
    unit = "A" if recorded else parts[0].lockin_unit or "unit not recorded"
    known = np.concatenate([v.ravel() for v in values])
    factor, shown = (1.0, unit) if "not recorded" in unit else scale_for(known, unit)
    volts, x_label = bias_axis(np.concatenate([s.axis for s in parts]))
    places = _places(parts)
    names = [place for own in places for place in own]
    sites, counts = list(dict.fromkeys(names)), dict.fromkeys(("left out", *names), 0)
    lines: dict[tuple[str, int], list[tuple[str, np.ndarray]]] = {}
    for number, (part, own, current) in enumerate(zip(parts, places, values, strict=True)):
        for name, place, row in zip(part.names, own, current, strict=True):
            whose = place if used is None or name in used else "left out"
            counts[whose] += 1
            shown_row = np.where(row != 0, np.abs(row), np.nan) if falling else row
            lines.setdefault((whose, number), []).append((name, shown_row * factor))
    _draw_by_site(ax, lines, sites, counts, [height_axis(s.axis)[0] if falling else s.axis * volts for s in parts])
    if falling and np.any(np.abs(known) > 0):
        ax.set_yscale("log")
        log_ticks(ax.yaxis)
    ax.set_xlabel(FROM_NEAR_END if falling else x_label)
    ax.set_ylabel(f"{'|Current|' if falling else 'Current' if recorded else 'Lock-in signal'} ({shown})")
    legend(ax, below=True, columns=2)
    return ax


def _places(parts: Sequence[SweepSet]) -> list[list[str]]:
    """The site of each sweep of each part, with its day where there are several."""
    tables = [with_day(part.table) for part in parts]
    several = len({day for table in tables for day in table["day"]}) > 1
    return [
        [place_words(day if several else "", site) for day, site in zip(t["day"], t["site"], strict=True)]
        for t in tables
    ]


def _draw_by_site(
    ax: Axes, lines: dict[tuple[str, int], list[tuple[str, np.ndarray]]], sites: list[str], counts: dict[str, int],
    axes: list[np.ndarray],
) -> None:  # fmt: skip
    """Lines (site or "left out", number of the set) of (name, values), on the axis of their set."""
    labelled: set[str] = set()
    share = min(
        MOST_SWEEPS / sum(map(len, lines.values())), 1.0
    )  # of all: many sites of many sweeps are many lines, too
    for (whose, number), own in lines.items():
        drawn, words = thin_out(np.arange(len(own)), math.ceil(share * len(own)))
        at = sites.index(whose) if whose in sites else -1
        look = Look(colour=COLOURS[at % len(COLOURS)] if at >= 0 else BLACK, style=STYLES[1] if at < 0 else "-",
                    alpha=0.7, width=0.9 if at < 0 else 0.5)  # fmt: skip
        label = f"{site_words(whose, counts[whose])}{words}"
        shows = whose not in labelled and (at < MOST_NAMED_SITES)
        draw_many(ax, axes[number], [own[i][1] for i in drawn], series=[f"{whose}: {own[i][0]}" for i in drawn],
                  label=label if shows else "", look=look)  # fmt: skip
        labelled.add(whose)


@styled
def plot_site_map(table: pd.DataFrame, *, ax: Axes | None = None) -> Axes:
    """Where sites lie on the sample, by tip, with the barrier of each where one is known.

    Parameters
    ----------
    table : pandas.DataFrame
        One row per tip and site with `tip`, `site`, `x_m`, `y_m` and, where known, `barrier_eV`.
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure if not given.
    """
    ax = given_or_new(ax)
    x, y = table["x_m"].to_numpy(float), table["y_m"].to_numpy(float)
    factor, unit = scale_for(np.concatenate([x - x.min(), y - y.min()]), "m")
    barrier = table["barrier_eV"].to_numpy(float) if "barrier_eV" in table else np.full(len(table), np.nan)
    for i, tip in enumerate(pd.unique(table["tip"])):
        mine = (table["tip"] == tip).to_numpy()
        draw_points(ax, x[mine] * factor, y[mine] * factor, series=str(tip) or "no tip", label=f"{tip or 'no tip'}: {mine.sum()}",
                    look=Look(colour=COLOURS[i % len(COLOURS)], mark=MARKS[i % len(MARKS)], size=4.5))  # fmt: skip
    for site, a, b, phi in zip(table["site"], x * factor, y * factor, barrier, strict=True):
        words = f"{site}: {phi:.2f} eV" if np.isfinite(phi) else str(site)
        if len(table) <= MOST_NAMED_SITES:
            ax.text(a, b, f"  {words}", fontsize=5.5, va="center")
    reach = max(float(np.ptp(x)), float(np.ptp(y))) * factor or 1.0
    for set_limits, values in ((ax.set_xlim, x), (ax.set_ylim, y)):
        middle = (values.min() + values.max()) / 2 * factor
        set_limits(middle - 0.65 * reach, middle + 0.65 * reach)  # equal lengths on both axes: a map
    ax.set_aspect("equal", adjustable="datalim")
    ax.set_xlabel(f"x ({unit})")
    ax.set_ylabel(f"y ({unit})")
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
