"""Ripple of a sweep: a line of constant period in time (mains, vibration), found and measured."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.interpolate import BSpline

from sts.curves.averaging import comparison_groups
from sts.curves.electronics import find_saturation, find_step, noise_level
from sts.curves.robust import median_of_others
from sts.flags import flag_rows
from sts.quantities import with_prefix
from sts.sweeps import SweepSet

Array = NDArray[np.float64]

FALSE_ALARMS = 1e-6  # per sweep, were the level around the line known; it is estimated, and the true rate higher
_LEAST_POINTS = 32
_LEAST_PERIODS = 5  # over the sweep: slower is a bend, which any spectrum may have
_LEAST_SAMPLES = 2.5  # of a period
_SIDE = 7  # ordinates on either side that tell how high the spectrum is without the line
_SLOWEST = 2  # periods over the sweep, below which ordinates tell nothing of the level
_GUARD = 2  # next to the line, which the taper spreads
_ABOVE_NOISE = 1.0  # least amplitude, in units of the noise from point to point: below it nobody sees it in a sweep
_ABOVE_STEP = 0.5  # and of the converter's step: rounding a straight line makes a saw of 1/π of it
_ALIKE = 0.5  # largest distance of the phasor of each third of the sweep from their mean, relative to it
_ALIKE_ALONE = 0.25  # the same where no other sweep tells what is spectrum
_PERIODS_ALONE = 8
_IN_STEP = 0.02  # chance that phases by chance agree so well: below it, they do not come by chance
_SLOW = 12  # periods up to which halves are compared
_MOST_KNOTS = 40
_SAME_PERIOD = 0.02  # how well the periods of a group agree
_LEAST_OTHERS = 2  # of a group, that tell what is spectrum
_SHARE = 0.5  # of its ripple that a sweep may lose to the median of its group
_LINES = 3  # of one sweep that are looked at


@dataclass(frozen=True, eq=False)
class Ripple:
    """The line of each of m sweeps of n points; NaN, and 0 in `line`, where there is none."""

    period: Array  # (m,) in samples
    amplitude: Array  # (m,) as the signal; in the middle of the sweep
    times_limit: Array  # (m,) that amplitude over the least that is told
    line: Array  # (m, n) what it adds; 0 outside the samples that were used

    @property
    def found(self) -> NDArray[np.bool_]:
        """Which sweeps have a ripple, (m,)."""
        return np.asarray(np.isfinite(self.period))

    def set(self, row: int, span: slice, line: Array, numbers: tuple[float, float, float]) -> None:
        """Fill in the line of one sweep.

        Parameters
        ----------
        row : int
        span : slice
            The samples that were used.
        line : numpy.ndarray
            What it adds there.
        numbers : three of float
            Period, amplitude, and that over its limit.
        """
        self.period[row], self.amplitude[row], self.times_limit[row] = numbers
        self.line[row, span] = line


def find_ripple(sweeps: SweepSet, railed: NDArray[np.bool_] | None = None) -> Ripple:
    """The ripple of every sweep of a set.

    Parameters
    ----------
    sweeps : SweepSet
        Of kind ``"iv"``, recorded at equal steps in time. Its lock-in channel where there is no current.
    railed : numpy.ndarray of bool, shape (m, n), optional
        What `find_saturation` finds in them; found here if not given.

    Returns
    -------
    Ripple

    Notes
    -----
    A spectrum that oscillates does so at the same bias in every sweep; a ripple has another phase in each. So a sweep is
    looked at less the median of the others of its group; alone (fewer than two others) it must show more and clearer periods,
    and lines of a group that keep one phase (Rayleigh's test, p < 0.02) are spectrum.

    In the periodogram of second differences under a Hann taper, each ordinate is
    divided by the median of the seven to its left or to its right, whichever is higher, so that neither 1/f noise
    nor the spectrum makes a line. Significance by the first term of R. A. Fisher's test of the largest ordinate,
    Proc. R. Soc. A 125, 54 (1929), p = K (1 - g)^(K - 1), at one in a million per sweep, were the level known; it
    is estimated, so that the true rate is higher. The line must also run through all thirds of the sweep (halves,
    where it is slow) with one phase, and be as large as the noise and half the converter's step. These bounds are
    common practice, no source; the rates that they give are simulated.
    """
    signal = sweeps.signal
    if railed is None:
        railed = find_saturation(signal, full_scale=sweeps.number("full_scale_A") if sweeps.has_current else None)
    signal = np.where(railed, np.nan, signal)
    m, n = signal.shape
    found = Ripple(np.full(m, np.nan), np.full(m, np.nan), np.full(m, np.nan), np.zeros((m, n)))
    apart, alone = _apart(signal, sweeps)
    there = np.isfinite(apart)
    first, end = np.argmax(there, axis=1), n - np.argmax(there[:, ::-1], axis=1)
    spans = np.where(there.any(axis=1), first * (n + 1) + end, 0)
    for code in np.unique(spans).tolist():
        span = slice(*divmod(code, n + 1))
        if span.stop - span.start < _LEAST_POINTS:
            continue
        rows = np.flatnonzero(spans == code)
        whole, values = _without_holes(signal[rows, span]), _without_holes(apart[rows, span])
        for i, period in _candidates(values):
            row = rows[i]
            if found.found[row] or (alone[row] and values.shape[1] / period < _PERIODS_ALONE):
                continue
            if not _runs_through(values[i], period, _ALIKE_ALONE if alone[row] else _ALIKE):
                continue
            period = _refined(values[i], period)
            line, amplitude = _fit(whole[i], period)
            apart_line, apart_amplitude = _fit(values[i], period)
            amplitude = min(amplitude, apart_amplitude / _SHARE)  # the spectrum may add to the former
            noise = noise_level(values[i] - apart_line)[0]
            step = find_step(signal[row], returns=0)[0]  # a straight line passes each code once
            least = max(_ABOVE_NOISE * noise, _ABOVE_STEP * np.nan_to_num(step)) * (2 if alone[row] else 1)
            if amplitude > least:
                found.set(row, span, line, (period, amplitude, amplitude / least if least > 0 else np.nan))
    _join_group(found, signal, sweeps)
    return _without_those_in_step(found, sweeps)


def _join_group(found: Ripple, signal: Array, sweeps: SweepSet) -> None:
    """Fill in the sweeps whose ripple the others of the group hid, having nearly its phase: most of the group shows the period."""
    for members, _ in comparison_groups(sweeps):
        rows = members[found.found[members]]
        if 2 * rows.size <= members.size:
            continue
        period, amplitude = (float(np.median(v[rows])) for v in (found.period, found.amplitude))
        if np.median(np.abs(found.period[rows] - period)) > _SAME_PERIOD * period:
            continue
        for row in np.setdiff1d(members, rows).tolist():
            there = np.flatnonzero(np.isfinite(signal[row]))
            if there.size < _LEAST_POINTS:
                continue
            span = slice(int(there[0]), int(there[-1]) + 1)
            values = _without_holes(signal[row : row + 1, span])[0]
            line, own = _fit(values, period)
            if own > _SHARE * amplitude and _runs_through(values, period, _ALIKE):
                found.set(row, span, line, (period, own, own / (_SHARE * amplitude)))


def _without_those_in_step(found: Ripple, sweeps: SweepSet) -> Ripple:
    """The same less lines that keep one phase at one bias through a group: those are spectrum."""
    period = found.period.copy()
    for members, _ in comparison_groups(sweeps):
        rows = members[found.found[members]]
        if not rows.size:
            continue
        common = float(np.median(found.period[rows]))
        wave = np.exp(-2j * np.pi * np.arange(found.line.shape[1]) / common)
        phasors = (found.line[rows] * wave).sum(axis=1)
        order = abs((phasors / np.maximum(np.abs(phasors), np.finfo(float).tiny)).mean())
        if np.exp(-rows.size * order**2) < _IN_STEP:
            period[rows] = np.nan
    lost = ~np.isfinite(period)
    amplitude, times = (np.where(lost, np.nan, values) for values in (found.amplitude, found.times_limit))
    return Ripple(period, amplitude, times, np.where(lost[:, None], 0.0, found.line))


def ripple_rows(sweeps: SweepSet, ripple: Ripple) -> pd.DataFrame:
    """The flags of the sweeps that have a ripple: its period in samples, bias and (where known) time, and its amplitude.

    Parameters
    ----------
    sweeps : SweepSet
        I(V), m sweeps.
    ripple : Ripple
        Of the same sweeps.
    """
    found = ripple.found
    duration = sweeps.table["duration_s"].to_numpy(float)
    volts = float(sweeps.axis[-1] - sweeps.axis[0]) / (sweeps.axis.size - 1)
    unit = ("pA", 1e12) if sweeps.has_current else (sweeps.lockin_unit, 1.0)
    details = [
        _words(period, volts, seconds / (sweeps.axis.size - 1), amplitude * unit[1], unit[0]) if there else ""
        for there, period, amplitude, seconds in zip(found, ripple.period, ripple.amplitude, duration, strict=True)
    ]
    size = ripple.amplitude if sweeps.has_current else np.nan
    return flag_rows(
        sweeps.names, found, "ripple", details, times_limit=ripple.times_limit, place=(np.nan, np.nan, size)
    )


def _words(period: float, volts: float, seconds: float, amplitude: float, unit: str) -> str:
    bias = f"{period:.3g} samples, {with_prefix(period * volts * 1e3, 'mV')}"
    time = f"{with_prefix(period * seconds * 1e3, 'ms')} ({1 / (period * seconds):.3g} Hz), " if seconds > 0 else ""
    return f"amplitude {amplitude:.3g} {unit}, period {time}{bias}"


def _apart(signal: Array, sweeps: SweepSet) -> tuple[Array, NDArray[np.bool_]]:
    """Each sweep (m, n) less the median of the others of its group, brought to its level; and which (m,) have too few others."""
    apart, alone = signal.copy(), np.ones(len(signal), bool)
    usable = np.asarray(np.isfinite(signal).any(axis=1))
    for members, reference in comparison_groups(sweeps):
        good = reference[usable[reference]]
        rows = members[good.size - np.isin(members, good) >= _LEAST_OTHERS]
        if not rows.size:
            continue
        own = signal[rows]
        middle = median_of_others(signal[good], own, np.isin(rows, good))
        there = np.isfinite(own * middle)
        size, product = (np.where(there, middle * by, 0.0).sum(axis=1) for by in (middle, own))
        level = np.divide(product, size, out=np.zeros(rows.size), where=size > 0)
        apart[rows], alone[rows] = own - level[:, None] * middle, False
    return apart, alone


def _candidates(values: Array) -> list[tuple[int, float]]:
    """Row and period, in samples, of the lines that are significant, in each row the highest first."""
    size = values.shape[1] - 2
    power = np.abs(np.fft.rfft(np.diff(values, n=2, axis=1) * np.hanning(size + 2)[1:-1], axis=1)) ** 2
    power[:, 1:] /= (2 * np.sin(np.pi * np.arange(1, power.shape[1]) / size)) ** 4  # what differences do to each period
    low, high = _LEAST_PERIODS, int(size / _LEAST_SAMPLES)
    relative = (power / _level(power))[:, low : high + 1]
    found = []
    for _ in range(_LINES):  # a bend of the spectrum may stand above the line
        count = relative.shape[1]
        share = relative.max(axis=1) / np.maximum(relative.sum(axis=1), np.finfo(float).tiny)
        for i in np.flatnonzero(count * (1 - share) ** (count - 1) < FALSE_ALARMS).tolist():
            at = int(np.argmax(relative[i]))
            found.append((i, size / (low + at + _between(power[i, low + at - 1 : low + at + 2]))))
            relative[i, max(at - _GUARD, 0) : at + _GUARD + 1] = 0.0
    return found


def _level(power: Array) -> Array:
    """Mean of the power around each ordinate without a line, from the medians of either side; shape of `power`."""
    reach = _SIDE + _GUARD
    slow = np.arange(power.shape[1]) < _SLOWEST  # what the sweep does as a whole is no measure of the noise
    padded = np.pad(np.where(slow, np.nan, power), [(0, 0), (reach, reach)], constant_values=np.nan)
    windows = sliding_window_view(padded, 2 * reach + 1, axis=1)
    level = np.fmax(_middle(windows[..., :_SIDE]), _middle(windows[..., -_SIDE:])) / np.log(2)  # of noise: median, mean
    return np.where(level > 0, level, np.inf)


def _middle(windows: Array) -> Array:
    """The (lower) median of the finite values of each window; NaN where there is none."""
    ordered = np.sort(windows, axis=-1)  # NaN last
    at = np.maximum(np.isfinite(ordered).sum(axis=-1, keepdims=True) - 1, 0) // 2
    return np.asarray(np.take_along_axis(ordered, at, axis=-1)[..., 0])


def _between(three: Array) -> float:
    """Place of the maximum of the logarithm about the middle of three ordinates."""
    left, middle, right = np.log(np.maximum(three, np.finfo(float).tiny))
    bend = left - 2 * middle + right
    return float(np.clip(0.5 * (left - right) / bend, -0.5, 0.5)) if bend < 0 else 0.0


def _refined(values: Array, period: float) -> float:
    """The period about this one whose sinusoid leaves least, beside the smooth curve: the taper's maximum is 1 % good."""
    n = values.size
    curve = _smooth(n, period)
    shifts = np.array([-0.2, 0.0, 0.2])  # of a period over the sweep
    left = []
    for shift in shifts:
        parts = [_waves(n, n / (n / period + shift)), curve]
        rest = values - np.column_stack(parts) @ _least_squares(parts, values)
        left.append(float(rest @ rest))
    bend = left[0] - 2 * left[1] + left[2]
    best = 0.1 * (left[0] - left[2]) / bend if bend > 0 else 0.0
    return float(n / (n / period + np.clip(best, -0.5, 0.5)))


def _fit(values: Array, period: float) -> tuple[Array, float]:
    """The sinusoid of this period beside a smooth curve, its two amplitudes drifting evenly; and its amplitude in the middle."""
    n = values.size
    time = np.arange(n)
    drift = (time - (n - 1) / 2) / n
    waves = _waves(n, period)
    columns = np.column_stack([waves, waves * drift[:, None]])
    sizes = _least_squares([columns, _smooth(n, period)], values)[:4]
    return columns @ sizes, float(np.hypot(sizes[0], sizes[1]))


def _runs_through(values: Array, period: float, alike: float) -> bool:
    """Whether the line has the same amplitude and phase, roughly, in each third (half, if it is slow) of the sweep."""
    n = values.size
    parts = 3 if n / period > _SLOW else 2
    waves, place = _waves(n, period), np.arange(n) * parts // n
    columns = [waves * (place == k)[:, None] for k in range(parts)]
    sizes = _least_squares([*columns, _smooth(n, 2 * period)], values)[: 2 * parts].reshape(parts, 2)
    phasors = sizes[:, 0] + 1j * sizes[:, 1]
    mean = phasors.mean()
    return bool((np.abs(phasors - mean) < alike * abs(mean)).all())


def _least_squares(parts: list[Array], values: Array) -> Array:
    """Sizes of the columns of all parts together, by the normal equations (the columns are all about 1 in size)."""
    columns = np.column_stack(parts)
    return np.asarray(np.linalg.lstsq(columns.T @ columns, columns.T @ values, rcond=1e-12)[0])


def _waves(n: int, period: float) -> Array:
    phase = 2 * np.pi * np.arange(n) / period
    return np.column_stack([np.cos(phase), np.sin(phase)])


def _smooth(n: int, period: float) -> Array:
    """Columns (n, k) of a cubic spline with one knot a period, or forty over the sweep."""
    pieces = int(np.clip(n / period, 3, _MOST_KNOTS))
    inner: Any = np.linspace(0, n - 1, pieces + 1)
    knots = np.r_[[0] * 3, inner, [n - 1] * 3]
    return np.asarray(BSpline.design_matrix(np.arange(n, dtype=float), knots, 3).toarray())


def _without_holes(values: Array) -> Array:
    """Holes between good samples bridged by straight lines."""
    filled = values.copy()
    places = np.arange(values.shape[1])
    for i in np.flatnonzero(~np.isfinite(values).all(axis=1)):
        row = filled[i]
        bad = ~np.isfinite(row)
        row[bad] = np.interp(places[bad], places[~bad], row[~bad])
    return filled
