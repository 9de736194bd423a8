"""How every figure looks: colours, marks, sizes, axes, legends.

Colours are those of the set of Okabe and Ito, told apart by the common kinds of colour blindness, in an order of
our own: those with the strongest contrast on white come first. Since several are alike in grey print, marks and line
styles differ too.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import matplotlib as mpl
import numpy as np
import pandas as pd
from cycler import cycler
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import LogLocator, NullFormatter

from sts.figures.sizes import width_in

BLUE, VERMILLION, GREEN, PURPLE = "#0072B2", "#D55E00", "#009E73", "#B5649A"  # purple darkened: 3:1 on white
ORANGE, SKY, BLACK = "#B87400", "#3C93C8", "#000000"  # orange and sky darkened for the same reason
GREY, PALE = "#6B6B6B", "#DADADA"
COLOURS = (BLUE, VERMILLION, GREEN, PURPLE, ORANGE, SKY, BLACK)
MARKS = ("o", "s", "^", "D", "v", "P", "X", "h", "<", ">", "p")  # 7 colours and 11 marks: 77 pairs before a repeat
STYLES: tuple[Any, ...] = ("-", (0, (5, 1.5)), (0, (1, 1)), (0, (5, 1.2, 1, 1.2)), (0, (8, 1, 2, 1)))

TYPE_PT = 7.0
INSIDE = 0.75  # share of a figure's width that a legend within the axes may take
DPI = 300  # of pictures of pixels, and of the pixels within a vector drawing
MOST_SWEEPS = 300  # more lines than this only blacken a panel: every k-th is drawn, and the legend says so

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
    "axes.prop_cycle": cycler(color=COLOURS),
    "lines.linewidth": 1.1,
    "lines.markersize": 3.5,
    "hatch.linewidth": 0.4,
    "figure.facecolor": "white",
    "savefig.facecolor": "white",
    "svg.hashsalt": "sts",  # the same figure gives the same bytes
    "svg.fonttype": "path",
    "pdf.fonttype": 42,  # outline letters (TrueType): journals refuse those of type 3
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
    *, width: str | float = "single", height_in: float = 2.5, rows: Sequence[float] = (1.0,), share: bool = True
) -> list[Axes]:
    """The axes, one below the other, of a new figure that no window manager knows of.

    Parameters
    ----------
    width : str or float
        ``"single"`` (85 mm), ``"double"`` (178 mm) or a number of mm.
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
    figure = Figure(figsize=(width_in(width), height_in), dpi=DPI, layout="constrained")
    FigureCanvasAgg(figure)
    grid = figure.subplots(len(rows), 1, sharex=share, squeeze=False, gridspec_kw={"height_ratios": list(rows)})
    return [grid[i, 0] for i in range(len(rows))]


def given_or_new(ax: Axes | None, **kwargs: Any) -> Axes:
    """`ax`, or the axes of a new figure (with pyplot, so that a notebook shows it).

    Parameters
    ----------
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure if not given.
    **kwargs : object
        As in `new_figure`.
    """
    return ax if ax is not None else _pyplot_axes((1.0,), **kwargs)[0]


def given_or_new_rows(axes: Sequence[Axes] | None, rows: Sequence[float], **kwargs: Any) -> list[Axes]:
    """The `axes` given, checked for their number, or those of a new figure.

    Parameters
    ----------
    axes : sequence of matplotlib.axes.Axes, optional
    rows : sequence of float
        Relative heights of the axes.
    **kwargs : object
        As in `new_figure`.

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
    rows: Sequence[float], *, width: str | float = "single", height_in: float = 2.5, share: bool = True
) -> list[Axes]:
    import matplotlib.pyplot as plt

    with house_style():
        figure, grid = plt.subplots(
            len(rows), 1, sharex=share, squeeze=False, figsize=(width_in(width), height_in), dpi=200,
            layout="constrained", gridspec_kw={"height_ratios": list(rows)},
        )  # fmt: skip
    del figure
    return [grid[i, 0] for i in range(len(rows))]


def legend(ax: Axes, *, below: bool = False, columns: int = 1, title: str = "") -> None:
    """A legend within the axes where it hides least, or below them.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
    below : bool
        Whether it stands below the axes.
    columns : int
        One, where the words of so many are wider than there is room.
    title : str
    """
    handles, labels = ax.get_legend_handles_labels()
    if not handles:
        return
    kwargs: dict[str, Any] = {"title": title or None, "title_fontsize": TYPE_PT - 1, "ncols": columns}
    if below:
        box = ax.figure.legend(handles, labels, loc="outside lower left", alignment="left", **kwargs)
    else:
        box = ax.legend(handles, labels, loc="best", alignment="left", **kwargs)
    room = ax.figure.bbox.width if below else INSIDE * ax.figure.bbox.width
    if columns > 1 and box.get_window_extent().width > room:
        box.remove()
        legend(ax, below=below, title=title)
    elif not below:
        box.set_frame_on(True)
        box.get_frame().set(facecolor="white", alpha=0.8, linewidth=0)


def mute(ax: Axes, spans: Sequence[tuple[float, float]], *, label: str) -> None:
    """Shade the parts of the horizontal axis that are not to be read.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
    spans : sequence of (float, float)
        In units of the axis.
    label : str
        In the legend.
    """
    for i, (start, stop) in enumerate(spans):
        ax.axvspan(start, stop, facecolor="#F3F3F3", edgecolor="#DCDCDC", hatch="//", lw=0, zorder=0.5,
                   label=label if i == 0 else "_")  # fmt: skip


def spans_where(x: np.ndarray, mask: np.ndarray) -> list[tuple[float, float]]:
    """Stretches of `x` (n,) where `mask` (n,) is true, each widened by half a step to both sides.

    Parameters
    ----------
    x : numpy.ndarray, shape (n,)
        Rising.
    mask : numpy.ndarray of bool, shape (n,)
    """
    if not mask.any():
        return []
    edges = np.concatenate([[x[0]], (x[1:] + x[:-1]) / 2, [x[-1]]])
    change = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(int)))
    return [(float(edges[start]), float(edges[stop])) for start, stop in zip(change[::2], change[1::2], strict=True)]


_SUPERSCRIPTS = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


def log_ticks(axis: Axis) -> None:
    """Ticks of a logarithmic axis in plain letters: decades, and steps within one where few decades are shown.

    Call it when the limits stand. matplotlib's own labels of such an axis are formulas, which take ten times as long.

    Parameters
    ----------
    axis : matplotlib.axis.Axis
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


def thin_out(rows: np.ndarray, most: int = MOST_SWEEPS) -> tuple[np.ndarray, str]:
    """Positions to draw out of `rows`, and words for the legend where some are left out.

    Parameters
    ----------
    rows : numpy.ndarray, shape (m,)
        Positions.
    most : int
        How many at most.
    """
    if len(rows) <= most:
        return rows, ""
    step = math.ceil(len(rows) / most)
    return rows[::step], f", every {step}th drawn"


def place_words(day: object, site: object) -> str:
    """``2026-11-03, 2``: the name of a site, after its day where there are several.

    Parameters
    ----------
    day, site : object
        Empty where there is none to name.
    """
    return ", ".join(filter(None, (str(day), str(site)))) if day else str(site)


def site_words(site: object, number: int, day: object = "") -> str:
    """``site 2: n = 8``, for a legend.

    Parameters
    ----------
    site : object
        Its name; empty where it is not recorded.
    number : int
        Of sweeps.
    day : object
        Named where it is not empty.
    """
    name = str(site)
    named = f"site {name}" if name and len(name) < 4 else name or "no site"
    return f"{f'{day}, ' if day else ''}{named}: n = {number}"


def rows_of(frame: pd.DataFrame) -> Iterator[Any]:
    """The rows of a table, columns as attributes.

    Parameters
    ----------
    frame : pandas.DataFrame
    """
    yield from frame.itertuples(index=False)
