"""The noise of the sweeps of one tip, found together; and that of a sweep whose noise is clearly not that of its tip."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sts.barrier import exponential as engine
from sts.barrier.blocks import Array, Mask, Rows, blocks, joined, replaced, take
from sts.barrier.exponential import PARAMETERS, Exponential, Fitted, Samples
from sts.barrier.masks import Masks
from sts.barrier.noise import (
    CLIP,
    CLIP_MEAN,
    NoiseSums,
    PooledNoise,
    fitted_base,
    noise_sums,
    solve_cautiously,
    solve_noise,
)  # fmt: skip
from sts.barrier.slow_noise import ENOUGH, Covariance, find_covariances
from sts.barrier.straightness import jumping
from sts.barrier.whitened import Whitened, slow_correlation
from sts.curves.electronics import find_step
from sts.quantities import MAD_SCALE
from sts.sweeps import SweepSet

NOISE_ROUNDS = 4
NOISE_SWEEPS = 300  # of a group that its noise is found from
NOISE_GROUP = ("sample", "tip", "unassigned", "full_scale_A")  # sweeps that share their noise
UNUSUAL = 3.0  # standard deviations by which a sweep's noise must differ from its group's to be taken as its own
OWN_POINTS, PRIOR_POINTS, OWN_ROUNDS = 20, 15.0, 2
SIGNIFICANT = 3 * 1.25  # standard errors of a mean: a median scatters 1.25 times as much (normal distribution)
LITTLE = 200  # degrees of freedom of a group below which its noise of the gap is not taken at its best value alone
LEAST_SHARE = 0.1  # of the variance seen at the far end that the electronics have at least: a misfit may say none


@dataclass(frozen=True, eq=False)
class NoiseModel:
    """The noise of a set of m sweeps in g groups."""

    pooled: PooledNoise  # of the g groups
    group: Rows  # (m,) which of them a sweep belongs to
    along: Mapping[int, Covariance]  # how that of each group goes on along the ramp; of groups with fits

    def of(self, rows: Any) -> PooledNoise:
        """The noise of some sweeps.

        Parameters
        ----------
        rows : index
            Slice or positions (k,).
        """
        return take(self.pooled, self.group[rows])

    def widening(self, times: Array, duration: Array) -> NDArray[np.object_]:
        """In words, by how much intervals are widened where noise is slow, and the line that there is; (m,).

        Parameters
        ----------
        times, duration : ndarray, shape (m,)
            By how much; of each sweep [s].
        """
        texts, slow = np.full(len(times), "", object), self.pooled.slow[self.group]
        for row in np.flatnonzero(slow):
            texts[row] = f"interval widened × {times[row]:.1f}"
        for group, found in self.along.items():
            if np.isfinite(found.periods):
                for row in np.flatnonzero(slow & (self.group == group)):
                    frequency = f" ({found.periods / duration[row]:.2g} Hz)" if duration[row] > 0 else ""
                    texts[row] += f"; with a line of {found.periods:.3g} periods along the ramp{frequency}"
        return texts


@dataclass(frozen=True, eq=False)
class _Part:
    """A block of the sweeps that the noise is found from, as it is fitted so far."""

    samples: Samples
    group: Rows  # (k,)
    curve: Exponential
    spread: Array  # (k,) mean squared residual in units of the noise, jumps clipped; NaN before the first fit


def noise_groups(sweeps: SweepSet) -> Rows:
    """The group of each sweep whose sweeps share their noise, shape (m,).

    Parameters
    ----------
    sweeps : SweepSet
    """
    names = [name for name in NOISE_GROUP if name in sweeps.table]
    codes = [pd.factorize(sweeps.table[name], use_na_sentinel=False)[0] for name in names]
    whole = np.ravel_multi_index(codes, [code.max() + 1 for code in codes])
    return np.asarray(np.unique(whole, return_inverse=True)[1])


def find_noise(sweeps: SweepSet, masks: Masks, group: Rows, *, never_white: bool = False) -> NoiseModel:
    """Noise of each group from a sample of its sweeps: 300 sweeps tell it to a percent.

    Parameters
    ----------
    sweeps : SweepSet
    masks : Masks
        Of its m sweeps.
    group : ndarray of int, shape (m,)
        Of `noise_groups`.
    never_white : bool
        Allow for slow noise that is too weak to be significant: it matters where a sweep covers few decades.

    Notes
    -----
    Fits and variance terms in turn (`sts.barrier.noise`), from uniform noise on. Sweeps that scatter more than three
    times as much as is usual do not count.
    """
    # Drawn, not every k-th: directions and sites follow each other at fixed steps. Always the same draw.
    enough = masks.points > PARAMETERS + 1
    drawn = np.random.default_rng(0).permutation(np.flatnonzero(enough if enough.any() else ~enough))
    drawn = np.sort(drawn[pd.Series(group[drawn]).groupby(group[drawn]).cumcount() < NOISE_SWEEPS])
    places = [drawn[part] for part in blocks(drawn.size, sweeps.axis.size)]
    parts = [_first_part(masks.samples(sweeps, rows), group[rows]) for rows in places]
    pooled = _first_noise(sweeps.current[drawn], masks.largest[drawn], parts, int(group.max()) + 1)
    for _ in range(NOISE_ROUNDS):
        counted = _counted(parts)
        rounds = [_next(part, pooled, count) for part, count in zip(parts, counted, strict=True)]
        parts = [part for part, _ in rounds]
        total = sum((sums for _, sums in rounds[1:]), start=rounds[0][1])
        sure, careful = (by(total, pooled.scale, pooled.floor) for by in (solve_noise, solve_cautiously))
        known = _freedom(parts, counted, len(sure))[:, None]
        terms = np.where(known < LITTLE, careful, sure)
        pooled = replace(pooled, terms=np.where(known > 0, terms, pooled.terms))
    correlation, memory, drift = _slow(parts, pooled)
    along = _covariances(parts, pooled)
    evident = np.array([number in along and along[number].clear for number in range(len(pooled.terms))])
    slow = (correlation > 0) | (memory > 0) | (drift > 0) | evident | never_white
    return NoiseModel(replace(pooled, correlation=correlation, slow=slow), group, along)


def _freedom(parts: Sequence[_Part], counted: Sequence[Mask], groups: int) -> Array:
    """Degrees of freedom that the residuals of each group have, shape (g,)."""
    each = [
        np.bincount(part.group, np.maximum(part.samples.points - PARAMETERS, 1) * (count & part.curve.good), groups)
        for part, count in zip(parts, counted, strict=True)
    ]
    return np.asarray(np.sum(each, axis=0))


def _first_part(samples: Samples, group: Rows) -> _Part:
    return _Part(samples, group, engine.start(samples), np.full(len(group), np.nan))


def _first_noise(current: Array, largest: Array, parts: Sequence[_Part], groups: int) -> PooledNoise:
    """Uniform noise from the residuals of the unweighted start, with 2 % gap noise: only a start."""
    frame = pd.DataFrame({"largest": largest, "step": np.nan_to_num(find_step(current))})
    frame["level"] = np.concatenate([_level(part) for part in parts])
    frame["quiet"] = np.concatenate([_far_noise(part) for part in parts])
    good = np.concatenate([part.curve.good for part in parts]) & np.isfinite(frame["level"].to_numpy())
    group = np.concatenate([part.group for part in parts])
    median = frame[good].groupby(group[good]).median().reindex(range(groups))
    scale = median["largest"].fillna(1.0).to_numpy(float)
    step = frame["step"].groupby(group).median().reindex(range(groups)).to_numpy(float)
    quiet_floor = LEAST_SHARE * median["quiet"].fillna(0.0).to_numpy(float) ** 2
    floor = np.maximum.reduce([step**2 / 12, (1e-10 * scale) ** 2, quiet_floor])
    alpha = np.maximum(median["level"].fillna(0.0).to_numpy(float) ** 2, floor)
    terms = np.stack([alpha, np.zeros(groups), np.full(groups, 4e-4)], axis=1)
    return PooledNoise(terms, scale, step, floor, np.zeros(groups), np.zeros(groups, bool))


def _next(part: _Part, pooled: PooledNoise, counted: Mask) -> tuple[_Part, NoiseSums]:
    """The part fitted with this noise, and what it says about the noise."""
    samples = part.samples
    found = engine.fit(part.curve, samples, take(pooled, part.group).variance)
    products, points = found.products, np.maximum(samples.points, 1)
    square = np.minimum(products.residual**2 / found.variance, CLIP)
    spread = np.vecdot(samples.usable, square) / points
    use = samples.usable * (counted & found.curve.good)[:, None]
    base = fitted_base(products.signal, products.weight, samples.u)
    sums = noise_sums(products.residual, products.signal, found.variance, use, part.group, pooled.scale, base)
    return replace(part, curve=found.curve, spread=spread), sums


def _counted(parts: Sequence[_Part]) -> list[Mask]:
    """Sweeps that count for the noise of their group: those that scatter no more than three times the usual."""
    good, spread, group = (
        np.concatenate(values) for values in zip(*((p.curve.good, p.spread, p.group) for p in parts), strict=True)
    )
    known, usual = np.where(good, spread, np.nan), np.full(len(group), np.nan)
    for number in np.unique(group):
        usual[group == number] = _middle(known[group == number])
    with np.errstate(invalid="ignore"):
        counted = good & ~(spread > 3 * usual + 1e-300)
    return np.split(counted, np.cumsum([len(part.group) for part in parts])[:-1])


def _residual(part: _Part) -> Array:
    """Measured minus fitted [A], NaN where masked, shape (k, n)."""
    residual = part.samples.current - part.curve.signal(part.samples.u) - part.curve.offset[:, None]
    return np.where(part.samples.usable > 0, residual, np.nan)


def _level(part: _Part) -> Array:
    """Standard deviation of the residuals, jumps and the like apart, shape (k,)."""
    return np.asarray(MAD_SCALE * _row_median(np.abs(_residual(part))))


def _far_noise(part: _Part) -> Array:
    """Standard deviation of the noise over the last fifth of the range, from second differences, shape (k,).

    Of the residuals: over a few points the current itself bends more than the noise.
    """
    last = slice(-max(5, part.samples.u.size // 5), None)
    bend = np.abs(np.diff(_residual(part)[:, last], 2, axis=1))
    return np.asarray(MAD_SCALE * _row_median(bend) / np.sqrt(6))


def _row_median(values: Array) -> Array:
    """Median of each row, NaN ignored; rows without any number give NaN."""
    ordered = np.sort(values, axis=1)
    count = np.isfinite(ordered).sum(axis=1)
    middle = np.maximum(count - 1, 0) // 2
    median: Array = np.where(count > 0, ordered[np.arange(len(values)), middle], np.nan)
    return median


def _slow(parts: Sequence[_Part], pooled: PooledNoise) -> list[Array]:
    """Slow noise of each group: the median correlation of its sweeps (g,), of the gap, of all other noise, and over a distance."""
    found = []
    for part in parts:
        noise, signal = take(pooled, part.group), part.curve.signal(part.samples.u)
        residual = part.samples.current - signal - part.curve.offset[:, None]
        found.append(slow_correlation(signal, residual, noise.variance(signal), part.samples.usable, noise.terms[:, 2]))
    counted = np.concatenate(_counted(parts))
    each, spread = (np.concatenate(values, axis=1)[:, counted] for values in zip(*found, strict=True))
    group = np.concatenate([part.group for part in parts])[counted]
    return [_significant(c, s, group, len(pooled.terms)) for c, s in zip(each, spread, strict=True)]


def _covariances(parts: Sequence[_Part], pooled: PooledNoise) -> dict[int, Covariance]:
    """Of each group, from its sweeps that count and do not jump, where enough are left: a jump goes on along the ramp as well."""
    whites, groups, jumps = [], [], []
    for part, counted in zip(parts, _counted(parts), strict=True):
        rows = np.flatnonzero(counted)
        samples, noise = part.samples.rows(rows), take(pooled, part.group[rows])
        fitted = engine.evaluated(take(part.curve, rows), samples, noise.variance)
        whites.append(Whitened.of(samples, fitted, noise))
        groups.append(part.group[rows])
        jumps.append(jumping(samples.u, fitted.products))
    group, jump = np.concatenate(groups), np.concatenate(jumps)
    if not group.size:
        return {}
    left, whole = (np.bincount(some, minlength=len(pooled.terms)) for some in (group[~jump], group))
    enough = left >= np.maximum(ENOUGH, whole / 2)
    kept = ~(jump & enough[group])
    return find_covariances(joined(whites).rows(np.flatnonzero(kept)), group[kept])


def _significant(each: Array, spread: Array, group: Rows, groups: int) -> Array:
    """Median correlation of each group (g,), 0 where white noise may give it; small groups go by all sweeps together."""
    clear = each.size > 0 and _middle(each) > SIGNIFICANT * _middle(spread) / np.sqrt(each.size)
    found = np.zeros(groups)
    for number in np.unique(group):
        rows = group == number
        size, median = np.count_nonzero(rows), _middle(each[rows])
        few = size < ENOUGH and median > 0 and clear
        if few or median > SIGNIFICANT * _middle(spread[rows]) / np.sqrt(size):
            found[number] = median
    return found


def _middle(values: Array) -> float:
    """Median of what is known; NaN where nothing is."""
    known = values[~np.isnan(values)]
    return float(np.median(known)) if known.size else np.nan


def own_noise(samples: Samples, found: Fitted, noise: PooledNoise) -> tuple[Fitted, PooledNoise]:
    """Fits and noise of a block, where sweeps whose noise is clearly not that of their group have noise of their own.

    Parameters
    ----------
    samples : Samples
        Of m sweeps.
    found : Fitted
        With the noise of their groups.
    noise : PooledNoise
        Of the m sweeps.

    Notes
    -----
    Noise is seen in the differences of neighbours, which jumps and misfits hardly touch. Where it is slow these
    say too little, and the group's terms stay.
    """
    products, usable = found.products, samples.usable
    both = usable[:, 1:] * usable[:, :-1]
    step = np.diff(products.residual, axis=1) / np.sqrt(2)
    share = both * (noise.terms[:, 2, None] * products.signal[:, 1:] ** 2 / found.variance[:, 1:])
    excess = np.minimum(step**2 / found.variance[:, 1:], CLIP) / CLIP_MEAN - 1
    with np.errstate(divide="ignore", invalid="ignore"):
        # The variance of (Δe)²/2 is 2, and its neighbours share half a unit each: 3 in sums.
        unusual = [np.vecdot(part, excess) / np.sqrt(3 * np.vecdot(part, part)) for part in (share, both - share)]
    apart = np.fmax(*np.abs(unusual)) > UNUSUAL
    white = ~noise.slow
    some = np.flatnonzero(apart & found.curve.good & white & (both.sum(axis=1) >= OWN_POINTS))
    if not some.size:
        return found, noise
    fitted, own = _refitted(samples.rows(some), both[some], take(found.curve, some), take(noise, some))
    return replaced(found, some, fitted), replaced(noise, some, own)


def _refitted(samples: Samples, both: Array, curve: Exponential, noise: PooledNoise) -> tuple[Fitted, PooledNoise]:
    """Fits of k sweeps with noise of their own; `both` (k, n - 1) is 1 where a sample and the one before are usable."""
    alone = np.arange(len(both))
    pooled = noise.terms / np.stack([noise.scale**2, noise.scale, np.ones_like(noise.scale)], axis=1)
    # The group's terms count as much as PRIOR_POINTS samples, so that no term is left undetermined.
    weight = PRIOR_POINTS / both.sum(axis=1)
    for _ in range(OWN_ROUNDS):
        signal = curve.signal(samples.u)
        step = np.diff(samples.current - signal, axis=1) / np.sqrt(2)
        sums = noise_sums(step, signal[:, 1:], noise.variance(signal)[:, 1:], both, alone, noise.scale)
        matrix = sums.matrix * weight[:, None, None]
        prior = NoiseSums(matrix, np.einsum("mij,mj->mi", matrix, pooled))
        noise = replace(noise, terms=solve_noise(sums + prior, noise.scale, noise.floor))
        fitted = engine.fit(curve, samples, noise.variance)
        curve = fitted.curve
    return fitted, noise
