"""Sweeps whose converter's steps are larger than their noise: what they were before the converter, as far as the readings say.

Everything else about a sweep (noise, lag, humps, jumps, bends, slow noise) is looked for in currents that are drawn from what each
reading leaves open (multiple imputation: D. B. Rubin, Multiple Imputation for Nonresponse in Surveys, 1987), so that nothing takes a
step of the converter for one of the current. Decay, offset and their uncertainties come from the likelihood of the readings.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

from sts.barrier import exponential as engine
from sts.barrier.bench_offset import Prior
from sts.barrier.blocks import Array, Rows, replaced, take
from sts.barrier.exponential import PARAMETERS, Samples
from sts.barrier.masks import Masks
from sts.barrier.noise import Noise, NoiseSums, PooledNoise, solve_noise
from sts.barrier.pooled_noise import NoiseModel
from sts.barrier.rounding import ENOUGH, Posterior, Readings, Start, excess, filled_in, search, seen_share
from sts.barrier.straightness import Shape
from sts.barrier.sweep_fits import Fits
from sts.curves.electronics import find_step
from sts.sweeps import SweepSet

COARSE = 2.0  # times the noise of the electronics: from here on the noise does not dither the steps well enough
NOISE_SWEEPS = 60  # of a group that its noise is found from
NOISE_ROUNDS, SETTLED = 10, 0.03  # of finding it; relative change of a variance
FIRST_NOISE, LEAST_NOISE = 0.25, 0.02  # of the electronics [steps]
BLURS = (0.6, 0.3, 0.0)  # of the first search [steps]
FINE = (0.15, 0.07)  # and of a search with noise that is little already
NOISIER = 3.0  # standard deviations by which a sweep's scatter is larger than its group's, to count as its own
LEAST_JUMP = 2.0  # steps of the converter
LEAST_COUNTING = 0.03  # share of the draws, below which nothing is known of the decay
LATTICE_VALUES = 2000  # in which a step is looked for that single sweeps do not show


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
        current = (self.read + (sweeps.current[self.rows] - self.filled)) * samples.usable
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
        free = _searched(part.readings(sweeps, masks), old.noise, start)
        found = free if prior is None else _searched(part.readings(sweeps, masks, prior), old.noise, free.start())
        fitted[rows] = found.mean[:, 1:2] + found.signal(u)
        return replaced(fits, rows, _told(old, (free, found), part, span, None if prior is None else take(prior, rows)))


def _searched(readings: Readings, noise: Noise, start: Start) -> Posterior:
    """From a good start; where what was changed since has moved the posterior away from it, with a wide search."""
    found = search(readings, noise, start, (0.0, 0.0))
    lost = np.flatnonzero(found.counting < ENOUGH)
    if not lost.size:
        return found
    again = search(readings.rows(lost), Noise(noise.terms[lost]), start.rows(lost), (*BLURS[:-1], *FINE, 0.0, 0.0))
    return replaced(found, lost, again)


def _told(old: Fits, posteriors: tuple[Posterior, Posterior], part: Rounded, span: float, prior: Prior | None) -> Fits:
    """What the posteriors of k sweeps, without and with what is known of the offset, make of their fits."""
    free, found = posteriors
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
    decay, blind = mean[:, 2] / span, found.counting < LEAST_COUNTING
    return replace(
        old,
        amplitude=found.sign * size,
        decay=decay,
        decay_se=np.where(blind, np.inf, np.sqrt(variance) / span),
        decay_common=common / span,
        offset=mean[:, 1],
        offset_se=np.sqrt(covariance[:, 1, 1]),
        dof=dof,
        window_decay=old.window_decay + (decay - old.decay)[:, None],
        seen=seen,
        shape=_small_jumps(old, part.step),
        rounded=part.step,
    )


def _small_jumps(fits: Fits, step: Array) -> Shape:
    """The shapes of sweeps, without jumps of less than two steps of the converter."""
    with np.errstate(invalid="ignore", over="ignore"):
        size = np.abs((fits.shape.jump_factor - 1) * fits.amplitude) * np.exp(-fits.decay * (fits.shape.jump_at - fits.lowest))
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
    The median of what the sweeps show. Sweeps of few points show none each (`find_step`), their readings together do.
    """
    current = np.where(masks.usable, sweeps.current, np.nan)
    each, found = find_step(current), np.full(int(group.max()) + 1, np.nan)
    for number in range(found.size):
        rows = np.flatnonzero(group == number)
        known = each[rows][np.isfinite(each[rows])]
        if 2 * known.size > rows.size:
            found[number] = np.median(known)
        elif rows.size > 1:
            values = current[rows].ravel()
            values = values[np.isfinite(values)]
            found[number] = find_step(values[None, :: max(1, values.size // LATTICE_VALUES)])[0]
    return found


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
    terms, found = _noise(readings, first, of, replace(pooled, step=step))
    filled = sweeps.current[rows].copy()
    drawn = filled_in(readings, Noise(terms[of]), found, np.random.default_rng(rows.size))
    inside = (samples.usable > 0) & np.isfinite(drawn)
    filled[inside] = drawn[inside]
    return Rounded(rows, step[of], sweeps.current[rows], filled, found.start(), _dof(readings, terms, found, of)[of])


def _first(samples: Samples, noise: Noise, step: Array) -> Start:
    """From a fit that takes readings for currents; the offset may be off by as much as a step."""
    blurred = Noise(np.maximum(noise.terms, (step**2 / 12)[:, None] * np.array([1.0, 0.0, 0.0])))
    fitted = engine.fit(engine.start(samples), samples, blurred.variance)
    curve = fitted.curve
    matrix = samples.equations(curve, fitted.products, np.ones((samples.u.size, 1)))[0][:, 0]
    covariance = 2 * engine.inverse(matrix) * TURN[:, None] * TURN
    covariance[:, 1, 1] += step**2 / 12
    log = np.log(np.maximum(np.abs(curve.amplitude), 1e-300))
    return Start(np.stack([log, curve.offset, curve.decay], axis=1), covariance, np.where(curve.amplitude < 0, -1.0, 1.0))


def _noise(readings: Readings, first: Start, group: Rows, pooled: PooledNoise) -> tuple[Array, Posterior]:
    """Variance terms (g, 3) of the noise before the converter, and the parameters of all k sweeps with it.

    Fisher scoring of the likelihood of the intervals, averaged over what is not known of the parameters: then each squared
    current is worth `seen_share` of one that is not rounded.
    """
    step = pooled.step
    terms = pooled.terms * np.array([1.0, 0.0, 1.0])
    terms[:, 0] = (FIRST_NOISE * step) ** 2
    some = np.flatnonzero(_number_within(group) < NOISE_SWEEPS)
    part, of = readings.rows(some), group[some]
    found = search(part, Noise(terms[of]), first.rows(some), BLURS)
    scale, floor = pooled.scale, np.nan_to_num((LEAST_NOISE * step) ** 2)
    for _ in range(NOISE_ROUNDS):
        before = terms
        terms = _scored(part, found, of, terms, (step, scale, floor))
        found = search(part, Noise(terms[of]), found.start(), (0.0,))
        with np.errstate(invalid="ignore"):
            if not (np.abs(np.log(terms[:, 0] / before[:, 0]))[np.unique(group)] > SETTLED).any():
                break
    if some.size < group.size:
        middle = search(readings, Noise(terms[group]), first, (*BLURS[:-1], *FINE, 0.0, 0.0))
        return terms, middle
    return terms, found


def _scored(readings: Readings, found: Posterior, group: Rows, terms: Array, of: tuple[Array, Array, Array]) -> Array:
    step, scale, floor = of
    noise = Noise(terms[group])
    size = np.abs(found.signal(readings.u)) / scale[group, None]
    variance = noise.variance(size * scale[group, None])
    share = seen_share(np.sqrt(variance) / readings.step[:, None])
    columns = np.stack([np.ones_like(size), size, size**2], axis=2)
    columns *= (readings.usable * scale[group, None] ** 2 / variance)[..., None]
    matrix, vector = np.zeros((len(terms), 3, 3)), np.zeros((len(terms), 3))
    np.add.at(matrix, group, 0.5 * columns.mT @ (share[..., None] * columns))
    np.add.at(vector, group, 0.5 * np.vecmat(excess(readings, noise, found), columns))
    unit = np.stack([scale**2, scale, np.ones_like(scale)], axis=1)
    here = np.unique(group)
    vector += np.matvec(matrix, terms / unit)
    new = terms.copy()
    new[here] = solve_noise(NoiseSums(matrix[here], vector[here]), scale[here], floor[here])
    new[:, 0] = np.where(np.isfinite(step), np.clip(new[:, 0], terms[:, 0] / 4, terms[:, 0] * 4), terms[:, 0])
    return new


def _dof(readings: Readings, terms: Array, found: Posterior, group: Rows) -> Array:
    """Degrees of freedom by which the noise of each group is known, shape (g,)."""
    sd = np.sqrt(Noise(terms[group]).variance(found.signal(readings.u)))
    seen = np.vecdot(readings.usable, seen_share(sd / readings.step[:, None]))
    points = readings.usable.sum(axis=1)
    return np.maximum(np.bincount(group, seen * (1 - PARAMETERS / np.maximum(points, PARAMETERS + 1)), len(terms)), 1.0)


def _number_within(group: Rows) -> Rows:
    """Of each sweep among those of its group, shape (k,)."""
    order = np.argsort(group, kind="stable")
    first = np.searchsorted(group[order], group[order])
    number = np.empty(group.size, int)
    number[order] = np.arange(group.size) - first
    return number
