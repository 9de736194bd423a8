"""One sweep as a person looks at it: curve, fit, residuals, local barrier or dI/dV, its site behind, its flags where they sit."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure, SubFigure

from sts.analysis.sweep_view import BiasView, Curve, HeightView, Place
from sts.figures.marks import ENDS, FAINT, Look, draw_band, draw_derivative, draw_line, draw_many, draw_points
from sts.figures.style import (
    BLACK,
    GREEN,
    GREY,
    ORANGE,
    STYLES,
    TYPE_PT,
    VERMILLION,
    given_or_new_rows,
    legend,
    log_ticks,
    mute,
    spans_where,
    thin_out,
)
from sts.figures.styled import styled
from sts.figures.sweeps import FROM_NEAR_END, bias_axis
from sts.quantities import decimals_for, scale_for, with_prefix

HEIGHT_ROWS = (2.4, 0.9, 1.0)  # current, residuals, local barrier
BIAS_ROWS = (1.3, 1.4, 1.2)  # current, dI/dV, normalised
PANEL_IN = (4.2, 5.0)  # of one sweep [inch]
COLUMNS = 3  # of sweeps in one picture
MOST_BESIDE = 40  # curves drawn behind
LETTERS = 74  # of a line above a sweep


@styled
def plot_one_sweep(
    view: HeightView | BiasView, beside: Sequence[Curve] = (), *, axes: Sequence[Axes] | None = None
) -> list[Axes]:
    """One sweep with what was made of it.

    Parameters
    ----------
    view : HeightView or BiasView
        Of `sts.view_of`.
    beside : sequence of Curve
        Of `sts.curves_of`: drawn in grey behind.
    axes : sequence of three matplotlib.axes.Axes, optional
        I(z): current, residuals, local barrier. I(V): current, dI/dV, normalised conductance.

    Returns
    -------
    list of matplotlib.axes.Axes

    Notes
    -----
    I(z) is drawn as its size without the fitted offset: what noise carries through zero has no logarithm and is seen in the
    residuals only.
    """
    if isinstance(view, HeightView):
        panels = given_or_new_rows(axes, HEIGHT_ROWS, height_in=PANEL_IN[1])
        _height(view, beside, panels)
    else:
        panels = given_or_new_rows(axes, BIAS_ROWS, height_in=PANEL_IN[1])
        _bias(view, beside, panels)
    panels[0].set_title(_heading(view), fontsize=TYPE_PT, fontweight="normal")
    return panels


def draw_sweeps(parts: Sequence[tuple[HeightView | BiasView, Sequence[Curve]]]) -> Figure:
    """Several sweeps in one picture, side by side.

    Parameters
    ----------
    parts : sequence of (HeightView or BiasView, sequence of Curve)
        As for `plot_one_sweep`.
    """
    columns = min(len(parts), COLUMNS)
    rows = -(-len(parts) // columns)
    figure = Figure(figsize=(PANEL_IN[0] * columns, PANEL_IN[1] * rows), dpi=150, layout="constrained")
    FigureCanvasAgg(figure)
    fields: Any = figure.subfigures(rows, columns, squeeze=False, wspace=0.02, hspace=0.02)
    for field, (view, beside) in zip(fields.flat, parts, strict=False):
        plot_one_sweep(view, beside, axes=_stacked(field, view))
    return figure


def _stacked(field: SubFigure, view: HeightView | BiasView) -> list[Axes]:
    rows = HEIGHT_ROWS if isinstance(view, HeightView) else BIAS_ROWS
    grid: Any = field.subplots(3, 1, sharex=True, squeeze=False, gridspec_kw={"height_ratios": rows})
    return [grid[i, 0] for i in range(3)]


def _heading(view: HeightView | BiasView) -> str:
    """Name, where it was taken, what was decided, and every flag in plain words."""
    where = ", ".join(f"{word} {view.labels[word]}" for word in ("tip", "site", "direction") if word in view.labels)
    state = f"{'used' if view.used else 'left out'} by {'a person' if view.decided_by == 'person' else 'rule'}"
    said = dict.fromkeys(f"{place.flag}: {place.words}" for place in view.places)
    lines = [view.sweep, f"{where or 'no labels'}; {state}{f' ({view.decision})' if view.decision else ''}", *said]
    return "\n".join(part for line in lines for part in textwrap.wrap(_plain(line), LETTERS))


def _plain(text: str) -> str:
    """Text in which nothing is taken for a formula."""
    return text.replace("$", r"\$")


def _height(view: HeightView, beside: Sequence[Curve], panels: Sequence[Axes]) -> None:
    upper, middle, lower = panels
    z, offset = view.height_m * 1e9, view.offset_A if np.isfinite(view.offset_A) else 0.0
    factor, unit = scale_for(view.current_A, "A")
    turned = -1.0 if np.nansum(view.fitted_A - offset) < 0 else 1.0  # a current that is negative throughout
    own = turned * (view.current_A - offset) * factor
    _behind(upper, beside, 1e9, lambda y: np.where(turned * (y - offset) > 0, turned * (y - offset) * factor, np.nan))
    masked = np.logical_or.reduce([*view.masked.values(), np.zeros(z.size, bool)])
    seen = own > 0
    draw_points(upper, z[seen & ~masked], own[seen & ~masked], series="used",
                label="measured", look=Look(alpha=0.7, size=2.0))  # fmt: skip
    for why, mask in view.masked.items():
        draw_points(upper, z[seen & mask], own[seen & mask], series=f"masked: {why}", look=Look(ORANGE, mark="x", size=3.2),
                    label=f"masked, {why}: {mask.sum()}")  # fmt: skip
    fitted = turned * (view.fitted_A - offset) * factor
    if np.isfinite(fitted).any():
        draw_line(upper, z, np.where(fitted > 0, fitted, np.nan), series="fit", label=_barrier(view),
                  look=Look(BLACK, width=1.0, order=4.5))  # fmt: skip
    noise = view.noise_A * factor
    if np.isfinite(noise) and noise > 0:
        draw_line(upper, z[[0, -1]], [noise, noise], series="noise without current", label=_noise(view),
                  look=Look(GREY, style=STYLES[2], width=0.8))  # fmt: skip
    shown = np.concatenate([own[seen], fitted[fitted > 0]])
    if shown.size:
        upper.set_yscale("log")
        floor = 0.3 * noise if np.isfinite(noise) and noise > 0 else shown.min()
        upper.set_ylim(max(floor, shown.min() * 0.8), shown.max() * 3)
        log_ticks(upper.yaxis)
    upper.set_ylabel(f"{'−' if turned < 0 else ''}(Current − offset) ({unit})")
    _flagged(upper, view.places, 1e9, factor)
    legend(upper)
    _residuals(middle, z, view)
    low, high = (np.where(view.local_one_sided, np.nan, view.local_eV + k * view.local_se_eV) for k in (-2, 2))
    draw_band(lower, z, low, high, series="local band", label="± 2 standard uncertainties")
    draw_derivative(lower, z, view.local_eV, view.local_one_sided, series="local barrier", end_label=ENDS)
    if np.isfinite(view.barrier_eV):
        draw_line(lower, z[[0, -1]], [view.barrier_eV] * 2, series="barrier", look=Look(BLACK, width=0.8))
    known = view.local_eV[np.isfinite(view.local_eV)]
    if known.size and np.median(known) > 0:
        lower.set_ylim(0, 1.8 * float(np.median(known)))
        legend(lower)
    else:
        _say(lower, "no local barrier can be told")
    lower.set_ylabel("Local φ (eV)")
    lower.set_xlabel(FROM_NEAR_END)
    for ax in panels:
        _outside(ax, z, view.window_m)


def _residuals(ax: Axes, z: np.ndarray, view: HeightView) -> None:
    for level in (-2, 0, 2):
        draw_line(ax, z[[0, -1]], [level, level], series=f"{level} standard deviations",
                  look=Look(GREY, style=STYLES[1] if level else "-", width=0.5))  # fmt: skip
    draw_points(ax, z, np.clip(view.residual, -10, 10), series="residual", look=Look(alpha=0.7, size=1.6))
    reach = np.nanmax(np.abs(view.residual), initial=0.0)
    half = float(np.clip(1.1 * reach, 5, 10.5))
    ax.set_ylim(-half, half)
    if not np.isfinite(view.residual).any():
        _say(ax, "no fit")
    elif reach > 10:
        _say(ax, f"up to {reach:.0f}, drawn at 10")
    ax.set_ylabel("Residual / noise")


def _barrier(view: HeightView) -> str:
    if not np.isfinite(view.barrier_eV):
        return "fit; no barrier is stated"
    if not np.isfinite(view.barrier_low_eV):
        return f"fit: {view.barrier_eV:.2f} eV, no interval"
    digits = decimals_for((view.barrier_high_eV - view.barrier_low_eV) / 4)
    return (
        f"fit: {view.barrier_eV:.{digits}f} eV ({view.barrier_low_eV:.{digits}f} to {view.barrier_high_eV:.{digits}f})"
    )


def _noise(view: HeightView) -> str:
    factor, unit = scale_for([view.offset_A, view.offset_se_A], "A")
    digits = decimals_for(view.offset_se_A * factor)
    offset = f"{view.offset_A * factor:.{digits}f} {unit}".replace("-", "−")
    return f"noise {with_prefix(view.noise_A, 'A', 2)}; offset {offset} taken off"


def _outside(ax: Axes, z: np.ndarray, window_m: tuple[float, float]) -> None:
    """What lies outside the range of the fit, pale."""
    first, last = (end * 1e9 for end in window_m)
    if not np.isfinite([first, last]).all():
        return
    step = float(np.median(np.diff(z)))
    ends = [(z[0] - step, first - step / 2), (last + step / 2, z[-1] + step)]
    mute(ax, [(a, b) for a, b in ends if b - a > step], label="_")


def _bias(view: BiasView, beside: Sequence[Curve], panels: Sequence[Axes]) -> None:
    upper, middle, lower = panels
    volts, axis_label = bias_axis(view.bias_V)
    recorded = bool(np.isfinite(view.current_A).any())
    own = view.current_A if recorded or view.lockin is None else view.lockin
    word, unit = ("Current", "A") if recorded else ("Lock-in signal", view.lockin_unit)
    factor, shown = scale_for(own, unit) if unit else (1.0, "unit not recorded")
    _behind(upper, beside, volts, lambda y: y * factor)
    draw_line(upper, view.bias_V * volts, own * factor, series=word.lower(), label="measured", look=Look(width=1.2))
    for why, mask in view.masked.items():
        draw_points(upper, view.bias_V[mask] * volts, own[mask] * factor, series=f"masked: {why}", label=f"{why}: {mask.sum()}",
                    look=Look(ORANGE, mark="x", size=3.2))  # fmt: skip
    bias, current = view.setpoint
    if recorded and np.isfinite([bias, current]).all() and view.bias_V[0] <= bias <= view.bias_V[-1]:
        draw_points(upper, bias * volts, np.copysign(current, bias) * factor, series="set-point", label="set-point",
                    look=Look(BLACK, mark="D", size=4, filled=False))  # fmt: skip
    upper.set_ylabel(f"{word} ({shown})")
    _flagged(upper, view.places, volts, factor)
    legend(upper)
    _didv(middle, view, volts)
    _normalised(lower, view, view.shifted_V * volts)
    lower.set_xlabel(axis_label)


def _didv(ax: Axes, view: BiasView, volts: float) -> None:
    x = view.shifted_V * volts
    conductance = view.lockin if view.lockin is not None and view.lockin_unit == view.didv_unit else None
    rows = [row for row in (view.didv, view.group_didv, conductance) if row is not None and np.isfinite(row).any()]
    if not rows:
        _say(ax, view.no_group or "no derivative")
        ax.set_ylabel("dI/dV")
        return
    known = bool(view.didv_unit)
    factor, unit = scale_for(np.concatenate(rows), view.didv_unit) if known else (1.0, "unit not recorded")
    ends = view.one_sided
    low, high = (np.where(ends, np.nan, edge * factor) for edge in (view.group_didv_low, view.group_didv_high))
    draw_band(ax, x, low, high, series="group: band", colour=GREY, label="its group, with band")
    draw_derivative(ax, x, view.group_didv * factor, ends, series="group", look=Look(BLACK, width=0.9))
    if conductance is not None and np.isfinite(view.current_A).any():
        draw_line(ax, view.bias_V * volts, conductance * factor, series="lock-in", label="lock-in, as recorded",
                  look=Look(GREEN, style=STYLES[2], width=0.9))  # fmt: skip
    elif view.lockin is not None and conductance is None:
        peak, top = np.nanmax(np.abs(view.lockin), initial=0.0), np.nanmax(np.abs(np.concatenate(rows)))
        if peak > 0:
            draw_line(ax, view.bias_V * volts, view.lockin / peak * top * factor, series="lock-in, scaled",
                      label=f"lock-in ({view.lockin_unit or 'unit not recorded'}), scaled to the largest value",
                      look=Look(GREEN, style=STYLES[2], width=0.9))  # fmt: skip
    draw_derivative(ax, x, view.didv * factor, ends, series="this sweep", label="this sweep",
                    end_label=ENDS, look=Look(width=1.2))  # fmt: skip
    ax.set_ylabel(f"dI/dV ({unit})")
    _flagged(ax, view.places, volts, np.nan)
    legend(ax)


def _normalised(ax: Axes, view: BiasView, x: np.ndarray) -> None:
    ax.set_ylabel("(dI/dV)/(I/V)")
    trusted = view.trusted
    group, low, high, own = (
        np.where(trusted, values, np.nan)
        for values in (view.group_normalised, view.group_normalised_low, view.group_normalised_high, view.normalised)
    )
    inside = np.concatenate([group, own])
    inside = inside[np.isfinite(inside)]
    if not inside.size:
        _say(ax, "" if view.no_group else "nothing of it that could be trusted")
        return
    ends = view.one_sided
    draw_band(ax, x, np.where(ends, np.nan, low), np.where(ends, np.nan, high), series="group: band",
              colour=GREY)  # fmt: skip
    draw_derivative(ax, x, group, ends, series="group", look=Look(BLACK, width=0.9))
    draw_derivative(ax, x, own, ends, series="this sweep", look=Look(width=1.2))
    least, most = np.percentile(inside, [1, 99])
    room = 0.25 * (most - least) + 0.2
    ax.set_ylim(least - room, most + room)
    mute(ax, spans_where(x, ~trusted), label="not to be trusted: I/V too near zero")
    legend(ax)


def _behind(ax: Axes, beside: Sequence[Curve], x_factor: float, shown: Any) -> None:
    """Other sweeps of the site, thin and grey."""
    chosen, words = thin_out(np.arange(len(beside)), MOST_BESIDE)
    label = f"others of the site: {len(beside)}{words}"
    for number, curve in enumerate(beside[i] for i in chosen):
        x = curve.x * x_factor
        draw_many(ax, x, [shown(curve.current_A)], series=[f"beside: {curve.sweep}"], label=label if not number else "",
                  look=FAINT)  # fmt: skip


def _flagged(ax: Axes, places: Sequence[Place], x_factor: float, y_factor: float) -> None:
    """The flags where they sit: a line at a point, a stretch, or a size along the current."""
    named: set[str] = set()
    for place in places:
        label = f"{place.flag}" if place.flag not in named else ""
        if place.kind == "point":
            ax.axvline(place.first * x_factor, color=VERMILLION, ls=STYLES[1], lw=1.0, zorder=3.5, label=label or "_")
        elif place.kind == "span":
            ax.axvspan(place.first * x_factor, place.last * x_factor, color=VERMILLION, alpha=0.13, lw=0.6, zorder=0.8,
                       label=label or "_")  # fmt: skip
        elif place.kind == "level" and np.isfinite(y_factor):
            size = place.size * y_factor
            if ax.get_yscale() == "log":
                ax.axhline(
                    size,
                    color=VERMILLION,
                    ls=STYLES[3],
                    lw=0.9,
                    zorder=3.5,
                    label=f"{label}: one step" if label else "_",
                )
            else:
                x = ax.get_xlim()[0] + 0.03 * np.ptp(ax.get_xlim())
                ax.plot([x, x], [-size / 2, size / 2], color=VERMILLION, lw=3.0, solid_capstyle="butt", zorder=5,
                        label=f"{label}: one step" if label else "_")  # fmt: skip
        named.add(place.flag)


def _say(ax: Axes, words: str) -> None:
    ax.text(0.5, 0.5 if len(words) < 30 and "drawn" not in words else 0.9, "\n".join(textwrap.wrap(_plain(words), 64)),
            transform=ax.transAxes, ha="center", va="center", color=GREY)  # fmt: skip
