"""Residuals as averages of neighbours along the ramp, in which slow noise is looked for, and what noise does to them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np

from sts.barrier.blocks import Array

AVERAGES = 32  # along the ramp at most


def averaged(values: Array, length: int) -> Array:
    """Sums of `length` neighbours over the root of that, shape (k, b).

    Parameters
    ----------
    values : ndarray, shape (k, n)
        0 where masked.
    length : int
    """
    return np.asarray(_cut(values, length).sum(axis=2) / np.sqrt(length))


def _cut(values: Array, length: int) -> Array:
    k, n = values.shape
    return np.pad(values, ((0, 0), (0, -n % length))).reshape(k, -1, length)


@dataclass(frozen=True, eq=False)
class Averages:
    """What the likelihood needs of k sweeps on n heights: b averages of neighbouring samples, and what is left within them."""

    samples: int  # n
    length: int  # samples in an average
    residual: Array  # (k, b)
    columns: Array  # (k, b, 3) of the fit
    relative: Array  # (k, b) size of the noise of the gap
    additive: Array  # (k, b) of all other noise
    missing: Array  # (k, b) 1 where nothing is usable
    within: Array  # (b,) mean square about the averages
    expected: Array  # (2, b) of that, were either noise white and alone
    freedom: Array  # (b,) degrees of freedom of that
    line: Array  # (n,) autocovariance of a line of one period, 0 if there is none
    line_of_gap: bool  # whether it is one of the gap

    @classmethod
    def of(cls, residual: Array, columns: Array, sizes: Array) -> Averages:
        """From what is in units of the noise, 0 where masked.

        Parameters
        ----------
        residual : ndarray, shape (k, n)
        columns : ndarray, shape (3, k, n)
            Of the fit; the second is that of the offset, positive where a sample is usable.
        sizes : ndarray, shape (2, k, n)
            Of the noise of the gap and of all other noise.
        """
        usable = (columns[1] > 0).astype(float)
        n = residual.shape[1]
        length = -(-n // AVERAGES)
        count = _cut(usable, length).sum(axis=2)
        root = np.sqrt(length / np.maximum(count, 1))
        mean = np.stack([averaged(column, length) * root for column in columns], axis=2)
        mean /= np.maximum(np.linalg.norm(mean, axis=1, keepdims=True), 1e-300)
        squares = [_cut(size**2, length).sum(axis=2) / np.maximum(count, 1) for size in sizes]
        y = averaged(residual, length) * root
        free = np.maximum(count - 1, 0)
        total = free.sum(axis=0)
        left = _cut(residual**2, length).sum(axis=2) - y**2
        share = free / np.maximum(total, 1)
        return cls(
            samples=n,
            length=length,
            residual=y,
            columns=mean,
            relative=np.sqrt(squares[0]),
            additive=np.sqrt(squares[1]),
            missing=(count == 0).astype(float),
            within=left.sum(axis=0) / np.maximum(total, 1),
            expected=np.stack([(share * square).sum(axis=0) for square in squares]),
            freedom=total.astype(float),
            line=np.zeros(n),
            line_of_gap=False,
        )

    def with_line(self, periods: float, of_gap: bool) -> Averages:
        """The same where there is a line.

        Parameters
        ----------
        periods : float
            Along the ramp.
        of_gap : bool
            Whether the gap vibrates; else it is in the electronics.
        """
        line = np.cos(2 * np.pi * periods * np.arange(self.samples) / self.samples)
        return replace(self, line=line, line_of_gap=of_gap)

    def freedom_of_squares(self, noise: tuple[Kernel, Kernel]) -> float:
        """Degrees of freedom that the squared residuals of one sweep have, by the first two moments.

        Parameters
        ----------
        noise : (Kernel, Kernel)
            Of the gap, and all other.
        """
        whole = covariance(self, noise)
        base = np.linalg.qr(self.columns)[0]
        across = base.mT @ whole
        left = whole - base @ across - across.mT @ base.mT + base @ (across @ base) @ base.mT
        within = noise[0].within * self.expected[0] + noise[1].within * self.expected[1]
        free = self.freedom / len(left)
        total = np.einsum("kii->k", left).mean() + free @ within
        return float(total**2 / (np.einsum("kij,kij->k", left, left).mean() + free @ within**2))


@lru_cache(maxsize=32)
def _means(n: int, length: int) -> tuple[Array, Array]:
    """What makes an autocovariance (n,) the covariance of the first of b averages with all of them, (n, b); |i - j|, (b, b)."""
    step = np.arange(-length + 1, length)
    b = -(-n // length)
    at = np.abs(length * np.arange(b)[:, None] + step)
    means = np.zeros((max(n, int(at.max()) + 1), b))
    np.add.at(means, (at, np.arange(b)[:, None]), 1 - np.abs(step) / length)
    return means[:n], np.abs(np.subtract.outer(np.arange(b), np.arange(b)))


@dataclass(frozen=True, eq=False)
class Kernel:
    """One kind of noise along the ramp, or several (...)."""

    row: Array  # (..., n) autocovariance
    averages: Array  # (..., b, b) covariance of the averages
    within: Any  # (...,) variance within an average

    @classmethod
    def of(cls, row: Array, length: int) -> Kernel:
        """From an autocovariance.

        Parameters
        ----------
        row : ndarray, shape (..., n)
        length : int
            Of an average.
        """
        means, apart = _means(row.shape[-1], length)
        line = row @ means
        within = (length * row[..., 0] - line[..., 0]) / max(length - 1, 1)
        return cls(row, line[..., apart], within)

    def __add__(self, other: Kernel) -> Kernel:
        return Kernel(self.row + other.row, self.averages + other.averages, self.within + other.within)

    def __mul__(self, factor: float) -> Kernel:
        return Kernel(factor * self.row, factor * self.averages, factor * self.within)


@lru_cache(maxsize=32)
def white_kernel(n: int, length: int) -> Kernel:
    """White noise of variance 1 on n samples, averaged over `length`.

    Parameters
    ----------
    n, length : int
    """
    return Kernel.of((np.arange(n) == 0).astype(float), length)


def covariance(data: Averages, noise: tuple[Kernel, Kernel]) -> Array:
    """Covariance (..., k, b, b) of the averages of each sweep.

    Parameters
    ----------
    data : Averages
    noise : (Kernel, Kernel)
        Of the gap, and all other.
    """
    gap, other = (
        size[:, :, None] * kernel.averages[..., None, :, :] * size[:, None, :]
        for kernel, size in zip(noise, (data.relative, data.additive), strict=True)
    )
    return np.asarray(gap + other)
