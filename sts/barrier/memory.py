"""How the noise of a tip's sweeps goes on along the ramp: white and 1/f noise of the gap, electronics with a memory, a line.

All of it is fitted together by restricted likelihood (H. D. Patterson & R. Thompson, Biometrika 58, 545 (1971)), in which nothing
counts that an amplitude, an offset or a decay can make. What the residuals leave open is averaged over, not assumed.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import lru_cache

import numpy as np

from sts.barrier.averages import Averages, Kernel, covariance, white_kernel
from sts.barrier.blocks import Array

SHORTEST = 0.7  # samples, of the memories that add up to 1/f noise; each is twice as long as the last
LONGEST = 4.0  # sweeps
STEPS = 15  # of scoring at most
FURTHEST = 1.5  # that a parameter moves in one step
TRIED = tuple(0.4**i for i in range(4))  # shares of a step, one after the other
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


def _slow(n: int, length: int, slope: Array) -> Kernel:
    """1/f noise of these slopes (...), of variance 1 along a sweep less its mean, and its derivatives by the slope: (2, ...).

    A sum of memories whose weights go as their length to the power of the slope less 1 has that spectrum (F. N. Hooge et al., Rep.
    Prog. Phys. 44, 479 (1981), from memory).
    """
    x, along, kernels = _memories(n, length)
    weight = np.exp((slope[..., None] - 1) * x) * along
    weight /= weight.sum(axis=-1, keepdims=True)
    both = np.stack([weight, weight * (x - (weight @ x)[..., None])])
    return Kernel(both @ kernels.row, np.tensordot(both, kernels.averages, 1), both @ kernels.within)


def _kernels(parameters: Array, data: Averages) -> Kernel:
    """The kernels (7, ...) by which each of parameters (..., 7) changes the noise; of sizes, the noise itself."""
    n, length, size = data.samples, data.length, np.moveaxis(np.exp(parameters), -1, 0)
    distance = np.arange(n) / size[LENGTH][..., None]
    fading = np.exp(-distance)
    slow = _slow(n, length, parameters[..., SLOPE])
    memory = Kernel.of(np.stack([fading, distance * fading]), length)
    white, line = white_kernel(n, length), Kernel.of(data.line, length)
    factor = size[[WHITE_GAP, SLOW_GAP, SLOW_GAP, WHITE, MEMORY, MEMORY, LINE]]

    def filled(name: str) -> Array:
        shape = np.shape(getattr(white, name))
        values = np.empty(factor.shape + shape)
        values[[WHITE_GAP, WHITE]], values[LINE] = getattr(white, name), getattr(line, name)
        values[[SLOW_GAP, SLOPE]], values[[MEMORY, LENGTH]] = getattr(slow, name), getattr(memory, name)
        values *= factor.reshape(factor.shape + (1,) * len(shape))
        return values

    return Kernel(*(filled(field.name) for field in fields(Kernel)))


def _of_gap(data: Averages) -> Array:
    """1 for the parameters (7,) of the noise of the gap, else 0."""
    return np.array([1, 1, 1, 0, 0, 0, int(data.line_of_gap)])


def _both(k: Kernel, data: Averages) -> tuple[Kernel, Kernel]:
    """All noise of the gap, and all other noise, of kernels (7, ...)."""
    sizes, gap = np.isin(np.arange(7), SIZES), _of_gap(data) == 1
    gap_noise, other = (
        Kernel(*(getattr(k, field.name)[sizes & part].sum(axis=0) for field in fields(Kernel))) for part in (gap, ~gap)
    )
    return gap_noise, other


@dataclass(frozen=True, eq=False)
class _Place:
    """Parameters, one set or many (...), and the logarithm of their restricted likelihood."""

    parameters: Array  # (..., 7)
    kernels: Kernel  # (7, ...)
    value: Array  # (...,)
    left: Array  # (..., k, b, b) P of each sweep
    expected: Array  # (..., b) squares within the averages

    @classmethod
    def of(cls, parameters: Array, data: Averages) -> _Place:
        kernels = _kernels(parameters, data)
        noise = _both(kernels, data)
        whole = covariance(data, noise) + (data.missing + LEAST_SHARE)[:, :, None] * np.eye(data.residual.shape[1])
        inverse = np.linalg.inv(whole)
        load = inverse @ data.columns
        normal = data.columns.mT @ load + 1e-12 * np.eye(3)
        left = inverse - load @ np.linalg.solve(normal, load.mT)
        twice = np.vecdot(data.residual, (left @ data.residual[..., None])[..., 0])
        twice += np.linalg.slogdet(whole)[1] + np.linalg.slogdet(normal)[1]
        within = (np.asarray(one.within)[..., None] * size for one, size in zip(noise, data.expected, strict=True))
        expected = np.asarray(sum(within, start=LEAST_SHARE))
        value = twice.sum(axis=-1) + (np.log(expected) + data.within / expected) @ data.freedom
        return cls(parameters, kernels, -0.5 * value, np.asarray(left), expected)

    def slopes(self, data: Averages, free: list[int], *, average: bool = True) -> tuple[Array, Array]:
        """Gradient (f,) and information (f, f) by the f free parameters of one set.

        With the average of observed and expected information (A. R. Gilmour et al., Biometrics 51, 1440 (1995)), or the expected.
        """
        which = 1 - _of_gap(data)[free]
        averages, left = self.kernels.averages[free], self.left
        both = np.stack([data.relative, data.additive])
        size, seen = both[which], (left @ data.residual[..., None])[..., 0]
        excess = seen[:, :, None] * seen[:, None, :] - left
        forms = np.stack([(excess * one[:, :, None] * one[:, None, :]).sum(axis=0) for one in both])
        gradient = 0.5 * (forms[which] * averages).sum(axis=(1, 2))
        if average:
            moved = np.moveaxis(size * ((size * seen) @ averages), 0, -1)
            information = 0.5 * (moved.mT @ (left @ moved)).sum(axis=0)
        else:
            turned = left @ (size[..., None] * averages[:, None] * size[:, :, None, :])
            information = 0.5 * turned.reshape(len(free), -1) @ turned.mT.reshape(len(free), -1).T
        within = self.kernels.within[free, None] * data.expected[which] / self.expected
        gradient += 0.5 * within @ (data.freedom * (data.within / self.expected - 1))
        return gradient, information + 0.5 * (within * data.freedom) @ within.T


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

    def value(self, parameters: Array) -> Array:
        return np.asarray(-0.5 * np.sum(((parameters - self.mean) / self.spread) ** 2, axis=-1))


@dataclass(frozen=True, eq=False)
class Found:
    """The most likely parameters, and how well they are known."""

    parameters: Array  # (7,)
    information: Array  # (7, 7) with what was known beforehand
    value: float  # logarithm of the restricted likelihood
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
    start[LINE] = MUCH if data.line.any() else LEAST[LINE]
    free = [i for i in range(len(start)) if i != LINE or data.line.any()]
    best = _climb(data, usual, start, free, STEPS)
    _, information = best.slopes(data, list(range(len(start))), average=False)
    information += np.diag(1 / usual.spread**2)
    return Found(best.parameters, information, float(best.value), _both(best.kernels, data))


def likelihood_of_white(data: Averages, usual: Usual) -> float:
    """Logarithm of the restricted likelihood of white noise at its best.

    Parameters
    ----------
    data : Averages
    usual : Usual
    """
    start = usual.mean.copy()
    start[SLOW] = LEAST[SLOW]
    return float(_climb(data, usual, start, [WHITE_GAP, WHITE], STEPS // 2).value)


def _most(data: Averages) -> Array:
    """The largest parameters (7,): no memory is longer than half a sweep."""
    most = MOST.copy()
    most[LENGTH] = min(most[LENGTH], np.log(data.samples / 2))
    return most


def _climb(data: Averages, usual: Usual, start: Array, free: list[int], steps: int) -> _Place:
    """Scoring of the free parameters, with what is usual, from a start; along the gradient where a step of it leads nowhere."""
    most, here = _most(data), _Place.of(start, data)
    for _ in range(steps):
        gradient, information = here.slopes(data, free)
        gradient -= ((here.parameters - usual.mean) / usual.spread**2)[free]
        information += np.diag(1 / usual.spread[free] ** 2)
        before = here.value + usual.value(here.parameters)
        # Cut at a bound of its own, a step of scoring may lead down; each part along its own slope leads up
        whole = (np.linalg.solve(information, gradient), gradient / np.diag(information))
        cut = (np.clip(one, -FURTHEST, FURTHEST) for one in whole)
        for tried in (share * one for one in cut if one @ gradient > 0 for share in TRIED):
            step = np.zeros(len(start))
            step[free] = tried
            there = _Place.of(np.clip(here.parameters + step, LEAST, most), data)
            gain = there.value + usual.value(there.parameters) - before
            if gain >= 0:
                break
        else:
            break
        here = there
        if gain < 0.02:
            break
    return here


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

    def variance(noise: tuple[Kernel, Kernel]) -> Array:
        return np.asarray(
            sum(np.sum(form * kernel.averages, axis=(-2, -1)) for form, kernel in zip(forms, noise, strict=True))
        )

    best, information = found.parameters, found.information
    noise, spread = list(found.noise), 0.0
    middle = variance(found.noise)
    for which, part in enumerate((SLOW_GAP, MEMORY)):
        other = [i for i in range(len(best)) if i != part]
        follow = np.zeros(len(best))
        follow[other] = -np.linalg.solve(information[np.ix_(other, other)], information[other, part])
        follow[part] = 1.0
        sd = min(np.sqrt(np.linalg.inv(information)[part, part]), SPREAD[part])
        places = _Place.of(np.clip(best + PLACES[:, None] * sd * follow, LEAST, _most(data)), data)
        logs = places.value + usual.value(places.parameters)
        share = np.exp(logs - logs.max())
        share /= share.sum()
        kernels = _both(places.kernels, data)
        each = variance(kernels)
        inverse = share @ (1 / each)
        spread += float(share @ (1 / each / inverse - 1) ** 2)
        share = share / each / inverse
        averages = np.tensordot(share, kernels[which].averages, 1)
        noise[which] = Kernel(share @ kernels[which].row, averages, share @ kernels[which].within)
    rest = [i for i in range(len(best)) if i not in (SLOW_GAP, MEMORY)]
    moved = variance(_both(_kernels(best + 0.1 * np.eye(len(best))[rest], data), data))
    change = (moved / middle - 1) / 0.1
    spread += float(change @ np.linalg.solve(information[np.ix_(rest, rest)], change))
    return Memory((noise[0], noise[1]), 2 / spread)
