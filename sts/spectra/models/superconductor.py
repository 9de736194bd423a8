"""The superconducting gap: fit of a broadened quasiparticle density, and what BCS theory says of its temperature."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import interpolate

from sts.curves.smoothing import Smoother
from sts.quantities import BOLTZMANN_EV, with_prefix
from sts.showing import Shown
from sts.spectra.models.dip import FEWEST_POINTS, LEAST_DEPTH, why_not_tried
from sts.spectra.models.fitting import LineFit, Measured, Start, Values, fit_line, refused
from sts.spectra.models.model import Model, Parameter
from sts.spectra.resolution import modulation_kernel, thermal_kernel

Array = NDArray[np.float64]

SMALL_MISFIT = 0.01  # of the normal conductance: a misfit that noise does not explain, but that changes nothing either
WIDEST_BROADENING = 0.7  # of the gap; a poor fit with more than this fits any dip (common practice, no source)


@dataclass(frozen=True, eq=False, repr=False)
class SuperconductingGap(Shown):
    """Fit of Δ, Γ (and T); look at `verdict` before quoting anything.

    Attributes
    ----------
    gap_meV, broadening_meV, temperature_K, offset_mV : float
        Δ, Γ, T and the zero of the bias.
    gap_se_meV, broadening_se_meV, temperature_se_K : float
        Their standard uncertainties; 0 where the temperature was fixed.
    correlation, reduced_chi2, run_test_p : float
        Of gap and broadening (or of broadening and temperature, if free); about 1 where the model holds; small where the
        residuals come in waves.
    verdict : str
        "good", "poor: ..." or "refused: ...".
    fitted : numpy.ndarray
        (n,) in the unit of the data; NaN where refused.
    """

    gap_meV: float
    gap_se_meV: float
    broadening_meV: float
    broadening_se_meV: float
    temperature_K: float
    temperature_se_K: float
    offset_mV: float
    correlation: float
    reduced_chi2: float
    run_test_p: float
    verdict: str
    fitted: Array


def dynes_density(energy_eV: Any, gap_eV: float, broadening_eV: float) -> Array:
    """Quasiparticle density of states relative to the normal one, any shape.

    |Re[(E - iΓ)/√((E - iΓ)² - Δ²)]|; R. C. Dynes, V. Narayanamurti, J. P. Garno, Phys. Rev. Lett. 41, 1509 (1978).

    Parameters
    ----------
    energy_eV : array_like, any shape
        Energy from the Fermi level [eV].
    gap_eV, broadening_eV : float
        Δ and Γ [eV].
    """
    shifted = np.abs(np.asarray(energy_eV, float)) - 1j * max(broadening_eV, 1e-12)
    return np.asarray(np.abs(np.real(shifted / np.sqrt(shifted**2 - gap_eV**2))))


def superconducting_conductance(
    bias: Any,
    gap_eV: float,
    broadening_eV: float,
    *,
    temperature_K: float,
    modulation_rms_V: float = 0.0,
    smoother: Smoother | None = None,
) -> Array:
    """dI/dV of a normal tip on a superconductor over its normal conductance, shape of `bias`.

    Parameters
    ----------
    bias : array_like
        [V].
    gap_eV, broadening_eV : float
        Δ and Γ [eV].
    temperature_K : float
    modulation_rms_V : float
        Of the lock-in [V].
    smoother : Smoother, optional
        What dI/dV was made with from the current, on the axis `bias` (or one shifted against it): the line shape then
        goes through the very same operator.

    Notes
    -----
    Convolution of the density of states with -df/dE and the broadening of the modulation. The density is
    singular at Δ, its integrals are not: second differences of the second integral give each node of a uniform grid
    the mass around it with the right centre, and those are convolved by FFT. Nodes are a fiftieth of kT apart; the
    error is below 1e-4 of the value.
    """
    from scipy import signal  # slow to import, and wanted only where something is fitted

    v = np.asarray(bias, float)
    kT = BOLTZMANN_EV * temperature_K
    cell = max(kT / 50, float(np.max(np.abs(v))) / 8000)
    half = 24 * kT + 1.5 * modulation_rms_V
    count = int(np.ceil((float(np.max(np.abs(v))) + 2 * half) / cell))
    one_side = dynes_second_integral(cell * np.arange(count + 2), gap_eV, broadening_eV)
    density = np.diff(np.concatenate([one_side[:0:-1], one_side]), n=2) / cell**2
    energy = cell * np.arange(-count, count + 1)
    kernel = _kernel(cell, int(np.ceil(half / cell)), temperature_K, modulation_rms_V)
    broad = signal.fftconvolve(density, kernel, mode="same")
    inside = np.abs(energy) <= float(np.max(np.abs(v))) + 3 * cell
    conductance = interpolate.CubicSpline(energy[inside], broad[inside])
    if smoother is None:
        return np.asarray(conductance(v))
    return smoother.differentiate(conductance.antiderivative()(v))


def dynes_second_integral(energy_eV: Any, gap_eV: float, broadening_eV: float) -> Array:
    """Function whose second derivative is `dynes_density` [eV²], any shape; even.

    Re ½[z√(z² - Δ²) - Δ² ln(z + √(z² - Δ²))], z = |E| - iΓ; the first derivative is Re √(z² - Δ²), whose value at E = 0 is
    taken off, so that both sides join smoothly.

    Parameters
    ----------
    energy_eV, gap_eV, broadening_eV
        As for `dynes_density` [eV].
    """
    energy = np.abs(np.asarray(energy_eV, float))
    z = energy - 1j * max(broadening_eV, 1e-12)
    root = np.sqrt(z - gap_eV) * np.sqrt(z + gap_eV)  # the branch that grows as E
    at_zero = -1j * max(broadening_eV, 1e-12)
    slope = np.real(np.sqrt(at_zero - gap_eV) * np.sqrt(at_zero + gap_eV))
    return np.asarray(np.real(z * root - gap_eV**2 * np.log(z + root)) / 2 - slope * energy)


@lru_cache(maxsize=4)  # a fit asks for it hundreds of times
def _kernel(cell: float, count: int, temperature_K: float, modulation_rms_V: float) -> Array:
    """Thermal and modulation broadening as one kernel, `count` nodes of a grid to either side, its sum 1."""
    from scipy import signal

    x = cell * np.arange(-count, count + 1)
    peak = np.sqrt(2) * modulation_rms_V
    kernel = thermal_kernel(x, temperature_K)
    if peak > 0:
        half_circle = modulation_kernel(x, peak)
        kernel = signal.fftconvolve(kernel, half_circle / half_circle.sum(), mode="same")
    return np.asarray(kernel / kernel.sum())


def fit_superconducting_gap(
    bias: Any,
    didv: Any,
    didv_se: Any,
    *,
    temperature_K: float,
    modulation_rms_V: float = float("nan"),
    smoother: Smoother | None = None,
    covariance: Any = None,
    fit_temperature: bool = False,
) -> SuperconductingGap:
    """Fit dI/dV of a normal tip on a superconductor.

    Parameters
    ----------
    bias : array_like, shape (n,)
        Ascending [V].
    didv, didv_se : array_like, shape (n,)
        In any unit; the normal conductance (and its slope) is fitted.
    temperature_K : float
        Of the junction; T and Γ trade off, so fix it from a known sample where you can.
    modulation_rms_V : float
        Of the lock-in, where it was on [V]; NaN is none.
    smoother : Smoother, optional
        What `didv` was made with from the current, on the axis `bias`; the model goes through it too.
    covariance : array_like, shape (n, n), optional
        Of `didv`, from the scatter between sweeps. Smoothing and slow noise tie neighbouring points together; with it the
        uncertainties count that as it is.
    fit_temperature : bool
        Let the temperature be found; the correlation with Γ is then reported.

    Returns
    -------
    SuperconductingGap
        With ``"refused"`` where there is no such gap (dI/dV falls by less than a quarter, has no shoulders, or is met only
        badly and with a broadening as wide as the gap) or the temperature is not known, and ``"poor"`` where the model
        misses the data.

    Raises
    ------
    ValueError
        If smoother or covariance are not on the axis `bias`.

    Notes
    -----
    Δ, Γ, offset of bias, normal conductance and a linear background by `sts.spectra.models.fitting.fit_line`, from two
    starts, on the line shape of `superconducting_conductance`.

    Examples
    --------
    >>> import numpy as np
    >>> import sts
    >>> from sts.spectra.models.superconductor import superconducting_conductance
    >>> bias = np.linspace(-6e-3, 6e-3, 241)
    >>> didv = superconducting_conductance(bias, 1.35e-3, 5e-5, temperature_K=1.8)
    >>> fit = sts.fit_superconducting_gap(bias, didv, np.full(241, 0.01), temperature_K=1.8)
    >>> fit.verdict, round(fit.gap_meV, 3), round(fit.broadening_meV, 3)
    ('good', 1.35, 0.05)
    """
    measured = Measured(bias, didv, didv_se, temperature_K, modulation_rms_V, smoother, covariance)
    fit = fit_gap(measured, fit_temperature=fit_temperature)
    value, error, correlation = fit.values, fit.errors, float("nan")
    if value:
        free = list(error)
        pair = free.index("broadening"), free.index("temperature" if fit_temperature else "gap")
        correlation = float(fit.correlation[pair])
    unknown = float("nan")
    return SuperconductingGap(
        gap_meV=value.get("gap", unknown) * 1e3,
        gap_se_meV=error.get("gap", unknown) * 1e3,
        broadening_meV=value.get("broadening", unknown) * 1e3,
        broadening_se_meV=error.get("broadening", unknown) * 1e3,
        temperature_K=value.get("temperature", unknown),
        temperature_se_K=error.get("temperature", 0.0 if value else unknown),
        offset_mV=value.get("offset", unknown) * 1e3,
        correlation=correlation,
        reduced_chi2=fit.reduced_chi2,
        run_test_p=fit.run_test_p,
        verdict=fit.verdict,
        fitted=fit.fitted,
    )


def fit_gap(measured: Measured, *, fit_temperature: bool = False) -> LineFit:
    """Fit a broadened superconducting gap; see `fit_superconducting_gap`.

    Parameters
    ----------
    measured : Measured
        At least 12 usable points.
    fit_temperature : bool

    Returns
    -------
    LineFit
        `values`: gap, broadening [eV], temperature [K], offset [V], level, slope.
    """
    temperature = measured.temperature_K
    why = measured.refusal(FEWEST_POINTS) if temperature > 0 else "the temperature is not recorded"
    if why:
        return refused(why, measured)
    v, g, _ = measured.points
    outside, why = _normal_level(v, g)
    if why:
        return refused(why, measured)
    bias, reach = measured.bias, float(np.max(np.abs(measured.bias)))

    @lru_cache(maxsize=8)  # level and slope are tried beside the same shape
    def shape(offset: float, gap: float, broadening: float, temperature_K: float) -> Array:
        return superconducting_conductance(
            bias - offset, gap, broadening, temperature_K=temperature_K,
            modulation_rms_V=measured.modulation_rms_V, smoother=measured.smoother,
        )  # fmt: skip

    def line(p: Values) -> Array:
        found = shape(p["offset"], p["gap"], p["broadening"], p["temperature"])
        return np.asarray(p["level"] * found * (1 + p["slope"] * bias / reach))

    starts = _starts(v, g, outside, temperature, fit_temperature)
    fit = fit_line(measured, line, starts, steps=lambda p: {"slope": 1.0, "offset": p["gap"]}, height=outside)
    gap, broadening = fit.values["gap"], fit.values["broadening"]
    if fit.verdict == "good":
        return fit
    if fit.misfit < SMALL_MISFIT:
        words = f"good: within {100 * fit.misfit:.1g} % of the normal conductance, though by more than its noise"
        return replace(fit, verdict=words)
    if broadening > WIDEST_BROADENING * gap:
        return refused(
            f"no superconducting gap: the best fit misses dI/dV by {100 * fit.misfit:.0f} % of the normal conductance, with "
            f"a broadening of {with_prefix(1e3 * broadening, 'meV')} on a gap of {with_prefix(1e3 * gap, 'meV')}", measured
        )  # fmt: skip
    return fit


def _normal_level(v: Array, g: Array) -> tuple[float, str]:
    """dI/dV outside the gap, and why there is no gap to fit ("" if there may be)."""
    edge = max(3, v.size // 10)
    outside = float(np.median(np.r_[g[:edge], g[-edge:]]))
    inner = np.abs(v) < 0.25 * max(abs(v[0]), abs(v[-1]))
    two_sided = bool(inner.any() and v[0] < 0 < v[-1] and outside > 0)
    depth = 1 - float(np.min(g[inner])) / outside if two_sided else 0.0
    shoulder = max(float(g[v < 0].max()), float(g[v > 0].max())) / outside if two_sided else 0.0
    if depth < LEAST_DEPTH:
        return outside, f"dI/dV falls by {100 * depth:.0f} % around zero bias; a gap needs {100 * LEAST_DEPTH:.0f} %"
    if shoulder < 1.02 and depth < 0.6:
        return outside, "no coherence peaks beside a shallow dip: not a superconducting gap"
    return outside, ""


def _starts(v: Array, g: Array, outside: float, temperature_K: float, fit_temperature: bool) -> list[Start]:
    """Two sets of parameters to begin with: the gap near the coherence peaks, and well inside them."""
    reach = float(np.max(np.abs(v)))
    peak = float(np.abs(v[np.argmax(np.where(np.abs(v) < 0.8 * reach, g, -np.inf))]))
    warm = (0.1 * temperature_K, 10 * temperature_K) if fit_temperature else (temperature_K, temperature_K)
    return [
        {
            "gap": (gap, 1e-3 * peak, reach),
            "broadening": (0.05 * gap, 1e-4 * gap, reach),
            "temperature": (temperature_K, *warm),
            "offset": (0.0, -0.3 * reach, 0.3 * reach),
            "level": (outside, 0.0, np.inf),
            "slope": (0.0, -1.0, 1.0),
        }
        for gap in (max(peak - BOLTZMANN_EV * temperature_K, 0.3 * peak), 0.6 * peak)
    ]


SUPERCONDUCTOR = Model(
    key="superconductor",
    title="Superconducting gap",
    stem="superconducting",
    cites="Dynes1978",
    parameters=(
        Parameter("gap", "Δ", "meV", 1e3, "half the superconducting gap"),
        Parameter("broadening", "Γ", "meV", 1e3, "broadening of its density of states (lifetime)"),
        Parameter("temperature", "T", "K", 1.0, "temperature that the fit found, where it was let"),
        Parameter("offset", "V0", "mV", 1e3, "bias about which the gap is symmetric"),
    ),
    fit=fit_gap,
    options=("fit_temperature",),
    why_not=why_not_tried,
)
