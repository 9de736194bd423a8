"""Figures of I(z): fits, residuals, the local barrier and how the result moves with the window."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from sts.figures.marks import ENDS, Look, draw_band, draw_derivative, draw_line, draw_points
from sts.figures.style import BLACK, COLOURS, GREY, MARKS, STYLES, given_or_new, given_or_new_rows, legend, log_ticks
from sts.figures.styled import styled
from sts.figures.sweeps import HEIGHT_LABEL, height_axis
from sts.quantities import decimals_for, scale_for

if TYPE_CHECKING:
    from sts.barrier.fit import BarrierFit
    from sts.barrier.local import LocalBarrier

BARRIER_LABEL = "Apparent barrier height (eV)"


@styled
def plot_iz_fits(fit: BarrierFit, rows: Sequence[int], *, axes: Sequence[Axes] | None = None) -> list[Axes]:
    """ln I(z) of some sweeps with their fits, and the residuals below.

    Parameters
    ----------
    fit : BarrierFit
    rows : sequence of int
        Positions of the sweeps to draw; a handful is legible.
    axes : sequence of two matplotlib.axes.Axes, optional
        For the curves and for the residuals.

    Notes
    -----
    The fitted offset is subtracted before the logarithm. Noise that falls below zero has no logarithm and is not
    drawn above; the fit uses it all the same, and the residuals show it.
    """
    upper, lower = given_or_new_rows(axes, (2.2, 1.0), height_in=3.4)
    z, label_z = height_axis(fit.height)
    factor, unit = scale_for(fit.current[list(rows)], "A")
    table = fit.table
    for i, row in enumerate(rows):
        colour, mark = COLOURS[i % len(COLOURS)], MARKS[i % len(MARKS)]
        entry = table.iloc[row]
        current, fitted = (fit.current[row] - fit.offset[row]) * factor, (fit.fitted[row] - fit.offset[row]) * factor
        inside = fit.used_points[row] & (current > 0)
        outside = ~fit.used_points[row] & (current > 0)
        draw_points(upper, z[inside], current[inside], series=f"{entry.sweep}: used",
                    look=Look(colour=colour, mark=mark, alpha=0.6, size=1.8))  # fmt: skip
        if outside.any():
            draw_points(upper, z[outside], current[outside], series=f"{entry.sweep}: masked",
                        look=Look(colour=GREY, mark="x", size=2.2))  # fmt: skip
        digits = decimals_for(entry.barrier_se_eV)
        label = f"{entry.sweep}: {entry.barrier_eV:.{digits}f} ± {entry.barrier_se_eV:.{digits}f} eV"
        draw_line(upper, z, fitted, series=f"{entry.sweep}: fit", label=label,
                  look=Look(colour=colour, style=STYLES[i % len(STYLES)], width=0.9))  # fmt: skip
        draw_points(lower, z, fit.residual[row], series=f"{entry.sweep}: residual",
                    look=Look(colour=colour, mark=mark, alpha=0.6, size=1.5))  # fmt: skip
    good = [fit.fitted[row] - fit.offset[row] for row in rows]
    heights = np.concatenate([g[np.isfinite(g) & (g > 0)] for g in good]) if good else np.array([])
    if heights.size:
        upper.set_yscale("log")
        noise = np.nanmedian(table["noise_pA"].to_numpy(float)[list(rows)]) * 1e-12
        floor = max(heights.min(), 0.2 * noise) if np.isfinite(noise) and noise > 0 else heights.min()
        upper.set_ylim(floor * factor, heights.max() * factor * 3)
        log_ticks(upper.yaxis)
    upper.set_ylabel(f"Current − offset ({unit})")
    legend(upper)
    draw_line(lower, z[[0, -1]], [0, 0], series="zero", look=Look(colour=BLACK, width=0.5))
    for level in (-2, 2):
        draw_line(lower, z[[0, -1]], [level, level], series=f"{level} standard deviations",
                  look=Look(colour=GREY, style=STYLES[1], width=0.5))  # fmt: skip
    lower.set_ylim(-5, 5)
    lower.set_xlabel(label_z)
    lower.set_ylabel("Residual / noise")
    return [upper, lower]


@styled
def plot_iz_tips(parts: Sequence[tuple[str, BarrierFit, int]], *, ax: Axes | None = None) -> Axes:
    """I(z) of all tips together, each as a share of its fitted current at the near end: the steeper, the higher the barrier.

    Parameters
    ----------
    parts : sequence of (str, BarrierFit, int)
        Name of a tip, the fit that holds its sweep, and the position of that sweep.
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure if not given.

    Notes
    -----
    What noise carries below zero has no logarithm and is not drawn.
    """
    ax = given_or_new(ax)
    least = []
    for i, (name, fit, row) in enumerate(parts):
        colour, mark = COLOURS[i % len(COLOURS)], MARKS[i % len(MARKS)]
        used, entry = fit.used_points[row], fit.table.iloc[row]
        own, curve = fit.current[row] - fit.offset[row], fit.fitted[row] - fit.offset[row]
        first = int(np.argmax(used))
        z = (fit.height - fit.height[first]) * 1e9
        share, line = own / curve[first], curve / curve[first]
        noise = entry.noise_pA * 1e-12 / abs(curve[first])
        seen = used & (share > 0)
        draw_points(ax, z[seen], share[seen], series=f"{name}, {entry.sweep}",
                    look=Look(colour=colour, mark=mark, alpha=0.5, size=1.8))  # fmt: skip
        draw_line(ax, z, np.where(used & (line > 0.2 * noise), line, np.nan), series=f"{name}, {entry.sweep}: fit",
                  label=f"{name}: {entry.barrier_eV:.2f} eV",
                  look=Look(colour=colour, style=STYLES[i % len(STYLES)], width=0.9))  # fmt: skip
        least.append(noise if np.isfinite(noise) and noise > 0 else np.nanmin(share[seen], initial=1.0))
    ax.set_yscale("log")
    ax.set_ylim(max(0.5 * min(least, default=1e-3), 1e-9), 3)
    log_ticks(ax.yaxis)
    ax.set_xlabel("Height from the sweep's near end (nm)")
    ax.set_ylabel("Current / that at the near end, no unit")
    legend(ax, below=len(parts) > 4, columns=2)
    return ax


@styled
def plot_local_barrier(
    parts: Sequence[tuple[LocalBarrier, str]], *, axes: Sequence[Axes] | None = None
) -> list[Axes]:  # fmt: skip
    """φ(z): the barrier from the local slope, with its band; one panel per sweep. One exponential gives a level line.

    Parameters
    ----------
    parts : sequence of (LocalBarrier, str)
        Results of `sts.barrier.local`, each with the name of the sweep to draw.
    axes : sequence of matplotlib.axes.Axes, optional
        As many as `parts`; heights may differ from set to set, so they need not share an axis.
    """
    label = HEIGHT_LABEL
    panels = given_or_new_rows(axes, (1.0,) * len(parts), height_in=0.5 + 1.1 * len(parts), share=False)
    for i, (ax, (local, name)) in enumerate(zip(panels, parts, strict=True)):
        row = list(local.sweeps).index(name)
        (z, label), barrier = height_axis(np.asarray(local.height)), local.barrier_eV[row]
        low, high = (np.where(local.one_sided, np.nan, edge[row]) for edge in (local.low_eV, local.high_eV))
        draw_band(ax, z, low, high, series=f"{name}: band", colour=COLOURS[i % len(COLOURS)],
                  label="95 % band" if i == 0 else "")  # fmt: skip
        draw_derivative(ax, z, barrier, local.one_sided, series=name, label=name, end_label=ENDS if i == 0 else "",
                        look=Look(colour=COLOURS[i % len(COLOURS)]))  # fmt: skip
        ax.set_xlim(z[0], z[-1])  # also where nothing could be drawn: the panels are compared
        known = barrier[np.isfinite(barrier)]
        if known.size:
            ax.set_ylim(0, 1.8 * float(np.median(known)))  # noise far out must not flatten the rest
        ax.set_ylabel("Local φ (eV)")
        legend(ax)
    panels[-1].set_xlabel(label)
    return panels


@styled
def plot_window_sensitivity(window: pd.DataFrame, sweeps: pd.DataFrame, *, ax: Axes | None = None) -> Axes:
    """How the barrier moves as near samples are cut away: level where the result does not hang on the window.

    Parameters
    ----------
    window : pandas.DataFrame
        `sweep`, `lower_cut_nm`, `upper_cut_nm`, `barrier_eV`.
    sweeps : pandas.DataFrame
        `sweep`, `tip`, `used`: the median over the used sweeps of a tip is drawn with the middle half as band.
    """
    ax = given_or_new(ax)
    used = sweeps.loc[sweeps["used"].astype(bool), ["sweep", "tip"]]
    table = window.merge(used, on="sweep", how="inner")
    widest = table.groupby("sweep")["upper_cut_nm"].transform("max")
    table = table[np.isclose(table["upper_cut_nm"], widest)]
    cuts = table.groupby("sweep")["lower_cut_nm"]  # where the piezo stood tells nothing, and differs between sweeps
    table = table.assign(cut=cuts.rank(method="dense"), from_near=table["lower_cut_nm"] - cuts.transform("min"))
    for i, (tip, rows) in enumerate(table.groupby("tip", sort=False)):
        by_cut = rows.groupby("cut")["barrier_eV"]
        x = rows.groupby("cut")["from_near"].median().to_numpy(float)
        low, middle, high = (by_cut.quantile(q).to_numpy(float) for q in (0.25, 0.5, 0.75))
        name = str(tip) or "all"
        colour = COLOURS[i % len(COLOURS)]
        draw_band(ax, x, low, high, series=f"{name}: middle half", colour=colour, alpha=0.18,
                  label="band: middle half of the sweeps" if i == 0 else "")  # fmt: skip
        draw_line(ax, x, middle, series=f"{name}: median", look=Look(colour=colour, style=STYLES[i % len(STYLES)]))
        draw_points(ax, x, middle, series=f"{name}: median",
                    label=f"{name}: median, n = {rows['sweep'].nunique()} sweeps",
                    look=Look(colour=colour, mark=MARKS[i % len(MARKS)]))  # fmt: skip
    ax.set_ylim(bottom=0)
    ax.set_xlabel("Lower cut of the fit window, from the near end (nm)")
    ax.set_ylabel(BARRIER_LABEL)
    legend(ax)
    return ax
