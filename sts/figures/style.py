"""How every figure looks, and the numbers behind it.

Colours are those of the set of Okabe and Ito, told apart by the common kinds of colour blindness, in an order of
our own: those with the strongest contrast on white come first. Since several are alike in grey print, marks and line
styles differ too. Whatever is drawn goes through the functions here, which keep the numbers, so that the CSV behind
a figure is what the figure shows.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any
from weakref import WeakKeyDictionary

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.ticker import LogLocator, NullFormatter

BLUE, VERMILLION, GREEN, PURPLE = "#0072B2", "#D55E00", "#009E73", "#B5649A"  # purple darkened: 3:1 on white
ORANGE, SKY, BLACK = "#B87400", "#3C93C8", "#000000"  # orange and sky darkened for the same reason
GREY, PALE = "#6B6B6B", "#DADADA"
COLOURS = (BLUE, VERMILLION, GREEN, PURPLE, ORANGE, SKY, BLACK)
MARKS = ("o", "s", "^", "D", "v", "P", "X", "h", "<", ">", "p")  # 7 colours and 11 marks: 77 pairs before a repeat
STYLES: tuple[Any, ...] = ("-", (0, (5, 1.5)), (0, (1, 1)), (0, (5, 1.2, 1, 1.2)), (0, (8, 1, 2, 1)))

WIDTHS_IN = {"single": 85 / 25.4, "double": 178 / 25.4}  # one and two columns of a journal page [inch]
TYPE_PT = 7.0
DPI = 300  # of pictures of pixels, and of the pixels within a vector drawing
MOST_SWEEPS = 300  # more lines than this only blacken a panel: every k-th is drawn, and the legend says so

PREFIXES = {-6: "a", -5: "f", -4: "p", -3: "n", -2: "µ", -1: "m", 0: "", 1: "k", 2: "M", 3: "G"}  # of 1000

SETTINGS: Any = {
    "font.family": "DejaVu Sans",  # comes with matplotlib: the same figure everywhere
    "font.size": TYPE_PT,
    "axes.titlesize": TYPE_PT + 0.5,
    "axes.titlelocation": "left",
    "axes.titleweight": "bold",
    "axes.linewidth": 0.6,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.labelpad": 2.5,
    "axes.axisbelow": True,
    "axes.formatter.use_mathtext": False,
    "axes.unicode_minus": True,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "xtick.direction": "out",
    "ytick.direction": "out",
    "legend.fontsize": TYPE_PT - 1,
    "legend.frameon": False,
    "legend.handlelength": 2.2,
    "legend.borderaxespad": 0.2,
    "lines.linewidth": 1.1,
    "lines.markersize": 3.5,
    "hatch.linewidth": 0.4,
    "figure.facecolor": "white",
    "savefig.facecolor": "white",
    "svg.hashsalt": "sts",  # the same figure gives the same bytes
    "svg.fonttype": "path",
    "pdf.fonttype": 3,  # letters as drawings, still text to search; cutting TrueType down takes 5 s for 27 figures
    "path.simplify": True,
}


@contextmanager
def house_style() -> Iterator[None]:
    """Draw and save within this, and the figure looks the same whatever matplotlib was told before."""
    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(SETTINGS)
        yield


def new_figure(
    *, width: str = "single", height_in: float = 2.5, rows: Sequence[float] = (1.0,), share: bool = True
) -> list[Axes]:
    """The axes, one below the other, of a new figure that no window manager knows of.

    Parameters
    ----------
    width : str
        ``"single"`` (85 mm) or ``"double"`` (178 mm): the columns of a journal page.
    height_in : float
        Height [inch].
    rows : sequence of float
        Relative heights of the axes.
    share : bool
        Whether they share the horizontal axis.

    Raises
    ------
    ValueError
        If `width` is not known.
    """
    if width not in WIDTHS_IN:
        raise ValueError(f"width is '{width}'; it must be {' or '.join(map(repr, WIDTHS_IN))} (columns of a page).")
    figure = Figure(figsize=(WIDTHS_IN[width], height_in), dpi=DPI, layout="constrained")
    FigureCanvasAgg(figure)
    grid = figure.subplots(len(rows), 1, sharex=share, squeeze=False, gridspec_kw={"height_ratios": list(rows)})
    return [grid[i, 0] for i in range(len(rows))]


def given_or_new(ax: Axes | None, **kwargs: Any) -> Axes:
    """`ax`, or the axes of a new figure (with pyplot, so that a notebook shows it)."""
    return ax if ax is not None else _pyplot_axes((1.0,), **kwargs)[0]


def given_or_new_rows(axes: Sequence[Axes] | None, rows: Sequence[float], **kwargs: Any) -> list[Axes]:
    """The `axes` given, checked for their number, or those of a new figure.

    Raises
    ------
    ValueError
        If another number of axes than `rows` has is given.
    """
    if axes is None:
        return _pyplot_axes(rows, **kwargs)
    if len(axes) != len(rows):
        raise ValueError(f"{len(axes)} axes were given; this figure needs {len(rows)}, one below the other.")
    return list(axes)


def _pyplot_axes(
    rows: Sequence[float], *, width: str = "single", height_in: float = 2.5, share: bool = True
) -> list[Axes]:
    import matplotlib.pyplot as plt

    with house_style():
        figure, grid = plt.subplots(
            len(rows), 1, sharex=share, squeeze=False, figsize=(WIDTHS_IN[width], height_in), dpi=200,
            layout="constrained", gridspec_kw={"height_ratios": list(rows)},
        )  # fmt: skip
    del figure
    return [grid[i, 0] for i in range(len(rows))]


# --- drawing, with the numbers kept ---------------------------------------------------------------------------------

_BEHIND: WeakKeyDictionary[Axes, list[tuple[str, str, list[np.ndarray]]]] = WeakKeyDictionary()
DATA_COLUMNS = ("panel", "series", "mark", "x", "y", "low", "high", "x_axis", "y_axis")


def _keep(ax: Axes, series: str, mark: str, x: Any, y: Any, low: Any = np.nan, high: Any = np.nan) -> None:
    values = np.broadcast_arrays(*(np.atleast_1d(np.asarray(v, float)) for v in (x, y, low, high)))
    _BEHIND.setdefault(ax, []).append((series, mark, [v.ravel() for v in values]))


def data_behind(axes: Sequence[Axes]) -> pd.DataFrame:
    """Every number drawn on `axes` by the functions of this module, as one long table.

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
    """How many points `axes` hold: decides between a vector drawing and a picture on the page."""
    return sum(len(values[0]) for ax in axes for _, _, values in _BEHIND.get(ax, []))


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
    """A band between `low` and `high`."""
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


def legend(ax: Axes, *, below: bool = False, columns: int = 1, title: str = "") -> None:
    """A legend within the axes where it hides least, or below them."""
    handles, labels = ax.get_legend_handles_labels()
    if not handles:
        return
    kwargs: dict[str, Any] = {"title": title or None, "title_fontsize": TYPE_PT - 1, "ncols": columns}
    if below:
        figure = ax.figure
        figure.legend(handles, labels, loc="outside lower left", alignment="left", **kwargs)
    else:
        box = ax.legend(handles, labels, loc="best", alignment="left", **kwargs)
        box.set_frame_on(True)
        box.get_frame().set(facecolor="white", alpha=0.8, linewidth=0)


def mute(ax: Axes, spans: Sequence[tuple[float, float]], *, label: str) -> None:
    """Shade the parts of the horizontal axis that are not to be read."""
    for i, (start, stop) in enumerate(spans):
        ax.axvspan(start, stop, facecolor="#F3F3F3", edgecolor="#DCDCDC", hatch="//", lw=0, zorder=0.5,
                   label=label if i == 0 else "_")  # fmt: skip


def spans_where(x: np.ndarray, mask: np.ndarray) -> list[tuple[float, float]]:
    """Stretches of `x` (n,) where `mask` (n,) is true, each widened by half a step to both sides."""
    if not mask.any():
        return []
    edges = np.concatenate([[x[0]], (x[1:] + x[:-1]) / 2, [x[-1]]])
    change = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(int)))
    return [(float(edges[start]), float(edges[stop])) for start, stop in zip(change[::2], change[1::2], strict=True)]


_SUPERSCRIPTS = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


def log_ticks(axis: Axis) -> None:
    """Ticks of a logarithmic axis in plain letters: decades, and steps within one where few decades are shown.

    Call it when the limits stand. matplotlib's own labels of such an axis are formulas, which take ten times as long.
    """
    low, high = sorted(axis.get_view_interval())
    decades = math.log10(high / low)
    steps: tuple[float, ...] = (
        (1.0,) if decades > 2 else (1.0, 2.0, 5.0) if decades > 0.8 else (1.0, 1.5, 2.0, 3.0, 5.0, 7.0)
    )
    powers = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1, math.ceil(decades / 8))
    ticks = [step * 10.0**power for power in powers for step in steps]
    axis.set_ticks([tick for tick in ticks if low <= tick <= high])
    axis.set_major_formatter(_plain_number)
    axis.set_minor_locator(LogLocator(subs=(2.0, 5.0)))  # all eight of a decade cost more than the curves
    axis.set_minor_formatter(NullFormatter())


def _plain_number(value: float, _: object = None) -> str:
    """``0.02``, ``500``, ``10⁻⁵``."""
    if 1e-3 <= value < 1e5:
        return f"{value:g}"
    digits, power = f"{value:e}".split("e")
    front = "" if float(digits) == 1 else f"{float(digits):g}×"
    return f"{front}10{str(int(power)).translate(_SUPERSCRIPTS)}"


def scale_for(values: Any, unit: str) -> tuple[float, str]:
    """A factor and a unit with prefix such that the largest of `values` reads as 1 to 1000.

    >>> scale_for([2e-10], "A")
    (1000000000000.0, 'pA')
    """
    finite = np.abs(np.asarray(values, float))
    finite = finite[np.isfinite(finite)]
    largest = float(finite.max()) if finite.size else 0.0
    if unit in ("", "arb. units") or not largest > 0:
        return 1.0, unit
    step = min(max(math.floor(math.log10(largest) / 3), -6), 3)
    return 10.0 ** (-3 * step), PREFIXES[step] + unit


def thin_out(rows: np.ndarray, most: int = MOST_SWEEPS) -> tuple[np.ndarray, str]:
    """Positions to draw out of `rows`, and words for the legend where some are left out."""
    if len(rows) <= most:
        return rows, ""
    step = math.ceil(len(rows) / most)
    return rows[::step], f", every {step}th drawn"


def rows_of(frame: pd.DataFrame) -> Iterator[Any]:
    """The rows of a table, columns as attributes."""
    yield from frame.itertuples(index=False)


def decimals_for(uncertainty: float, *, default: int = 2) -> int:
    """Decimals that show an uncertainty with two significant digits (at most 6; `default` where it is unknown)."""
    if not (math.isfinite(uncertainty) and uncertainty > 0):
        return default
    return min(max(1 - math.floor(math.log10(uncertainty)), 0), 6)
