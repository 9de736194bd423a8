"""Figures that compare tips."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from sts.figures.barrier import BARRIER_LABEL
from sts.figures.broken_axis import axis_words, break_axis, stretches
from sts.figures.marks import Look, draw_bars, draw_interval, draw_points
from sts.figures.style import (
    BLACK,
    COLOURS,
    GREY,
    MARKS,
    VERMILLION,
    given_or_new,
    given_or_new_rows,
    place_words,
    rows_of,
    site_words,
)
from sts.figures.styled import styled
from sts.quantities import decimals_for
from sts.sweeps import with_day

ROW_IN = 0.42  # height of a row [inch]
MOST_ROWS = 6  # more tips are a list of single lines


def row_height(tips: int) -> float:
    """Height of the row of a tip [inch].

    Parameters
    ----------
    tips : int
        How many there are.
    """
    return ROW_IN if tips <= MOST_ROWS else 0.24


@styled
def plot_barrier_by_tip(
    sweeps: pd.DataFrame, sites: pd.DataFrame, tips: pd.DataFrame, *, confidence: float = 0.95,
    steps: pd.DataFrame | None = None, ax: Axes | None = None,
) -> Axes:  # fmt: skip
    """Every sweep a small mark, each site's mean an open mark, each tip's mean with its interval; counts written.

    Where tips differ by a factor the axis is logarithmic, with empty stretches cut: one bad tip does not flatten the
    others. More than six tips are a list, the highest barrier first.

    Parameters
    ----------
    sweeps, sites, tips : pandas.DataFrame
        With the columns of ``barrier_sweeps.csv``, ``barrier_sites.csv`` and ``barrier_tips.csv``.
    confidence : float
        Level of the intervals, for the legend.
    steps : pandas.DataFrame, optional
        With the columns of ``barrier_steps.csv``: of these tips both states are drawn instead of the mean.
    """
    ax = given_or_new(ax, width="double", height_in=1.2 + row_height(len(tips)) * max(len(tips), 1))
    many, sweeps = len(tips) > MOST_ROWS, with_day(sweeps)
    if many:
        tips = tips.sort_values("barrier_eV", ascending=False, kind="stable")
    several = tips["sample"].nunique() > 1
    names, counts = [], []
    for row, tip in enumerate(rows_of(tips)):
        colour, mark = COLOURS[row % len(COLOURS)], MARKS[row % len(MARKS)]
        name = str(tip.tip) or "(no tip)"
        names.append((f"{name}, {tip.sample}" if many else f"{name}\n{tip.sample}") if several else name)
        states = _states(tip, steps)
        counts.append(
            f"{', later '.join(interval_words(*state) for state in states)} eV{', ' if many else chr(10)}"
            f"{tip.sites} site{'s' if tip.sites != 1 else ''}, {tip.sweeps} sweep{'s' if tip.sweeps != 1 else ''}"
        )
        mine = sites[(sites["tip"] == tip.tip) & (sites["sample"] == tip.sample)]
        own = sweeps[(sweeps["tip"] == tip.tip) & (sweeps["sample"] == tip.sample) & sweeps["used"].astype(bool)]
        several = own["day"].nunique() > 1
        for k, ((day, site), group) in enumerate(own.groupby(["day", "site"], sort=False) if not many else ()):
            words = place_words(day if several else "", site)
            level = row + 0.14 + 0.2 * (k + 0.5) / max(len(own[["day", "site"]].drop_duplicates()), 1)
            draw_points(ax, group["barrier_eV"], np.full(len(group), level), series=f"{name}, {words}: sweeps",
                        look=Look(colour=colour, mark=".", alpha=0.6, size=2.6, order=3))  # fmt: skip
        style: dict[str, Any] = {"colour": colour, "mark": mark}
        draw_points(ax, mine["barrier_eV"], np.full(len(mine), row), series=f"{name}: sites",
                    look=Look(filled=False, size=3.8, **style))  # fmt: skip
        value, low, high = zip(*states, strict=True)
        draw_interval(ax, value, [row - 0.2] * len(states), (low, high), series=f"{name}: mean", lying=True,
                      look=Look(**style))  # fmt: skip
    spread = sweeps.loc[sweeps["used"].astype(bool), "barrier_eV"].to_numpy(float)
    drawn = np.array([state for tip in rows_of(tips) for state in _states(tip, steps)], float).reshape(-1, 3)
    ends = np.concatenate([spread, drawn[:, 0]])
    ends = ends[np.isfinite(ends)]
    bounds = drawn[:, 1:].ravel()
    broken = stretches(np.concatenate([ends, bounds[bounds > 0]]))
    if broken is not None:
        break_axis(ax, broken)
    elif ends.size:
        span = float(np.ptp(ends)) or 1.0
        ax.set_xlim(max(0.0, ends.min() - 0.12 * span), ends.max() + 0.12 * span)
    named_rows(ax, names, counts)
    ax.set_xlabel(BARRIER_LABEL + (f"\n{axis_words(broken)}" if broken is not None else ""))
    if not many:  # in a list there is no room for each
        ax.plot([], [], ls="none", marker=".", color=GREY, ms=3, label="sweep")
    ax.plot([], [], ls="none", marker="o", mfc="white", mec=GREY, ms=3.8, label="site")
    ax.errorbar(
        [], [], xerr=[], fmt="o", color=GREY, ms=5, capsize=2, label=f"tip with {confidence * 100:g} % interval"
    )
    ax.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=3, borderaxespad=0.0, columnspacing=1.0)
    return ax


def _states(tip: Any, steps: pd.DataFrame | None) -> list[tuple[float, float, float]]:
    """Barrier and interval of a tip [eV]; of one that changed, those before and after."""
    for change in rows_of(steps) if steps is not None and len(steps) else ():
        if (change.sample, change.tip) == (tip.sample, tip.tip):
            before = (change.before_eV, change.before_low_eV, change.before_high_eV)
            return [before, (change.after_eV, change.after_low_eV, change.after_high_eV)]
    return [(tip.barrier_eV, tip.barrier_low_eV, tip.barrier_high_eV)]


@styled
def plot_tip_pairs(pairs: pd.DataFrame, *, confidence: float = 0.95, ax: Axes | None = None) -> Axes:
    """Ratios of the barriers of two tips with simultaneous intervals: an interval that holds 1 shows no difference.

    Parameters
    ----------
    pairs : pandas.DataFrame
        With the columns of ``barrier_pairs.csv``.
    """
    ax = given_or_new(ax, width="double", height_in=1.2 + 0.6 * ROW_IN * max(len(pairs), 1))
    names, verdicts = [], []
    for row, pair in enumerate(rows_of(pairs)):
        apart = pair.ratio_low > 1 or pair.ratio_high < 1
        names.append(f"{pair.tip_a} / {pair.tip_b}")
        verdicts.append(f"{interval_words(pair.ratio, pair.ratio_low, pair.ratio_high)}\n{pair.verdict}")
        draw_interval(ax, [pair.ratio], [row], ([pair.ratio_low], [pair.ratio_high]), series=names[-1], lying=True,
                      look=Look(colour=VERMILLION if apart else GREY, mark="s" if apart else "o", size=4))  # fmt: skip
    ax.axvline(1.0, color=BLACK, lw=0.7, zorder=2)
    ends = pairs[["ratio_low", "ratio_high"]].to_numpy(float)
    ends = ends[np.isfinite(ends) & (ends > 0)]
    broken = stretches(np.append(ends, 1.0))
    if broken is not None:
        break_axis(ax, broken)
    named_rows(ax, names, verdicts)
    ax.set_xlabel(
        "Ratio of apparent barrier heights, no unit" + (f"\n{axis_words(broken)}" if broken is not None else "")
    )
    ax.errorbar([], [], xerr=[], fmt="s", color=VERMILLION, ms=4, capsize=2, label="interval without 1")
    ax.errorbar([], [], xerr=[], fmt="o", color=GREY, ms=4, capsize=2, label="interval holds 1")
    ax.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=2, borderaxespad=0.0, columnspacing=1.0,
              title=f"simultaneous {confidence * 100:g} % intervals", title_fontsize=6, alignment="left")  # fmt: skip
    return ax


@styled
def plot_barrier_histogram(sweeps: pd.DataFrame, *, axes: Sequence[Axes] | None = None) -> list[Axes]:
    """How the barriers of the used sweeps of each tip are spread, stacked by site; one panel per tip.

    Parameters
    ----------
    sweeps : pandas.DataFrame
        With the columns of ``barrier_sweeps.csv``.
    axes : sequence of matplotlib.axes.Axes, optional
        One per tip (and sample); each has a range of its own.
    """
    used = with_day(sweeps[sweeps["used"].astype(bool) & np.isfinite(sweeps["barrier_eV"])])
    groups = list(used.groupby(["sample", "tip"], sort=False))
    panels = given_or_new_rows(axes, (1.0,) * len(groups), height_in=0.6 + 0.9 * len(groups), share=False)
    for ax, ((sample, tip), own) in zip(panels, groups, strict=True):
        edges = np.histogram_bin_edges(own["barrier_eV"], bins=min(max(round(2 * len(own) ** (1 / 3)), 5), 30))
        below = np.zeros(edges.size - 1)
        sites = list(own.groupby(["day", "site"], sort=False))
        several = own["day"].nunique() > 1
        for k, ((day, site), rows) in enumerate(sites):
            counts = np.histogram(rows["barrier_eV"], edges)[0]
            draw_bars(ax, edges, below, below + counts, series=f"{tip}, {place_words(day if several else '', site)}",
                      label=site_words(site, len(rows), day if several else "") if len(sites) <= MOST_ROWS else "",
                      colour=COLOURS[k % len(COLOURS)])  # fmt: skip
            below = below + counts
        ax.set_ylim(0, 1.1 * below.max())
        ax.yaxis.set_major_locator(MaxNLocator(3, integer=True))
        ax.set_ylabel("Number")
        name = f"{tip or '(no tip)'}{f', {sample}' if used['sample'].nunique() > 1 else ''}: n = {len(own)} sweeps"
        ax.legend(*ax.get_legend_handles_labels(), loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=3, borderaxespad=0.0,
                  columnspacing=1.0, handlelength=1.0, title=name, title_fontsize=6, alignment="left")  # fmt: skip
    panels[-1].set_xlabel(BARRIER_LABEL)
    return panels


def interval_words(value: float, low: float, high: float) -> str:
    """``4.38 (4.28 to 4.49)``, rounded by the width of the interval.

    Parameters
    ----------
    value, low, high : float
        In any unit.
    """
    digits = decimals_for((high - low) / 2)
    bounds = f" ({low:.{digits}f} to {high:.{digits}f})" if math.isfinite(high - low) else ", no interval"
    return f"{value:.{digits}f}{bounds}"


def named_rows(ax: Axes, names: list[str], notes: list[str]) -> None:
    """Names on the left and notes on the right of each row, the first on top.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
    names, notes : list of str
        One of each per row.
    """
    ax.set_yticks(range(len(names)), names)
    ax.set_ylim(len(names) - 0.5, -0.6)
    ax.tick_params(axis="y", length=0)
    for row, note in enumerate(notes):
        ax.annotate(note, (1.0, row), xycoords=("axes fraction", "data"), xytext=(3, 0), textcoords="offset points",
                    va="center", fontsize=6, annotation_clip=False)  # fmt: skip
