"""The energy resolution of dI/dV: the width at half height of all broadenings together.

Widths do not add in quadrature: the kernels are not Gaussian, and the quadratic sum is up to 12 % too large.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.fft import next_fast_len

from sts.curves.crossings import full_width
from sts.quantities import BOLTZMANN_EV, thermal_width
from sts.spectra.spectrum import Resolution

Array = NDArray[np.float64]

FIRST_HARMONIC_WIDTH = np.sqrt(3.0)  # of the modulation kernel, in units of the peak amplitude
POINTS_A_WIDTH = 60  # grid points over the narrowest kernel
MOST_POINTS = 1 << 18


def thermal_kernel(energy: Any, temperature_K: float) -> Array:
    """-df/dE = sech²(E/2kT)/(4kT) [1/eV] at energies [eV], any shape; the thermal broadening of dI/dV.

    Parameters
    ----------
    energy : array_like, any shape
        Energy [eV], or bias [V].
    temperature_K : float
        Temperature [K].
    """
    kT = BOLTZMANN_EV * temperature_K
    x = np.minimum(np.abs(np.asarray(energy, float)) / (2 * kT), 350.0)
    return np.asarray(1 / (4 * kT * np.cosh(x) ** 2))


def thermal_kernel_second(energy: Any, temperature_K: float) -> Array:
    """Thermal broadening [1/eV] of an inelastic step in d²I/dV², full width 5.44 kT.

    J. Lambe and R. C. Jaklevic, Phys. Rev. 165, 821 (1968): e^x [(x - 2) e^x + x + 2]/(e^x - 1)³, x = E/kT.

    Parameters
    ----------
    energy : array_like, any shape
        Energy [eV], or bias [V].
    temperature_K : float
        Temperature [K].
    """
    kT = BOLTZMANN_EV * temperature_K
    x = np.minimum(np.abs(np.asarray(energy, float)) / kT, 200.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        exact = np.exp(-x) * ((x - 2) + (x + 2) * np.exp(-x)) / (-np.expm1(-x)) ** 3
    return np.asarray(np.where(x < 0.02, 1 / 6 - x**2 / 60, exact) / kT)


def modulation_kernel(bias: Any, peak_V: float, *, harmonic: int = 1) -> Array:
    """Broadening [1/V] by a sinusoidal modulation of amplitude `peak_V`, for the first or second harmonic.

    2√(Vm² - V²)/(π Vm²) for dI/dV, full width √3 Vm; 8 (Vm² - V²)^(3/2)/(3π Vm⁴) for d²I/dV², full width 1.22 Vm
    (J. Klein et al., Phys. Rev. B 7, 2336 (1973)).

    Parameters
    ----------
    bias : array_like, any shape
        Distance from the point [V].
    peak_V : float
        Peak amplitude [V].
    harmonic : int
        1 for dI/dV, 2 for d²I/dV².

    Raises
    ------
    ValueError
        If the harmonic is neither 1 nor 2.
    """
    inside = np.maximum(peak_V**2 - np.asarray(bias, float) ** 2, 0.0)
    if harmonic == 1:
        return np.asarray(2 * np.sqrt(inside) / (np.pi * peak_V**2))
    if harmonic == 2:
        return np.asarray(8 * inside**1.5 / (3 * np.pi * peak_V**4))
    raise ValueError(f"harmonic is {harmonic}; it must be 1 (dI/dV) or 2 (d²I/dV²).")


def resolution(
    *,
    temperature_K: float,
    modulation_rms_V: float = float("nan"),
    smoothing_kernel: tuple[Any, Any] | None = None,
    lag_V: float = float("nan"),
    harmonic: int = 1,
    axis_V: float = float("nan"),
) -> Resolution:
    """Full width at half height of thermal, modulation, smoothing and lag broadening, each and together.

    Parameters
    ----------
    temperature_K : float
        NaN if unknown: counted as no broadening, and its part is NaN.
    modulation_rms_V : float
        Amplitude of the modulation (rms) [V]; NaN or 0 where there was none.
    smoothing_kernel : (offsets, weights), optional
        Kernel of the smoothing: distances from the point [V], (k,), and the weight that dI/dV there has, (k,).
    lag_V : float
        Bias that the ramp covers in one time constant of the amplifier [V].
    harmonic : int
        2 for d²I/dV².
    axis_V : float
        Width of the triangle that bringing sweeps to a common axis broadens with [V]; NaN where none were.

    Returns
    -------
    Resolution
        `total_V` is NaN if nothing at all is known.

    Notes
    -----
    The kernels are convolved on a common grid. Alone, the thermal one is 4 ln(1+√2) kT wide, the modulation √3 times the
    peak amplitude, and the one-sided exponential of the lag ln 2 times the lag. The modulation's kernel is flat on top and falls
    steeply: a narrower kernel on it takes more off its shoulders than it adds, so that the width at half height shrinks, by up to
    6 %. Nothing is resolved better by that, and the total is never stated as less than its widest part.
    """
    parts: list[tuple[Any, Any]] = []
    thermal = modulation = smoothing = lag = float("nan")
    if temperature_K > 0:
        kT = BOLTZMANN_EV * temperature_K
        x = np.linspace(-24 * kT, 24 * kT, 1921)
        shape = thermal_kernel if harmonic == 1 else thermal_kernel_second
        parts.append((x, shape(x, temperature_K)))
        thermal = float(thermal_width(temperature_K)) if harmonic == 1 else full_width(*parts[-1])
    if modulation_rms_V > 0:
        peak = np.sqrt(2) * modulation_rms_V
        x = np.linspace(-peak, peak, 2001)
        parts.append((x, modulation_kernel(x, peak, harmonic=harmonic)))
        modulation = float(FIRST_HARMONIC_WIDTH * peak) if harmonic == 1 else full_width(*parts[-1])
    if smoothing_kernel is not None:
        x, weight = (np.asarray(a, float) for a in smoothing_kernel)
        if x.size > 1:
            parts.append((x, weight))
            smoothing = full_width(x, weight)
        else:
            smoothing = 0.0
    if lag_V > 0:
        x = np.linspace(0, 18 * lag_V, 3601)
        parts.append((np.r_[-1e-9 * lag_V, x], np.r_[0.0, np.exp(-x / lag_V)]))
        lag = float(np.log(2) * lag_V)
    if axis_V > 0:
        parts.append((np.array([-axis_V, 0.0, axis_V]), np.array([0.0, 1.0, 0.0])))
    total = _convolved_width(parts) if parts else float("nan")
    widest = np.nanmax([thermal, modulation, smoothing, lag, axis_V, -np.inf])
    return Resolution(thermal, modulation, smoothing, lag, max(total, float(widest)) if parts else total, axis_V)


def _convolved_width(parts: list[tuple[Array, Array]]) -> float:
    """Width of the convolution of kernels given on grids of their own."""
    if len(parts) == 1:
        return full_width(*parts[0])
    reach = sum(float(np.ptp(x)) for x, _ in parts)
    narrowest = min(full_width(x, w) for x, w in parts)
    step = max(min(narrowest, reach / 40) / POINTS_A_WIDTH, reach / MOST_POINTS)
    total = np.ones(1)
    for x, weight in parts:
        count = max(1, int(np.ceil(max(abs(x[0]), abs(x[-1])) / step)))
        grid = step * np.arange(-count, count + 1)
        kernel = np.interp(grid, x, weight, left=0.0, right=0.0)
        if kernel.sum() == 0:
            continue
        total = _convolve(total, kernel / kernel.sum())
    return full_width(np.asarray(step * np.arange(total.size)), total)


def _convolve(a: Array, b: Array) -> Array:
    size = a.size + b.size - 1
    fast = next_fast_len(size, real=True)  # a size that is prime takes several times as long
    return np.asarray(np.fft.irfft(np.fft.rfft(a, fast) * np.fft.rfft(b, fast), fast)[:size])
