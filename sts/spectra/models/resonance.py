"""Fano resonances and inelastic steps fitted with their broadening inside; poor fits are called poor."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import lmfit
import numpy as np
from numpy.typing import NDArray
from scipy import interpolate, signal

from sts.quantities import BOLTZMANN_EV
from sts.spectra.models.goodness_of_fit import verdict
from sts.spectra.models.lineshapes import fano, inelastic_step
from sts.spectra.resolution import modulation_kernel, thermal_kernel

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class LineFit:
    """Parameters with standard uncertainties of a fitted line; look at `verdict` before quoting."""

    values: dict[str, float]
    errors: dict[str, float]
    reduced_chi2: float
    run_test_p: float
    verdict: str
    fitted: Array


def fit_fano(
    bias: Any, didv: Any, didv_se: Any, *, temperature_K: float, modulation_rms_V: float = 0.0, centre_V: float = 0.0,
    width_V: float | None = None,
) -> LineFit:  # fmt: skip
    """Fit a Fano resonance, broadened by temperature and modulation.

    Parameters
    ----------
    bias, didv, didv_se : array_like, shape (n,)
        [V], any unit.
    temperature_K, modulation_rms_V : float
    centre_V, width_V : float
        Where to start; a sixth of the range for the width if not given.

    Returns
    -------
    LineFit
        `values`: centre_V, width_V (Γ, full width), q, amplitude, background.

    Raises
    ------
    ValueError
        If fewer than 10 points are usable.
    """
    v, g, s = _usable(bias, didv, didv_se)
    start = width_V or np.ptp(v) / 6
    p = lmfit.Parameters()
    p.add("centre_V", value=centre_V, min=v[0], max=v[-1])
    p.add("width_V", value=start, min=start * 1e-2, max=2 * np.ptp(v))
    p.add("q", value=float(np.sign(g[-1] - g[0]) or 1) * 0.5, min=-50, max=50)
    p.add("amplitude", value=float(np.ptp(g)), min=0)
    p.add("background", value=float(g.min()))

    def shape(x: Array, q: Any) -> Array:
        return fano(x, *(q[k].value for k in ("centre_V", "width_V", "q", "amplitude", "background")))

    return _fit(v, g, s, p, shape, temperature_K, modulation_rms_V)


def fit_inelastic_step(
    bias: Any,
    didv: Any,
    didv_se: Any,
    *,
    temperature_K: float,
    modulation_rms_V: float = 0.0,
    energy_V: float | None = None,
) -> LineFit:
    """Fit a pair of inelastic steps at ±energy in dI/dV; temperature is in the line shape.

    Returns
    -------
    LineFit
        `values`: energy_eV, size, background, asymmetry, slope (linear background per volt).

    Raises
    ------
    ValueError
        If fewer than 10 points are usable.
    """
    v, g, s = _usable(bias, didv, didv_se)
    reach = float(np.max(np.abs(v)))
    p = lmfit.Parameters()
    p.add("energy_eV", value=energy_V or 0.5 * reach, min=0.02 * reach, max=reach)
    p.add("size", value=float(np.ptp(g)) / 2)
    p.add("background", value=float(g.min()))
    p.add("asymmetry", value=0.0, min=-1, max=1)
    p.add("slope", value=0.0)

    def shape(x: Array, q: Any) -> Array:
        steps = (
            inelastic_step(
                x, q["energy_eV"].value, q["size"].value, q["background"].value, temperature_K=temperature_K,
                asymmetry=q["asymmetry"].value,
            )
            + q["slope"].value * x
        )  # fmt: skip
        return np.asarray(steps)

    return _fit(v, g, s, p, shape, 0.0, modulation_rms_V)


def _usable(*columns: Any) -> tuple[Array, Array, Array]:
    v, g, s = (np.asarray(c, float) for c in columns)
    good = np.isfinite(v) & np.isfinite(g) & (s > 0)
    if good.sum() < 10:
        raise ValueError(f"{good.sum()} points are usable; a line fit needs at least 10 with a positive uncertainty.")
    return v[good], g[good], s[good]


def _fit(
    v: Array,
    g: Array,
    s: Array,
    p: lmfit.Parameters,
    shape: Callable[[Array, Any], Array],
    temperature_K: float,
    rms_V: float,
) -> LineFit:
    grid, kernel = _broadening(v, temperature_K, rms_V)

    def model(q: Any) -> Array:
        if kernel is None:
            return np.asarray(shape(v, q))
        return np.asarray(interpolate.CubicSpline(grid, signal.fftconvolve(shape(grid, q), kernel, mode="same"))(v))

    found = lmfit.minimize(lambda q: (g - model(q)) / s, p, method="leastsq")
    fitted = model(found.params)
    size = float(np.ptp(g)) or 1.0
    words, chi2, p_run = verdict(
        (g - fitted) / s, found.nvarys, independent=1.0, scale=float(np.max(np.abs(g - fitted))) / size
    )
    values = {k: q.value for k, q in found.params.items()}
    scale = 1.0 if chi2 > 1 else 1 / np.sqrt(max(chi2, 1e-12))  # lmfit scales with chi²; never below the stated noise
    errors = {k: (q.stderr if q.stderr is not None else float("nan")) * scale for k, q in found.params.items()}
    if stuck := [k for k, q in found.params.items() if np.isclose(q.value, [q.min, q.max], rtol=1e-3, atol=0).any()]:
        words = f"poor: {', '.join(stuck)} at the end of what was allowed: the data do not hold it"
        errors = dict.fromkeys(errors, float("nan"))
    return LineFit(values, errors, chi2, p_run, words, fitted)


def _broadening(v: Array, temperature_K: float, rms_V: float) -> tuple[Array, Array | None]:
    """A grid that reaches beyond the data, and the kernel of temperature and modulation on it."""
    kT, peak = BOLTZMANN_EV * temperature_K, np.sqrt(2) * rms_V
    if kT == 0 and peak == 0:
        return v, None
    narrow = min(x for x in (3.5 * kT, 1.7 * peak) if x > 0)
    step = max(min(narrow / 20, float(np.median(np.diff(v)))), np.ptp(v) / 20000)
    half = 24 * kT + peak + step
    k = np.arange(-int(np.ceil(half / step)), int(np.ceil(half / step)) + 1) * step
    kernel = thermal_kernel(k, temperature_K) if kT > 0 else np.where(k == 0, 1.0, 0.0)
    if peak > 0:
        m = modulation_kernel(k, peak)
        kernel = np.convolve(kernel, m / m.sum(), mode="same")
    # Twice the kernel on both sides, so that the zeros beyond the grid do not reach the data.
    grid = np.arange(v[0] - 2 * half, v[-1] + 2 * half + step, step)
    return grid, kernel / kernel.sum()
