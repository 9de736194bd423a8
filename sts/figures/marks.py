"""Lines, points, bands and intervals on axes, with their numbers kept.

The CSV behind a figure is what the figure shows, since whatever is drawn goes through here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any
from weakref import WeakKeyDictionary

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection

from sts.figures.style import BLUE, GREY

_BEHIND: WeakKeyDictionary[Axes, list[tuple[str, str, list[np.ndarray]]]] = WeakKeyDictionary()
MARK_POINTS = 8  # points of a line that need as many bytes in a vector drawing as one mark
DATA_COLUMNS = ("panel", "series", "mark", "x", "y", "low", "high", "x_axis", "y_axis")


def _keep(ax: Axes, series: str, mark: str, x: Any, y: Any, low: Any = np.nan, high: Any = np.nan) -> None:
    values = np.broadcast_arrays(*(np.atleast_1d(np.asarray(v, float)) for v in (x, y, low, high)))
    _BEHIND.setdefault(ax, []).append((series, mark, [v.ravel() for v in values]))


def data_behind(axes: Sequence[Axes]) -> pd.DataFrame:
    """Every number drawn on `axes` by the functions of this module, as one long table.

    Parameters
    ----------
    axes : sequence of matplotlib.axes.Axes
        From the top.

    Returns
    -------
    pandas.DataFrame
        `panel` (1 is the top one), `series` (what it is), `mark` (line, points, band, interval), `x`, `y`, `low`,
        `high` (of bands and intervals, in y; in x where mark says so), and the axes' labels with their units.
    """
    parts = []
    for number, ax in enumerate(axes, 1):
        shared = ax.get_xlabel() or axes[-1].get_xlabel()
        labels = [shared.replace("\n", " "), ax.get_ylabel().replace("\n", " ")]
        parts += [([number, series, mark], values, labels) for series, mark, values in _BEHIND.get(ax, [])]
    if not parts:
        return pd.DataFrame({c: pd.Series(dtype=object) for c in DATA_COLUMNS})
    sizes = [len(values[0]) for _, values, _ in parts]
    names, numbers, words = zip(*parts, strict=True)
    said = [np.repeat(np.array(column, object), sizes) for column in zip(*names, strict=True)]
    drawn = [np.concatenate(column) for column in zip(*numbers, strict=True)]
    axis = [np.repeat(np.array(column, object), sizes) for column in zip(*words, strict=True)]
    table = pd.DataFrame(dict(zip(DATA_COLUMNS, [*said, *drawn, *axis], strict=True)), dtype=object)
    return table.astype({"panel": int, "x": float, "y": float, "low": float, "high": float})


def points_drawn(axes: Sequence[Axes]) -> int:
    """How many points `axes` hold, a mark for `MARK_POINTS`: decides between a vector drawing and a picture on the page.

    Parameters
    ----------
    axes : sequence of matplotlib.axes.Axes
    """
    return sum(
        len(values[0]) * (MARK_POINTS if mark == "points" else 1)
        for ax in axes
        for _, mark, values in _BEHIND.get(ax, [])
    )


@dataclass(frozen=True)
class Look:
    """How something drawn looks; None is what its kind has by itself."""

    colour: str = BLUE
    style: Any = "-"
    mark: str = "o"
    filled: bool = True  # else the face of the page
    alpha: float = 1.0
    width: float | None = None  # of lines [pt]
    size: float | None = None  # of marks [pt]
    order: float | None = None  # what is higher lies above


PLAIN = Look()
DOTTED = (0, (1, 1.6))
ENDS = "ends: fitted from one side only"
FAINT = Look(GREY, alpha=0.7)


def _or(value: float | None, default: float) -> float:
    return default if value is None else value


def draw_line(ax: Axes, x: Any, y: Any, *, series: str, label: str = "", look: Look = PLAIN) -> None:
    """A line.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
    x, y : array_like, shape (n,)
        In units of the axes.
    series, label : str
        Its name in the CSV, and in the legend if any.
    look : Look
    """
    ax.plot(
        x, y, color=look.colour, ls=look.style, lw=_or(look.width, 1.1), alpha=look.alpha,
        zorder=_or(look.order, 3.0), label=label or "_",
    )  # fmt: skip
    _keep(ax, series, "line", x, y)


def draw_derivative(
    ax: Axes, x: Any, y: Any, one_sided: Any, *, series: str, label: str = "", end_label: str = "", look: Look = PLAIN
) -> None:
    """A line that is dotted where it was made from one side only, up to the ends.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
    x, y : array_like, shape (n,)
        In units of the axes.
    one_sided : array_like of bool, shape (n,)
        Where it is dotted; it is joined to the rest.
    series, label, end_label : str
        Its name in the CSV, in the legend, and that of the dotted ends there.
    look : Look
    """
    ends, y = np.asarray(one_sided, bool), np.asarray(y, float)
    draw_line(ax, x, np.where(ends, np.nan, y), series=series, label=label, look=look)
    if (ends & np.isfinite(y)).any():
        joined = ends | np.roll(ends, 1) | np.roll(ends, -1)
        dotted = replace(look, style=DOTTED, width=0.8 * _or(look.width, 1.1))
        draw_line(ax, x, np.where(joined, y, np.nan), series=f"{series}, one side only", label=end_label, look=dotted)


def draw_many(ax: Axes, x: Any, rows: Any, *, series: Sequence[str], label: str = "", look: Look = FAINT) -> None:
    """Many thin lines on one axis.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
    x : array_like, shape (n,)
        In the unit of the axis.
    rows : array_like, shape (m, n)
        One row per sweep; NaN is left out.
    series : sequence of str, length m
        Their names in the CSV.
    label : str
        One name for all in the legend.
    look : Look
    """
    x, rows = np.asarray(x, float), np.asarray(rows, float)
    if not len(rows):
        return
    width = _or(look.width, 0.4)
    lines = LineCollection(
        [np.column_stack([x[good], row[good]]) for row in rows for good in [np.isfinite(row)]],
        colors=look.colour, linestyles=[look.style], linewidths=width, alpha=look.alpha, zorder=_or(look.order, 2.0),
    )  # fmt: skip
    ax.add_collection(lines)
    ax.autoscale_view()
    if label:
        ax.plot([], [], color=look.colour, ls=look.style, lw=max(width, 0.8), alpha=look.alpha, label=label)
    for name, row in zip(series, rows, strict=True):
        _keep(ax, name, "line", x, row)


def draw_points(ax: Axes, x: Any, y: Any, *, series: str, label: str = "", look: Look = PLAIN) -> None:
    """Marks without a line; open ones have the face of the page.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
    x, y : array_like, shape (n,)
        In units of the axes.
    series, label : str
        Their name in the CSV, and in the legend if any.
    look : Look
    """
    ax.plot(
        x, y, ls="none", marker=look.mark, ms=_or(look.size, 3.5), mfc=look.colour if look.filled else "white",
        mec=look.colour, mew=0.6, alpha=look.alpha, zorder=_or(look.order, 4.0), label=label or "_",
    )  # fmt: skip
    _keep(ax, series, "points", x, y)


def draw_band(
    ax: Axes, x: Any, low: Any, high: Any, *, series: str, label: str = "", colour: str = BLUE, alpha: float = 0.25
) -> None:
    """A band between `low` and `high`.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
    x : array_like, shape (n,)
        In the unit of the axis.
    low : array_like, shape (n,)
        In the unit of the axis.
    high : array_like, shape (n,)
        In the unit of the axis.
    series : str
        Its name in the CSV.
    label : str
        That in the legend, if any.
    colour : str
    alpha : float
        Opacity.
    """
    ax.fill_between(x, low, high, color=colour, alpha=alpha, lw=0, zorder=1.5, label=label or "_")
    _keep(ax, series, "band", x, np.nan, low, high)


def draw_interval(
    ax: Axes, x: Any, y: Any, ends: tuple[Any, Any], *, series: str, label: str = "", look: Look = PLAIN,
    lying: bool = False,
) -> None:  # fmt: skip
    """Marks with their intervals.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
    x, y : array_like, shape (n,)
        In units of the axes.
    ends : two of array_like, shape (n,)
        Lower and upper end; one that is not finite is not drawn.
    series, label : str
        Their name in the CSV, and in the legend if any.
    look : Look
    lying : bool
        Whether the intervals run along x.
    """
    centre, (low, high), width = np.asarray(x if lying else y, float), ends, _or(look.width, 1.2)
    arms = np.abs(np.stack([centre - np.asarray(low, float), np.asarray(high, float) - centre]))
    arms = np.where(np.isfinite(arms), arms, 0.0).reshape(2, -1)
    ax.errorbar(
        np.atleast_1d(x), np.atleast_1d(y), xerr=arms if lying else None, yerr=None if lying else arms, fmt=look.mark,
        ms=_or(look.size, 5.0), mfc=look.colour, mec=look.colour, mew=0.9, ecolor=look.colour, elinewidth=width,
        capsize=2.2, capthick=width, ls="none", zorder=_or(look.order, 5.0), label=label or "_",
    )  # fmt: skip
    _keep(ax, series, "interval in x" if lying else "interval", x, y, low, high)


def draw_next(
    ax: Axes, x: Any, y: Any, band: tuple[Any, Any] | None = None, *, series: str, label: str = "", alpha: float = 0.2
) -> Any:
    """A line in the next colour (and style) of the Axes' own cycle, with its band in the same colour; that colour.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
    x, y : array_like, shape (n,)
        In units of the axes.
    band : two of array_like, shape (n,), optional
        Lower and upper end.
    series, label : str
        Its name in the CSV, and in the legend if any.
    alpha : float
        Opacity of the band.
    """
    (line,) = ax.plot(x, y, zorder=3.0, label=label or "_")
    colour: Any = line.get_color()
    _keep(ax, series, "line", x, y)
    if band is not None:
        draw_band(ax, x, *band, series=f"{series}: band", colour=colour, alpha=alpha)
    return colour


def draw_bars(
    ax: Axes, edges: Any, low: Any, high: Any, *, series: str, label: str = "", colour: str = BLUE
) -> None:  # fmt: skip
    """Bars between `edges`, each from `low` to `high`.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
    edges : array_like, shape (n + 1,)
        In the unit of the axis.
    low, high : array_like, shape (n,)
        In the unit of the axis.
    series, label : str
        Their name in the CSV, and in the legend if any.
    colour : str
    """
    edges, low, high = (np.asarray(part, float) for part in (edges, low, high))
    ax.bar(edges[:-1], high - low, np.diff(edges), bottom=low, align="edge", color=colour, alpha=0.75, lw=0.4,
           edgecolor="white", label=label or "_")  # fmt: skip
    _keep(ax, series, "bar", (edges[1:] + edges[:-1]) / 2, high - low, low, high)
