"""Steps that a sweep has by itself: what a parabola through a few samples cannot follow without a jump in the middle."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from sts.curves.robust import median_known

Array = NDArray[np.float64]

HALF = 5  # samples on either side
_SIGMAS = 5.5  # a step stands out this far from the noise of the sweep
_SHARP = (
    6.0  # and is so many times what the curve with a step still misses: a bend or a narrow peak of dI/dV is no step
)
_LEAST_OF_RANGE = 0.002  # of the range of the sweep
_TRIES = 4  # places of a sweep that are looked at, the clearest first
_NEAR = 12  # samples within which others have the same feature
_CLEAR = 4.0  # times noise and misfit, where the median of the group shows a step, too
_SHOWS = 1.5  # times that limit, below which a step may hide
_PLACE = 4  # samples within which a step is that of a place found otherwise
_LIKE = 0.5  # of the step, that the others must have there to make it a feature of the spectrum
_SUDDEN = 4.0  # times the changes from sample to sample beside it
_MOST = 2 / 3  # of the others; where most sweeps jump, two may do so near each other
_BLOCK = 2**23  # numbers that are held at once
_MOST_OTHERS = 100  # sweeps that are asked whether they step there, too


@dataclass(frozen=True, eq=False)
class Steps:
    """A step fitted between every two samples, (m, k), from the `first` place on."""

    size: Array  # change of the current [A]
    before: Array  # the current just before it [A]
    rest: Array  # root mean square of what the fit misses [A]
    gain: float  # standard deviation of the size for noise of 1 A

    @property
    def after(self) -> Array:
        """The current just after the step [A]."""
        return self.before + self.size


@cache
def _operator(half: int, skipped: int) -> tuple[Array, float]:
    """Columns that give size, current before, and the coordinates of the rest, from 2 `half` samples about a gap of `skipped`."""
    x = np.concatenate([np.arange(-half, 0), np.arange(half) + skipped]) + (1 - skipped) / 2
    design = np.column_stack([np.ones(2 * half), x / half, (x / half) ** 2, x > 0])
    inverse = np.linalg.pinv(design)
    rest = np.linalg.qr(design, mode="complete")[0][:, 4:]
    columns = np.column_stack([inverse[3], inverse[0], rest])
    if skipped:
        columns = np.insert(columns, half, 0.0, axis=0)
    return columns, float(np.linalg.norm(inverse[3]))


def fit_steps(current: Array, *, half: int = HALF, skipped: int = 0) -> Steps:
    """A parabola with a step in the middle, by least squares, through every 2 `half` samples in a row.

    Parameters
    ----------
    current : numpy.ndarray, shape (m, n)
        [A], on equal steps; where a sample is missing nothing is found.
    half : int
        Samples on either side.
    skipped : int
        1: the sample between the sides is left out, a jump that was caught half way.

    Returns
    -------
    Steps
        (m, n - 2 half - skipped + 1); the first place is before sample `half`, or at it if it is left out.
    """
    columns, gain = _operator(half, skipped)
    windows = np.ascontiguousarray(sliding_window_view(current, 2 * half + skipped, axis=1)) @ columns
    return Steps(windows[..., 0], windows[..., 1], np.sqrt((windows[..., 2:] ** 2).mean(axis=-1)), gain)


def own_steps(
    axis: Array, current: Array, noise: Array, *, factor: float, others: Array | None = None
) -> tuple[Array, Array]:
    """Bias and factor of the clearest step that each sweep has by itself; NaN where there is none.

    Parameters
    ----------
    axis : numpy.ndarray, shape (n,)
        Bias [V] or height [m], rising.
    current : numpy.ndarray, shape (m, n)
        Current [A].
    noise : numpy.ndarray, shape (m,)
        Of a sample of each sweep [A].
    factor : float
        Smallest change that is told.
    others : numpy.ndarray, shape (k, n), optional
        Sweeps of the same group [A]: where most of two or more step alike, the spectrum has a feature there.

    Notes
    -----
    A step stands out 5.5 times from the noise, and 6 times from what the fit with a step still misses, and changes the
    current by `factor` or more. Own choice, proved by simulation.
    """
    position, size = np.full((2, len(current)), np.nan)
    n = axis.size
    if n < 2 * HALF + 2:
        return position, size
    for rows in _blocks(len(current), n * (2 * HALF + 6)):
        part = current[rows]
        fits = [fit_steps(part, skipped=skipped) for skipped in (0, 1)]
        scores = [_score(fit, part, noise[rows], factor) for fit in fits]
        score = np.maximum(scores[0], np.pad(scores[1], ((0, 0), (0, 1))))
        for i in np.flatnonzero(score.max(axis=1) > 1).tolist():
            for _ in range(_TRIES):
                at = int(np.argmax(score[i]))
                if score[i, at] <= 1:
                    break
                skipped = int(at < scores[1].shape[1] and scores[1][i, at] > scores[0][i, at])
                fit = fits[skipped]
                sudden = _sudden(part[i], at + HALF, skipped, factor)
                if sudden and (others is None or not _feature(fit.size[i, at] / _level(part[i]), at, skipped, others)):
                    position[rows][i] = axis[at + HALF]  # or the sample that was caught half way
                    size[rows][i] = _ratio(part[i], fit.before[i, at], fit.after[i, at], at + HALF, skipped)
                    break
                score[i, max(at - HALF, 0) : at + HALF + 1] = 0.0
    return position, size


def has_step(current: Array, at: int, change: float, noise: float, others: Array) -> bool | None:
    """Whether a sweep has a step of its own near a sample, of half the change or more; None where it would not show.

    What most of the others have there, too, is a feature of the spectrum.

    Parameters
    ----------
    current : numpy.ndarray, shape (n,)
        [A].
    at : int
        Sample.
    change : float
        By which the current should change there [A].
    noise : float
        Of a sample [A].
    others : numpy.ndarray, shape (k, n)
        Sweeps of the group [A], it among them.
    """
    first = max(at - HALF - _PLACE, 0)
    around = current[first : at + HALF + _PLACE]
    shows = False
    for skipped in (0, 1):
        if around.size < 2 * HALF + skipped:
            continue
        fit = fit_steps(around[None], skipped=skipped)
        size = np.sign(change) * fit.size[0]
        clear = _CLEAR * fit.gain * np.maximum(noise, fit.rest[0])
        limit = np.maximum(clear, _LIKE * abs(change))
        if (size > limit).any():
            best = int(np.nanargmax(size / limit))
            if not _feature(fit.size[0, best] / _level(current), first + best, skipped, others):
                return True
        shows |= not abs(change) < _SHOWS * np.nan_to_num(clear).max()
    return False if shows else None


def _score(fit: Steps, current: Array, noise: Array, factor: float) -> Array:
    """How many times each step passes the limits; 0 where it is no jump by its factor or is a trifle."""
    span = np.fmax.reduce(current, axis=1) - np.fmin.reduce(current, axis=1)
    limit = np.maximum(_SIGMAS * fit.gain * np.nan_to_num(noise)[:, None], _SHARP * fit.gain * fit.rest)
    with np.errstate(invalid="ignore", divide="ignore"):
        score = np.abs(fit.size) / np.maximum(limit, 1e-300)
        jumps = np.abs(np.log(np.abs(fit.after / fit.before))) > np.log(factor)
        jumps &= np.abs(fit.size) > _LEAST_OF_RANGE * span[:, None]
    return np.where(jumps & np.isfinite(score), score, 0.0)


def _sudden(current: Array, first: int, skipped: int, factor: float) -> bool:
    """Whether the change between two samples (or three, where the middle one is skipped) is several times those beside it.

    All are counted from the middle one of six beside, which is the slope: a peak of dI/dV takes several samples for its step.
    What is left must change the current by the factor.
    """
    changes = np.diff(current)
    last = first + skipped  # changes[first - 1 : last] are those of the step
    beside = np.concatenate([changes[max(first - 4, 0) : first - 1], changes[last : last + 3]])
    slope = median_known(beside)
    near = np.concatenate([changes[max(first - 3, 0) : first - 1], changes[last : last + 2]]) - slope
    own = changes[first - 1 : last] - slope
    with np.errstate(divide="ignore"):
        change = abs(np.log(abs(1 + own.sum() / current[first - 1])))
    return bool(np.abs(own).max() > _SUDDEN * np.nanmax(np.abs(near)) and change > np.log(factor))


def _ratio(current: Array, before: float, after: float, first: int, skipped: int) -> float:
    """After over before, by the fit; by the two samples where the fit misses one of them, as where decades lie between."""
    samples = abs(current[first - 1]), abs(current[first + skipped])
    by_fit = abs(before), abs(after)
    sides = by_fit if np.allclose(by_fit, samples, rtol=0.2) else samples
    return float(sides[1] / max(sides[0], 1e-300))


def _feature(step: float, at: int, skipped: int, others: Array) -> bool:
    """Whether two thirds of the others step near there, too, by half as much of their size or more."""
    around = others[:: max(1, len(others) // _MOST_OTHERS), max(at - _NEAR, 0) : at + 2 * HALF + skipped + _NEAR]
    sizes = fit_steps(around, skipped=skipped).size / _level(others[:: max(1, len(others) // _MOST_OTHERS)])[:, None]
    alike = np.fmax.reduce(np.sign(step) * sizes, axis=1) > _LIKE * abs(step)
    return bool(alike.sum() - 1 >= max(_MOST * (len(alike) - 1), 2))  # the sweep itself is among them


def _level(current: Array) -> Array:
    """Mean size of the current of each row [A]."""
    return np.asarray(np.nanmean(np.abs(current), axis=-1))


def _blocks(count: int, width: int) -> Iterator[slice]:
    rows = max(1, _BLOCK // width)
    return (slice(start, start + rows) for start in range(0, count, rows))
