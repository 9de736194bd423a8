"""Bare line shapes of tunnelling spectra: superconducting gap, resonance, inelastic step; and their broadening.

Functions of arrays; the fits that use them are in modules of their own.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import interpolate, signal, special

from sts.curves.smoothing import Smoother
from sts.quantities import BOLTZMANN_EV
from sts.spectra.resolution import modulation_kernel, thermal_kernel

Array = NDArray[np.float64]


def dynes_density(energy_eV: Any, gap_eV: float, broadening_eV: float) -> Array:
    """Quasiparticle density of states relative to the normal one, any shape.

    |Re[(E - iΓ)/√((E - iΓ)² - Δ²)]|; R. C. Dynes, V. Narayanamurti, J. P. Garno, Phys. Rev. Lett. 41, 1509 (1978).
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
    v = np.asarray(bias, float)
    kT = BOLTZMANN_EV * temperature_K
    cell = max(kT / 50, float(np.max(np.abs(v))) / 8000)
    half = 24 * kT + 1.5 * modulation_rms_V
    count = int(np.ceil((float(np.max(np.abs(v))) + 2 * half) / cell))
    nodes = cell * np.arange(-count - 1, count + 2)
    density = np.diff(dynes_second_integral(nodes, gap_eV, broadening_eV), n=2) / cell**2
    energy = cell * np.arange(-count, count + 1)
    kernel_count = int(np.ceil(half / cell))
    kernel = _kernel(cell * np.arange(-kernel_count, kernel_count + 1), temperature_K, modulation_rms_V)
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
    """
    energy = np.abs(np.asarray(energy_eV, float))
    z = energy - 1j * max(broadening_eV, 1e-12)
    root = np.sqrt(z - gap_eV) * np.sqrt(z + gap_eV)  # the branch that grows as E
    at_zero = -1j * max(broadening_eV, 1e-12)
    slope = np.real(np.sqrt(at_zero - gap_eV) * np.sqrt(at_zero + gap_eV))
    return np.asarray(np.real(z * root - gap_eV**2 * np.log(z + root)) / 2 - slope * energy)


def _kernel(x: Any, temperature_K: float, modulation_rms_V: float) -> Array:
    """Thermal and modulation broadening as one kernel on a uniform grid, its sum 1."""
    peak = np.sqrt(2) * modulation_rms_V
    kernel = thermal_kernel(x, temperature_K)
    if peak > 0:
        half_circle = modulation_kernel(x, peak)
        kernel = signal.fftconvolve(kernel, half_circle / half_circle.sum(), mode="same")
    return np.asarray(kernel / kernel.sum())


def fano(bias: Any, centre_V: float, width_V: float, q: float, amplitude: float, background: float) -> Array:
    """Fano resonance: background + amplitude (ε + q)²/(1 + ε²), ε = (V - centre)/(width/2). U. Fano, Phys. Rev. 124, 1866."""
    e = (np.asarray(bias, float) - centre_V) / (width_V / 2)
    return np.asarray(background + amplitude * (e + q) ** 2 / (1 + e**2))


def inelastic_step(
    bias: Any, energy_eV: float, size: float, background: float, *, temperature_K: float, asymmetry: float = 0.0
) -> Array:
    """dI/dV with thermally broadened steps at ±energy: background + size [S(V) + S(-V)].

    S = [1 + (x - 1) e^x]/(e^x - 1)², x = (E - eV)/kT: J. Lambe and R. C. Jaklevic, Phys. Rev. 165, 821 (1968). `asymmetry`
    tilts the two sizes: (1 ± asymmetry).
    """
    v, kT = np.asarray(bias, float), BOLTZMANN_EV * temperature_K

    def step(x: Array) -> Array:
        """1 far above the threshold (x → -∞), 0 far below."""
        x = np.clip(x, -200, 200)
        small = np.abs(x) < 1e-4
        y = np.where(small, 1.0, x)
        em = np.expm1(y)
        exact = np.where(
            y > 50, (y - 1) * np.exp(-np.minimum(y, 200)), (1 + (y - 1) * np.exp(np.minimum(y, 50))) / em**2
        )
        return np.asarray(np.where(small, 0.5 - x / 6, exact))

    up, down = step((energy_eV - v) / kT), step((energy_eV + v) / kT)
    return np.asarray(background + size * ((1 + asymmetry) * up + (1 - asymmetry) * down))


def gaussian(bias: Any, centre_V: float, width_V: float, height: float) -> Array:
    """Gaussian peak of full width at half height `width_V`."""
    return np.asarray(height * np.exp(-4 * np.log(2) * ((np.asarray(bias, float) - centre_V) / width_V) ** 2))


def lorentzian(bias: Any, centre_V: float, width_V: float, height: float) -> Array:
    """Lorentzian peak of full width at half height `width_V`."""
    return np.asarray(height / (1 + (2 * (np.asarray(bias, float) - centre_V) / width_V) ** 2))


def broadened_step(bias: Any, edge_V: float, *, temperature_K: float) -> Array:
    """A step in the density of states as dI/dV shows it: the Fermi function, any shape."""
    return np.asarray(special.expit((np.asarray(bias, float) - edge_V) / (BOLTZMANN_EV * temperature_K)))
