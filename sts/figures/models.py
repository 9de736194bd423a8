"""Figures of models fitted to spectra."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes

from sts.figures.marks import ENDS, Look, draw_band, draw_line, draw_points
from sts.figures.style import BLACK, BLUE, GREY, STYLES, VERMILLION, given_or_new_rows, legend
from sts.figures.styled import styled
from sts.figures.sweeps import bias_axis
from sts.quantities import scale_for

if TYPE_CHECKING:
    from sts.spectra.models import Model
    from sts.spectra.spectrum import Spectrum


@styled
def plot_model_fit(spectrum: Spectrum, model: Model, *, axes: Sequence[Axes] | None = None) -> list[Axes]:
    """The mean dI/dV with a model fitted to it, and the residuals below in standard uncertainties.

    Parameters
    ----------
    spectrum : Spectrum
    model : Model
        One of `sts.spectra.models.MODELS`.
    axes : sequence of two matplotlib.axes.Axes, optional
        For the curves and for the residuals.

    Raises
    ------
    ValueError
        If the model was not fitted to this spectrum.
    """
    if model.key not in spectrum.fits:
        raise ValueError(
            f"{model.title} was not fitted to {spectrum.label}; set features.{model.key} = true in the plan."
        )
    fit = spectrum.fits[model.key]
    upper, lower = given_or_new_rows(axes, (2.5, 1.0), height_in=3.6)
    unit = spectrum.didv_unit or "unit not recorded"
    factor, shown = scale_for(spectrum.didv, unit) if unit == "S" else (1.0, unit)
    volts, label = bias_axis(spectrum.bias)
    x, y, u = spectrum.bias * volts, spectrum.didv * factor, spectrum.didv_se * factor
    ends = spectrum.ends
    low, high = (np.where(ends, np.nan, y + k * u) for k in (-2, 2))
    draw_band(upper, x, low, high, series="mean, ±2 u", colour=GREY, label="mean ± 2 u")
    draw_points(upper, x[~ends], y[~ends], series="mean", label=f"mean: n = {len(spectrum.sweeps)}",
                look=Look(mark=".", size=2.5))  # fmt: skip
    if ends.any():
        draw_points(upper, x[ends], y[ends], series="mean, one side only", label=ENDS,
                    look=Look(mark=".", size=2.5, colour=GREY))  # fmt: skip
    drawn = np.isfinite(fit.fitted).any()
    draw_line(upper, x, fit.fitted * factor, series="model",
              label=model.title if drawn else "no fit (see the verdict)", look=Look(colour=VERMILLION))  # fmt: skip
    upper.set_ylabel(f"dI/dV ({shown})" if unit == "S" else f"Lock-in signal ({unit})")
    legend(upper)
    draw_points(lower, x, fit.residual, series="residual", look=Look(mark=".", size=2.5))
    draw_line(lower, x[[0, -1]], np.zeros(2), series="zero", look=Look(colour=BLACK, width=0.5))
    for level in (-2.0, 2.0):
        draw_line(lower, x[[0, -1]], np.full(2, level), series=f"{level:g} standard uncertainties",
                  look=Look(colour=GREY, style=STYLES[1], width=0.5))  # fmt: skip
    lower.set_xlabel(label)
    lower.set_ylabel("Residual / u")
    return [upper, lower]


@styled
def plot_lockin(spectrum: Spectrum, *, axes: Sequence[Axes] | None = None) -> list[Axes]:
    """The lock-in channel beside the numerical dI/dV of the same sweeps, and their difference below.

    Parameters
    ----------
    spectrum : Spectrum
    axes : sequence of two matplotlib.axes.Axes, optional
        For the curves and for the difference.

    Raises
    ------
    ValueError
        If there was no lock-in channel beside a current.
    """
    found = spectrum.lockin
    if found is None or found.curve is None:
        raise ValueError(f"{spectrum.label} has no lock-in channel beside its current; there is nothing to compare.")
    upper, lower = given_or_new_rows(axes, (2.5, 1.0), height_in=3.6)
    didv, error = (spectrum.didv, spectrum.didv_se) if found.didv is None else (found.didv, found.didv_se)
    factor, shown = scale_for(didv, "S")
    volts, label = bias_axis(spectrum.bias)
    x, y, u = spectrum.bias * volts, didv * factor, error * factor
    same = found.unit == "S"  # else the channel has no scale of its own: drawn over its gain
    curve = (found.curve if same else (found.curve - found.intercept) / found.gain) * factor
    draw_band(upper, x, y - 2 * u, y + 2 * u, series="numerical, ±2 u", colour=BLUE, label="± 2 u")
    draw_line(upper, x, y, series="numerical", label="numerical dI/dV")
    draw_line(upper, x, curve, series="lock-in", label=f"lock-in, {found.sweeps} sweeps" if same else "lock-in, scaled",
              look=Look(colour=VERMILLION, style=STYLES[1]))  # fmt: skip
    upper.set_ylabel(f"dI/dV ({shown})")
    legend(upper)
    draw_band(lower, x, -2 * u, 2 * u, series="±2 u", colour=BLUE)
    draw_line(lower, x, curve - y, series="difference", look=Look(colour=VERMILLION))
    draw_line(lower, x[[0, -1]], np.zeros(2), series="zero", look=Look(colour=BLACK, width=0.5))
    lower.set_xlabel(label)
    lower.set_ylabel(f"Difference ({shown})")
    return [upper, lower]
