"""Figures of averaged spectra."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from matplotlib.axes import Axes

from sts.figures.marks import ENDS, Look, draw_band, draw_derivative, draw_interval, draw_line, draw_many, draw_points
from sts.figures.style import (
    BLACK,
    COLOURS,
    GREEN,
    GREY,
    MARKS,
    STYLES,
    VERMILLION,
    given_or_new,
    given_or_new_rows,
    legend,
    log_ticks,
    mute,
    rows_of,
    spans_where,
    thin_out,
)
from sts.figures.styled import styled
from sts.figures.sweeps import bias_axis
from sts.quantities import decimals_for, scale_for, with_prefix

if TYPE_CHECKING:
    from sts.spectra.spectrum import Spectrum


@styled
def plot_spectrum(spectrum: Spectrum, *, confidence: float = 0.95, ax: Axes | None = None) -> Axes:
    """dI/dV of one group: each sweep, their mean with its band, the resolution as a bar, and gap edges if found.

    Parameters
    ----------
    spectrum : Spectrum
    confidence : float
        Level of the band, for the legend.
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure if not given.
    """
    ax = given_or_new(ax)
    unit = spectrum.didv_unit or "unit not recorded"
    factor, shown = scale_for(spectrum.didv, unit) if unit == "S" else (1.0, unit)
    (volts, axis_label), ends = bias_axis(spectrum.bias), spectrum.ends
    x = spectrum.bias * volts
    drawn, words = thin_out(np.arange(len(spectrum.didv_each)))
    names = [f"sweep {spectrum.sweeps[i]}" if i < len(spectrum.sweeps) else f"sweep {i + 1}" for i in drawn]
    if len(drawn):
        draw_many(ax, x, np.where(ends, np.nan, spectrum.didv_each[drawn] * factor), series=names, label=f"each sweep{words}",
                  look=Look(colour=GREY, alpha=0.45, width=0.3))  # fmt: skip
    n = len(spectrum.sweeps)
    band = f"{confidence * 100:g} % band of the mean"
    low, high = (np.where(ends, np.nan, edge * factor) for edge in (spectrum.didv_low, spectrum.didv_high))
    draw_band(ax, x, low, high, series=band, label=band)
    mean = "mean, lock-in calibrated" if spectrum.from_lockin else "mean"
    draw_derivative(ax, x, spectrum.didv * factor, ends, series="mean", label=f"{mean}: n = {n}", end_label=ENDS)
    mute(ax, spans_where(x, ~spectrum.trusted), label="(dI/dV)/(I/V) not trusted here")
    _mark_gap(ax, spectrum, volts)
    _resolution_bar(ax, spectrum, volts)
    ax.set_xlabel(axis_label)
    ax.set_ylabel(f"dI/dV ({shown})" if unit == "S" else f"Lock-in signal ({unit})")
    legend(ax, below=True, columns=2)
    return ax


@styled
def plot_normalised(spectrum: Spectrum, *, confidence: float = 0.95, ax: Axes | None = None) -> Axes:
    """(dI/dV)/(I/V) of one group with its band where it is to be read, and the form with broadened I/V through the gap.

    Parameters
    ----------
    spectrum : Spectrum
    confidence : float
        Level of the bands, for the legend.
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure if not given.
    """
    ax = given_or_new(ax)
    volts, axis_label = bias_axis(spectrum.bias)
    x, trusted = spectrum.bias * volts, spectrum.trusted & np.isfinite(spectrum.normalised)
    beside = spectrum.broadened
    shown = [Form(spectrum.normalised, spectrum.normalised_low, spectrum.normalised_high, trusted, spectrum.ends)]
    if beside is not None and (there := beside.trusted & np.isfinite(beside.value)).any():
        shown.append(Form(beside.value, beside.low, beside.high, there, spectrum.ends))
        _draw_form(ax, x, shown[1], series="broadened", label=f"I/V broadened by {with_prefix(beside.width_V, 'V')}",
                   look=Look(colour=GREEN, style=STYLES[3]))  # fmt: skip
    _draw_form(ax, x, shown[0], series="normalised, trusted", label=f"plain I/V: n = {len(spectrum.sweeps)} sweeps",
               end_label=ENDS, band=f"{confidence * 100:g} % band{'s' if len(shown) > 1 else ''}", look=Look())  # fmt: skip
    draw_line(ax, x[[0, -1]], [1.0, 1.0], series="ohmic", label="1: ohmic, limit at V = 0",
              look=Look(colour=BLACK, style=STYLES[1], width=0.6))  # fmt: skip
    words = "plain I/V not trusted" if len(shown) > 1 else "not trusted: offsets decide"
    mute(ax, spans_where(x, ~spectrum.trusted), label=words)
    _mark_gap(ax, spectrum, volts)
    if limits := _limits(shown):
        ax.set_ylim(*limits)
    _resolution_bar(ax, spectrum, volts)
    ax.set_xlabel(axis_label)
    ax.set_ylabel("(dI/dV)/(I/V), no unit")
    legend(ax, below=True, columns=2)
    return ax


class Form(NamedTuple):  # of the quotient, with its band; where it is to be read, and where fitted from one side
    value: np.ndarray
    low: np.ndarray
    high: np.ndarray
    read: np.ndarray
    one_sided: np.ndarray


def _draw_form(
    ax: Axes, x: np.ndarray, form: Form, *, series: str, label: str, look: Look, band: str = "", end_label: str = ""
) -> None:
    """A line with its band where it is to be read; dotted and without a band where dI/dV is fitted from one side."""
    value = np.where(form.read, form.value, np.nan)
    low, high = (np.where(form.read & ~form.one_sided, end, np.nan) for end in (form.low, form.high))
    draw_band(ax, x, low, high, series=f"band of {series}", colour=look.colour, label=band)
    draw_derivative(ax, x, value, form.one_sided, series=series, label=label, end_label=end_label, look=look)


def _limits(shown: Sequence[Form]) -> tuple[float, float] | None:
    """Of the axis: all that is to be read with its bands, 0 and 1; bands without bounds do not flatten it."""
    ends = np.concatenate([*(part[form.read] for form in shown for part in form[:3]), [0.0, 1.0]])
    ends = ends[np.isfinite(ends)]
    values = np.concatenate([form.value[form.read] for form in shown])
    if not np.isfinite(values).any():
        return None
    top = min(float(ends.max()), 3 * max(float(np.nanmax(values)), 1.0 / 3))
    bottom = max(float(ends.min()), -0.5 * top)
    return bottom - 0.05 * (top - bottom), top + 0.1 * (top - bottom)


def modulation_unknown(spectrum: Spectrum) -> bool:
    """Whether this is a lock-in signal (not smoothed) of unknown modulation: its resolution is a lower bound.

    Parameters
    ----------
    spectrum : Spectrum
    """
    parts = spectrum.resolution
    return not (np.isfinite(parts.smoothing_V) or np.isfinite(parts.modulation_V))


def _resolution_bar(ax: Axes, spectrum: Spectrum, volts: float) -> None:
    width = spectrum.resolution.total_V
    if not (np.isfinite(width) and width > 0):
        return
    x = (spectrum.bias[0] + 0.03 * np.ptp(spectrum.bias)) * volts
    transform = ax.get_xaxis_transform()
    ax.plot([x, x + width * volts], [0.93, 0.93], transform=transform, color=BLACK, lw=1.4, marker="|", ms=4, zorder=7)
    ax.text(
        x,
        0.95,
        f"resolution {'≥ ' if modulation_unknown(spectrum) else ''}{with_prefix(width, 'eV')}",
        transform=transform,
        fontsize=6,
        va="bottom",
        zorder=7,
        bbox={"facecolor": "white", "alpha": 0.8, "linewidth": 0, "pad": 0.5},
    )


def _mark_gap(ax: Axes, spectrum: Spectrum, volts: float) -> None:
    if spectrum.gaps is None:
        return
    for i, row in enumerate(rows_of(spectrum.gaps)):
        edges = [edge for edge in (row.lower_edge_V, row.upper_edge_V) if np.isfinite(edge)]
        for j, edge in enumerate(edges):
            ax.axvline(edge * volts, color=VERMILLION, lw=0.7, ls=STYLES[(i + 1) % len(STYLES)], zorder=2.5,
                       label=f"edges, {str(row.gap_method).split(',')[0]}" if j == 0 else "_")  # fmt: skip


@styled
def plot_smoothing_criterion(spectrum: Spectrum, *, ax: Axes | None = None) -> Axes:
    """How well the other sweeps predict the one left out, against the width of smoothing; the choice is marked.

    Parameters
    ----------
    spectrum : Spectrum
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure if not given.

    Raises
    ------
    ValueError
        If no strength was chosen from repeats (too few sweeps, or a fixed width).
    """
    table = spectrum.criterion
    if table is None or not len(table):
        raise ValueError("The smoothing of this spectrum was not chosen from repeats; there is no criterion to draw.")
    ax = given_or_new(ax)
    factor, unit = scale_for(table["width_V"], "eV")
    width, score = table["width_V"].to_numpy(float) * factor, table["score"].to_numpy(float)
    score = score / np.nanmin(score)
    order = np.argsort(width)
    draw_line(
        ax, width[order], score[order], series="criterion", label=f"leave one sweep out, n = {len(spectrum.sweeps)}"
    )
    draw_points(ax, width, score, series="widths tried", look=Look(size=2.5))
    chosen = table["chosen"].to_numpy(bool)
    draw_points(ax, width[chosen], score[chosen], series="chosen",
                label=f"chosen: {width[chosen][0]:.3g} {unit}" if chosen.any() else "",
                look=Look(colour=VERMILLION, mark="D", size=5))  # fmt: skip
    if (width > 0).all() and width.max() > 8 * width.min():
        ax.set_xscale("log")
        log_ticks(ax.xaxis)
    if np.nanmax(score) > 10:
        ax.set_yscale("log")
        log_ticks(ax.yaxis)
    ax.set_xlabel(f"Energy width of the smoothing ({unit})")
    ax.set_ylabel("Error of prediction / least error")
    legend(ax)
    return ax


@styled
def plot_direction_difference(spectrum: Spectrum, *, ax: Axes | None = None) -> Axes:
    """Half the difference between upward and downward sweeps, with the model that names its causes.

    Parameters
    ----------
    spectrum : Spectrum
    ax : matplotlib.axes.Axes, optional
        Where to draw; a new figure if not given.

    Raises
    ------
    ValueError
        If the spectrum has not both directions.
    """
    if spectrum.half_difference is None:
        raise ValueError("This spectrum has no pair of upward and downward sweeps; there is no difference to draw.")
    ax = given_or_new(ax)
    factor, unit = scale_for(spectrum.half_difference, "A")
    volts, axis_label = bias_axis(spectrum.bias)
    x = spectrum.bias * volts
    draw_points(ax, x, spectrum.half_difference * factor, series="half difference",
                label=f"(up − down)/2, n = {len(spectrum.sweeps)} sweeps",
                look=Look(colour=GREY, mark=".", size=3))  # fmt: skip
    if spectrum.half_difference_fit is not None:
        parts = [
            f"{word} {_rounded(spectrum.directions[key], spectrum.directions.get(f'{key}_se', np.nan), unit_)}"
            for key, word, unit_ in (
                ("displacement_fF", "displacement", "fF"), ("lag_ms", "lag", "ms"), ("drift_per_s", "drift", "1/s"),
            )
            if np.isfinite(spectrum.directions.get(key, np.nan))
        ]  # fmt: skip
        draw_line(ax, x, spectrum.half_difference_fit * factor, series="model",
                  label="model: " + (",\n".join(parts) or "sizes unknown without the duration"))  # fmt: skip
    ax.axhline(0, color=BLACK, lw=0.5)
    ax.set_xlabel(axis_label)
    ax.set_ylabel(f"Half difference of current ({unit})")
    legend(ax)
    return ax


def _rounded(value: float, se: float, unit: str) -> str:
    """To the digits and the prefix that the caption has; to three digits where the uncertainty is unknown."""
    factor, unit = scale_for([value, se], unit) if unit != "1/s" else (1.0, unit)
    value, se = value * factor, se * factor
    number = f"{value:.{decimals_for(se)}f}" if np.isfinite(se) else f"{value:.3g}"
    return f"{number} {unit}".replace("-", "−")


@styled
def plot_setpoint_series(
    spectra: Sequence[Spectrum], *, confidence: float = 0.95, axes: Sequence[Axes] | None = None
) -> list[Axes]:
    """Spectra of one sample at several set-points: the curves above, what each gives for the gap below.

    Parameters
    ----------
    spectra : sequence of Spectrum
        In one sample; told apart by their labels.
    confidence : float
        Level of the bands, for the legend.
    axes : sequence of one or two matplotlib.axes.Axes, optional
        For the curves, and for the gaps where one was found.
    """
    methods = _gaps_by_method(spectra)
    upper, *lower = given_or_new_rows(axes, (2.0, 1.0) if methods else (1.0,), height_in=4.0, share=False)
    names = short_labels(spectra)
    volts, axis_label = bias_axis(np.concatenate([s.bias for s in spectra]))
    for i, spectrum in enumerate(spectra):
        label = f"{names[i]}: n = {len(spectrum.sweeps)}"
        shown = spectrum.trusted & ~spectrum.ends  # dotted ends of several curves would only confuse
        values = np.where(shown, spectrum.normalised, np.nan)
        colour = COLOURS[i % len(COLOURS)]
        draw_band(upper, spectrum.bias * volts, np.where(shown, spectrum.normalised_low, np.nan),
                  np.where(shown, spectrum.normalised_high, np.nan), series=f"{names[i]}: band",
                  colour=colour, alpha=0.15, label=f"{confidence * 100:g} % bands" if i == 0 else "")  # fmt: skip
        draw_line(upper, spectrum.bias * volts, values, series=names[i], label=label,
                  look=Look(colour=colour, style=STYLES[i % len(STYLES)]))  # fmt: skip
    tops = [np.nanmax(s.normalised[s.trusted]) for s in spectra if np.isfinite(s.normalised[s.trusted]).any()]
    if tops:
        upper.set_ylim(-0.05 * max(tops), 1.15 * max(tops))
    upper.set_xlim(min(s.bias[0] for s in spectra) * volts, max(s.bias[-1] for s in spectra) * volts)
    upper.set_xlabel(axis_label)
    upper.set_ylabel("(dI/dV)/(I/V), no unit")
    legend(upper)
    if methods and lower:
        _draw_gaps(lower[0], methods, names)
    return [upper, *lower]


def _gaps_by_method(spectra: Sequence[Spectrum]) -> dict[str, list[tuple[int, float, float, float]]]:
    """(number of the spectrum, gap, lower and upper end of its interval [meV]) of every gap found, by method."""
    methods: dict[str, list[tuple[int, float, float, float]]] = {}
    for i, spectrum in enumerate(spectra):
        for row in rows_of(spectrum.gaps) if spectrum.gaps is not None else ():
            if np.isfinite(row.gap_meV):
                methods.setdefault(str(row.gap_method), []).append((i, row.gap_meV, row.gap_low_meV, row.gap_high_meV))
    return methods


def _draw_gaps(ax: Axes, methods: dict[str, list[tuple[int, float, float, float]]], names: Sequence[str]) -> None:
    factor, unit = scale_for([gap for points in methods.values() for _, gap, _, _ in points], "meV")
    for j, (method, points) in enumerate(methods.items()):
        where, *gap = np.array(points).T * [[1], [factor], [factor], [factor]]
        draw_interval(ax, gap[0], where + 0.18 * j - 0.09 * (len(methods) - 1), (gap[1], gap[2]),
                      series=method, label=f"{method}, 95 %", lying=True,
                      look=Look(colour=COLOURS[j % len(COLOURS)], mark=MARKS[j % len(MARKS)], size=4))  # fmt: skip
    ax.set_yticks(range(len(names)), names)
    ax.set_ylim(len(names) - 0.4, -0.6)
    ax.set_xlabel(f"Gap ({unit})")
    ax.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), borderaxespad=0.0)


def short_labels(spectra: Sequence[Spectrum]) -> list[str]:
    """Labels without what is common to all.

    Parameters
    ----------
    spectra : sequence of Spectrum
        At least one.
    """
    different = [k for k in spectra[0].keys if len({str(s.keys.get(k)) for s in spectra}) > 1]
    if not different:
        return [f"{i}: {s.label}" for i, s in enumerate(spectra, 1)]
    return [replace(s, keys={k: s.keys.get(k, "") for k in different}).label for s in spectra]
