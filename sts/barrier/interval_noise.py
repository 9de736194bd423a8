"""The noise of sweeps before a converter whose steps are larger than it: variance terms from the intervals of the readings."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy.special import ndtr

from sts.barrier.blocks import Array, Rows
from sts.barrier.exponential import PARAMETERS
from sts.barrier.noise import Noise, NoiseSums, PooledNoise, solve_noise
from sts.barrier.rounding import Posterior, Readings, Start, probability, resampled, search

NOISE_SWEEPS = 60  # of a group that its noise is found from
NOISE_DRAWS = 64  # of the parameters of each meanwhile
NOISE_ROUNDS, SETTLED = 10, 0.03  # of finding it; relative change of a variance
FIRST_NOISE, LEAST_NOISE = 0.25, 0.02  # of the electronics [steps]
BLURS = (0.6, 0.3, 0.0)  # of the first search [steps]
FINE = (0.15, 0.07)  # and of a search with noise that is little already


def interval_noise(readings: Readings, first: Start, group: Rows, pooled: PooledNoise) -> tuple[Array, Posterior]:
    """Variance terms (g, 3) of the noise before the converter, and the parameters of all k sweeps with it.

    Parameters
    ----------
    readings : Readings
        Of k sweeps.
    first : Start
        Where their parameters are looked for.
    group : ndarray of int, shape (k,)
    pooled : PooledNoise
        Of the g groups, the readings taken for currents; `step` is NaN in groups without coarse steps, whose terms are left.

    Notes
    -----
    Fisher scoring of the likelihood of the intervals, averaged over what is not known of the parameters: then each squared
    current is worth `seen_share` of one that is not rounded.
    """
    step = pooled.step
    terms = pooled.terms * np.array([1.0, 0.0, 1.0])
    terms[:, 0] = np.where(np.isfinite(step), (FIRST_NOISE * step) ** 2, terms[:, 0])
    some = np.flatnonzero(number_within(group) < NOISE_SWEEPS)
    part, of = readings.rows(some), group[some]
    found = search(part, Noise(terms[of]), first.rows(some), BLURS, draws=NOISE_DRAWS)
    scale, floor = pooled.scale, np.nan_to_num((LEAST_NOISE * step) ** 2)
    for _ in range(NOISE_ROUNDS):
        before = terms
        terms = _scored(part, found, of, terms, (step, scale, floor))
        found = search(part, Noise(terms[of]), found.start(), (0.0,), draws=NOISE_DRAWS)
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


def freedom(readings: Readings, terms: Array, found: Posterior, group: Rows) -> Array:
    """Degrees of freedom by which the noise of each group is known, shape (g,).

    Parameters
    ----------
    readings, found : Readings, Posterior
        Of k sweeps.
    terms : ndarray, shape (g, 3)
    group : ndarray of int, shape (k,)
    """
    sd = np.sqrt(Noise(terms[group]).variance(found.signal(readings.u)))
    seen = np.vecdot(readings.usable, seen_share(sd / readings.step[:, None]))
    points = readings.usable.sum(axis=1)
    return np.maximum(np.bincount(group, seen * (1 - PARAMETERS / np.maximum(points, PARAMETERS + 1)), len(terms)), 1.0)


def excess(readings: Readings, noise: Noise, found: Posterior, some: int = 32) -> Array:
    """What the readings say of the noise: E[z²] - 1 of the standardised current z in each interval, shape (m, n).

    Parameters
    ----------
    readings, noise : Readings, Noise
        Of m sweeps.
    found : Posterior
        Of their parameters, over which the mean is taken.
    some : int
        Draws for that.

    Notes
    -----
    (a φ(a) - b φ(b))/(Φ(b) - Φ(a)) for the ends a and b of an interval, by parts: the variance of a truncated normal variate.
    """
    rng = np.random.default_rng(1)
    theta = resampled(found, rng, some)
    m, n = readings.current.shape
    total = np.zeros((m, n))
    for k in range(some):
        signal = np.exp(theta[:, k, :1] - theta[:, k, 2:] * readings.u)
        sd = np.sqrt(noise.variance(signal))
        away = readings.current - theta[:, k, 1:2] - found.sign[:, None] * signal
        a, b = (away - readings.step[:, None] / 2) / sd, (away + readings.step[:, None] / 2) / sd
        density = (a * np.exp(-(a**2) / 2) - b * np.exp(-(b**2) / 2)) / np.sqrt(2 * np.pi)
        total += np.clip(density / np.maximum(probability(away, readings.step[:, None], sd), 1e-12), -1.0, 8.0)
    return total / some


@lru_cache(maxsize=1)
def _table() -> tuple[Array, Array]:
    """Logarithms of the noise [steps], and the share of the information about it that is left, over all phases."""
    ratio, phase = np.geomspace(0.02, 20, 40), (np.arange(50) + 0.5) / 50
    share = []
    for r in ratio:
        codes = np.arange(-np.ceil(8 * r) - 2, np.ceil(8 * r) + 3)
        a, b = (codes - 0.5 - phase[:, None]) / r, (codes + 0.5 - phase[:, None]) / r
        p = ndtr(b) - ndtr(a)
        score = (a * np.exp(-(a**2) / 2) - b * np.exp(-(b**2) / 2)) / np.sqrt(2 * np.pi)
        share.append(float(np.mean(np.sum(score**2 / np.maximum(p, 1e-300) * (p > 1e-12), axis=1))) / 2)
    return np.log(ratio), np.array(share)


def seen_share(ratio: Array) -> Array:
    """Share of the information about the noise that rounding leaves, over all places of the current between two steps.

    Parameters
    ----------
    ratio : ndarray
        Noise [steps].
    """
    at, share = _table()
    return np.asarray(np.interp(np.log(np.maximum(ratio, 1e-3)), at, share))


def number_within(group: Rows) -> Rows:
    """Of each sweep among those of its group, shape (k,).

    Parameters
    ----------
    group : ndarray of int, shape (k,)
    """
    order = np.argsort(group, kind="stable")
    first = np.searchsorted(group[order], group[order])
    number = np.empty(group.size, int)
    number[order] = np.arange(group.size) - first
    return number
