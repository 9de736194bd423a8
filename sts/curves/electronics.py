"""What the samples of a sweep say about the electronics: limits, converter steps, noise, usable points.

Used for I(V) and I(z) alike; nothing here knows the axis.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sts.curves.robust import median_known
from sts.quantities import MAD_SCALE

LATTICE_VALUES = 2000  # in which a step is looked for that single sweeps do not show
RAIL_BAND = 0.003  # samples this close to the limit, relative to it, count as railed: real limiters wander by 0.3 %


def find_saturation(current: Any, *, full_scale: Any = None, step: Any = None) -> NDArray[np.bool_]:
    """Samples that sit at the limit of the amplifier, converter or compliance.

    Parameters
    ----------
    current : array_like, shape (m, n)
        Current [A]; NaN is never called saturated.
    full_scale : array_like, shape (m,) or scalar, optional
        Largest current [A] the electronics pass; NaN where unknown.
    step : array_like, shape (m,), optional
        What `find_step` finds in these currents [A]; found here if not given.

    Returns
    -------
    numpy.ndarray of bool, shape (m, n)

    Notes
    -----
    With a known full scale: every sample within 0.3 % of it or beyond. In any case also a plateau at an extreme of
    the sweep: at least 3 equal samples in a row, or 5 within 0.3 % (or 1.5 converter steps) of the extreme, and more
    than four times as many as lie in the next band of equal width. A smooth maximum has 2.4 times as many in the first
    band (the square root of 1 against that of 2), a straight line as many, so neither is taken for a limit; nor
    is a noise floor or a row of zero codes, because an extreme counts only from half the largest |I| and from
    eight converter steps on.
    """
    current = np.atleast_2d(np.asarray(current, float))
    found = np.zeros(current.shape, bool)
    if full_scale is not None:
        limit = np.broadcast_to(np.abs(np.asarray(full_scale, float)).reshape(-1, 1), (len(current), 1))
        with np.errstate(invalid="ignore"):
            found |= np.abs(current) >= (1 - RAIL_BAND) * np.where(limit > 0, limit, np.inf)
    step = np.nan_to_num(find_step(current) if step is None else np.asarray(step, float))
    for rows in _blocks(current):
        for sign in (1.0, -1.0):
            found[rows] |= _at_extreme(sign * current[rows], step[rows, None])
    return found


def _at_extreme(signal: NDArray[np.float64], step: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Samples (m, n) on a plateau at the highest value of each row; converter steps (m, 1)."""
    extreme = _row(np.fmax, signal)
    band = np.maximum(RAIL_BAND * np.abs(extreme), 1.5 * step)
    with np.errstate(invalid="ignore"):
        near = signal >= extreme - band
        largest = np.fmax(extreme, -_row(np.fmin, signal))
        counts = (extreme > 0) & (extreme >= 0.5 * largest) & (extreme >= 8 * step)
        railed = counts[:, 0] & (near.sum(axis=1) >= 3)  # the least run that counts
        if railed.any():
            some, top = signal[railed], extreme[railed]
            below = (some >= top - 2 * band[railed]) & ~near[railed]
            run, equal = longest_run(near[railed]), longest_run(some >= top * (1 - 1e-5))
            railed[railed] = ((run >= 5) | (equal >= 3)) & (run > 4 * below.sum(axis=1))
    return np.asarray(near & railed[:, None])


def find_step(current: Any, *, returns: int = 3) -> NDArray[np.float64]:
    """Step of the converter (least significant bit) found from the values [A], shape (m,); NaN if there is none.

    Parameters
    ----------
    current : array_like, shape (m, n)
        Current [A].
    returns : int
        How many values must come back at least.

    Notes
    -----
    All differences between values must be whole multiples of the step. Starting from the smallest difference, the
    step is refined over ever larger differences, so that it is good to a few parts in 10^4 even where the file
    rounds the values. The residues of unquantised values are spread evenly (rms 0.29 of a step); 0.1 is the limit.
    Three values must come back: a noise-free ramp is evenly spaced too, and a step so fine that no value
    ever returns is lost in the noise and does no harm.
    """
    current = np.atleast_2d(np.asarray(current, float))
    if current.shape[1] < 3:
        return np.full(len(current), np.nan)
    found = np.empty(len(current))
    for rows in _blocks(current):
        found[rows] = _step(current[rows], returns)
    return found


def _step(current: NDArray[np.float64], returns: int) -> NDArray[np.float64]:
    """As `find_step`, of a few sweeps."""
    ordered = np.sort(current, axis=1)  # NaN last
    gaps = np.diff(ordered, axis=1)
    span = _row(np.fmax, current) - _row(np.fmin, current)
    equal = ~(gaps > 1e-9 * span)  # up to rounding
    repeated = (np.diff(equal.astype(int), axis=1, prepend=0) == 1) & np.isfinite(gaps)
    gaps[equal] = np.nan
    step = _row(np.fmin, gaps)
    for reach in (5.5, 50.0, 500.0):
        with np.errstate(invalid="ignore", divide="ignore"):
            usable = gaps <= reach * step
            codes = np.round(gaps / step)
            total = np.where(usable, codes, 0.0).sum(axis=1, keepdims=True)
            step = np.where(usable, gaps, 0.0).sum(axis=1, keepdims=True) / np.where(total > 0, total, np.nan)
    with np.errstate(invalid="ignore"):
        residue = np.where(usable, gaps / step - np.round(gaps / step), 0.0)
    rms = np.sqrt((residue**2).sum(axis=1) / np.maximum(usable.sum(axis=1), 1))
    return np.where((repeated.sum(axis=1) >= returns) & (rms < 0.1), step[:, 0], np.nan)


def common_step(current: Any) -> float:
    """Step of the converter that sweeps share [A]; NaN if there is none.

    Parameters
    ----------
    current : array_like, shape (m, n)
        Current [A].

    Notes
    -----
    The median of what the sweeps show, where more than half of them do. No value of a steep or a short sweep comes back within it
    (`find_step`): then it is looked for in the values of all sweeps, at most `LATTICE_VALUES` of them.
    """
    current = np.atleast_2d(np.asarray(current, float))
    each = find_step(current)
    known = each[np.isfinite(each)]
    if 2 * known.size > len(each):
        return float(np.median(known))
    values = current[np.isfinite(current)]
    return float(find_step(values[None, :: max(1, values.size // LATTICE_VALUES)])[0])


def longest_run(mask: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Length of the longest run of true values in each row, shape (m,).

    Parameters
    ----------
    mask : numpy.ndarray of bool, shape (m, n)
    """
    position = np.arange(1, mask.shape[1] + 1)
    last_false = np.maximum.accumulate(np.where(mask, 0, position), axis=1)
    longest: NDArray[np.int64] = np.where(mask, position - last_false, 0).max(axis=1)
    return longest


def noise_level(current: Any) -> NDArray[np.float64]:
    """Standard deviation of the point-to-point noise of each sweep [A], shape (m,), from second differences.

    Parameters
    ----------
    current : array_like, shape (m, n)
        Current [A].

    Notes
    -----
    Second differences remove the curve itself; their variance is 6 times that of white noise. The median absolute
    deviation ignores the few points at edges and jumps. Slow (1/f) noise is not seen here: it is in the scatter
    between sweeps.
    """
    current = np.atleast_2d(np.asarray(current, float))
    second = np.diff(current, n=2, axis=1)
    good = np.isfinite(second).any(axis=1) if second.shape[1] else np.zeros(len(current), bool)
    level = np.full(len(current), np.nan)
    if good.any():
        level[good] = MAD_SCALE * median_known(np.abs(second[good]), axis=1) / np.sqrt(6)
    return level


def _blocks(values: NDArray[np.float64]) -> Iterator[slice]:
    """Slices of rows (m, n) that are worked on at once: what is made of them stays in the processor's cache."""
    rows = max(1, 2**16 // max(values.shape[1], 1))
    return (slice(start, start + rows) for start in range(0, len(values), rows))


def _row(function: Any, values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Reduce each row, ignoring NaN (all NaN gives NaN, without a warning); shape (m, 1)."""
    result: NDArray[np.float64] = function.reduce(values, axis=1, keepdims=True)
    return result
