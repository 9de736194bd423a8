"""Figure of tips before and after: each tip's barrier in each state, and the ratio of the two."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from sts.comparing.paired import ALL_TIPS
from sts.figures.barrier import BARRIER_LABEL
from sts.figures.marks import Look, draw_interval, draw_line
from sts.figures.style import BLACK, COLOURS, GREY, MARKS, VERMILLION, given_or_new_rows, rows_of
from sts.figures.styled import styled
from sts.figures.tips import interval_words, named_rows

MOST_TIPS = 8  # more lines are not told apart; the rest stand in the panel of ratios
ROWS = (2.0, 1.0)  # heights of the two panels, relative
APART = 0.05  # of a step between states: how far the marks of two tips stand from each other


def changes_height(rows: int) -> float:
    """Height of the figure [inch].

    Parameters
    ----------
    rows : int
        Of the table of changes.
    """
    return 3.2 + 0.22 * rows


@styled
def plot_changes(
    states: pd.DataFrame, changes: pd.DataFrame, *, confidence: float = 0.95, axes: Sequence[Axes] | None = None
) -> list[Axes]:
    """Above, the barrier of each tip in each state, joined by a line; below, the ratio of its barriers, and that of all tips.

    Parameters
    ----------
    states, changes : pandas.DataFrame
        With the columns of ``barrier_states.csv`` and ``barrier_changes.csv``.
    confidence : float
        Level of the intervals, for the legend.
    axes : sequence of matplotlib.axes.Axes, optional
        Two, one below the other; their axes are not shared.
    """
    height = changes_height(len(changes))
    above, below = given_or_new_rows(axes, ROWS, height_in=height, width="double", share=False)
    _barriers(above, states[states["state"].isin([*changes["state_a"], *changes["state_b"]])], changes, confidence)
    _ratios(below, changes)
    return [above, below]


def _barriers(ax: Axes, states: pd.DataFrame, changes: pd.DataFrame, confidence: float) -> None:
    """One line per tip over the states, which stand in the order of measurement."""
    names = list(dict.fromkeys([*changes["state_a"], *changes["state_b"]]))  # in the order of measurement
    tips = [own for _, own in states.groupby(["sample", "tip"], sort=False, dropna=False)]
    several = states["sample"].nunique() > 1
    shown = [own for own in tips if len(own) > 1][:MOST_TIPS]
    for k, own in enumerate(shown):
        look = Look(colour=COLOURS[k % len(COLOURS)], mark=MARKS[k % len(MARKS)], size=4.5)
        name = str(own["tip"].iloc[0]) + (f", {own['sample'].iloc[0]}" if several else "")
        x = np.array([names.index(state) for state in own["state"]]) + APART * (k - (len(shown) - 1) / 2)
        y, low, high = (own[c].to_numpy(float) for c in ("barrier_eV", "barrier_low_eV", "barrier_high_eV"))
        draw_line(ax, x, y, series=f"{name}: line", look=Look(colour=look.colour, width=0.9))
        draw_interval(ax, x, y, (low, high), series=name, look=look)
        ax.plot([], [], color=look.colour, marker=look.mark, ms=4, lw=0.9, label=name)
    ax.set_xticks(range(len(names)), names)
    ax.set_xlim(-0.5, len(names) - 0.5)
    ax.set_ylabel(BARRIER_LABEL)
    ax.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=4, borderaxespad=0.0, columnspacing=1.0, alignment="left",
              title=f"tips with {confidence * 100:g} % intervals", title_fontsize=6)  # fmt: skip


def _ratios(ax: Axes, changes: pd.DataFrame) -> None:
    """One interval per row of the table; that of all tips is larger."""
    names, words = [], []
    pairs = changes[["state_a", "state_b"]].drop_duplicates()
    several = changes["sample"].nunique() > 1
    for row, change in enumerate(rows_of(changes)):
        whole = change.tip == ALL_TIPS
        apart = change.ratio_low > 1 or change.ratio_high < 1
        name = f"{change.tip}{f', {change.sample}' if several else ''}"
        names.append(name if len(pairs) == 1 else f"{name}: {change.state_b} / {change.state_a}")
        words.append(f"{interval_words(change.ratio, change.ratio_low, change.ratio_high)}, {change.verdict}")
        look = Look(
            colour=VERMILLION if apart else GREY, mark="D" if whole else "s" if apart else "o", size=5 if whole else 4
        )
        draw_interval(
            ax,
            [change.ratio],
            [row],
            ([change.ratio_low], [change.ratio_high]),
            series=names[-1],
            lying=True,
            look=look,
        )
    ax.axvline(1.0, color=BLACK, lw=0.7, zorder=2)
    ends = changes[["ratio", "ratio_low", "ratio_high"]].to_numpy(float)
    known = ends[np.isfinite(ends)]
    # An interval from a single difference may be so wide that it hides all others: it then leaves the panel.
    middle = changes["ratio"].to_numpy(float)
    narrow = np.nanmedian(ends[:, 2] - ends[:, 1]) if np.isfinite(ends[:, 2] - ends[:, 1]).any() else np.ptp(known)
    reach = max(4 * narrow, 1.2 * float(np.nanmax(np.abs(middle - 1))), 0.01)
    low, high = max(float(known.min()), 1 - reach), min(float(known.max()), 1 + reach)
    edge = 0.06 * (max(high, 1.0) - min(low, 1.0))
    ax.set_xlim(min(low, 1.0) - edge, max(high, 1.0) + edge)
    named_rows(ax, names, words)
    first = pairs.iloc[0]
    ratio = f"{first['state_b']} over {first['state_a']}" if len(pairs) == 1 else "later over earlier state"
    ax.set_xlabel(f"Ratio of apparent barrier heights, {ratio}, no unit")
