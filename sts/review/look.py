"""How the page looks: colours, figures and widgets that all parts share, and text that is safe to show."""

from __future__ import annotations

import html
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from bokeh.models import Button, ColumnDataSource, CustomJSHover, Div, HoverTool, InlineStyleSheet
from bokeh.plotting import figure

# The colours of sts/figures/style.py, which is not imported: matplotlib would come with it.
BLUE, VERMILLION, GREEN, PURPLE = "#0072B2", "#D55E00", "#009E73", "#B5649A"
ORANGE, SKY, BLACK, GREY, PALE = "#B87400", "#3C93C8", "#000000", "#6B6B6B", "#DADADA"
BEHIND = "#8C8C8C"  # curves behind another: 3.4 to 1 on white
LEFT = 70  # [px] beside a plot: labels of six digits, so that plots stand one under the other whatever they show

FOCUS = """
:host { font: 14px/1.4 Helvetica, Arial, sans-serif; color: #1B1B1B; }
:focus-visible { outline: 3px solid #0072B2 !important; outline-offset: 2px; box-shadow: none !important; }
button.bk-btn { white-space: normal; min-height: 32px; border: 1px solid #6B6B6B; border-radius: 2px;
  background: #FFF; color: #1B1B1B; text-align: left; }
button.bk-btn:hover { background: #EAF2F7; color: #1B1B1B; }
button.bk-btn[disabled] { color: #6B6B6B; background: #F3F3F3; opacity: 1; }
.bk-input { min-height: 30px; border: 1px solid #6B6B6B; color: #1B1B1B; }
label { color: #1B1B1B; white-space: normal; }
"""
TEXT = """
:host { font: 14px/1.45 Helvetica, Arial, sans-serif; color: #1B1B1B; overflow-wrap: anywhere; }
table { border-collapse: collapse; width: 100%; } caption { text-align: left; font-weight: 600; padding: 2px 0; }
th, td { text-align: left; padding: 2px 8px 2px 0; border-bottom: 1px solid #DADADA; vertical-align: top; }
table { overflow-wrap: normal; font-size: 13px; } td.n, th.n { text-align: right; font-variant-numeric: tabular-nums; }
ul { margin: 4px 0; padding-left: 18px; } h2, h3 { font-size: 15px; margin: 8px 0 4px; } p { margin: 4px 0; }
.caution { border-left: 5px solid #D55E00; padding: 4px 8px; background: #FDF3EC; }
pre { white-space: pre-wrap; border: 1px solid #DADADA; padding: 6px; max-height: 260px; overflow: auto; }
"""


def safe(text: object) -> str:
    """Text that is shown as it is, markup and all.

    Parameters
    ----------
    text : object
    """
    return html.escape(str(text), quote=True)


def text_box(markup: str = "", **kwargs: Any) -> Div:
    """A box for markup of the page's own; everything of a session in it must have gone through `safe`.

    Parameters
    ----------
    markup : str
    **kwargs : object
        As `bokeh.models.Div` takes them.
    """
    return Div(
        text=markup, sizing_mode="stretch_width", stylesheets=[InlineStyleSheet(css=TEXT)], disable_math=True, **kwargs
    )  # fmt: skip


def button(label: str, pressed: Callable[[], None], **kwargs: Any) -> Button:
    """A button that shows where the focus is.

    Parameters
    ----------
    label : str
    pressed : callable()
    **kwargs : object
        As `bokeh.models.Button` takes them.
    """
    made = Button(label=label, stylesheets=[styled()], **{"sizing_mode": "stretch_width", **kwargs})
    made.on_click(lambda _: pressed())
    return made


def styled() -> InlineStyleSheet:
    """The style of a widget."""
    return InlineStyleSheet(css=FOCUS)


def plot(y_label: str, x_label: str = "", *, height: int, **kwargs: Any) -> Any:
    """An empty figure as wide as there is room, which is zoomed by box and wheel.

    Parameters
    ----------
    y_label, x_label : str
    height : int
        In pixels.
    **kwargs : object
        As `bokeh.plotting.figure` takes them.
    """
    made = figure(
        height=height, sizing_mode="stretch_width", min_width=200, tools="pan,box_zoom,wheel_zoom,reset",
        active_drag="box_zoom", toolbar_location="above" if not kwargs.get("x_range") else None, **kwargs,
    )  # fmt: skip
    made.toolbar.logo = None
    for own in (made, made.x_range, made.y_range):
        own.syncable = False  # nobody here asks what the browser makes of sizes and ranges; each would be a message
    made.xaxis.axis_label, made.yaxis.axis_label = x_label, y_label
    for axis in (*made.xaxis, *made.yaxis):
        axis.axis_label_text_font_style, axis.axis_label_text_color = "normal", BLACK
        axis.major_label_text_color = BLACK
    made.outline_line_color, made.min_border_left, made.min_border_right = PALE, LEFT, 12
    made.yaxis.axis_label_text_font_size = made.xaxis.axis_label_text_font_size = "12px"
    return made


def hover(made: Any, renderer: Any, *told: tuple[str, str]) -> None:
    """Tell values of what the pointer is on.

    Parameters
    ----------
    made : bokeh.plotting.figure
    renderer : bokeh.models.GlyphRenderer
    *told : (str, str)
        Name and the column that is shown.
    """
    made.add_tools(HoverTool(renderers=[renderer], tooltips=list(told), visible=False))


def source(*columns: str) -> ColumnDataSource:
    """Empty columns.

    Parameters
    ----------
    *columns : str
    """
    return ColumnDataSource(data={column: [] for column in columns})


def fill(data: ColumnDataSource, **columns: Any) -> None:
    """Put columns into a source; those that are in it already are not sent again.

    Parameters
    ----------
    data : bokeh.models.ColumnDataSource
    **columns : array_like, shape (n,)
    """
    old = data.data
    if set(old) == set(columns) and all(_same(old[name], column) for name, column in columns.items()):
        return
    data.data = columns


def _same(old: Any, new: Any) -> bool:
    one, other = np.asarray(old), np.asarray(new)
    if one.shape != other.shape:
        return False
    return bool(one.size == 0 or np.array_equal(one, other, equal_nan=one.dtype.kind == other.dtype.kind == "f"))


def one_line(curves: Sequence[tuple[Any, Any]], most: int = 128) -> dict[str, Any]:
    """Curves as a single line with gaps, which is sent and drawn faster than many; of each at most so many points.

    Parameters
    ----------
    curves : sequence of (ndarray, ndarray)
    most : int

    Returns
    -------
    dict
        Columns ``x``, ``y`` and ``n``, the number of the curve.
    """
    thin = [(x[:: -(-x.size // most) or 1], y[:: -(-x.size // most) or 1]) for x, y in curves]
    gap = [np.nan]
    return {
        "x": np.concatenate([part for x, _ in thin for part in (x, gap)] or [[]]),
        "y": np.concatenate([part for _, y in thin for part in (y, gap)] or [[]]),
        "n": np.repeat(np.arange(len(thin), dtype=np.int32), [x.size + 1 for x, _ in thin]),
    }


def hover_curves(made: Any, renderer: Any, names: ColumnDataSource) -> None:
    """Tell the name of the curve of `one_line` that the pointer is on.

    Parameters
    ----------
    made : bokeh.plotting.figure
    renderer : bokeh.models.GlyphRenderer
    names : bokeh.models.ColumnDataSource
        With a column ``sweep``.
    """
    told = CustomJSHover(args={"names": names}, code="return names.data.sweep[value] ?? ''")
    made.add_tools(
        HoverTool(renderers=[renderer], tooltips=[("sweep", "@n{custom}")], formatters={"@n": told}, visible=False)
    )


def table(caption: str, heads: list[str], rows: list[list[str]], *, right: set[int]) -> str:
    """A table as markup, every cell made safe.

    Parameters
    ----------
    caption : str
    heads : list of str
    rows : list of list of str
    right : set of int
        Columns with numbers.
    """

    def cells(tag: str, row: list[str]) -> str:
        return "".join(f"<{tag}{' class=n' if i in right else ''}>{safe(c)}</{tag}>" for i, c in enumerate(row))

    body = "".join(f"<tr>{cells('td', row)}</tr>" for row in rows)
    return f"<table><caption>{safe(caption)}</caption><thead><tr>{cells('th', heads)}</tr></thead><tbody>{body}</tbody></table>"


def number(value: float, digits: int = 3) -> str:
    """A number with so many decimals; unknown is a dash.

    Parameters
    ----------
    value : float
    digits : int
    """
    return f"{value:.{digits}f}" if np.isfinite(value) else "–"
