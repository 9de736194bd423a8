"""Jumps of the sweeps of a group: what each does by itself, and what it does against the median of the others."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sts.curves.robust import median_known
from sts.flags import flag_rows
from sts.quantities import with_prefix
from sts.spectra.faults.jumps import Comparison, beyond_swing, jumps_against_median, two_levels
from sts.spectra.faults.steps import has_step, own_steps

Array = NDArray[np.float64]

LEAST_STEPS = 2.0  # of the converter: less may be rounding
FEWEST = 3  # sweeps that tell what is usual
_NEAR = 3  # samples on either side that tell the current before and after a jump
_CLEAR_SIGMAS = 3.0  # of the noise: below, no factor is named


@dataclass(frozen=True, eq=False)
class Seen:
    """The sweeps of a set as they are judged; arrays are of all sweeps."""

    axis: Array  # (n,) bias [V]
    signal: Array  # (m, n) without ripple, current [A] or lock-in channel
    clean: Array  # (m, n) the same without samples at a limit (NaN)
    noise: Array  # (m,) of a sample
    ripple: Array  # (m,) amplitude that was found; NaN where none was
    has_current: bool
    step: Array  # (m,) of the converter, unit of the signal; NaN where none is seen


def jumps_of_group(
    names: list[str],
    seen: Seen,
    members: NDArray[np.int64],
    reference: NDArray[np.int64],
    comparison: Comparison | None,
    factor: float,
) -> tuple[pd.DataFrame, NDArray[np.bool_]]:
    """Flags of the sweeps that jump, and which do, (k,).

    Parameters
    ----------
    names : list of str, length k
        Of the members.
    seen : Seen
    members, reference : numpy.ndarray of int
        Rows that are judged, (k,), and those they are compared with, among which they are, (r,).
    comparison : Comparison, optional
        Of the reference with its median; None where there is none.
    factor : float
        Smallest change that is told.

    Notes
    -----
    Every sweep is judged by itself, in a group of any size. Against the median only those are called jumping that have a step
    of their own at the place: where most sweeps jump, each at its own bias, the median does, and where sites differ the edge of
    a band moves. Where the current is so small that a step would not show (in a gap, near zero bias) the levels on either side
    decide, among sweeps of one site of which fewer than half jump. A lock-in channel steps where the conductance does, so that a
    lone one is not judged.
    """
    signal, noise = seen.signal[members], seen.noise[members]
    place, size = np.full((2, members.size), np.nan)
    several = reference.size >= FEWEST
    if seen.has_current or several:
        place, size = own_steps(
            seen.axis, signal, noise, factor=factor, others=seen.signal[reference] if several else None
        )
    if comparison is not None and seen.has_current:
        found, ratio = jumps_against_median(comparison, seen.noise[reference], factor)
        found = beyond_swing(comparison, found)
        inside = np.isin(reference, members)
        found, ratio = found[inside], ratio[inside]
        before, _ = _sides(found, seen.axis, signal)
        levels = members.size == reference.size and 2 * np.isfinite(place).sum() < members.size
        for i in np.flatnonzero(np.isfinite(found) & ~np.isfinite(place)).tolist():
            at = int(np.searchsorted(seen.axis, found[i]))
            own = has_step(signal[i], at, before[i] * (ratio[i] - 1), float(noise[i]), seen.signal[reference])
            if own or (own is None and levels and two_levels(comparison, i, found[i])):
                place[i], size[i] = found[i], ratio[i]
    place = _beyond_ripple(place, seen.axis, signal, _swing(seen.ripple, reference)[members])
    place = _beyond_rounding(place, seen.axis, signal, np.where(seen.step > seen.noise, seen.step, 0.0)[members])
    doubtful = noise if seen.has_current else np.zeros(members.size)  # below which no factor is named
    return _jump_rows(names, place, size, _told(place, size, seen.axis, signal, doubtful), factor), np.isfinite(place)


def _sides(position: Array, axis: Array, signal: Array) -> tuple[Array, Array]:
    """Current of each sweep before and after its jump, (m,); NaN where it has none."""
    before, after = np.full((2, len(signal)), np.nan)
    for i in np.flatnonzero(np.isfinite(position)).tolist():
        at = int(np.searchsorted(axis, position[i]))
        sides = (signal[i, max(at - _NEAR, 0) : at], signal[i, at : at + _NEAR])
        before[i], after[i] = (float(median_known(side)) for side in sides)
    return before, after


def _beyond_ripple(position: Array, axis: Array, signal: Array, swing: Array) -> Array:
    """The positions of jumps, NaN where the current steps by no more than the ripple of that sweep swings."""
    before, after = _sides(position, axis, signal)
    return np.where(np.abs(after - before) <= 2 * np.nan_to_num(swing), np.nan, position)


def _beyond_rounding(position: Array, axis: Array, signal: Array, step: Array) -> Array:
    """The positions of jumps, NaN where no sample changes by two of the converter's steps (m,) more than those beside it do."""
    kept = position.copy()
    for i in np.flatnonzero(np.isfinite(position) & (step > 0)).tolist():
        at = int(np.searchsorted(axis, position[i]))
        change = np.abs(np.diff(signal[i]))
        beside = median_known(change[max(at - 2 * _NEAR, 0) : at + 2 * _NEAR])
        if np.nanmax(change[max(at - 2, 0) : at + 1]) - beside < (LEAST_STEPS - 0.1) * step[i]:
            kept[i] = np.nan
    return kept


def _told(position: Array, factor: Array, axis: Array, signal: Array, noise: Array) -> Callable[[int], str]:
    """What says the jump of a sweep; no factor where the current on one side is within its noise, and so may be anything."""
    before, after = _sides(position, axis, signal)

    def words(i: int) -> str:
        at, a, b = with_prefix(position[i] * 1e3, "mV", 4), before[i], after[i]
        if min(abs(a), abs(b)) < _CLEAR_SIGMAS * noise[i]:
            return f"the current steps by {with_prefix((b - a) * 1e12, 'pA')} at {at}, where it is within its noise"
        return f"the current changes by a factor of {factor[i]:.3g} at {at}"

    return words


def _jump_rows(
    names: list[str], position: Array, factor: Array, details: Callable[[int], str], smallest: float
) -> pd.DataFrame:
    with np.errstate(invalid="ignore", divide="ignore"):
        times = np.abs(np.log(factor)) / np.log(smallest)
    place = (position, position, np.nan)
    return flag_rows(names, np.isfinite(position), "jump", details, times_limit=times, place=place)


def _swing(amplitude: Array, reference: NDArray[np.int64]) -> Array:
    """Amplitude of the ripple of each sweep, (m,); that of its group where half of it or more ripples and its own was not found."""
    own = amplitude[reference]
    if 2 * np.isfinite(own).sum() < own.size:
        return amplitude
    swing = amplitude.copy()
    swing[reference] = np.where(np.isfinite(own), own, median_known(own))
    return swing
