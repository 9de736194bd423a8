"""Amplifier lag in I(z): the flattened start of a ramp, told from drift by its shape.

An amplifier with one pole of time constant τ follows the ramp I = A exp(-2κ v t) late. With k = 2κvτ, solving
τ dy/dt + y = I from rest gives, where x = 2κ(z - z0) is counted from the start of the retract ramp and L is its
value at the far end,

    retract:   y = A [exp(-x) - k exp(-x/k)] / (1 - k)
    approach:  y = A [exp(-x) + k exp(-L - (L - x)/k)] / (1 + k).

Each is the right exponential and a transient of the length vτ. Approach is right at once, since its current grows away
from the transient; retract reads low until the transient has died, and for ever where k >= 1. Drift gives two pure
exponentials of different slope: a straight line in ln(retract/approach), where lag gives a transient of known shape.
A feedback that lets go late, or a piezo that creeps at first, flattens the start in much the same way. Hysteresis of the
piezo bends the two directions against each other over the whole range, which no short transient describes; the mean of
both is free of it, and it is left alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from sts.barrier import exponential as engine
from sts.barrier.blocks import Array, Mask, Rows
from sts.barrier.log_ratio import Ratio, ln_transient
from sts.barrier.masks import Masks
from sts.barrier.pooled_noise import NoiseModel
from sts.barrier.straightness import is_straight
from sts.curves.averaging import site_columns
from sts.curves.distributions import student_above
from sts.sweeps import SweepSet

MOST_SWEEPS = 64  # of a ramp speed that its lag is looked for in
SEEN = 10.0  # times the noise without current: below this the logarithm of a current says little
LENGTHS = np.geomspace(0.004, 1.0, 48)  # transient lengths tried, as shares of the range
FALSE_ALARM = 1e-4  # one-sided level of the test, strict since the best of many lengths is taken
WHITE_REPEATS = 4  # that the noise about the fits counts for, beside the scatter between repeats
STRANGE = 3.0  # times the median misfit: such a curve (a jump) does not count
LEFT_SHARE, LEFT_NOISE = 1e-3, 0.1  # a transient below this share of the signal, or of the noise, does no harm
MODEL = 0.05  # relative uncertainty of a lag from taking it for one pole
BENT, APART = 0.5, 0.25  # longer transients are no different from hysteresis, unless the slopes differ by this share
SURELY = 0.5  # nothing else than a lag makes the slopes of retract lower by so large a share
LONGEST = 0.5  # share of the visible range; where a transient covers more, a retract sweep has no slope left


@dataclass(frozen=True)
class Ramp:
    """Rows of the sweeps of one ramp speed, and those that its lag is looked for in."""

    retracts: Rows
    approaches: Rows
    retract: Rows  # (p,)
    approach: Rows  # (p,) of the same repeats, or empty where no repeat has both directions

    @property
    def rows(self) -> Rows:
        """All sweeps of this speed."""
        return np.concatenate([self.retracts, self.approaches])


@dataclass(frozen=True, eq=False)
class Logarithms:
    """ln of tunnelling currents, shape (p, n): value (0 where lost in noise), weight (0 there), fitted decay (p,)."""

    value: Array
    weight: Array
    decay: Array
    noise: Array  # (p,) standard deviation without current, as a share of the current at u = 0


@dataclass(frozen=True)
class Lag:
    """Lag of one ramp speed."""

    length: float  # of the transient, vτ, as a share of the range
    length_se: float
    decay: float  # 2κ times the range
    noise: float  # as in `Logarithms`
    pairs: bool  # seen between two directions; else from the shape of retract alone

    @property
    def too_long(self) -> bool:
        """Whether the transient leaves too little of a retract sweep to read a slope from."""
        visible = min(1.0, float(np.log(1 / max(self.noise, 1e-12))) / self.decay)
        u = np.linspace(0, visible, 400)
        return bool(self.spoils(u, approach=False).mean() > LONGEST)

    def spoils(self, u: Array, *, approach: bool) -> Mask:
        """Samples, shape (n,), where the transient is more than a thousandth of the signal and a tenth of the noise.

        Parameters
        ----------
        u : ndarray, shape (n,)
            Height from the start of retract, as a share of the range.
        approach : bool
            Which direction is meant.
        """
        k, x = self.decay * self.length, self.decay * u
        late = np.exp(-self.decay - (self.decay - x) / k) if approach else np.exp(-x / k)
        return np.asarray(k * late > np.maximum(LEFT_SHARE * np.exp(-x), LEFT_NOISE * self.noise))


@dataclass(frozen=True, eq=False)
class Lags:
    """Lag of m sweeps; NaN where none is seen."""

    length: Array  # (m,) of the transient [m]
    time: Array  # (m,) time constant [s]; NaN too where the duration is unknown
    time_se: Array  # (m,) its standard uncertainty [s]
    by_pairs: Mask  # (m,) seen between two directions; else from the shape of retract alone
    too_long: Mask  # (m,) it leaves too little of the sweep to read a slope from
    doubted: Mask  # (m,) it would, but the other direction is not straight either
    masked: Rows  # (m,) number of samples that were masked for it


def find_lags(sweeps: SweepSet, masks: Masks, noise: NoiseModel, *, straight: Mask | None = None) -> tuple[Lags, Masks]:
    """Look for a lag at each ramp speed, and mask what it spoils.

    Parameters
    ----------
    sweeps : SweepSet
        m sweeps on n heights.
    masks : Masks
        What else is masked.
    noise : NoiseModel
        Of the sweeps.
    straight : ndarray of bool, shape (m,), optional
        Not those whose ramps something else bends; all if not given.

    Returns
    -------
    (Lags, Masks)
        The masks as they are with the lag.
    """
    m, (u, span) = len(sweeps), engine.scaled_height(sweeps.axis)
    length, error = np.full(m, np.nan), np.full(m, np.nan)  # over the range
    by_pairs, too_long, doubted = np.zeros(m, bool), np.zeros(m, bool), np.zeros(m, bool)
    spoilt = np.zeros(masks.usable.shape, bool)
    for ramp in _ramps(sweeps.table, noise.group):
        if straight is not None and not straight[ramp.rows].all():
            continue
        retract = _logarithms(sweeps, masks, noise, ramp.retract)
        approach = _logarithms(sweeps, masks, noise, ramp.approach) if ramp.approach.size else None
        lag = find_lag(u, retract, approach)
        if lag is None or (lag.too_long and not lag.pairs):  # such a bend is as likely the barrier's
            continue
        length[ramp.rows], error[ramp.rows], by_pairs[ramp.rows] = lag.length, lag.length_se, lag.pairs
        if lag.too_long:
            proved = approach is not None and (
                _apart(retract.decay, approach.decay, SURELY)
                or is_straight(masks.samples(sweeps, ramp.approach), noise.of(ramp.approach))
            )
            (too_long if proved else doubted)[ramp.retracts] = True
        else:
            spoilt[ramp.retracts] |= lag.spoils(u, approach=False)
            spoilt[ramp.approaches] |= lag.spoils(u, approach=True)
    duration = sweeps.table["duration_s"].to_numpy(float)
    left = masks.without(spoilt, "lag") if spoilt.any() else masks
    masked = masks.points - left.points
    lags = Lags(length * span, length * duration, error * duration, by_pairs, too_long, doubted, masked)
    return lags, left


def _ramps(table: pd.DataFrame, group: Rows) -> Iterator[Ramp]:
    """The ramp speeds of a set among the sweeps that share noise: `group`, shape (m,)."""
    key = [*site_columns(table), "repeat"]
    sweeps = table[[*key, "direction", "duration_s"]].assign(row=np.arange(len(table)), group=group)
    with np.errstate(divide="ignore", invalid="ignore"):  # durations within 2 % are of one ramp speed
        sweeps["speed"] = np.round(np.log(sweeps["duration_s"].to_numpy(float)) / 0.02)
    for _, ramp in sweeps.groupby(["group", "speed"], dropna=False, sort=False):
        retract, approach = (ramp[ramp["direction"] == d] for d in ("retract", "approach"))
        if retract.empty:
            continue
        known = retract[np.isfinite(retract["repeat"])].drop_duplicates(key)
        pairs = known.merge(approach.drop_duplicates(key), on=key, suffixes=("", "_approach"))
        looked = pairs if len(pairs) else retract.assign(row_approach=-1)
        looked = looked.iloc[:: -(-len(looked) // MOST_SWEEPS)]
        yield Ramp(
            retract["row"].to_numpy(), approach["row"].to_numpy(), looked["row"].to_numpy(),
            looked["row_approach"].to_numpy() if len(pairs) else np.empty(0, int),
        )  # fmt: skip


def _logarithms(sweeps: SweepSet, masks: Masks, noise: NoiseModel, rows: Rows) -> Logarithms:
    """ln(signal + residual) of some sweeps where the signal stands clear of the noise."""
    samples, own = masks.samples(sweeps, rows), noise.of(rows)
    fitted = engine.fit(engine.start(samples), samples, own.variance)
    signal, residual, decay = fitted.products.signal, fitted.products.residual, fitted.curve.decay
    clear = (decay > 0) & fitted.curve.good
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        above = np.abs(signal) > SEEN * own.electronics[:, None]
        seen = (samples.usable > 0) & above & (residual / signal > -1) & clear[:, None]
        value = np.where(seen, np.log1p(residual / signal) + np.log(np.abs(signal)), 0.0)
        weight = np.where(seen, signal**2 / fitted.variance, 0.0)
        return Logarithms(value, weight, np.where(decay > 0, decay, np.nan), own.electronics / np.abs(signal[:, 0]))


def find_lag(u: Array, retract: Logarithms, approach: Logarithms | None) -> Lag | None:
    """Look for the transient of a lag in p sweeps of one ramp speed.

    Parameters
    ----------
    u : ndarray, shape (n,)
        Scaled height, 0 to 1.
    retract, approach : Logarithms
        Of the same repeats; without `approach`, the lag is looked for in the shape of retract alone.

    Returns
    -------
    Lag or None
        None where no transient is significant.

    Notes
    -----
    Least squares of ln(retract/approach) with a constant and a slope of its own for each repeat (drift), and one
    transient length for all; without approach, of ln(retract) with a parabola, since the barrier itself may bend. The
    gain over no transient is tested by the scatter about the fits and that between repeats together: few repeats do not
    tell their scatter, and the scatter about the fits does not know of slow noise.
    """
    pairs = approach is not None
    value, weight, decay, noise = retract.value, retract.weight, retract.decay, retract.noise
    if approach is not None:
        both = (weight > 0) & (approach.weight > 0)
        value = value - approach.value
        with np.errstate(divide="ignore"):
            weight = np.where(both, 1 / (1 / weight + 1 / approach.weight), 0.0)
        decay, noise = approach.decay, approach.noise
    powers = 2 if pairs else 3
    freedom = (weight > 0).sum(axis=1) - powers - 1
    some = np.flatnonzero((freedom > 2) & np.isfinite(decay))
    if not some.size:
        return None
    ratio = Ratio(u, value[some], np.sqrt(weight[some]), decay[some], powers)
    length, error = _fit_length(ratio, freedom[some], pairs=pairs) or (0.0, 0.0)
    if not length or (length > BENT and not _apart(retract.decay, ratio.decay)):
        return None
    return Lag(length, error, float(np.median(ratio.decay)), float(np.nanmedian(noise[some])), pairs)


def _fit_length(ratio: Ratio, freedom: Rows, *, pairs: bool, periods: float = 0.0) -> tuple[float, float] | None:
    """Length of the transient and its standard uncertainty, beside a line of so many periods; None where there is none.

    Where a line of constant period (mains) runs through what is left, it must be significant beside such a line, too.
    """
    decay, rest = ratio.decay, ratio.rest(periods)
    data = rest(ratio.value)
    shapes = [rest(_transient(ratio.u, decay, length, pairs=pairs)) for length in LENGTHS]
    misfit = np.stack([np.vecdot(data - shape, data - shape) for shape in shapes])  # (lengths, p)
    reduced = misfit.min(axis=0) / freedom
    counted = reduced <= STRANGE * np.median(reduced)
    total = misfit[:, counted].sum(axis=1)
    if np.argmin(total) == 0:  # shorter than a sample or two: no harm, and no telling
        return None
    best = min(int(np.argmin(total)), LENGTHS.size - 2)
    chi2 = max(float(total[best] / freedom[counted].sum()), 1e-12)
    widening = _widening(data[counted], shapes[best][counted], chi2)
    # A parabola through the best length and its neighbours, on the logarithm they are spaced by.
    step = float(np.log(LENGTHS[1] / LENGTHS[0]))
    low, middle, high = total[best - 1 : best + 2] / chi2
    bend = float(low - 2 * middle + high) / step**2
    if widening is None or bend <= 0:
        return None
    length = float(LENGTHS[best] * np.exp(np.clip((low - high) / (2 * step * bend), -step, step)))
    line = 0.0 if periods else ratio.line((data - shapes[best]) * counted[:, None], chi2)
    if line and _fit_length(ratio, freedom, pairs=pairs, periods=line) is None:
        return None
    return length, length * float(np.hypot(np.sqrt(2 / bend) * widening, MODEL))


def _apart(retract: Array, approach: Array, share: float = APART) -> bool:
    """Whether the retract slopes are so much lower that hysteresis of the scanner cannot be the cause."""
    return bool(np.nanmedian(retract) < (1 - share) * np.nanmedian(approach))


def _widening(data: Array, shape: Array, chi2: float) -> float | None:
    """Standard error of the shape's size relative to that of white noise (>= 1); None where it is not significant."""
    power = np.vecdot(shape, shape)
    if not power.sum() > 0:
        return None
    each = np.vecdot(shape, data) / np.maximum(power, 1e-300)
    size = float(power @ each / power.sum())
    white, count = chi2 / power.sum(), len(each)
    scatter = count * (power**2 @ (each - size) ** 2) / power.sum() ** 2  # (count - 1) times the variance of `size`
    freedom = WHITE_REPEATS + count - 1
    variance = float((WHITE_REPEATS * white + scatter) / freedom)
    if student_above(size / np.sqrt(variance), freedom) > FALSE_ALARM:
        return None
    return max(1.0, float(np.sqrt(variance / white)))


def _transient(u: Array, decay: Array, length: float, *, pairs: bool) -> Array:
    """ln of what a lag multiplies the current by, retract over approach (`pairs`) or retract alone, shape (p, n)."""
    retract, approach = ln_transient(u, decay, length)
    return retract - approach if pairs else retract
