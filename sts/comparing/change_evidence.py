"""How much likelier the slopes of a tip are if it changed on the way: a step, a stay at a site that runs away, a steady drift."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import logsumexp, ndtr

# What may be, before looking; all in ln slope (a barrier's per cent are twice as many), evenly likely by their logarithms: scatter
# of repeats 0.1 to 15 %, of places 0.5 to 14 %. Common practice, no source; what follows from them is measured by simulation
# (scripts/studies/tip_changes.py).
_GRID = 1.75
REPEATS = 0.001 * _GRID ** np.arange(10)
PLACES = 0.005 * _GRID ** np.arange(7)
SLOW = np.array([0.0, 0.5, 0.9])  # share of the repeats' variance that is 1/f noise
MEMORY = np.array([1.0, 3.0, 10.0, 30.0, 100.0])  # repeats; noise of these memories in equal shares is close to 1/f
DRIFT = 0.04  # over all repeats of a tip, standard deviation
SIZES = np.array([0.1, 0.3, 1.0])  # of a change, standard deviations
FEWEST = 2  # repeats on either side of a step
FEWEST_RUN = 3  # repeats of a stay that runs away
OWN = 0.1  # how likely it is that a tip's places scatter otherwise than those of the other tips

_LEAST = -8  # ratio of places to repeats in steps of the grid: below 0.05 places do not matter
_RATIO = np.maximum(np.arange(len(PLACES)) - np.arange(len(REPEATS))[:, None], _LEAST) - _LEAST
_RATIOS = PLACES[0] / REPEATS[0] * _GRID ** np.arange(_LEAST, len(PLACES)).astype(float)
EVEN = np.full(len(PLACES), -np.log(len(PLACES)))

Array = np.ndarray


@dataclass(frozen=True, eq=False)
class Evidence:
    """ln of the evidence, for each scatter of places (b of `PLACES`), from which that for a change follows.

    Attributes
    ----------
    none : ndarray, shape (b,)
        Of no change.
    step : ndarray, shape (b, n - 1)
        Of a step between a repeat and the next; -inf where none is looked for.
    run : ndarray, shape (b, v)
        Of each stay whose repeats run away.
    drift : ndarray, shape (b,)
        Of a steady drift larger than usual.
    stays : ndarray, shape (v, 2)
        First and last + 1 repeat of each stay of `FEWEST_RUN` repeats or more.
    """

    none: Array
    step: Array
    run: Array
    drift: Array
    stays: Array

    def against_none(self, prior: Array = EVEN) -> tuple[float, float, float]:
        """ln of the Bayes factors of a step at any place, of any stay that runs away, and of a drift.

        Parameters
        ----------
        prior : ndarray, shape (b,)
            ln of how likely each scatter of places is before looking.
        """
        none = logsumexp(prior + self.none)
        step, run = (_any(logsumexp(prior[:, None] + part, axis=0)) for part in (self.step, self.run))
        return step - none, run - none, float(logsumexp(prior + self.drift) - none)

    def places(self, prior: Array = EVEN) -> Array:
        """How likely the step is at each place, if there is one; (n - 1,), sums to one.

        Parameters
        ----------
        prior : ndarray, shape (b,)
            As in `against_none`.
        """
        log = logsumexp(prior[:, None] + self.step, axis=0)
        return np.asarray(np.exp(log - logsumexp(log)))

    @property
    def scatter(self) -> Array:
        """ln of how likely each scatter of places makes the slopes, whether the tip changed or not; (b,)."""
        return np.asarray(np.logaddexp(self.none, [_any(row) for row in self.step]))


def scatter_of_others(found: Sequence[Evidence]) -> list[Array]:
    """ln of how likely each scatter of places is for each tip before looking at it: as the others show, or (`OWN`) any.

    Parameters
    ----------
    found : sequence of Evidence, length t
        Of the tips of a session.

    Returns
    -------
    list of ndarray, shape (b,)
    """
    each = np.array([one.scatter for one in found]).reshape(-1, len(PLACES))
    others = each.sum(axis=0) - each
    others = others - logsumexp(others, axis=1, keepdims=True)
    return list(np.logaddexp(np.log(1 - OWN) + others, np.log(OWN) + EVEN))


@dataclass(frozen=True, eq=False)
class Levels:
    """ln slopes before and after a step, and how much it is: value and ends of the interval of each."""

    before: tuple[float, float, float]
    after: tuple[float, float, float]
    change: tuple[float, float, float]


class Slopes:
    """The ln slopes of one tip in order of measurement, under every scatter of the grid.

    Parameters
    ----------
    log_slope : array_like, shape (n,)
        ln of slopes, 4 or more.
    site : array_like of int, shape (n,)
        Number of the place of each; the same number again where it was visited again.
    weight : array_like, shape (n,), optional
        Variance of each repeat over that of the usual one.

    Notes
    -----
    y = mean + place + noise + drift t + size h, h a step or a ramp within a stay. Places are normal (τ), so is the noise (σ), a
    share of its variance 1/f; drift and size are normal with `DRIFT` and `SIZES`, the mean is free. All but τ, σ and that share
    is integrated in closed form, these on a grid. Bayes factors for a change at an unknown place: A. F. M. Smith, Biometrika 62,
    407 (1975), from memory; the model of places and noise has no source.
    """

    def __init__(self, log_slope: Array, site: Array, weight: Array | None = None) -> None:
        slopes = np.asarray(log_slope, float)
        self.middle, self.n = float(slopes.mean()), len(slopes)
        self.y = slopes - self.middle
        site = np.ascontiguousarray(site, np.int64)
        own = np.ones(self.n) if weight is None else np.asarray(weight, float)
        self._known = _known(site.tobytes(), own.tobytes())
        self.stays = _stays(site)
        self.square = self._rest(self.y[:, None])[..., 0]
        self.none = self._known.constant - 0.5 * self.square / (REPEATS**2)[:, None]

    def _rest(self, columns: Array, other: Array | None = None) -> Array:
        """h' V⁻¹ h, or h' V⁻¹ y, of each column when mean and drift are taken out of it; (p, s, b, k)."""
        known = self._known
        left = (known.weighted @ columns)[:, _RATIO]
        if other is None:
            right, whole = left, np.einsum("nk,prnk->prk", columns, known.inverse @ columns)
        else:
            right, whole = (known.weighted @ other)[:, _RATIO][..., None], (known.inverse @ other) @ columns
        return np.asarray(whole[:, _RATIO] - (left * (known.covariance @ right)).sum(axis=-2))

    def gains(self, columns: Array) -> Array:
        """ln of how much likelier each column makes the slopes, for each share, scatter and size; (p, s, b, z, k).

        Parameters
        ----------
        columns : ndarray, shape (n, k)
            Shapes of changes of size 1.
        """
        square, product = self._rest(columns)[..., None, :], self._rest(columns, self.y)[..., None, :]
        variance = (REPEATS**2)[:, None, None, None]
        less = variance / (SIZES**2)[:, None]
        return np.asarray(0.5 * np.log(less / (less + square)) + 0.5 * product**2 / (variance * (square + less)))

    def evidence(self) -> Evidence:
        """The evidence for no change, for a step at each place, for each stay, and for a drift."""
        at = np.arange(FEWEST, self.n - FEWEST + 1)
        shapes = np.column_stack([_steps(self.n, at), _ramps(self.n, self.stays), _drift(self.n)])
        found = logsumexp(self.gains(shapes), axis=3) - np.log(len(SIZES)) + self.none[..., None]
        found = logsumexp(found, axis=(0, 1))
        step = np.full((len(PLACES), self.n - 1), -np.inf)
        step[:, at - 1] = found[:, : len(at)]
        none = logsumexp(self.none, axis=(0, 1))
        return Evidence(none, step, found[:, len(at) : -1], found[:, -1], self.stays)

    def levels(self, shares: Array, prior: Array = EVEN, *, confidence: float = 0.95) -> Levels:
        """The mean of places before and after the step, each with its interval, over all likely places of the step.

        Parameters
        ----------
        shares : ndarray, shape (n - 1,)
            How likely the step is at each place, as `Evidence.places` gives it.
        prior : ndarray, shape (b,)
            As in `Evidence.against_none`.
        confidence : float
            Level of the intervals, 0 to 1.
        """
        at = np.flatnonzero(shares > 0.01 * shares.max()) + 1
        log = self.gains(_steps(self.n, at)) + (self.none + prior)[..., None, None]
        weight = np.moveaxis(np.exp(log - log.max()), -1, 0).ravel()
        each = [self._levels(int(place)) for place in at]
        mean, spread = (np.array(part).reshape(-1, 3) for part in zip(*each, strict=True))
        middles = (self.middle, self.middle, 0.0)
        return Levels(*(_quantiles(weight, mean[:, k], spread[:, k], confidence, middles[k]) for k in range(3)))

    def _levels(self, place: int) -> tuple[Array, Array]:
        """Before, after and their difference, mean and spread, if the step is after so many repeats; (p, s, b, z, 3)."""
        t, known = _drift(self.n), self._known
        design = np.column_stack([np.ones(self.n), t, np.arange(self.n) >= place])
        variance = REPEATS**2
        normal = (design.T @ known.inverse @ design)[:, _RATIO][..., None, :, :]
        prior = np.zeros((len(REPEATS), 1, len(SIZES), 3))  # what is known of drift and size before looking
        prior[..., 1] = (variance / DRIFT**2)[:, None, None]
        prior[..., 2] = variance[:, None, None] / SIZES**2
        covariance = np.linalg.inv(normal + prior[..., None] * np.eye(3))
        product = (design.T @ (known.inverse @ self.y)[..., None])[:, _RATIO][..., None, :, :]
        before, after = np.array([1, t[:place].mean(), 0]), np.array([1, t[place:].mean(), 1])
        levels = np.array([before, after, after - before])
        spread = np.sqrt(np.einsum("ki,...ij,kj->...k", levels, covariance, levels))
        return (covariance @ product)[..., 0] @ levels.T, spread * REPEATS[:, None, None, None]


def _quantiles(
    share: Array, mean: Array, spread: Array, confidence: float, middle: float
) -> tuple[float, float, float]:
    """Mean, and both ends of the interval, of a mixture of normal distributions."""
    keep = share > 1e-4 * share.max()
    share, mean, spread = share[keep] / share[keep].sum(), mean[keep], spread[keep]
    grid = np.linspace((mean - 6 * spread).min(), (mean + 6 * spread).max(), 400)
    below = ndtr((grid[:, None] - mean) / spread) @ share
    low, high = np.interp([(1 - confidence) / 2, (1 + confidence) / 2], below, grid)
    return float(share @ mean) + middle, float(low) + middle, float(high) + middle


def _any(log: Array) -> float:
    """ln of the mean of evidences that are looked at; -inf where there are none."""
    count = np.isfinite(log).sum()
    return float(logsumexp(log) - np.log(count)) if count else -np.inf


def _steps(n: int, at: Array) -> Array:
    """Steps of size 1 after so many of n repeats; (n, k)."""
    return (np.arange(n)[:, None] >= at).astype(float)


def _drift(n: int) -> Array:
    return np.linspace(-0.5, 0.5, n)


def _stays(site: Array) -> Array:
    """First and last + 1 repeat of each stay at a site that may run away; (v, 2)."""
    starts = np.flatnonzero(np.r_[True, site[1:] != site[:-1]])
    stays = np.column_stack([starts, np.r_[starts[1:], len(site)]])
    return np.asarray(stays[np.diff(stays)[:, 0] >= FEWEST_RUN])


def _ramps(n: int, stays: Array) -> Array:
    ramps = np.zeros((n, len(stays)))
    for column, (first, end) in enumerate(stays):
        ramps[first:end, column] = _drift(end - first)
    return ramps


@dataclass(frozen=True, eq=False)
class _Known:
    """What follows from the order of the sites alone, for each share p of 1/f noise and ratio r of places to repeats."""

    inverse: Array  # (p, r, n, n) of the covariance over σ²
    weighted: Array  # (p, r, 2, n) the same times mean and drift
    covariance: Array  # (p, s, b, 2, 2) of mean and drift, over σ²
    constant: Array  # (p, s, b) ln of the evidence but for the slopes


@lru_cache(maxsize=32)
def _known(sites: bytes, weights: bytes) -> _Known:
    site, weight = np.frombuffer(sites, np.int64), np.frombuffer(weights, float)
    n = len(site)
    lag = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    share = SLOW[:, None, None, None]
    slow = np.exp(-lag[..., None] / MEMORY).mean(axis=-1)
    same = (site[:, None] == site).astype(float)
    covariance = (1 - share) * np.diag(weight) + share * slow + (_RATIOS**2)[:, None, None] * same
    inverse = np.linalg.inv(covariance)
    common = np.column_stack([np.ones(n), _drift(n)])
    weighted = common.T @ inverse
    normal = (weighted @ common)[:, _RATIO]
    normal = normal + ((REPEATS / DRIFT) ** 2)[:, None, None, None] * np.diag([0.0, 1.0])
    constant = (
        -(n - 2) * np.log(REPEATS)[:, None] - 0.5 * np.linalg.slogdet(covariance)[1][:, _RATIO]
        - 0.5 * np.linalg.slogdet(normal)[1]
    )  # fmt: skip
    return _Known(inverse, weighted, np.linalg.inv(normal), constant)
