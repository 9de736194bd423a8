"""The figures of ``docs/validation``: every measured figure between its bounds, and how time grows with size."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure

INSIDE, OUT, BAND = "#1b4f8a", "#c0281c", "#d9dee5"
CUT = (-0.35, 1.35)  # what lies farther out is drawn there
Row = dict[str, Any]


def draw_findings(studies: Sequence[tuple[Row, Sequence[Row]]], path: Path) -> None:
    """One line per study, one dot per figure, on a scale where 0 and 1 are the bounds of that figure."""
    lines = [(f"{about['title']} ({about['size']})", [row for row in rows if _bounded(row)]) for about, rows in studies]
    figure = Figure(figsize=(11, 0.24 * len(lines) + 0.6), layout="constrained")
    _dots(figure, [(label, rows) for label, rows in lines if rows], errors=False)
    _save(figure, path)


def draw_study(rows: Sequence[Row], path: Path) -> bool:
    """One line per measure, one dot with its standard error per case; False, and no picture, where nothing has bounds."""
    measures: dict[str, list[Row]] = {}  # in the order of the table
    for row in rows:
        if _bounded(row):
            measures.setdefault(row["measure"], []).append(row)
    if not measures:
        return False
    figure = Figure(figsize=(9, 0.3 * len(measures) + 0.7), layout="constrained")
    _dots(figure, list(measures.items()), errors=True)
    _save(figure, path)
    return True


def _bounded(row: Row) -> bool:
    return bool(row["low"] or row["high"])


def _dots(figure: Figure, lines: Sequence[tuple[str, Sequence[Row]]], *, errors: bool) -> None:
    """Dots of each line between their bounds, which stand beside it where all are of one measure."""
    axes = figure.subplots()
    axes.axvspan(0, 1, color=BAND, lw=0)
    for y, (_, rows) in enumerate(lines):
        place, error = np.array([_place(row) for row in rows]).T
        kept = np.array([row["kept"] == "yes" for row in rows])
        level = y + (np.linspace(-0.28, 0.28, len(rows)) if errors and len(rows) > 1 else np.zeros(len(rows)))
        if errors:
            axes.hlines(
                level,
                np.maximum(place - error, CUT[0]),
                np.minimum(place + error, CUT[1]),
                color=INSIDE,
                lw=0.6,
                alpha=0.5,
            )
        axes.plot(place[kept], level[kept], "o", ms=3.5, color=INSIDE, alpha=0.6, mew=0)
        axes.plot(place[~kept], level[~kept], "x", ms=5, color=OUT)
        for x, key, side in ((-0.42, "low", "right"), (1.42, "high", "left")):
            axes.text(x, y, _range(rows, key) if errors else "", fontsize=8, va="center", ha=side)
    axes.set_yticks(range(len(lines)), [label for label, _ in lines], fontsize=8)
    axes.set(ylim=(len(lines) - 0.4, -0.6), xlim=(-0.9, 1.75) if errors else (-0.4, 1.4), xticks=[0, 1])
    axes.set_xticklabels(["lower bound", "upper bound"], fontsize=8)
    axes.tick_params(length=0)
    axes.spines[:].set_visible(False)


def _place(row: Row) -> tuple[float, float]:
    """Where a value lies between its bounds, and its standard error there; what has one bound only is measured against its size."""
    value = float(row["value"])
    low, high, error = (float(row[k]) if row[k] else math.nan for k in ("low", "high", "error"))
    if math.isnan(value):
        return CUT[1], 0.0
    if math.isnan(low):
        low = min(0.0, 2 * high)
    if math.isnan(high):
        high = max(2 * low, low + 1)
    if low == high:  # nothing but this number will do: the middle of the band
        return (0.5 if value == low else 0.5 + math.copysign(0.85, value - low)), 0.0
    return min(max((value - low) / (high - low), CUT[0]), CUT[1]), 0.0 if math.isnan(error) else error / (high - low)


def _range(rows: Sequence[Row], key: str) -> str:
    """The bound of all cases, or the least and the largest where they differ."""
    bounds = sorted({float(row[key]) for row in rows if row[key]})
    return "" if not bounds else " to ".join(f"{b:.3g}" for b in dict.fromkeys((bounds[0], bounds[-1])))


def _save(figure: Figure, path: Path) -> None:
    with mpl.rc_context({"font.family": "DejaVu Sans"}):
        figure.savefig(path, dpi=110, metadata={"Software": None})


def draw_growth(rows: Sequence[Row], path: Path) -> None:
    """Time against number of sweeps and of points, both logarithmic; a grey line grows in proportion."""
    figure = Figure(figsize=(8, 3.4), layout="constrained")
    for axes, what in zip(figure.subplots(1, 2, sharey=True), ("sweeps", "points"), strict=True):
        for kind, marker, color in (("I(z)", "o", INSIDE), ("I(V)", "s", OUT)):
            found = [re.fullmatch(rf"{re.escape(kind)} seconds with (\d+) {what}", row["measure"]) for row in rows]
            sizes = np.array([int(m[1]) for m in found if m])
            times = np.array([float(row["value"]) for row, m in zip(rows, found, strict=True) if m])
            if not sizes.size:
                continue
            axes.loglog(sizes, times, marker, ls="-", ms=4, lw=1, color=color, label=kind)
            axes.loglog(sizes, times[-1] * sizes / sizes[-1], color="#9aa4b1", lw=0.8, zorder=0)
        axes.set_xlabel(f"number of {what}" + (" (256 points)" if what == "sweeps" else " (1,024 sweeps)"))
        if axes.lines:
            axes.legend(frameon=False)
    figure.axes[0].set_ylabel("time [s]")
    _save(figure, path)
