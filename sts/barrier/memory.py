"""How the noise of a tip's sweeps goes on along the ramp: white and 1/f noise of the gap, electronics with a memory, a line.

All of it is fitted together by restricted likelihood (H. D. Patterson & R. Thompson, Biometrika 58, 545 (1971)), in which nothing
counts that an amplitude, an offset or a decay can make. What the residuals leave open is averaged over, not assumed.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import lru_cache
from typing import Any

import numpy as np

from sts.barrier.averages import Averages, Kernel, covariance, white_kernel
from sts.barrier.blocks import Array

SHORTEST = 0.7  # samples, of the memories that add up to 1/f noise; each is twice as long as the last
LONGEST = 4.0  # sweeps
STEPS = 15  # of scoring at most
PLACES = np.linspace(-4.0, 3.0, 12)  # at which the size of a slow part is looked at, in its standard deviations
# The parameters; all but the slope are logarithms. What is usual and its spread is in units of the noise as if it were white.
WHITE_GAP, SLOW_GAP, SLOPE, WHITE, MEMORY, LENGTH, LINE = range(7)
SIZES, SLOW = [WHITE_GAP, SLOW_GAP, WHITE, MEMORY, LINE], [SLOW_GAP, MEMORY, LINE]
SPREAD = np.array([1.5, 2.0, 0.4, 1.0, 2.0, 1.0, 2.0])
LEAST, MOST = np.array([-7.0, -9.0, 0.4, -5.0, -9.0, 0.0, -9.0]), np.array([3.0, 7.0, 2.4, 3.0, 4.0, 9.0, 5.0])
BETWEEN = np.array([1.0, 1.5, 0.3, 0.7, 1.5, 0.7, 1.5])  # spread of the same between the tips of a session
LITTLE = 0.001  # of each slow part is usual: it then takes the sweeps to say that there is any
MUCH = np.log(0.3)  # of each slow part to start from: from little of it none would be found
LEAST_SHARE = 1e-6  # of the noise, that every average has at least


@lru_cache(maxsize=32)
def _memories(n: int, length: int) -> tuple[Array, Array, Kernel]:
    """Logarithms of the lengths (j,) of memory that add up to 1/f noise, their variance along a sweep, and all kernels."""
    lengths = SHORTEST * 2.0 ** np.arange(int(np.log2(LONGEST * n / SHORTEST)) + 1)
    rows = np.exp(-np.arange(n) / lengths[:, None])
    pairs = np.where(np.arange(n) == 0, 1.0, 2.0) * (n - np.arange(n)) / n**2
    along = 1 - rows @ pairs
    each = [Kernel.of(row / size, length) for row, size in zip(rows, along, strict=True)]
    parts = ([getattr(kernel, field.name) for kernel in each] for field in fields(Kernel))
    return np.log(lengths), along, Kernel(*(np.array(part) for part in parts))


def _slow(n: int, length: int, slope: float) -> tuple[Kernel, Kernel]:
    """1/f noise of this slope, of variance 1 along a sweep less its mean; and its derivative by the slope.

    A sum of memories whose weights go as their length to the power of the slope less 1 has that spectrum (F. N. Hooge et al., Rep.
    Prog. Phys. 44, 479 (1981), from memory).
    """
    x, along, kernels = _memories(n, length)
    weight = np.exp((slope - 1) * x) * along
    weight /= weight.sum()
    slow, by_slope = (
        Kernel(w @ kernels.row, np.tensordot(w, kernels.averages, 1), w @ kernels.within)
        for w in (weight, weight * (x - weight @ x))
    )
    return slow, by_slope


def _kernels(parameters: Array, data: Averages) -> list[Kernel]:
    """The kernel by which each parameter (7,) changes the noise: of sizes, whose logarithms they are, the noise itself."""
    n, length, size = data.samples, data.length, np.exp(parameters)
    white = white_kernel(n, length)
    slow, by_slope = _slow(n, length, float(parameters[SLOPE]))
    distance = np.arange(n) / size[LENGTH]
    fading = np.exp(-distance)
    memory, by_length = Kernel.of(fading, length), Kernel.of(distance * fading, length)
    kinds = (white, slow, by_slope, white, memory, by_length, Kernel.of(data.line, length))
    factors = size[[WHITE_GAP, SLOW_GAP, SLOW_GAP, WHITE, MEMORY, MEMORY, LINE]]
    return [kernel * float(factor) for kernel, factor in zip(kinds, factors, strict=True)]


def _both(parameters: Array, data: Averages) -> tuple[Kernel, Kernel]:
    """All noise of the gap, and all other noise."""
    return _summed(_kernels(parameters, data), data)


def _summed(k: list[Kernel], data: Averages) -> tuple[Kernel, Kernel]:
    gap, other = k[WHITE_GAP] + k[SLOW_GAP], k[WHITE] + k[MEMORY]
    return (gap + k[LINE], other) if data.line_of_gap else (gap, other + k[LINE])


@dataclass(frozen=True, eq=False)
class _Likelihood:
    """The logarithm of the restricted likelihood, and what follows for the parameters."""

    value: float
    gradient: Array  # (7,)
    information: Array  # (7, 7)


def _restricted(data: Averages, kernels: tuple[Kernel, Kernel]) -> tuple[float, Array, Array]:
    """Logarithm of the likelihood, P of each sweep (k, b, b), and the expected squares within (b,)."""
    whole = covariance(data, kernels) + (data.missing + LEAST_SHARE)[:, :, None] * np.eye(data.residual.shape[1])
    inverse = np.linalg.inv(whole)
    load = inverse @ data.columns
    normal = data.columns.mT @ load + 1e-12 * np.eye(3)
    left = inverse - load @ np.linalg.solve(normal, load.mT)
    value = -0.5 * sum(float(np.linalg.slogdet(m)[1].sum()) for m in (whole, normal))
    value -= 0.5 * float(np.sum(data.residual * (left @ data.residual[..., None])[..., 0]))
    expected = kernels[0].within * data.expected[0] + kernels[1].within * data.expected[1] + LEAST_SHARE
    value -= 0.5 * float(np.sum(data.freedom * (np.log(expected) + data.within / expected)))
    return value, np.asarray(left), np.asarray(expected)


def _likelihood(parameters: Array, data: Averages, *, average: bool = True) -> _Likelihood:
    """With the average of observed and expected information (A. R. Gilmour et al., Biometrics 51, 1440 (1995)), or the expected."""
    kernels, of_gap = _kernels(parameters, data), [WHITE_GAP, SLOW_GAP, SLOPE, *([LINE] if data.line_of_gap else [])]
    value, left, expected = _restricted(data, _summed(kernels, data))
    sizes = [data.relative if part in of_gap else data.additive for part in range(len(kernels))]
    seen = (left @ data.residual[..., None])[..., 0]
    excess = seen[:, :, None] * seen[:, None, :] - left
    forms = [(excess * size[:, :, None] * size[:, None, :]).sum(axis=0) for size in (data.relative, data.additive)]
    gradient = 0.5 * np.array([
        np.sum(forms[0 if part in of_gap else 1] * kernel.averages) for part, kernel in enumerate(kernels)
    ])  # fmt: skip
    if average:
        moved = np.stack([size * ((size * seen) @ k.averages) for size, k in zip(sizes, kernels, strict=True)])
        information = 0.5 * moved.reshape(len(sizes), -1) @ (left @ moved[..., None])[..., 0].reshape(len(sizes), -1).T
    else:
        turned = np.stack([
            left @ (size[:, :, None] * k.averages * size[:, None, :]) for size, k in zip(sizes, kernels, strict=True)
        ])  # fmt: skip
        information = 0.5 * turned.reshape(len(sizes), -1) @ turned.mT.reshape(len(sizes), -1).T
    within = (
        np.stack([k.within * data.expected[0 if part in of_gap else 1] for part, k in enumerate(kernels)]) / expected
    )
    gradient += 0.5 * within @ (data.freedom * (data.within / expected - 1))
    return _Likelihood(value, gradient, information + 0.5 * (within * data.freedom) @ within.T)


@dataclass(frozen=True, eq=False)
class Usual:
    """What is known of the parameters beforehand: normal distributions, each by itself."""

    mean: Array  # (7,)
    spread: Array  # (7,)

    @classmethod
    def of(cls, samples: int) -> Usual:
        """Own choice: mostly white noise, a thousandth of it slow with a factor of 7 either way, and 1/f^(1.2 ± 0.4).

        Parameters
        ----------
        samples : int
            Of a sweep.
        """
        length = np.log(max(samples / 12, 2.0))
        return cls(
            np.array([np.log(0.7), np.log(LITTLE), 1.2, np.log(0.9), np.log(LITTLE), length, np.log(LITTLE)]), SPREAD
        )

    def value(self, parameters: Array) -> float:
        return -0.5 * float(np.sum(((parameters - self.mean) / self.spread) ** 2))


@dataclass(frozen=True, eq=False)
class Found:
    """The most likely parameters, and how well they are known."""

    parameters: Array  # (7,)
    information: Array  # (7, 7) with what was known beforehand
    evidence: float  # twice the logarithm of its likelihood over that of white noise
    noise: tuple[Kernel, Kernel]  # of the gap, and all other

    @property
    def of_others(self) -> Usual:
        """What it says about another tip."""
        spread = np.sqrt(np.diag(np.linalg.inv(self.information)) + BETWEEN**2)
        return Usual(self.parameters, np.minimum(spread, SPREAD))


def find(data: Averages, usual: Usual) -> Found:
    """The most likely noise along the ramp.

    Parameters
    ----------
    data : Averages
    usual : Usual
    """
    start = usual.mean.copy()
    start[[SLOW_GAP, MEMORY]] = np.maximum(MUCH, start[[SLOW_GAP, MEMORY]])
    free = [i for i in range(len(start)) if i != LINE or data.line.any()]
    start[LINE] = MUCH if data.line.any() else LEAST[LINE]
    parameters, information = _climb(data, usual, start, free, STEPS)
    none = usual.mean.copy()
    none[SLOW] = LEAST[SLOW]
    white, _ = _climb(data, usual, none, [WHITE_GAP, WHITE], STEPS // 2)
    evidence = [_restricted(data, _both(at, data))[0] for at in (parameters, white)]
    return Found(parameters, information, 2 * (evidence[0] - evidence[1]), _both(parameters, data))


def _climb(data: Averages, usual: Usual, start: Array, free: list[int], steps: int) -> tuple[Array, Array]:
    """Scoring of the free parameters, with what is usual; the parameters and the information there."""
    most = np.minimum(MOST, np.where(np.arange(len(start)) == LENGTH, np.log(data.samples / 2), np.inf))
    here, found = start, _likelihood(start, data)
    prior = np.diag(1 / usual.spread**2)
    for _ in range(steps):
        gradient = found.gradient - (here - usual.mean) / usual.spread**2
        step = np.zeros(len(here))
        step[free] = np.clip(
            np.linalg.solve((found.information + prior)[np.ix_(free, free)], gradient[free]), -1.5, 1.5
        )
        before = found.value + usual.value(here)
        for _ in range(4):
            there = np.clip(here + step, LEAST, most)
            gain = _restricted(data, _both(there, data))[0] + usual.value(there) - before
            if gain >= 0:
                break
            step *= 0.4
        else:
            break
        here, found = there, _likelihood(there, data)
        if gain < 0.02:
            break
    return here, _likelihood(here, data, average=False).information + prior


@dataclass(frozen=True, eq=False)
class Memory:
    """The noise along the ramp, averaged over what the residuals leave open."""

    noise: tuple[Kernel, Kernel]  # of the gap, and all other
    freedom: float  # degrees of freedom by which the variance of a decay is known from it


def averaged_over(found: Found, data: Averages, usual: Usual, weights: Array) -> Memory:
    """The mean noise over all that is likely: the size of each slow part, along which all else follows.

    Parameters
    ----------
    found, data, usual : Found, Averages, Usual
    weights : ndarray, shape (k, b)
        Of the averages in the decay of each sweep.
    """
    forms = [
        np.einsum("ki,kj->ij", weights * size, weights * size / np.vecdot(weights, weights)[:, None])
        for size in (data.relative, data.additive)
    ]

    def variance(kernels: Any) -> float:
        return float(sum(np.sum(form * kernel.averages) for form, kernel in zip(forms, kernels, strict=True)))

    best, information = found.parameters, found.information
    most = np.minimum(MOST, np.where(np.arange(len(best)) == LENGTH, np.log(data.samples / 2), np.inf))
    noise, variances, spread = list(_both(best, data)), [variance(_both(best, data))], 0.0
    for which, part in enumerate((SLOW_GAP, MEMORY)):
        other = [i for i in range(len(best)) if i != part]
        follow = np.zeros(len(best))
        follow[other] = -np.linalg.solve(information[np.ix_(other, other)], information[other, part])
        follow[part] = 1.0
        sd = min(np.sqrt(np.linalg.inv(information)[part, part]), SPREAD[part])
        places = np.clip(best + PLACES[:, None] * sd * follow, LEAST, most)
        kernels = [_both(place, data) for place in places]
        logs = np.array([_restricted(data, k)[0] + usual.value(p) for k, p in zip(kernels, places, strict=True)])
        share = np.exp(logs - logs.max())
        share /= share.sum()
        each = np.array([variance(k) for k in kernels])
        inverse = share @ (1 / each)
        spread += float(share @ (1 / each / inverse - 1) ** 2)
        variances.append(1 / inverse - variances[0])
        share = share / each / inverse
        parts = [k[which] * float(s) for k, s in zip(kernels, share, strict=True)]
        noise[which] = sum(parts[1:], start=parts[0])
    rest = [i for i in range(len(best)) if i not in (SLOW_GAP, MEMORY)]
    moved = [variance(_both(best + 0.1 * (np.arange(len(best)) == i), data)) for i in rest]
    change = (np.array(moved) / variances[0] - 1) / 0.1
    spread += float(change @ np.linalg.solve(information[np.ix_(rest, rest)], change))
    return Memory((noise[0], noise[1]), 2 / spread)
