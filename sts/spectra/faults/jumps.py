"""Steps of the current within a sweep: against the median of its group, and judged alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sts.curves.robust import median_known, scaled_mad

Array = NDArray[np.float64]

_CLEAR = 3.0  # a point counts where the median current is this many times the noise
_WINDOWS = (4, 12, 40)  # points either side of a possible jump
_SIGMAS = 5.5  # a jump must stand out this far from the noise of the same statistic
_LEAST_PERIODS, _LINE_SHARE = 4, 0.5  # of a wave, and its share of the power
_LEVELS = 0.15  # of the scatter about one level, left about two: a quarter is left of a straight slope
_STAYS = 0.5  # share of the smallest jump that must still be there over the longest window


@dataclass(frozen=True, eq=False)
class Comparison:
    """Sweeps (rows) against the median curve of their group, on the points where that is clear of the noise."""

    axis: Array  # (k,) bias of the clear points
    current: Array  # (m, k)
    median: Array  # (k,)
    weight: Array  # (k,) 1/variance, of noise and 1 % of the current

    @property
    def level(self) -> Array:
        """ln of each sweep's size relative to the median, shape (m,)."""
        return np.asarray(np.log(np.maximum(_ratio(self.current, self.median, self.weight), 1e-3)))


def compare_with_median(axis: Array, current: Array, noise: float) -> Comparison:
    """Sweeps against the median of their group, where that is clear of the noise.

    Parameters
    ----------
    axis : ndarray, shape (n,)
        Bias [V].
    current : ndarray, shape (m, n)
        [A]; NaN where a sample is missing.
    noise : float
        Standard deviation of a sample [A]; NaN where unknown.
    """
    median = median_known(current)
    noise = noise if np.isfinite(noise) else 0.0
    with np.errstate(invalid="ignore"):
        clear = np.abs(median) > max(_CLEAR * noise, 1e-3 * float(np.nanmax(np.abs(median), initial=0.0)))
    weight = 1 / (noise**2 + (0.01 * median[clear]) ** 2)
    return Comparison(axis[clear], current[:, clear], median[clear], weight)


def _ratio(current: Array, median: Array, weight: Array) -> Array:
    """Least-squares factor of each row relative to `median`, missing samples left out."""
    there = np.isfinite(current)
    top = np.where(there, current * median * weight, 0.0).sum(axis=1)
    bottom = (there * (median**2 * weight)).sum(axis=1)
    return np.asarray(np.divide(top, bottom, out=np.full(len(current), np.nan), where=bottom > 0))


def jumps_against_median(comparison: Comparison, noise: Array, factor: float) -> tuple[Array, Array]:
    """Bias and factor of the largest step of each sweep relative to the group's median; NaN where there is none.

    For windows of several lengths left and right of every point, the least-squares factors of the sweep to the
    median are compared. A step must exceed `factor`, the electronics' noise, and the scatter of the same
    statistic over all sweeps and points (slow noise of the gap), and it must stay.

    Parameters
    ----------
    comparison : Comparison
    noise : numpy.ndarray, shape (m,)
        Of a sample of each sweep [A].
    factor : float
        Smallest change that is told.
    """
    there = np.isfinite(comparison.current)
    weight = comparison.weight * comparison.median**2
    top = _running(np.where(there, comparison.current * comparison.median * comparison.weight, 0.0))
    bottom = _running(there * weight)
    blur = _running(there * (comparison.weight * comparison.median * np.nan_to_num(noise)[:, None]) ** 2)
    points = comparison.axis.size
    split = np.arange(3, points - 2)
    changes, scores = [], []
    for window in _WINDOWS:
        low, high = np.maximum(split - window, 0), np.minimum(split + window, points)
        with np.errstate(divide="ignore", invalid="ignore"):
            left, right = (
                (top[:, b] - top[:, a]) / (bottom[:, b] - bottom[:, a]) for a, b in ((low, split), (split, high))
            )
            change = np.log(right / left)
            error = np.sqrt(
                sum(
                    (blur[:, b] - blur[:, a]) / (bottom[:, b] - bottom[:, a]) ** 2
                    for a, b in ((low, split), (split, high))
                )
            )
        change[~(np.isfinite(change) & np.isfinite(error))] = 0.0
        common = float(scaled_mad(change.ravel()))
        score = np.abs(change) / np.maximum(_SIGMAS * np.hypot(np.nan_to_num(error), common), np.log(factor))
        changes.append(change)
        scores.append(score)
    stays = np.abs(changes[-1]) > _STAYS * np.log(factor)  # else it is a spike, or an offset that moved near V = 0
    total = np.where(stays, np.maximum.reduce(scores), 0.0)
    at = np.argmax(total, axis=1)
    rows = np.arange(len(total))
    found = total[rows, at] > 1.0
    which = np.argmax(np.stack(scores)[:, rows, at], axis=0)
    size = np.exp(np.stack(changes)[which, rows, at])
    return np.where(found, comparison.axis[split[at]], np.nan), np.where(found, size, np.nan)


def beyond_swing(comparison: Comparison, position: Array) -> Array:
    """The positions of jumps, NaN where what a step of the level leaves of the sweep is a wave that swings further than it.

    Parameters
    ----------
    comparison : Comparison
    position : numpy.ndarray, shape (m,)
        Bias of the jump of each sweep [V]; NaN where it has none.

    Notes
    -----
    The median of the group is scaled to each side of the jump. Where half of the power of the rest is in one line (of four
    periods or more), the step must move the largest current by more than twice the scaled MAD of the rest, which is the
    swing of a sinusoid: a slow ripple, found or not, moves windows near zero current as a jump does, and the whole sweep not
    at all. Own invention, proved by simulation.
    """
    kept = position.copy()
    largest = float(np.max(np.abs(comparison.median), initial=0.0))
    for i in np.flatnonzero(np.isfinite(position)).tolist():
        after = comparison.axis >= position[i]
        weight = np.ones(comparison.axis.size)
        sides = [
            float(_ratio(comparison.current[i : i + 1, side], comparison.median[side], weight[side])[0])
            for side in (~after, after)
        ]
        rest = comparison.current[i] - np.where(after, sides[1], sides[0]) * comparison.median
        if _is_wave(rest) and abs(sides[1] - sides[0]) * largest <= 2 * float(scaled_mad(rest)):
            kept[i] = np.nan
    return kept


def two_levels(comparison: Comparison, row: int, position: float) -> bool:
    """Whether a sweep is its group's median times one number before a bias and another after it, and nothing else.

    Parameters
    ----------
    comparison : Comparison
        Of all sweeps of the group.
    row : int
        Of the sweep.
    position : float
        Bias of the step [V].
    """
    there = np.isfinite(comparison.current[row])
    ratio = (comparison.current[row] / comparison.median)[there]
    weight = (comparison.weight * comparison.median**2)[there]
    after = comparison.axis[there] >= position
    rest = [
        float((weight[part] * (ratio[part] - np.average(ratio[part], weights=weight[part])) ** 2).sum())
        for part in (after, ~after, np.ones_like(after))
        if part.any()
    ]
    return len(rest) == 3 and rest[0] + rest[1] < _LEVELS * rest[2]


def _is_wave(values: Array) -> bool:
    """Whether half of the power is in one line."""
    there = values[np.isfinite(values)]
    power = np.abs(np.fft.rfft(there - there.mean()))[1:] ** 2 if there.size >= 8 * _LEAST_PERIODS else np.zeros(0)
    line = np.convolve(power, np.ones(3), "same")[_LEAST_PERIODS - 1 :] if power.size else power
    return bool(line.size and line.max() > _LINE_SHARE * power.sum())


def _running(values: Array) -> Array:
    """Sums of each row up to every position, shape (m, k + 1)."""
    return np.concatenate([np.zeros((len(values), 1)), np.cumsum(values, axis=1)], axis=1)
