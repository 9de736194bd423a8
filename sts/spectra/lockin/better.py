"""Whether the calibrated lock-in channel is the better dI/dV: smaller uncertainty at one resolution, and the same shape."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sts.curves.distributions import student_quantile
from sts.curves.smoothing import Smoother
from sts.quantities import with_prefix
from sts.spectra.bands import Means
from sts.spectra.lockin.calibrated import Calibrated
from sts.spectra.lockin.comparison import FEWEST_POINTS, UNEQUAL

Array = NDArray[np.float64]

BETTER = 0.8  # of the numerical uncertainty, which the lock-in's must stay below: between nearly equal ones chance would choose
MOST_LOST = 0.05  # relative standard uncertainty of the gain, beyond which there is no calibration
SURE = 1e-3  # how often the channel is said to have a shape of its own where it has not
ALIKE = 3 * UNEQUAL  # of the largest dI/dV, by which two shapes may differ


def why_not(bias: Array, means: Means, found: Calibrated | None, smoother: Smoother, modulation_V: float) -> str:
    """Why the channel is not offered as dI/dV; "" where it is.

    Parameters
    ----------
    bias : numpy.ndarray, shape (k,)
        [V].
    means : Means
        From the current.
    found : Calibrated, optional
    smoother : Smoother
        Of the numerical derivative.
    modulation_V : float
        Rms [V]; NaN if unknown.
    """
    if found is None:
        return "the channel does not follow the current"
    if not found.gain_se < MOST_LOST * abs(found.gain):
        return "the current does not tell its gain"
    if narrower(means, found, smoother) >= BETTER:
        return "it has no clearly smaller uncertainty than the numerical derivative at the same resolution"
    return own_shape(bias, means, found, smoother, modulation_V)


def narrower(means: Means, found: Calibrated, smoother: Smoother) -> float:
    """Standard uncertainty of the calibrated channel over that of the numerical derivative, at the resolution of the latter.

    Parameters
    ----------
    means : Means
        From the current.
    found : Calibrated
    smoother : Smoother
        Of the numerical derivative.

    Notes
    -----
    Without the scatter of the level from unit to unit (of the set-point), which both share; with the uncertainty of the gain.
    """
    inner = ~smoother.one_sided
    curve = smoother.differentiate(found.curve)[inner]
    mine, other = (
        _beyond_level(rows[:, inner], curve) for rows in (smoother.differentiate(found.rows), means.didv_rows)
    )
    mine += (found.gain_se / found.gain) ** 2 * float((curve**2).mean())
    return float(np.sqrt(mine / other)) if other > 0 else float("inf")


def own_shape(bias: Array, means: Means, found: Calibrated, smoother: Smoother, modulation_V: float) -> str:
    """Where the calibrated channel departs from the numerical derivative by more than the noise of both; "" where nowhere.

    Parameters
    ----------
    bias : numpy.ndarray, shape (k,)
        [V].
    means : Means
        From the current.
    found : Calibrated
    smoother : Smoother
        Of the numerical derivative.
    modulation_V : float
        Rms [V]; NaN if unknown.

    Notes
    -----
    The modulation broadens the channel and not, or otherwise, the current: what a second derivative explains is let pass.
    """
    inner = ~smoother.one_sided
    lockin = smoother.differentiate(found.curve)
    apart = means.didv - lockin
    rows = _difference(means.didv_rows, smoother.differentiate(found.rows))
    error = np.sqrt((rows**2).sum(axis=0))
    bend = np.gradient(np.gradient(lockin, bias), bias)
    if inner.sum() < FEWEST_POINTS or not (error[inner] > 0).all():
        return ""
    weight = 1 / error[inner] ** 2
    power = float((weight * bend[inner] ** 2).sum())
    if power > 0 and modulation_V != 0:
        apart = apart - bend * float((weight * bend[inner] * apart[inner]).sum()) / power
    tries = max(float(np.ptp(bias)) / smoother.width, 1.0)
    freedom = max(min(len(means.didv_rows), bias.size) - 1, 1) if means.units > 1 else np.inf
    sure = float(student_quantile(1 - SURE / 2 / tries, freedom))
    size = np.where(inner, np.abs(apart), 0.0)
    off = (size > sure * error) & (size > ALIKE * float(np.max(np.abs(lockin))))
    if not off.any():
        return ""
    worst = int(np.argmax(np.where(off, size, 0.0)))
    return f"its shape is not that of the numerical derivative, most at {with_prefix(bias[worst], 'V')}"


def _beyond_level(rows: Array, curve: Array) -> float:
    """Mean variance of rows of deviations without what is proportional to the curve."""
    level = rows @ curve / max(float(curve @ curve), np.finfo(float).tiny)
    return float(((rows - level[:, None] * curve) ** 2).sum(axis=0).mean())


def _difference(first: Array, second: Array) -> Array:
    longer = max(len(first), len(second))
    if len(first) < longer and len(second) == len(first) + 1:
        return np.vstack([first, np.zeros((1, first.shape[1]))]) - second
    return np.vstack([first, second])
