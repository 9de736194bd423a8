"""Normalised conductance (dI/dV)/(I/V), and how far to trust it near zero bias."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

from sts.curves.smoothing import SIGMA_TO_WIDTH

Array = NDArray[np.float64]

KINDS = ("plain", "exponential", "gaussian", "root")
TRUST_FACTOR = 10.0  # V_eff/V = 10 % error of I/V


def broadening(bias: Any, width_V: float, kind: str) -> Array:
    """Matrix (n, n) that convolves a curve on `bias` with a kernel; rows add up to 1 (kernel renormalised at ends).

    Parameters
    ----------
    bias : array_like, shape (n,)
        [V], ascending, steps need not be equal.
    width_V : float
        For ``exponential`` the decay w of exp(-|u|/w)/2w; for ``gaussian`` the full width at half height [V].
    kind : {'exponential', 'gaussian'}

    Raises
    ------
    ValueError
        If the width is not above zero, or `kind` is unknown.

    Notes
    -----
    P. Mårtensson and R. M. Feenstra, Phys. Rev. B 39, 7744 (1989) for the exponential form. The curve is taken as
    constant around each point, and the kernel integrated over that stretch, so a kernel narrower than a step leaves
    the curve as it is.
    """
    bias = np.asarray(bias, float)
    if not width_V > 0:
        raise ValueError(f"The broadening width is {width_V:g} V; it must be above zero.")
    middle = (bias[1:] + bias[:-1]) / 2
    borders = np.concatenate([[2 * bias[0] - middle[0]], middle, [2 * bias[-1] - middle[-1]]])
    u = (borders[None, :] - bias[:, None]) / width_V
    if kind == "exponential":
        cumulative = np.where(u < 0, 0.5 * np.exp(np.minimum(u, 0)), 1 - 0.5 * np.exp(-np.maximum(u, 0)))
    elif kind == "gaussian":
        cumulative = 0.5 * (1 + erf(u * SIGMA_TO_WIDTH / np.sqrt(2)))
    else:
        raise ValueError(f"The broadening is '{kind}'; it must be 'exponential' or 'gaussian'.")
    weights = np.diff(cumulative, axis=1)
    result: Array = weights / weights.sum(axis=1, keepdims=True)
    return result


def is_zero(bias: Array) -> NDArray[np.bool_]:
    """Which points are V = 0 but for rounding (a millionth of the smallest step), shape (n,).

    Parameters
    ----------
    bias : array_like, shape (n,)
        Bias [V].
    """
    return np.asarray(np.abs(bias) < 1e-6 * np.min(np.diff(bias)) if bias.size > 1 else bias == 0)


def chord(bias: Any, current: Any, slope: Any) -> Array:
    """I/V with its limit dI/dV at V = 0, shape of `current` (..., n) [S].

    There the ratio of two zeros is replaced by the slope.

    Parameters
    ----------
    bias : array_like, shape (n,)
        Bias [V].
    current : array_like, shape (..., n)
        Current [A].
    slope : array_like, shape (..., n)
        dI/dV [S].
    """
    bias = np.asarray(bias, float)
    at_zero = is_zero(bias)
    ratio: Array = np.asarray(current, float) * (1 / np.where(at_zero, 1.0, bias))
    ratio[..., at_zero] = np.asarray(slope, float)[..., at_zero]
    return ratio


def normalise(
    bias: Any, current: Any, didv: Any, *, kind: str = "plain", broadening_V: float = np.nan, floor_S: float = np.nan
) -> tuple[Array, Array]:
    """Normalised conductance and its denominator, each of the shape of `current` (..., n).

    Parameters
    ----------
    bias : array_like, shape (n,)
        [V], offset removed.
    current, didv : array_like, shape (..., n)
        [A], offset removed so that I(0) = 0, and [S].
    kind : {'plain', 'exponential', 'gaussian', 'root'}
        The denominator: I/V; I/V broadened with `broadening_V` (see `broadening`); √((I/V)² + c²) with c = `floor_S`.

    Notes
    -----
    J. A. Stroscio, R. M. Feenstra, A. P. Fein, Phys. Rev. Lett. 57, 2579 (1986). √ form: M. Prietsch, A. Samsavar,
    R. Ludeke, Phys. Rev. B 43, 11850 (1991). The value 1 at V = 0 of the plain form is there by construction.
    """
    below = denominator(bias, current, didv, kind=kind, broadening_V=broadening_V, floor_S=floor_S)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.asarray(didv, float) / below
    if not below.all():
        ratio[below == 0] = np.nan
    return ratio, below


def denominator(
    bias: Any, current: Any, didv: Any, *, kind: str, broadening_V: float = np.nan, floor_S: float = np.nan
) -> Array:
    """The denominator of `normalise` [S], shape of `current`.

    Parameters
    ----------
    bias : array_like, shape (n,)
        Bias [V].
    current : array_like, shape (..., n)
        Current [A].
    didv : array_like, shape (..., n)
        dI/dV [S].
    kind : str
        One of `KINDS`.
    broadening_V : float
        Width of the kernel [V].
    floor_S : float
        Floor of the root [S].

    Raises
    ------
    ValueError
        If `kind` is unknown, or what it needs is not given.
    """
    ratio = chord(bias, current, didv)
    if kind == "plain":
        return ratio
    if kind == "root":
        if not floor_S > 0:
            raise ValueError("The root form √((I/V)² + c²) needs c above zero; set 'floor_S' in the plan.")
        rooted: Array = np.sqrt(ratio**2 + floor_S**2)
        return rooted
    if kind in KINDS:
        if not broadening_V > 0:
            raise ValueError(f"The {kind} broadening needs a width; set 'broadening_V' in the plan (about the gap).")
        broadened: Array = ratio @ broadening(bias, broadening_V, kind).T
        return broadened
    raise ValueError(f"normalise is '{kind}'; it must be one of: {', '.join(KINDS)}.")


def trusted_bias(bias: Any, conductance: Any, *, current_offset_A: float, bias_offset_V: float) -> NDArray[np.bool_]:
    """Where (dI/dV)/(I/V) may be read: |V| ≥ 10 (|I0|/G + |V0|), shape (n,).

    Parameters
    ----------
    bias : array_like, shape (n,)
        Bias [V].
    conductance : array_like, shape (n,)
        I/V or what stands for it [S].
    current_offset_A : float
        [A]; NaN if unknown.
    bias_offset_V : float
        [V]; NaN if unknown.

    Notes
    -----
    `conductance` is the denominator I/V at each point: for an ohmic junction that is its G. In a gap it is what says
    that an offset of a picoampere drowns the current there. The offsets are those found before removal: their removal
    leaves a tenth or so, and the rule is there to keep that below a per cent or two. V = 0 itself is never trusted
    in the plain form.
    """
    bias, conductance = np.abs(np.asarray(bias, float)), np.abs(np.asarray(conductance, float))
    current_offset = 0.0 if np.isnan(current_offset_A) else abs(current_offset_A)
    shift = 0.0 if np.isnan(bias_offset_V) else abs(bias_offset_V)
    good = (bias > 0) & (bias * conductance >= TRUST_FACTOR * (current_offset + shift * conductance))
    return np.asarray(good & np.isfinite(conductance), bool)


def without_islands(bias: Any, trusted: Any, width_V: float) -> NDArray[np.bool_]:
    """`trusted` without stretches narrower than the smoothing: within one kernel there is no curve to be read, shape (n,).

    In a gap the current stands clear of its noise at some points by chance; drawn, these are spikes between nothing.

    Parameters
    ----------
    bias : array_like, shape (n,)
        Bias, ascending [V].
    trusted : array_like of bool, shape (n,)
    width_V : float
        Full width at half height of the kernel of dI/dV [V].
    """
    bias, kept = np.asarray(bias, float), np.array(trusted, bool)
    change = np.flatnonzero(np.diff(np.concatenate([[False], kept, [False]]).astype(int)))
    for start, stop in zip(change[::2], change[1::2], strict=True):
        if bias[stop - 1] - bias[start] < width_V:
            kept[start:stop] = False
    return kept
