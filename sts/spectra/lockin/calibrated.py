"""dI/dV of the lock-in channel, calibrated by the current of the same sweeps: offered where it is the better spectrum."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sts.curves.averaging import fill_missing, unit_means
from sts.curves.electronics import noise_level
from sts.curves.replicates import direction_signs
from sts.plan import SpectraPlan
from sts.spectra.bands import Means, denominator_form, quotient
from sts.spectra.didv_source import DidvSource
from sts.spectra.half_difference import half_differences
from sts.spectra.lockin.comparison import FEWEST_POINTS, LEAST_SPREAD, UNEQUAL
from sts.spectra.units import unit_codes
from sts.sweeps import SweepSet

if TYPE_CHECKING:
    from sts.curves.smoothing import Smoother

Array = NDArray[np.float64]

LEFT = (
    2e-4  # relative uncertainty that is left by unequal resolutions, once a broadening by the modulation is allowed for
)


@dataclass(frozen=True, eq=False)
class Integrals:
    """Running integrals of the lock-in channel on the points kept: what stands for the current.

    The lock-in measures dI/dV, so its integral is the current but for a constant: whatever is done to a current is done to it
    alike, smoothing and bands included.
    """

    each: Array  # (m, k) of each sweep, directions balanced [unit of the channel × V]
    repeats: Array  # (r, k) of each repeat
    units: Array  # (u, k) of each repeat, site or tip
    point_noise: float  # of the mean channel, from point to point


@dataclass(frozen=True, eq=False)
class Calibrated:
    """The integral calibrated: curve (k,) [A], rows of deviations that carry its uncertainty, and the coefficients."""

    curve: Array
    rows: Array
    gain: float  # dI/dV per unit of the channel
    gain_se: float
    zero_S: float  # dI/dV where the channel reads zero
    zero_se_S: float


def integrals(
    bias: Array, chosen: SweepSet, points: NDArray[np.bool_], repeats: NDArray[np.int64], kind: str
) -> Integrals | str:
    """The running integrals of the channel of these sweeps, or why there are none.

    Parameters
    ----------
    bias : numpy.ndarray, shape (k,)
        Of the points kept [V].
    chosen : SweepSet
        m sweeps with a current.
    points : numpy.ndarray of bool, shape (n,)
        Which of the axis are kept.
    repeats : numpy.ndarray of int, shape (m,)
        The repeat that each sweep is of.
    kind : str
        "repeat", "site" or "tip": the units of the bands.
    """
    if chosen.lockin is None or not np.isfinite(chosen.lockin).any():
        return "no lock-in channel"
    if chosen.lockin_unit == "ohm":
        return "the lock-in channel is a resistance, dV/dI"
    recorded = chosen.lockin[:, points]
    there = np.isfinite(recorded)
    if not there.any(axis=1).all() or not there.any(axis=0).all() or bias.size < FEWEST_POINTS:
        return "the lock-in channel has holes, or is not in every sweep"
    signal = fill_missing(recorded).current
    signs = direction_signs(chosen.table, chosen.kind)
    halves, _ = half_differences(signal, signs, repeats)
    even = signal - signs[:, None] * halves.mean(axis=0) if len(halves) else signal
    each = running_integral(bias, even)
    of_repeats = unit_means(each, repeats)
    units = unit_means(of_repeats, unit_codes(chosen.table, repeats, kind))
    noise = float(np.sqrt((noise_level(signal) ** 2).sum())) / len(signal)
    return Integrals(each, of_repeats, units, noise)


def calibrate(
    bias: Array, found: Integrals, current_units: Array, smoother: Smoother, modulation_V: float
) -> Calibrated | None:
    """The integral of the channel J brought to the current, a J + b V, so that dI/dV is a times the channel + b.

    Parameters
    ----------
    bias : numpy.ndarray, shape (k,)
        [V].
    found : Integrals
    current_units : numpy.ndarray, shape (u, k)
        Current of the same units [A].
    smoother : Smoother
        Of the current.
    modulation_V : float
        Rms [V]; NaN if unknown.

    Returns
    -------
    Calibrated or None
        None where the channel does not move with the current at all.

    Notes
    -----
    Least squares of the current on J, V and a constant: the ratio of the two integrals, and the zero of the channel with it.
    Modulation broadens the channel by a kernel of its own, which moves J by a multiple of its second derivative: that is a
    column of its own, so that it passes for neither. J has far less noise than the current wherever this is of use, so that its
    noise does not make a small. Where dI/dV is nearly level (its relative spread below 20 %) b cannot be told from a and is held
    at zero. With two units or more the uncertainty comes from leaving out one at a time; with one, from the residuals, with the
    number of independent points estimated from their autocorrelation (common practice, no source).
    """
    integral, current = found.units.mean(axis=0), current_units.mean(axis=0)
    channel = np.gradient(integral, bias)
    with_zero = bool(np.std(channel) > LEAST_SPREAD * abs(np.mean(channel)))
    if not np.ptp(integral) > 0:
        return None
    bend = None if modulation_V == 0 else np.gradient(smoother.differentiate(integral), bias)
    others = [np.ones(bias.size)] if bend is None else [np.ones(bias.size), bend]
    others = [bias, *others] if with_zero else others
    best = _line(integral, others, current, with_zero)
    if not best[0]:
        return None
    level = np.column_stack([integral, bias])  # of the curve, by gain and zero
    count = len(current_units)
    if count > 1:
        total = count * integral, count * current
        without = np.array([_line((total[0] - j) / (count - 1), others, (total[1] - i) / (count - 1), with_zero)
                            for j, i in zip(found.units, current_units, strict=True)])  # fmt: skip
        moved = -(without - without.mean(axis=0)) * np.sqrt((count - 1) / count)
        own = best[0] * (found.units - integral) / np.sqrt(count * (count - 1))
        rows = own + moved @ level.T
        errors = np.sqrt((moved**2).sum(axis=0))
    else:
        covariance = _covariance(integral, others, current, with_zero)
        values, vectors = np.linalg.eigh(covariance)
        moved = (vectors * np.sqrt(np.maximum(values, 0))).T
        steps = running_integral(bias, np.eye(bias.size))  # what a sample of the channel adds to the integral
        rows = np.vstack([best[0] * found.point_noise * steps, moved @ level.T])
        errors = np.sqrt(np.diag(covariance))
    unequal = (UNEQUAL if bend is None else LEFT) * best[0]
    rows = np.vstack([rows, unequal * level[:, 0]])
    gain_se = float(np.hypot(errors[0], unequal))
    return Calibrated(level @ best, rows, float(best[0]), gain_se, float(best[1]), float(errors[1]))


def with_lockin(bias: Array, means: Means, found: Calibrated, smoother: Smoother, plan: SpectraPlan) -> Means:
    """The means with dI/dV of the calibrated channel over the current as it is.

    Parameters
    ----------
    bias : numpy.ndarray, shape (k,)
        [V].
    means : Means
        From the current, with the same smoother.
    found : Calibrated
    smoother : Smoother
    plan : SpectraPlan
        Form of the denominator.
    """
    didv, didv_rows = smoother.differentiate(found.curve), smoother.differentiate(found.rows)
    padded = _same_length(means.smooth_rows, didv_rows, means.units)
    plain = quotient(bias, (means.smooth, padded[0]), (didv, padded[1]), denominator_form(plan))
    return replace(
        means, didv=didv, didv_se=np.sqrt((didv_rows**2).sum(axis=0)), normalised=plain.value, normalised_se=plain.se,
        below=plain.below, firm=plain.firm, smooth_rows=padded[0], didv_rows=padded[1],
    )  # fmt: skip


def source_of(channel: str, why: str, found: Calibrated | None, unit: str, numerical: Any) -> DidvSource:
    """What the spectrum's dI/dV is from, and why.

    Parameters
    ----------
    channel : str
        `CURRENT` or `LOCKIN`.
    why : str
    found : Calibrated, optional
    unit : str
        Of the channel.
    numerical : tuple of (ndarray (n,), ndarray (n,), Asked), optional
        The numerical derivative, its standard uncertainty and what made it, where the lock-in stands in its place.
    """
    if found is None:
        return DidvSource(channel, why)
    return DidvSource(channel, why, found.gain, found.gain_se, found.zero_S, found.zero_se_S, unit, *(numerical or ()))


def running_integral(bias: Array, signal: Array) -> Array:
    """Integral from the first point on, shape of `signal` (..., k).

    Parameters
    ----------
    bias : numpy.ndarray, shape (k,)
        [V].
    signal : numpy.ndarray, shape (..., k)

    Notes
    -----
    Trapezia with the end correction h² (g'_j - g'_j+1)/12 of every step (Euler and Maclaurin; textbooks), which is of fourth order:
    trapezia alone are wrong by h² g''/12, which shows at the flanks of a gap.
    """
    step, slope = np.diff(bias), np.gradient(signal, bias, axis=-1)
    parts = step * (signal[..., 1:] + signal[..., :-1]) / 2 - step**2 * np.diff(slope, axis=-1) / 12
    return np.concatenate([np.zeros((*signal.shape[:-1], 1)), np.cumsum(parts, axis=-1)], axis=-1)


def _line(integral: Array, others: list[Array], current: Array, with_zero: bool) -> Array:
    """Gain and zero (2,) by least squares on the integral and other columns, of which the first is the bias for the zero."""
    solution = _solve(integral, others, current)[0]
    return np.array([solution[0], solution[1] if with_zero else 0.0])


def _solve(integral: Array, others: list[Array], current: Array) -> tuple[Array, Array]:
    """Coefficients and (X'X)^-1."""
    design = np.column_stack([integral, *others])
    scale = np.maximum(np.sqrt((design**2).mean(axis=0)), np.finfo(float).tiny)
    inverse = np.linalg.pinv(design / scale)
    return inverse @ current / scale, (inverse @ inverse.T) / np.outer(scale, scale)


def _covariance(integral: Array, others: list[Array], current: Array, with_zero: bool) -> Array:
    """Covariance (2, 2) of gain and zero from the residuals of one unit, as many points as are independent."""
    solution, inverse = _solve(integral, others, current)
    residual = current - np.column_stack([integral, *others]) @ solution
    r1 = float(np.clip(np.corrcoef(residual[1:], residual[:-1])[0, 1], 0, 0.95)) if residual.any() else 0.0
    more = (1 + r1) / (1 - r1) / max(integral.size - 1 - len(others), 1)
    found = np.zeros((2, 2))
    size = 2 if with_zero else 1
    found[:size, :size] = (inverse * float(residual @ residual) * more)[:size, :size]
    return found


def _same_length(first: Array, second: Array, units: int) -> tuple[Array, Array]:
    """Rows of deviations of both, such that row i of one goes with row i of the other: those of the units; else none do."""
    if units > 1:
        more = np.zeros((len(second) - len(first), first.shape[1]))
        return np.vstack([first, more]), second
    none = np.zeros((len(second), first.shape[1])), np.zeros((len(first), first.shape[1]))
    return np.vstack([first, none[0]]), np.vstack([none[1], second])
