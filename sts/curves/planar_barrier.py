"""Slope of ln I against the width of a planar vacuum gap: what bias and image force make of a barrier's height."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import constants, optimize
from scipy.special import digamma, zeta

from sts.quantities import decay_from_barrier

Array = NDArray[np.float64]

IMAGE_EV_NM = constants.e / (16 * math.pi * constants.epsilon_0) * 1e9  # e^2/16 pi eps0 [eV nm]
_A = float(decay_from_barrier(1.0)) * 1e-9  # 2 sqrt(2m)/hbar [1/(nm sqrt(eV))]
_LEAST_BIAS_V = 1e-5  # below this the trapezoid is a rectangle, but for rounding
_WINDOW, _SHARE = np.polynomial.legendre.leggauss(24)  # over the energies that carry current
_ACROSS, _STEP = np.polynomial.legendre.leggauss(100)  # over the gap
_NEWTON = 8  # steps to a turning point: down to rounding


def tilted_barrier(barrier_eV: Any, gap_nm: Any, bias_V: Any) -> Array:
    """Apparent height [eV] of a barrier that a bias tilts, from the slope of ln I at that bias.

    Parameters
    ----------
    barrier_eV : array_like, any shape
        Height without bias, mean of both sides [eV].
    gap_nm : array_like, any shape
        Width of the gap [nm].
    bias_V : array_like, any shape
        [V]; its sign does not matter, since both densities of states are taken as level.

    Returns
    -------
    ndarray
        Of the shape that the three have together.

    Notes
    -----
    I ∝ ∫ exp(-S(ε)) dε over the bias window, 0 < ε < V below the Fermi level that the electrons come from, with the
    action of the trapezoid (WKB, in the manner of J. G. Simmons, J. Appl. Phys. 34, 1793 (1963), from memory)

        S = A s (2/3V) [(φ + ε)^(3/2) - max(φ + ε - V, 0)^(3/2)],  A = 2 √(2m)/ħ,

    both densities of states level, and no other prefactor. S grows as s: -d ln I/ds is the mean of S/s over the window
    with weights exp(-S), and its square over A² is the apparent height. To the lowest order that is

        φ - A s V²/(24 √φ).

    The middle of the window keeps its barrier at any bias; the electrons at its upper edge, whose barrier is lower by
    V/2, only weigh more than those at its lower edge. At 4.5 eV and 0.8 nm: -0.007 eV at 0.2 V, -0.16 eV at 1 V. The
    integral over the momentum along the plates as well (free electrons) changes these by 3 % at most. If all current
    comes from states at one edge of the window, it is half the bias, up or down.
    """
    barrier, gap, bias = (np.asarray(a, float)[..., None] for a in (barrier_eV, gap_nm, bias_V))
    bias = np.maximum(np.abs(bias), _LEAST_BIAS_V)
    top = barrier + bias * (_WINDOW + 1) / 2
    root = 2 / (3 * bias) * (top**1.5 - np.maximum(top - bias, 0.0) ** 1.5)  # mean of √height across the gap
    action = _A * gap * root
    weight = _SHARE * np.exp(action.min(axis=-1, keepdims=True) - action)
    return np.asarray(((weight * root).sum(axis=-1) / weight.sum(axis=-1)) ** 2)


def image_force_barrier(barrier_eV: float, gap_nm: float, bias_V: float = 0.0) -> float:
    """Apparent height [eV] of a barrier that the classical image potential lowers, with or without a bias.

    Parameters
    ----------
    barrier_eV : float
        Height without image potential and bias [eV].
    gap_nm : float
        Distance between the planes where the image potential diverges [nm].
    bias_V : float
        [V]

    Returns
    -------
    float
        NaN where the image potential pulls the barrier below the Fermi level all across the gap.

    Notes
    -----
    As `tilted_barrier`, with S = A ∫ √(φ + ε - V z/s + w(z)) dz over the classically forbidden part and the exact
    image potential between two planes, w = (e²/16πε0 s)[ψ(z/s) + ψ(1 - z/s) + 2γ], which is the sum over images of
    J. G. Simmons (J. Appl. Phys. 34, 1793 (1963), from memory) in closed form. It diverges at the planes, where the
    classical image does not hold, and measured slopes are close to √φ (G. Binnig et al., Physica B+C 127, 37, 1984, as
    commonly cited): a size of what may be missing, and no correction to be made unasked.
    """
    step = 1e-3 * gap_nm
    wide, narrow = (_log_current(barrier_eV, gap_nm + d, abs(bias_V)) for d in (step, -step))
    return ((wide - narrow) / (2 * step * _A)) ** 2


def _log_current(barrier_eV: float, gap_nm: float, bias_V: float) -> float:
    """ln ∫ exp(-S) dε under image potential and bias, but for a constant; NaN where nothing is left of the barrier."""
    tilted = bias_V > _LEAST_BIAS_V
    top = barrier_eV + (bias_V * (_WINDOW[:, None] + 1) / 2 if tilted else np.zeros((1, 1)))
    pull = IMAGE_EV_NM / gap_nm

    def height(u: Any) -> Any:  # u = z/s
        return top - bias_V * u + pull * (digamma(u) + digamma(1 - u) + 2 * np.euler_gamma)

    across = np.sin(np.pi / 4 * (_ACROSS + 1)) ** 2
    if not (height(across).max(axis=1) > 0).all():
        return math.nan
    left = _turning_point(top, -bias_V, pull)
    right = 1 - (_turning_point(top - bias_V, bias_V, pull) if tilted else left)
    # The square root starts vertically at both ends; sin² makes it smooth.
    stretch = (right - left) * np.pi / 4 * np.sin(np.pi / 2 * (_ACROSS + 1))
    action = (
        _A * gap_nm * (_STEP * stretch * np.sqrt(np.maximum(height(left + (right - left) * across), 0))).sum(axis=1)
    )
    share = _SHARE if tilted else np.ones(1)
    return float(np.log((share * np.exp(action.min() - action)).sum()) - action.min())


def _turning_point(top: Array, slope: float, pull: float) -> Array:
    """The smallest u at which top + slope u + pull [ψ(u) + ψ(1 - u) + 2γ] is zero, shape of `top`.

    The image is below -pull/u everywhere, so that the start lies outside the barrier; the height is concave in u, so that
    Newton's steps go up to the turning point and not beyond.
    """
    u = pull / (top + abs(slope))
    for _ in range(_NEWTON):
        height = top + slope * u + pull * (digamma(u) + digamma(1 - u) + 2 * np.euler_gamma)
        u = u - height / (slope + pull * (zeta(2, u) - zeta(2, 1 - u)))  # ψ'(u) = ζ(2, u)
    return np.asarray(u)


def true_barrier(apparent_eV: float, gap_nm: float, *, bias_V: float = 0.0, image: bool) -> float:
    """The barrier whose apparent height is given [eV]; NaN if there is none.

    Parameters
    ----------
    apparent_eV : float
        From the slope of ln I at `bias_V` [eV].
    gap_nm : float
        Width of the gap [nm].
    bias_V : float
        [V]; 0 for a bias that is not to be counted.
    image : bool
        Whether the classical image potential acts (`image_force_barrier`) or not (`tilted_barrier`).
    """

    def miss(barrier: float) -> float:
        seen = image_force_barrier(barrier, gap_nm, bias_V) if image else float(tilted_barrier(barrier, gap_nm, bias_V))
        return -apparent_eV if math.isnan(seen) else seen - apparent_eV

    low = apparent_eV * (1 - 1e-9)
    high = apparent_eV * (1 + 1e-9) + abs(bias_V) / 2 + (8 * IMAGE_EV_NM / gap_nm if image else 0.0)
    if not apparent_eV > 0 or miss(low) > 0 or miss(high) < 0:
        return math.nan
    root = float(optimize.brentq(miss, low, high, xtol=1e-5))
    return root if abs(miss(root)) < 1e-3 else math.nan  # a jump, not a root: the gap is too narrow for a barrier
