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
Row = dict[str, Any]


def draw_findings(studies: Sequence[tuple[Row, Sequence[Row]]], path: Path) -> None:
    """One line per measure, one dot per case, on a scale where 0 and 1 are the bounds of that case."""
    lines: list[tuple[str, list[Row]]] = []
    for about, rows in studies:
        measures: dict[str, list[Row]] = {}  # in the order of the table
        for row in rows:
            if row["low"] or row["high"]:
                measures.setdefault(row["measure"], []).append(row)
        lines += [(f"{about['title']}, {about['size']}", []), *measures.items()]
    figure = Figure(figsize=(11, 0.24 * len(lines) + 0.6), layout="constrained")
    axes = figure.subplots()
    axes.axvspan(0, 1, color=BAND, lw=0)
    for y, (label, rows) in enumerate(lines):
        if not rows:
            axes.text(-0.62, y, label, fontsize=8, fontweight="bold", va="center")
            continue
        place = np.array([_place(row) for row in rows])
        kept = np.array([row["kept"] == "yes" for row in rows])
        axes.plot(place[kept], np.full(kept.sum(), y), "o", ms=3.5, color=INSIDE, alpha=0.6, mew=0)
        axes.plot(place[~kept], np.full((~kept).sum(), y), "x", ms=5, color=OUT)
        for x, key, side in ((-0.42, "low", "right"), (1.42, "high", "left")):
            axes.text(x, y, _range(rows, key), fontsize=7, va="center", ha=side)
    named = [(y, label) for y, (label, rows) in enumerate(lines) if rows]
    axes.set_yticks([y for y, _ in named], [label for _, label in named], fontsize=7)
    axes.set(ylim=(len(lines) - 0.5, -0.5), xlim=(-0.65, 1.65), xticks=[0, 1])
    axes.set_xticklabels(["lower bound", "upper bound"], fontsize=8)
    axes.tick_params(length=0)
    axes.spines[:].set_visible(False)
    _save(figure, path)


def _place(row: Row) -> float:
    """Where a value lies between its bounds; what has one bound only is measured against its size. Cut at -0.35 and 1.35."""
    value = float(row["value"])
    low, high = (float(row[k]) if row[k] else math.nan for k in ("low", "high"))
    if math.isnan(value):
        return 1.35
    if math.isnan(low):
        low = min(0.0, 2 * high)
    if math.isnan(high):
        high = max(2 * low, low + 1)
    if low == high:  # nothing but this number will do: the middle of the band
        return 0.5 if value == low else 0.5 + math.copysign(0.85, value - low)
    return min(max((value - low) / (high - low), -0.35), 1.35)


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
