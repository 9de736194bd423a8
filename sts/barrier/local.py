"""φ(z): the barrier from the local slope of ln I. One exponential gives a level line; contact and films do not."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from sts.barrier.blocks import Array
from sts.barrier.fit import BarrierFit
from sts.curves.distributions import student_quantile
from sts.curves.smoothing import Smoother, make_smoother
from sts.quantities import barrier_from_decay
from sts.showing import Shown

SHARE = 0.2  # width of the smoothing, as a share of the range of heights
FEWEST_POINTS = 8
MOST_NOISE = 0.25  # relative noise of the smoothed current beyond which a local slope says nothing


@dataclass(frozen=True, eq=False, repr=False)
class LocalBarrier(Shown):
    """Local barrier of m sweeps at n heights; NaN where samples are masked or the current is lost in the noise.

    Attributes
    ----------
    sweeps : tuple[str, ...]
        Their names.
    height : numpy.ndarray
        (n,) [m].
    barrier_eV : numpy.ndarray
        (m, n) [eV].
    barrier_se_eV : numpy.ndarray
        (m, n), its standard uncertainty [eV].
    low_eV : numpy.ndarray
        (m, n), lower end of the pointwise band [eV].
    high_eV : numpy.ndarray
        (m, n), its upper end [eV].
    one_sided : numpy.ndarray
        (n,) the outer half windows, where the slope is fitted from one side only.
    width_m : float
        Full width at half height of the kernel through which the slope is seen.
    """

    sweeps: tuple[str, ...]
    height: Array
    barrier_eV: Array
    barrier_se_eV: Array
    low_eV: Array
    high_eV: Array
    one_sided: NDArray[np.bool_]
    width_m: float


def local_barrier(fit: BarrierFit, *, width_m: float | None = None, confidence: float = 0.95) -> LocalBarrier:
    """Local apparent barrier height of every sweep of a fit.

    Parameters
    ----------
    fit : BarrierFit
    width_m : float, optional
        Full width at half height of the smoothing [m]; a fifth of the range of heights if not given.
    confidence : float
        Level of the pointwise band.

    Returns
    -------
    LocalBarrier

    Raises
    ------
    ValueError
        If the width is not positive.

    Notes
    -----
    The local polynomial that makes dI/dV acts on the ratio R of the current, offset removed, to the fitted curve: it
    is near 1 whatever the decade, so that the operator does not round off the exponential, and the mean of the noise
    stays zero (a logarithm of noisy samples would read low). With S and D the operators of value and derivative,
    d ln I/dz = -2κ + D R/S R. The band holds the noise model of the fit, scaled with the sweep's reduced chi², and
    the uncertainty of the offset. A curve ends where its band is wider than its value.
    Neighbours within the width are correlated; slow noise looks like structure.
    """
    fits, shape = fit.fits, fit.current.shape
    span = float(np.ptp(fit.height))
    width = SHARE * span if width_m is None else width_m
    names = tuple(fit.table["sweep"])
    if shape[1] < FEWEST_POINTS:
        empty = np.full(shape, np.nan)
        return LocalBarrier(names, fit.height, empty, empty, empty, empty, np.ones(shape[1], bool), width)
    smoother = _smoother(fit.height.tobytes(), width)
    smooth, derivative = smoother.smooth, smoother.derivative
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        signal = fit.signal
        ratio = (fit.current - fit.offset[:, None]) / signal
        noise = fit.deviation / np.abs(signal) * np.sqrt(fits.reduced_chi2)[:, None]
        offset = fits.offset_se[:, None] / signal
        usable = fit.used_points & np.isfinite(ratio) & np.isfinite(noise) & (noise < 1e6)
        ratio, noise, offset = (
            np.where(usable, part, fill) for part, fill in ((ratio, 1.0), (noise, 0.0), (offset, 0.0))
        )
        value, slope = ratio @ smooth.T, ratio @ derivative.T
        value_se = np.sqrt(noise**2 @ (smooth**2).T + (offset @ smooth.T) ** 2)
        # Derivative of R'/R by every sample: (D - (R'/R) S)/R.
        change = slope / value
        spread = noise**2 @ (derivative**2).T - 2 * change * (noise**2 @ (derivative * smooth).T)
        spread += change**2 * (noise**2 @ (smooth**2).T)
        spread += (offset @ derivative.T - change * (offset @ smooth.T)) ** 2
        decay = fits.decay[:, None] - change
        se = np.sqrt(np.maximum(spread, 0.0)) / np.abs(value)
        masked = (~usable).astype(float) @ ((derivative != 0) | (smooth != 0)).astype(float).T > 0.5
        lost = masked | ~(value_se < MOST_NOISE * value)
    reach = student_quantile(0.5 + confidence / 2, fits.dof)[:, None] * se
    values = (
        barrier_from_decay(decay) * np.sign(decay),
        2 * np.sqrt(barrier_from_decay(1.0) * barrier_from_decay(decay)) * se,
        barrier_from_decay(np.maximum(decay - reach, 0.0)),
        barrier_from_decay(np.maximum(decay + reach, 0.0)),
    )
    with np.errstate(invalid="ignore"):
        lost |= _beyond(values[3] - values[2], np.where(lost, np.nan, values[0]))
    barrier, barrier_se, low, high = (np.where(lost, np.nan, v) for v in values)
    return LocalBarrier(names, fit.height, barrier, barrier_se, low, high, smoother.one_sided, smoother.width)


def _beyond(band: Array, value: Array) -> NDArray[np.bool_]:
    """Where (m, n) a curve has ended: outward from its best-known height, at the first band wider than the value."""
    known = np.isfinite(band) & np.isfinite(value)
    share = np.where(known & (value > 0), band / value, np.inf)
    wide = known & ~(share < 1)
    best, place = np.argmin(share, axis=1)[:, None], np.arange(band.shape[1])
    after = np.logical_or.accumulate(wide & (place >= best), axis=1)
    before = np.logical_or.accumulate((wide & (place <= best))[:, ::-1], axis=1)[:, ::-1]
    return np.asarray(after | before)


@lru_cache(maxsize=8)
def _smoother(height: bytes, width: float) -> Smoother:
    """One sweep after another is looked at on the same heights."""
    return make_smoother(np.frombuffer(height), width_V=width)
