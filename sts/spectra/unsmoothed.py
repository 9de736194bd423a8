"""A second band of dI/dV, which holds what smoothing does to it; and where that is more than the first band shows."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sts.curves.distributions import NORMAL_95, student_quantile
from sts.curves.smoothing import Smoother, make_smoother, same_window
from sts.plan import Plan
from sts.quantities import with_prefix
from sts.spectra.bands import Means
from sts.spectra.peaks import may_have_peaks

Array = NDArray[np.float64]

MOST_ROWS = 256  # batches of units that their scatter is taken from: their number says how well it is known
SURE = 1e-3  # how often smoothing is said to show in a spectrum where it does not


def second_band(
    bias: Array,
    means: Means,
    smoother: Smoother,
    units: int,
    wider: Any,
    plan: Plan,
    resolution_V: float,
    notes: dict[str, str],
) -> dict[str, Array]:
    """The band that holds dI/dV itself, broadened by temperature and modulation but not by smoothing: ends (k,) by name [A/V].

    Parameters
    ----------
    bias : numpy.ndarray, shape (k,)
        [V].
    means : Means
        With dI/dV as smoothed, and its band.
    smoother : Smoother
        That made it.
    units : int
        Whose scatter makes the bands.
    wider : array_like, shape (k,)
        By what the band grows where some sweeps have no sample.
    plan : Plan
    resolution_V : float
        Of the spectrum [V].
    notes : dict
        Flag to words; what has to be said of smoothing and of narrow dips is added.

    Notes
    -----
    The width of the smoothing is chosen for the least error, where its bias is about as large as the noise, and a band from the
    noise alone misses it. Within the same window a polynomial of order 4 in place of 2 has no bias of the order of the width
    squared; the band is made around that, with its own noise (robust bias correction: S. Calonico, M. D. Cattaneo, M. H. Farrell,
    J. Am. Stat. Assoc. 113, 767 (2018), from memory: with equal windows the correction is a polynomial of higher order). It is
    1.7 to 2.9 times as wide. Other methods and orders are made at half of their width instead, which leaves a quarter of the bias.
    """
    finer = _finer(smoother)
    some, dof = _batched(means.rows, units)
    value, deviations = finer.differentiate(means.current), finer.differentiate(some)
    se = np.sqrt((deviations**2).sum(axis=0))
    half = float(student_quantile(0.5 + plan.compare.confidence / 2, dof)) * se * wider
    moved = value - means.didv
    moved_se = np.sqrt(((deviations - smoother.differentiate(some)) ** 2).sum(axis=0)) * wider
    apart = max(float(np.ptp(smoother.axis)) / finer.width, 1.0)  # stretches that chance has a try in
    sure = float(student_quantile(1 - SURE / 2 / apart, dof))
    with np.errstate(invalid="ignore"):
        shows = (np.abs(moved) > sure * moved_se) & (np.abs(moved) > means.quantile * means.didv_se)
    _say(bias, means, np.where(shows, np.abs(moved), 0.0), resolution_V, plan.features.peak_significance, notes)
    return {"unsmoothed_low": value - half, "unsmoothed_high": value + half}


def _finer(smoother: Smoother) -> Smoother:
    """The same with less bias: order 4 in the same window, or half of the width."""
    asked = smoother.asked
    if asked.method == "local polynomial" and asked.order <= 2:
        return make_smoother(smoother.axis, width_V=same_window(asked, 4), order=4)
    return make_smoother(smoother.axis, width_V=asked.width_V / 2, method=asked.method, order=asked.order)


def _batched(rows: Array, units: int) -> tuple[Array, float]:
    """Rows of deviations in at most so many sums of neighbours, whose sum of squares is on average the same, and the degrees
    of freedom of that: a pass over memory where there are thousands."""
    if units < 2:  # white noise at each point, from the residuals of one unit
        return rows, float("inf")
    if units <= MOST_ROWS:
        return rows, units - 1.0
    starts = np.linspace(0, units, MOST_ROWS + 1)[:-1].astype(int)
    return np.add.reduceat(rows, starts, axis=0), MOST_ROWS - 1.0


def _say(
    bias: Array, means: Means, moved: Array, resolution_V: float, significance: float, notes: dict[str, str]
) -> None:
    """Where smoothing shows and by how much (`moved`, 0 elsewhere), and dips that it may have made wide."""
    largest = int(np.argmax(moved))
    if moved[largest] > 0:
        share = 100 * moved[largest] / max(float(np.max(np.abs(means.didv))), 1e-300)
        notes["smoothing shows"] = (
            f"most at {with_prefix(bias[largest], 'V')}, by about {share:.2g} % of the largest dI/dV"
        )
    few = means.quantile / NORMAL_95  # of few units the scatter is not well known
    dips = narrow_dips(bias, means.didv, means.didv_se, resolution_V, few * significance)
    if dips:
        where = ", ".join(with_prefix(dip, "V") for dip in dips[:3]) + (" and more" if len(dips) > 3 else "")
        notes["narrower than resolution"] = f"dip{'s' if len(dips) > 1 else ''} at {where}"


def narrow_dips(bias: Array, didv: Array, didv_se: Array, resolution_V: float, significance: float) -> list[float]:
    """Where dI/dV has a dip no wider than the energy resolution [V].

    Parameters
    ----------
    bias : numpy.ndarray, shape (k,)
        Ascending [V].
    didv, didv_se : numpy.ndarray, shape (k,)
        And its standard uncertainty.
    resolution_V : float
        NaN where nothing is known of it.
    significance : float
        Standard errors that a dip must be deep.

    Notes
    -----
    As for peaks: no wider than 1.1 times the resolution at half of its depth.
    """
    good = np.isfinite(didv) & np.isfinite(didv_se)
    if not np.isfinite(resolution_V) or good.sum() < 5:
        return []
    v, depth = bias[good], -didv[good]
    least = significance * float(np.median(didv_se[good]))
    if not least > 1e-9 * float(np.max(np.abs(depth))):  # no noise: rounding has dips, too
        return []
    if not may_have_peaks(depth, least):
        return []
    from scipy import signal  # slow to import, and wanted only where a dip may be

    found, about = signal.find_peaks(depth, prominence=least)
    shape = (about["prominences"], about["left_bases"], about["right_bases"])
    _, _, left, right = signal.peak_widths(depth, found, rel_height=0.5, prominence_data=shape)
    index = np.arange(v.size)
    widths = np.interp(right, index, v) - np.interp(left, index, v)
    return [float(v[at]) for at, width in zip(found, widths, strict=True) if width <= 1.1 * resolution_V]
