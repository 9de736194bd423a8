"""Sweeps whose converter's steps are larger than their noise: what they were before the converter, as far as the readings say.

Everything else about a sweep (noise, lag, humps, jumps, bends, slow noise) is looked for in currents that are drawn from what each
reading leaves open (multiple imputation: D. B. Rubin, Multiple Imputation for Nonresponse in Surveys, 1987), so that no step of the
converter is taken for one of the current. Decay, offset and their uncertainties come from the likelihood of the readings.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

from sts.barrier import exponential as engine
from sts.barrier.bench_offset import Prior
from sts.barrier.blocks import Array, Mask, Rows, replaced, take
from sts.barrier.exponential import PARAMETERS, Samples
from sts.barrier.interval_noise import BLURS, FINE, freedom, interval_noise, number_within
from sts.barrier.masks import Masks
from sts.barrier.noise import Noise
from sts.barrier.pooled_noise import NoiseModel, find_noise
from sts.barrier.rounding import ENOUGH, Posterior, Readings, Start, alike, filled_in, search
from sts.barrier.straightness import Shape
from sts.barrier.sweep_fits import Fits
from sts.curves.electronics import common_step
from sts.sweeps import SweepSet

COARSE = 2.0  # times the noise of the electronics: from here on the noise does not dither the steps well enough
NOISIER = 3.0  # standard deviations by which a sweep's scatter is larger than its group's, to count as its own
LEAST_JUMP = 2.0  # steps of the converter
LEAST_STEPS = 6.0  # of the converter that the current spans at least: below, the decay is within a few readings
ALIKE_SWEEPS, ALIKE_PAIRS, MOST_PAIRS = 12, 120, 30  # of a group, and pairs of repeats, that tell how alike errors are
LEAST_COUNTING = 0.03  # share of the draws, below which nothing is known of the decay
LEVEL = 0.5  # steps from sample to sample, from which on they are not rounded alike
SEEN_POINTS = 10  # of such samples at least, for slow noise to be asked of the readings
TURN = np.array([1.0, 1.0, -1.0])  # the engine's third column falls as the decay grows


@dataclass(frozen=True, eq=False)
class Rounded:
    """The coarse sweeps of a set of m."""

    rows: Rows  # (k,) which they are
    step: Array  # (k,) of the converter [A]
    read: Array  # (k, n) as measured [A]
    filled: Array  # (k, n) as they may have been before the converter [A]
    start: Start  # of their parameters
    dof: Array  # (k,) degrees of freedom by which their noise is known
    group: Rows  # (k,) that share their noise
    level: Mask  # (k, n) where neighbours are so near each other that they are rounded alike

    def as_read(self, current: Array) -> Array:
        """Currents of the whole set without what was filled in, shape (m, n).

        Parameters
        ----------
        current : ndarray, shape (m, n)
            Of the set, without the lines of drifting offsets [A].
        """
        current = current.copy()
        current[self.rows] += self.read - self.filled
        return current

    def readings(self, sweeps: SweepSet, masks: Masks, prior: Prior | None = None) -> Readings:
        """Their readings, without the lines of drifting offsets that were taken out since.

        Parameters
        ----------
        sweeps : SweepSet
            The whole set, with `filled` in it.
        masks : Masks
        prior : Prior, optional
            What is known of the offsets.
        """
        samples = masks.samples(sweeps, self.rows, prior)
        current = self.as_read(sweeps.current)[self.rows] * samples.usable
        return Readings.of(replace(samples, current=current), self.step)

    def put_into(self, sweeps: SweepSet) -> SweepSet:
        """The set with its coarse sweeps filled.

        Parameters
        ----------
        sweeps : SweepSet
        """
        current = sweeps.current.copy()
        current[self.rows] = self.filled
        return replace(sweeps, current=current)

    def told(self, fits: Fits, fitted: Array, sweeps: SweepSet, masks: Masks, prior: Prior | None) -> Fits:
        """Fits to `filled` sweeps with decay, offset and uncertainties as the readings say them.

        Parameters
        ----------
        fits : Fits
            Of the m sweeps of the set.
        fitted : ndarray, shape (m, n)
            Their curves [A]; those of the coarse sweeps are put in.
        sweeps, masks, prior
            As for `readings`; the prior those fits had.

        Notes
        -----
        Slow noise widens the interval as it does that of the filled sweeps; so does a sweep's own scatter where it is clearly
        larger than that of its group.
        """
        there = fits.good[self.rows]
        rows, start = self.rows[there], self.start.rows(there)
        if not rows.size:
            return fits
        old, part = take(fits, rows), replace(self, **{f.name: take(getattr(self, f.name), there) if f.name == "start" else
                                                       getattr(self, f.name)[there] for f in fields(self)})  # fmt: skip
        u, span = engine.scaled_height(sweeps.axis)
        readings = part.readings(sweeps, masks)
        free = _searched(readings, old.noise, start)
        found = free if prior is None else _searched(part.readings(sweeps, masks, prior), old.noise, free.start())
        fitted[rows] = found.mean[:, 1:2] + found.signal(u)  # put in: it may be large
        return replaced(
            fits, rows, _told(old, (free, found), (part, readings), span, None if prior is None else take(prior, rows))
        )


def _searched(readings: Readings, noise: Noise, start: Start) -> Posterior:
    """From a good start; where what was changed since has moved the posterior away from it, with a wide search."""
    found = search(readings, noise, start, (0.0, 0.0))
    lost = np.flatnonzero(found.counting < ENOUGH)
    if not lost.size:
        return found
    again = search(readings.rows(lost), Noise(noise.terms[lost]), start.rows(lost), (*BLURS[:-1], *FINE, 0.0, 0.0))
    return replaced(found, lost, again)


def _told(
    old: Fits, posteriors: tuple[Posterior, Posterior], of: tuple[Rounded, Readings], span: float, prior: Prior | None
) -> Fits:
    """What the posteriors of k sweeps, without and with what is known of the offset, make of their fits."""
    (free, found), (part, readings) = posteriors, of
    mean, covariance = found.mean, found.covariance
    freedom = np.maximum(old.points - PARAMETERS, 1)
    wider = np.where(old.reduced_chi2 > 1 + NOISIER * np.sqrt(2 / freedom), old.reduced_chi2, 1.0) * old.inflation
    variance, common = covariance[:, 2, 2] * wider, np.zeros(len(mean))
    if prior is not None:
        there = prior.there
        pull = covariance[:, 2, 1] * prior.weight
        informed = np.maximum(covariance[:, 2, 2] - covariance[:, 2, 1] * pull, 0.0)
        common = np.where(there, pull * prior.common, 0.0)
        variance = informed * wider + common**2 + np.where(there, pull * prior.scatter, 0.0) ** 2
    with np.errstate(divide="ignore"):
        dof = 1 / (np.maximum(1 / old.dof - 1 / freedom, 0.0) + 1 / part.dof)
    # No reading says that the zero lies below it: an interval does not end there.
    offset_se = np.sqrt(free.covariance[:, 1, 1] * wider)
    seen = replace(old.seen, offset=free.mean[:, 1], offset_se=offset_se, least=np.full(len(mean), np.nan))
    size = np.exp(mean[:, 0])
    decay, blind = mean[:, 2] / span, (found.counting < LEAST_COUNTING) | (size < LEAST_STEPS * part.step)
    return replace(
        old,
        amplitude=found.sign * size,
        decay=decay,
        decay_se=np.where(blind, np.inf, np.sqrt(variance) / span),
        decay_common=common / span,
        decay_rounding=np.sqrt(_alike(free, old.noise, part, readings) * np.maximum(variance - common**2, 0.0)) / span,
        offset=mean[:, 1],
        offset_se=np.sqrt(covariance[:, 1, 1]),
        dof=dof,
        window_decay=old.window_decay + (decay - old.decay)[:, None],
        seen=seen,
        shape=_small_jumps(old, part.step),
        rounded=part.step,
    )


def _alike(found: Posterior, noise: Noise, part: Rounded, readings: Readings) -> Array:
    """Correlation of the errors of repeats of k sweeps, that of their group."""
    few = np.flatnonzero(number_within(part.group) < ALIKE_SWEEPS)
    pairs = int(np.clip(ALIKE_PAIRS // max(few.size, 1), 1, MOST_PAIRS))
    both, each = alike(readings.rows(few), Noise(noise.terms[few]), take(found, few), pairs)
    size = each.mean() if few.size else 1.0
    sums = [np.bincount(part.group[few], values / size) for values in (both, each)]
    return np.asarray(np.clip(sums[0] / np.maximum(sums[1], 1e-300), 0.0, 1.0)[part.group])


def _small_jumps(fits: Fits, step: Array) -> Shape:
    """The shapes of sweeps, without jumps of less than two steps of the converter."""
    with np.errstate(invalid="ignore", over="ignore"):
        size = np.abs((fits.shape.jump_factor - 1) * fits.amplitude) * np.exp(
            -fits.decay * (fits.shape.jump_at - fits.lowest)
        )
        small = size < LEAST_JUMP * step
    none = replace(fits.shape, jump_factor=np.ones(len(step)), jump_at=np.full(len(step), np.nan))
    return replaced(fits.shape, np.flatnonzero(small), take(none, small))


def group_steps(sweeps: SweepSet, masks: Masks, group: Rows) -> Array:
    """The converter's step of each group [A], shape (g,); NaN where none is seen.

    Parameters
    ----------
    sweeps, masks : SweepSet, Masks
    group : ndarray of int, shape (m,)

    Notes
    -----
    Sweeps of few points show none each, their readings together do (`common_step`).
    """
    current = np.where(masks.usable, sweeps.current, np.nan)
    return np.array([common_step(current[group == number]) for number in range(int(group.max()) + 1)])


def noise_of(
    sweeps: SweepSet, masks: Masks, group: Rows, rounded: Rounded | None, *, never_white: bool = False
) -> NoiseModel:
    """Noise of the groups of a set, whose coarse sweeps are filled.

    Parameters
    ----------
    sweeps, masks, group, never_white
        As for `find_noise`.
    rounded : Rounded, optional
        The coarse sweeps.

    Notes
    -----
    What is drawn between two steps has no memory. How noise goes on along the ramp is asked of the readings themselves, where the
    current changes so much from sample to sample that their rounding errors have none, either.
    """
    noise = find_noise(sweeps, masks, group, never_white=never_white)
    if rounded is None:
        return noise
    usable = masks.usable.copy()
    usable[rounded.rows] &= ~rounded.level
    if (usable.sum(axis=1) < SEEN_POINTS)[rounded.rows].any():
        return noise
    read = replace(sweeps, current=rounded.as_read(sweeps.current))
    seen = find_noise(read, replace(masks, usable=usable), group, never_white=never_white)
    pooled = replace(noise.pooled, slow=seen.pooled.slow, correlation=seen.pooled.correlation)
    return replace(noise, pooled=pooled, along={**noise.along, **seen.along})


def find_rounded(sweeps: SweepSet, masks: Masks, noise: NoiseModel) -> Rounded | None:
    """The sweeps whose steps the noise does not dither; None if there are none.

    Parameters
    ----------
    sweeps, masks, noise : SweepSet, Masks, NoiseModel
        Of a set, its readings taken for currents.
    """
    pooled, group = noise.pooled, noise.group
    step = group_steps(sweeps, masks, group)
    with np.errstate(invalid="ignore"):
        coarse = step > COARSE * np.sqrt(np.maximum(pooled.terms[:, 0] - step**2 / 12, 0.0))
    enough = masks.points > PARAMETERS + 1
    rows = np.flatnonzero(coarse[group] & enough)
    if not rows.size:
        return None
    samples, of = masks.samples(sweeps, rows), group[rows]
    readings = Readings.of(samples, step[of])
    first = _first(samples, Noise(pooled.terms[of]), step[of])
    terms, found = interval_noise(readings, first, of, replace(pooled, step=step))
    level = np.abs(np.gradient(found.signal(samples.u), axis=1)) < LEVEL * step[of, None]
    filled = sweeps.current[rows].copy()
    drawn = filled_in(readings, Noise(terms[of]), found, np.random.default_rng(rows.size))
    inside = (samples.usable > 0) & np.isfinite(drawn)
    filled[inside] = drawn[inside]
    return Rounded(
        rows, step[of], sweeps.current[rows], filled, found.start(), freedom(readings, terms, found, of)[of], of, level
    )


def _first(samples: Samples, noise: Noise, step: Array) -> Start:
    """From a fit that takes readings for currents; the offset may be off by as much as a step."""
    blurred = Noise(np.maximum(noise.terms, (step**2 / 12)[:, None] * np.array([1.0, 0.0, 0.0])))
    fitted = engine.fit(engine.start(samples), samples, blurred.variance)
    curve = fitted.curve
    matrix = samples.equations(curve, fitted.products, np.ones((samples.u.size, 1)))[0][:, 0]
    covariance = 2 * engine.inverse(matrix) * TURN[:, None] * TURN
    covariance[:, 1, 1] += step**2 / 12
    log = np.log(np.maximum(np.abs(curve.amplitude), 1e-300))
    return Start(
        np.stack([log, curve.offset, curve.decay], axis=1), covariance, np.where(curve.amplitude < 0, -1.0, 1.0)
    )
