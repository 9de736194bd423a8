"""The likelihood of the interval that a rounded reading stands for, and what follows for the decay of each sweep.

Where a converter's steps are larger than the noise, a reading r says that the current with its noise was within half a step s of r:
its probability is Φ((r + s/2 - μ)/σ) - Φ((r - s/2 - μ)/σ), an interval-censored normal variate. Fits that take r for a current with
noise of s²/12 (W. F. Sheppard, Proc. London Math. Soc. 29, 353 (1898)) are right only where the noise dithers the steps: the far
end of a decay stays on one or two readings, whose errors are all alike (B. Widrow & I. Kollár, Quantization Noise, 2008).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr, ndtri

from sts.barrier.blocks import Array, take
from sts.barrier.exponential import Samples
from sts.barrier.noise import Noise

DRAWS = 128  # of the parameters of a sweep
WIDER = 1.3  # times the variance found, of the next draws
TAIL = 6.0  # degrees of freedom of the distribution that is drawn from
OUTLIER = 1e-7  # probability of a reading that no noise explains
ENOUGH = 0.1  # share of the draws that must count
LEVELLED = 12  # times at most: the least number there is comes to a half
VALUES = 1 << 18  # numbers worked on at a time
MOST = 300.0  # logarithm of a current: its square is still a number


@dataclass(frozen=True, eq=False)
class Readings:
    """Rounded sweeps: each reading stands for an interval."""

    u: Array  # (n,) scaled height
    current: Array  # (m, n) as read [A]
    usable: Array  # (m, n) 1, or 0 where masked
    step: Array  # (m,) of the converter [A]
    expected: Array  # (m, 2) as `Samples.expected`; the weight is 0 where nothing is known

    @classmethod
    def of(cls, samples: Samples, step: Array) -> Readings:
        """Samples that were read in steps.

        Parameters
        ----------
        samples : Samples
            Of m sweeps.
        step : ndarray, shape (m,)
            Of the converter [A].
        """
        expected = np.zeros((len(step), 2)) if samples.expected is None else samples.expected
        return cls(samples.u, samples.current, samples.usable, step, expected)

    def rows(self, rows: object) -> Readings:
        """Those of some sweeps."""
        parts = (getattr(self, name)[rows] for name in ("current", "usable", "step", "expected"))
        return Readings(self.u, *parts)


@dataclass(frozen=True, eq=False)
class Start:
    """Where the parameters of m sweeps are looked for: as those of `Posterior`."""

    mean: Array  # (m, 3)
    covariance: Array  # (m, 3, 3)
    sign: Array  # (m,) of the tunnelling current

    def rows(self, rows: object) -> Start:
        """Those of some sweeps."""
        return take(self, rows)


@dataclass(frozen=True, eq=False)
class Posterior:
    """The parameters of m sweeps: logarithm of the amplitude, offset [A], decay per unit of u; from K weighted draws."""

    draws: Array  # (m, K, 3)
    weight: Array  # (m, K), 1 in sum
    sign: Array  # (m,) of the tunnelling current

    @property
    def mean(self) -> Array:
        """Mean of the parameters, shape (m, 3)."""
        return np.asarray(np.einsum("mk,mki->mi", self.weight, self.draws))

    @property
    def covariance(self) -> Array:
        """Of the parameters, shape (m, 3, 3)."""
        apart = self.draws - self.mean[:, None]
        return np.asarray(np.einsum("mk,mki,mkj->mij", self.weight, apart, apart))

    @property
    def counting(self) -> Array:
        """Share of the draws that count, shape (m,)."""
        return np.asarray(1 / np.vecdot(self.weight, self.weight) / self.weight.shape[1])

    def thinned(self, every: int) -> Posterior:
        """With fewer draws.

        Parameters
        ----------
        every : int
            Of these draws one is kept.
        """
        weight = self.weight[:, ::every]
        return Posterior(self.draws[:, ::every], weight / weight.sum(axis=1, keepdims=True), self.sign)

    def start(self) -> Start:
        """Where to draw from next: where little counts, weights are levelled until enough does."""
        weight = np.maximum(self.weight, 1e-300)  # what has vanished could not be levelled
        for _ in range(LEVELLED):
            few = 1 / np.vecdot(weight, weight) < ENOUGH * weight.shape[1]
            if not few.any():
                break
            weight = np.where(few[:, None], np.sqrt(weight), weight)
            weight = weight / weight.sum(axis=1, keepdims=True)
        flat = replace(self, weight=weight)
        return Start(flat.mean, WIDER * flat.covariance, self.sign)

    def signal(self, u: Array) -> Array:
        """Tunnelling current at the mean of the parameters [A], shape (m, n).

        Parameters
        ----------
        u : ndarray, shape (n,)
            Scaled height.
        """
        log, _, decay = self.mean.T
        return np.asarray(self.sign[:, None] * np.exp(log[:, None] - decay[:, None] * u))


def search(
    readings: Readings, noise: Noise, first: Start, blurs: tuple[float, ...], *, draws: int = DRAWS, seed: int = 0
) -> Posterior:
    """Draws from the distribution of the parameters of m sweeps, given their readings.

    Parameters
    ----------
    readings : Readings
    noise : Noise
        Of the m sweeps before the converter.
    first : Start
    blurs : tuple of float
        Noise that is added in each round [steps]; the last should be 0.
    draws : int
        In the last round; in those before, half of that.
    seed : int

    Notes
    -----
    Adaptive importance sampling (O. Cappé et al., J. Comput. Graph. Stat. 13, 907 (2004)), from much noise to that of the sweeps:
    with little noise the likelihood is level on a polyhedron and zero outside, which no search by derivatives finds its way into.
    Flat in the parameters, with the offset as far as it is known.
    """
    rng = np.random.default_rng(seed)
    for number, blur in enumerate(blurs):
        last = number == len(blurs) - 1
        found = _drawn(readings, noise, first, blur * readings.step, rng, draws if last else draws // 2)
        if not last:
            first = found.start()
    return found


def _drawn(
    readings: Readings, noise: Noise, first: Start, blur: Array, rng: np.random.Generator, draws: int
) -> Posterior:
    mean, covariance, sign = first.mean, first.covariance, first.sign
    size = np.sqrt(np.einsum("mii->mi", covariance))
    root = np.linalg.cholesky(covariance / size[:, :, None] / size[:, None, :] + 1e-9 * np.eye(3)) * size[:, :, None]
    half = rng.standard_normal((len(mean), draws // 2, 3))
    stretch = np.sqrt(TAIL / rng.chisquare(TAIL, half.shape[:2]))[..., None]
    apart = np.concatenate([half * stretch, -half * stretch], axis=1)
    theta = mean[:, None] + apart @ root.mT
    log = _log_likelihood(readings, noise, theta, sign, blur)
    log += (TAIL + 3) / 2 * np.log1p(np.vecdot(apart, apart) / TAIL)
    log -= log.max(axis=1, keepdims=True)
    weight = np.exp(log)
    return Posterior(theta, weight / weight.sum(axis=1, keepdims=True), sign)


def _log_likelihood(readings: Readings, noise: Noise, theta: Array, sign: Array, blur: Array | None = None) -> Array:
    """Of draws (m, K, 3), shape (m, K)."""
    m, draws, _ = theta.shape
    n = readings.u.size
    log = np.empty((m, draws))
    together = max(1, VALUES // (draws * n))
    for first in range(0, m, together):
        some = slice(first, first + together)
        signal = np.exp(np.minimum(theta[some, :, :1] - theta[some, :, 2:] * readings.u, MOST))
        alpha, beta, gamma = (noise.terms[some, i, None, None] for i in range(3))
        added = 0.0 if blur is None else blur[some, None, None] ** 2
        sd = np.sqrt(alpha + added + signal * (beta + gamma * signal))
        signal *= sign[some, None, None]
        away = readings.current[some, None, :] - theta[some, :, 1:2] - signal
        chance = probability(away, readings.step[some, None, None], sd)
        chance += OUTLIER
        log[some] = np.vecdot(np.log(chance, out=chance), readings.usable[some, None, :])
    value, weight = readings.expected.T
    log -= 0.5 * weight[:, None] * (theta[..., 1] - value[:, None]) ** 2
    return log


def probability(away: Array, step: Array, sd: Array) -> Array:
    """That a current lies within half a step of its reading; to 1e-7, which is `OUTLIER`. Arrays that broadcast.

    Parameters
    ----------
    away, step, sd : ndarray
        Reading minus what is expected, step of the converter, standard deviation of the noise [A].
    """
    size, half = np.abs(away), step / 2
    return np.asarray(_below((half - size) / sd) - _below((-half - size) / sd))


_REACH, _FINE = 8.0, 512  # the normal distribution in 1/512 of a standard deviation: linear between to 1.2e-7
_NORMAL = ndtr(np.arange(-_REACH * _FINE, _REACH * _FINE + 2) / _FINE)
_SLOPE = np.diff(_NORMAL)


def _below(z: Array) -> Array:
    """Cumulative normal distribution; five times as fast as the exact one."""
    z = np.clip(z, -_REACH, _REACH)
    z += _REACH
    z *= _FINE
    place = z.astype(np.int32)
    z -= place
    z *= _SLOPE.take(place)
    z += _NORMAL.take(place)
    return z


def resampled(found: Posterior, rng: np.random.Generator, some: int) -> Array:
    """Draws of equal weight, shape (m, some, 3).

    Parameters
    ----------
    found : Posterior
    rng : numpy.random.Generator
    some : int
        How many of each sweep.
    """
    place = (rng.random((len(found.sign), 1)) + np.arange(some)) / some
    total = np.cumsum(found.weight, axis=1)
    at = np.minimum((total[:, None, :] < place[:, :, None]).sum(axis=2), found.weight.shape[1] - 1)
    return np.take_along_axis(found.draws, at[:, :, None], axis=1)


def filled_in(readings: Readings, noise: Noise, found: Posterior, rng: np.random.Generator) -> Array:
    """Currents as they may have been before the converter [A], drawn from what each reading leaves open, shape (m, n).

    Parameters
    ----------
    readings, noise, found : Readings, Noise, Posterior
        Of m sweeps.
    rng : numpy.random.Generator
    """
    theta = resampled(found, rng, 1)[:, 0]
    signal = np.exp(theta[:, :1] - theta[:, 2:] * readings.u)
    sd = np.sqrt(noise.variance(signal))
    middle = theta[:, 1:2] + found.sign[:, None] * signal
    away = readings.current - middle
    flip = np.where(away > 0, -1.0, 1.0)
    a, b = (flip * away - readings.step[:, None] / 2) / sd, (flip * away + readings.step[:, None] / 2) / sd
    low, high = ndtr(a), ndtr(b)
    z = ndtri(low + rng.random(low.shape) * (high - low))
    z = np.clip(z, a, b)
    return np.asarray(middle + flip * z * sd)


def alike(readings: Readings, noise: Noise, found: Posterior, pairs: int = 8) -> tuple[Array, Array]:
    """How alike the errors of the decay are in repeats of each sweep: their covariance and variance, (m,) each.

    Parameters
    ----------
    readings, noise, found : Readings, Noise, Posterior
        Of m sweeps.
    pairs : int
        Repeats in pairs that are simulated for each sweep.

    Notes
    -----
    Two sweeps with the same true parameters and noise of their own are read in the same steps, and their posteriors found with
    the draws at hand. With enough noise the errors have nothing in common; with none the readings are the same.
    """
    rng = np.random.default_rng(2)
    found = found.thinned(2)
    true = resampled(found, rng, pairs)
    before = np.log(np.maximum(found.weight, 1e-300)) - _log_likelihood(readings, noise, found.draws, found.sign)
    both, each = np.zeros(len(found.sign)), np.zeros(len(found.sign))
    step = readings.step[:, None]
    for k in range(pairs):
        signal = np.exp(true[:, k, :1] - true[:, k, 2:] * readings.u)
        middle, sd = true[:, k, 1:2] + found.sign[:, None] * signal, np.sqrt(noise.variance(signal))
        errors = []
        for _ in range(2):
            current = middle + sd * rng.standard_normal(sd.shape)
            other = replace(readings, current=readings.current + step * np.round((current - readings.current) / step))
            log = before + _log_likelihood(other, noise, found.draws, found.sign)
            weight = np.exp(log - log.max(axis=1, keepdims=True))
            errors.append(np.vecdot(weight, found.draws[..., 2]) / weight.sum(axis=1) - true[:, k, 2])
        both += errors[0] * errors[1] / pairs
        each += (errors[0] ** 2 + errors[1] ** 2) / (2 * pairs)
    return both, each
