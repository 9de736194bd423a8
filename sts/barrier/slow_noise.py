"""Slow noise: the covariance of the residuals of a tip's sweeps, and what it does to the uncertainty of the decay.

A current is disturbed in two ways: relative to its size, by the gap, and regardless of it, by all else. Either disturbance is
taken to be stationary along the ramp (`sts.barrier.memory`), and is found over all sweeps that share their noise.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import brentq
from scipy.special import polygamma

from sts.barrier.averages import Averages, Kernel, averaged, white_kernel
from sts.barrier.blocks import Array, Rows
from sts.barrier.memory import Found, Memory, Usual, averaged_over, find, likelihood_of_white
from sts.barrier.whitened import Coarse, Whitened
from sts.curves.distributions import chi2_quantile

ENOUGH = 6  # sweeps that tell how the noise of their group goes on; fewer go by those of all groups
MOST_SWEEPS = 120  # of a group that it is found from
EVIDENT = (
    11.0  # twice the logarithm of a likelihood ratio that white noise reaches in fewer than 1 of 100 tips (measured)
)
LINE, BY_CHANCE = 2.5, 1e-6  # times the power expected, and the probability of that: a line of one period
LINE_GAIN = 12.0  # in the evidence
FEWEST_PERIODS = 2  # along the ramp
FEWEST_FOR_MEAN = 5  # sweeps from which a shape that they all share is told from noise
STRANGE = 4.0  # times the usual squared residual: such a sweep does not say what noise is


@dataclass(frozen=True, eq=False)
class Covariance:
    """How the noise of one group of sweeps goes on along the ramp."""

    memory: Memory
    length: int  # samples in an average
    dof: float  # degrees of freedom that the squared residuals of one sweep have
    alike: float  # degrees of freedom by which the sweeps' noise is known to be that of the group
    sizes: Array  # (2,) of white noise, of the gap and other, of which a fit leaves as much
    evidence: float  # twice the logarithm of its likelihood over that of white noise
    periods: float  # of a line along the ramp; NaN if there is none

    @property
    def clear(self) -> bool:
        """Whether white noise hardly looks like that."""
        return self.evidence > EVIDENT

    def ratio(self, white: Whitened, of_parameters: Array) -> Array:
        """Squared residuals of each of k sweeps over what this noise leaves of them on average, shape (k,).

        Parameters
        ----------
        white : Whitened
        of_parameters : ndarray, shape (k, 3, 3)
            Inverse of the normal matrix.
        """
        left = _left(white, of_parameters, self.memory.noise, self.length).sum(axis=0)
        least = 0.05 * np.sum(white.offset > 0, axis=1)
        return np.asarray(np.vecdot(white.residual, white.residual) / np.maximum(left, np.maximum(least, 1.0)))

    def uncertainty(self, white: Whitened, of_parameters: Array, number: int = 2) -> tuple[Array, Array]:
        """Variance of the decay (or another parameter) of k sweeps, and its degrees of freedom; (k,) each.

        Parameters
        ----------
        white, of_parameters
            As for `ratio`; where there is a prior, the normal matrix has it.
        number : int
            Another parameter: 0 the amplitude, 1 the offset.

        Notes
        -----
        The variance that the covariance gives times that of the sweep's own noise over the group's, each weighted with its
        degrees of freedom (G. K. Smyth, as in `_alike`): a noisy sweep is given more, by as much as sweeps of this tip are
        known to differ.
        """
        weights, dof = white.weights(of_parameters, number), self.dof + self.alike
        own = (
            np.ones(len(weights)) if np.isinf(dof) else (self.alike + self.dof * self.ratio(white, of_parameters)) / dof
        )
        return own * self.of(white, weights), np.full(len(weights), 1 / (1 / dof + 1 / self.memory.freedom))

    def inflation(self, coarse: Coarse, of_parameters: Array, number: int = 2) -> Array:
        """The variance of k sweeps over what white noise that leaves as much would give, shape (k,).

        Parameters
        ----------
        coarse : Coarse
            Averages of `length` samples.
        of_parameters, number
            As for `uncertainty`.
        """
        weights = np.einsum("kj,jkb->kb", of_parameters[:, number], coarse.columns)
        parts = [weights * size for size in (coarse.relative, coarse.additive)]
        found = sum(
            np.vecdot(part @ kernel.averages, part) for part, kernel in zip(parts, self.memory.noise, strict=True)
        )
        alike = sum(size * np.vecdot(part, part) for part, size in zip(parts, self.sizes, strict=True))
        return np.asarray(found / np.maximum(alike, 1e-300))

    def of(self, white: Whitened, weights: Array) -> Array:
        """Variance of sums of the standardised samples with these weights (k, n), shape (k,)."""
        total = np.zeros(len(weights))
        for kernel, size in self._parts(white):
            part = averaged(weights * size, self.length)
            total += np.vecdot(part @ kernel.averages, part)
        return total

    def _parts(self, white: Whitened) -> tuple[tuple[Kernel, Array], ...]:
        return tuple(zip(self.memory.noise, (white.relative, white.additive), strict=True))


def _left(white: Whitened, of_parameters: Array, noise: tuple[Kernel, Kernel], length: int) -> Array:
    """Squared residuals that noise of the gap and all other noise leave of each of k sweeps on average, after the fit, (2, k)."""
    found = []
    for kernel, size in zip(noise, (white.relative, white.additive), strict=True):
        sized = [averaged(column * size, length) for column in white.model]
        spread = [one @ kernel.averages for one in sized]
        hidden = np.array([[np.vecdot(s, o) for o in sized] for s in spread])
        found.append(kernel.row[0] * np.vecdot(size, size) - np.einsum("kij,ijk->k", of_parameters, hidden))
    return np.array(found)


def find_covariances(white: Whitened, group: Rows) -> dict[int, Covariance]:
    """The covariance of the noise of each group; of small groups that of all.

    Parameters
    ----------
    white : Whitened
        Of the k sweeps that count.
    group : ndarray of int, shape (k,)

    Notes
    -----
    What all sweeps together say is what is expected of each group, before its own sweeps are asked.
    """
    usual = Usual.of(white.residual.shape[1])
    numbers, sizes = np.unique(group, return_counts=True)
    found: dict[int, Covariance] = {}
    few = numbers[sizes < ENOUGH].tolist()
    if len(numbers) > 1 or few:
        some, data = _averages(white, group)
        of_all = find(data, usual)
        if few:
            found = dict.fromkeys(few, _covariance(some, data, of_all, usual))
        usual = of_all.of_others
    for number in numbers[sizes >= ENOUGH].tolist():
        found[number] = find_covariance(white.rows(np.flatnonzero(group == number)), usual)
    return found


def find_covariance(white: Whitened, usual: Usual, group: Rows | None = None) -> Covariance:
    """The covariance of the noise of one group.

    Parameters
    ----------
    white : Whitened
        Of its k sweeps.
    usual : Usual
        What is expected of it.
    group : ndarray of int, shape (k,), optional
        Where the sweeps are of several.

    Notes
    -----
    The mean of the residuals of a tip is no noise: all sweeps share it.
    """
    some, data = _averages(white, group)
    return _covariance(some, data, find(data, usual), usual)


def _covariance(some: Whitened, data: Averages, found: Found, usual: Usual) -> Covariance:
    """From the most likely noise: with a line, if there is one, and averaged over what the sweeps leave open."""
    periods, of_gap = _line(some, found)
    if np.isfinite(periods):
        lined = data.with_line(periods, of_gap)
        other = find(lined, usual)
        if 2 * (other.value - found.value) > LINE_GAIN:
            data, found = lined, other
        else:
            periods = np.nan
    inverse = some.inverse()
    memory = averaged_over(found, data, usual, averaged(some.weights(inverse), data.length))
    dof = data.freedom_of_squares(memory.noise)
    white_noise = (white_kernel(data.samples, data.length),) * 2
    left, of_white = (_left(some, inverse, noise, data.length).sum(axis=1) for noise in (memory.noise, white_noise))
    sizes = np.maximum(left, 1e-12) / np.maximum(of_white, 1e-12)
    evidence = 2 * (found.value - likelihood_of_white(data, usual))
    covariance = Covariance(memory, data.length, dof, np.inf, sizes, evidence, periods)
    return replace(covariance, alike=_alike(covariance.ratio(some, inverse), dof))


def _averages(white: Whitened, group: Rows | None) -> tuple[Whitened, Averages]:
    """Some of the sweeps, without what those of a group share, and their averages."""
    size = np.vecdot(white.residual, white.residual) / np.maximum((white.offset > 0).sum(axis=1), 1)
    usual = np.flatnonzero(size <= STRANGE * np.median(size))
    chosen = usual[np.unique(np.linspace(0, usual.size - 1, MOST_SWEEPS).round().astype(int))]
    some = white.rows(chosen)
    there, residual = some.offset > 0, some.residual.copy()
    of = np.zeros(len(chosen), int) if group is None else group[chosen]
    for number in np.unique(of):
        rows = of == number
        m = np.count_nonzero(rows)
        if m >= FEWEST_FOR_MEAN:
            mean = residual[rows].sum(axis=0) / np.maximum(there[rows].sum(axis=0), 1)
            residual[rows] = np.where(there[rows], (residual[rows] - mean) * np.sqrt(m / (m - 1)), 0.0)
    some = replace(some, residual=residual)
    return some, Averages.of(residual, some.model, np.stack([some.relative, some.additive]))


def _line(white: Whitened, found: Found) -> tuple[float, bool]:
    """Periods along the ramp of a line that stands out of what the noise found leads to expect, and whether it is of the gap."""
    k, n = white.residual.shape
    most, best = max(LINE, float(chi2_quantile(1 - BY_CHANCE, 2 * k)) / (2 * k)), (np.nan, False)
    for window, of_gap in ((white.relative, True), (white.additive, False)):
        power = np.sum(np.abs(np.fft.rfft(window * white.residual, 4 * n, axis=1)) ** 2, axis=0)
        expected = np.zeros(power.size)
        for kernel, size in zip(found.noise, (white.relative, white.additive), strict=True):
            spectrum = np.sum(np.abs(np.fft.rfft(window * size, 4 * n, axis=1)) ** 2, axis=0)
            lags = np.fft.irfft(spectrum, 4 * n)
            lags[:n] *= kernel.row
            lags[-n + 1 :] *= kernel.row[:0:-1]
            lags[n : -n + 1] = 0.0
            expected += np.fft.rfft(lags).real
        above = power / np.maximum(expected, 1e-12 * k * n)
        above[: 4 * FEWEST_PERIODS] = 0.0
        if above.max() > most:
            most, best = float(above.max()), (float(np.argmax(above)) / 4, of_gap)
    return best


def _alike(ratio: Array, dof: float) -> float:
    """Prior degrees of freedom of variances with these ratios to the expected (k,), each with `dof` degrees of freedom.

    By moments of their logarithms: G. K. Smyth, Stat. Appl. Genet. Mol. Biol. 3, 3 (2004), section 6.2.
    """
    if len(ratio) < 3:
        return np.inf
    excess = float(np.var(np.log(np.maximum(ratio, 1e-12)), ddof=1) - polygamma(1, dof / 2))
    if excess < 1e-4:  # twice the inverse of the trigamma function is beyond 10,000 then
        return np.inf
    return 2 * float(brentq(lambda half: polygamma(1, half) - excess, 1e-3, 1e6))
