"""The ideal junction: tunnelling current from densities of states, and planar WKB barriers."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np
from scipy import constants
from scipy.special import expit

from ..quantities import BARRIER_PER_DECAY_SQUARED, BOLTZMANN_EV, decay_from_barrier
from .densities import Density, flat

_TAIL = 37  # the Fermi function has reached 0 or 1 to 1e-16 this many kT from its step
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(8)
_HALVINGS = 0.5 ** np.arange(16, -1, -1)
_WIDEST_PANEL_eV = 5e-3  # a density given as a function may have structure that kT at room temperature would miss
_STENCIL = ((1, 3 / 4), (2, -3 / 20), (3, 1 / 60))  # central difference of order 6


@dataclass(frozen=True)
class Junction:
    """What lies on both sides of the gap, and in it."""

    density: Density  # of the sample, relative to its own Fermi level
    tip_density: Density = flat()  # noqa: RUF009 - frozen
    barrier_eV: float = 4.5  # mean barrier of the one-dimensional gap
    gap_m: float = 0.0  # its width, which makes the transmission depend on energy; 0: constant transmission


def tunnel_current(bias: Any, junction: Junction | Density, *, temperature_K: float) -> np.ndarray:
    """Current of a junction whose conductance with flat densities would be 1 S.

    Parameters
    ----------
    bias : array_like, any shape
        Sample relative to tip [V].
    junction : Junction or Density
        A density alone is that of the sample, before a flat tip and at constant transmission.
    temperature_K : float
        Of both electrodes, above zero.

    Returns
    -------
    numpy.ndarray, shape of `bias`
        Current [A]. For flat densities and constant transmission it equals the bias.

    Raises
    ------
    ValueError
        If the temperature is not above zero, or the bias reaches above the barrier.

    Notes
    -----
    I = ∫ ρs(E) ρt(E - eV) T(E, V) [f(E - eV) - f(E)] dE, E relative to the sample's Fermi level (J. Tersoff and
    D. R. Hamann, Phys. Rev. B 31, 805 (1985); J. Bardeen, Phys. Rev. Lett. 6, 57 (1961)).
    T = exp(-2(κ(E, V) - κ(0, 0)) s), κ = √(2m(φ + eV/2 - E))/ħ: the mean barrier of a trapezoid. Gauss-Legendre
    panels no wider than kT, halved again and again towards every break of the densities, with the square-root
    substitution in the last one, so that the inverse square root of a superconductor's edge is integrated to
    rounding.
    """
    junction = junction if isinstance(junction, Junction) else Junction(junction)
    barrier_eV, gap_m = junction.barrier_eV, junction.gap_m
    bias = np.asarray(bias, float)
    if not temperature_K > 0:
        raise ValueError(f"The temperature is {temperature_K:g} K; the integration over Fermi edges needs one above 0.")
    kT = BOLTZMANN_EV * temperature_K
    if gap_m and np.max(np.abs(bias), initial=0) / 2 + _TAIL * kT >= barrier_eV:
        raise ValueError(
            f"A bias of {np.max(np.abs(bias)):g} V reaches above the barrier of {barrier_eV:g} eV; "
            "this formula holds below it only. Use a smaller bias or a higher barrier."
        )
    return _integrated(junction, kT, bias.tobytes()).reshape(bias.shape).copy()


@lru_cache(maxsize=64)
def _integrated(junction: Junction, kT: float, biases: bytes) -> np.ndarray:
    """The current at each bias, flat; kept, since a bench asks for the same curve of a junction again and again."""
    density, tip, barrier_eV, gap_m = junction.density, junction.tip_density, junction.barrier_eV, junction.gap_m
    bias = np.frombuffer(biases)
    current = np.empty(bias.shape)
    for index, volt in enumerate(bias):
        breaks = (0.0, volt, *density.breaks, *(volt + b for b in tip.breaks))
        energy, weight = _nodes(min(0.0, volt) - _TAIL * kT, max(0.0, volt) + _TAIL * kT, breaks, kT)
        occupied = expit((volt - energy) / kT) - expit(-energy / kT)
        integrand = density(energy) * tip(energy - volt) * occupied
        if gap_m:
            integrand *= np.exp(
                -gap_m * (decay_from_barrier(barrier_eV + volt / 2 - energy) - decay_from_barrier(barrier_eV))
            )
        current[index] = integrand @ weight
    return current


def _nodes(low: float, high: float, breaks: tuple[float, ...], kT: float) -> tuple[np.ndarray, np.ndarray]:
    """Energies and weights of an integral from `low` to `high`."""
    width = min(kT, _WIDEST_PANEL_eV)
    inside = np.unique([b for b in breaks if low < b < high])
    bounds = np.concatenate([[low], inside, [high]])
    energies, weights = [], []
    for a, b in pairwise(bounds):
        middle = (a + b) / 2
        for end, far in ((a, middle), (b, middle)):
            distance, weight = _from_break(float(abs(far - end)), width)
            energies.append(end + np.sign(far - end) * distance)
            weights.append(weight)
    return np.concatenate(energies), np.concatenate(weights)


@lru_cache(maxsize=64)
def _from_break(length: float, width: float) -> tuple[np.ndarray, np.ndarray]:
    """Distances from a break and their weights: 0, then doubling panels up to `width`, then equal ones up to `length`.

    Kept, since most of the lengths of an integral are those of the one at the bias before.
    """
    edges = min(width, length) * _HALVINGS
    if length > width:
        count = int(np.ceil((length - width) / width))
        equal = np.arange(1, count + 1) * ((length - width) / count) + width
        equal[-1] = length
        edges = np.concatenate([edges, equal])
    half = (edges[1:] - edges[:-1])[:, None] / 2
    distance = (edges[:-1, None] + half * (1 + _NODES)).ravel()
    weight = (half * _WEIGHTS).ravel()
    root = (1 + _NODES) / 2  # innermost panel: distance = edges[0] * root**2
    distance = np.concatenate([edges[0] * root**2, distance])
    weight = np.concatenate([edges[0] * root * _WEIGHTS, weight])
    return distance, weight


def tunnel_conductance(bias: Any, junction: Junction | Density, *, temperature_K: float) -> np.ndarray:
    """dI/dV [S] of `tunnel_current`, by a difference of sixth order over kT/10.

    Parameters
    ----------
    bias, junction, temperature_K
        As for `tunnel_current`.

    Notes
    -----
    The current is analytic within π kT of the real bias axis, so the difference is good to about 1e-9.
    """
    step = 0.1 * BOLTZMANN_EV * temperature_K
    shifts = np.array([k * sign * step for k, _ in _STENCIL for sign in (1, -1)])
    weights = np.array([w * sign / step for _, w in _STENCIL for sign in (1, -1)])
    currents = tunnel_current(np.asarray(bias, float)[..., None] + shifts, junction, temperature_K=temperature_K)
    return np.asarray(currents @ weights)


def lockin_conductance(
    bias: Any, junction: Junction | Density, *, temperature_K: float, modulation_rms_V: float
) -> np.ndarray:
    """dI/dV [S] as a lock-in amplifier sees it: first harmonic of the current over the amplitude of the bias.

    Parameters
    ----------
    bias, junction, temperature_K
        As for `tunnel_current`.
    modulation_rms_V : float
        Root mean square of the modulation [V].

    Notes
    -----
    (2/π V1) ∫ I(V + V1 cos θ) cos θ dθ over half a period, V1 = √2 × rms, by Gauss-Chebyshev.
    """
    cosine = np.cos((np.arange(24) + 0.5) * np.pi / 24)
    peak = np.sqrt(2) * modulation_rms_V
    currents = tunnel_current(np.asarray(bias, float)[..., None] + peak * cosine, junction, temperature_K=temperature_K)
    return np.asarray(2 / (cosine.size * peak) * (currents @ cosine))


def planar_current_density(bias: Any, gap_m: Any, barrier_eV: Any) -> np.ndarray:
    """Current density [A/m²] between planes, WKB through the mean barrier, zero temperature.

    Parameters
    ----------
    bias, gap_m, barrier_eV : float or array_like, shapes that broadcast
        Bias [V], width of the gap [m] and mean barrier [eV].

    Raises
    ------
    ValueError
        If a bias exceeds twice the barrier.

    Notes
    -----
    J = (J0/s²)[Q(φ - V/2) - Q(φ + V/2)], Q(p) = p exp(-x)(1 + 3/x + 3/x²), x = 2s√(2mp)/ħ, J0 = e²/(2πh), for
    |V| < φ: the integral that J. G. Simmons, J. Appl. Phys. 34, 1793 (1963) approximates in closed form (his form
    drops 3/x + 3/x² and is 14-27 % lower at these widths). Since the prefactor depends on s, an apparent barrier
    height from such data is *not* the barrier: 4.62 eV for 4 eV at 0.7 nm.
    """
    bias, gap, barrier = np.broadcast_arrays(*(np.asarray(a, float) for a in (bias, gap_m, barrier_eV)))
    if np.any(np.abs(bias) / 2 >= barrier):
        raise ValueError("The bias exceeds twice the barrier; this formula holds for intermediate voltages only.")

    def flow(height_eV: np.ndarray) -> np.ndarray:
        x = gap * np.sqrt(height_eV / BARRIER_PER_DECAY_SQUARED)
        return np.asarray(height_eV * np.exp(-x) * (1 + 3 / x + 3 / x**2))

    # J0 in A/V: e^2/(2 pi h); energies in eV stand for volts.
    return np.asarray(
        constants.e**2 / (2 * np.pi * constants.h) / gap**2 * (flow(barrier - bias / 2) - flow(barrier + bias / 2))
    )
