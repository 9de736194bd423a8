"""The zero of the current belongs to the bench, not to the sweep: found from all sweeps together, and given to each as a prior.

Over one or two decades an offset that is free in each sweep is not determined: it takes the slope with it. What knows it: all
I(z) sweeps of an amplifier range together, their least currents, and what was found elsewhere (`KnownOffset`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sts.barrier.blocks import Array, Mask, joined, take

COST = 1.5  # times that a free offset makes the decay less certain, from which the offset is shared
TAUS = 120  # scatters tried
FEWEST = 3  # sweeps that know an offset together
WITHDRAWN = 0.2  # of the usual largest current: a level trace below this was taken with the tip withdrawn
ROUNDS = 3  # of finding it about the curves that it makes


@dataclass(frozen=True)
class KnownOffset:
    """A zero of the current that something other than the fits of I(z) says."""

    value: float  # [A]
    u: float  # standard uncertainty [A]
    source: str  # in words: "the plan", "12 I(V) sweeps at zero bias"
    full_scale_A: float = np.nan  # of the amplifier range it was seen in; NaN: of any


@dataclass(frozen=True, eq=False)
class Prior:
    """What is known of the offset of m sweeps before they are looked at; `scatter` is infinite where nothing is."""

    value: Array  # (m,) [A]
    scatter: Array  # (m,) of the offset from sweep to sweep [A]
    common: Array  # (m,) standard uncertainty that all sweeps of the bench share [A]
    dof: Array  # (m,) its degrees of freedom
    slack: Array  # (m,) times that slow noise makes the samples say less of the offset than white noise: variances

    @classmethod
    def none(cls, sweeps: int) -> Prior:
        """Of sweeps whose offsets are their own."""
        nothing = np.full(sweeps, np.inf)
        return cls(np.zeros(sweeps), nothing, nothing.copy(), nothing.copy(), np.ones(sweeps))

    @property
    def there(self) -> Mask:
        """Where something is known, shape (m,)."""
        return np.isfinite(self.scatter)

    @property
    def weight(self) -> Array:
        """Of the known offset beside samples that are taken to have white noise [1/A²]; 0 where nothing is known, (m,)."""
        return np.asarray(self.slack / (self.scatter**2 + self.common**2))


def pool_offsets(offset: Array, variance: Array, known: Sequence[KnownOffset] = ()) -> tuple[float, float, float]:
    """Mean of offsets that scatter, its standard uncertainty, and their scatter.

    Parameters
    ----------
    offset, variance : ndarray, shape (k,)
        Of the single sweeps [A], [A²].
    known : sequence of KnownOffset
        What else says it.

    Returns
    -------
    (float, float, float)
        [A] each.

    Notes
    -----
    Restricted likelihood of the random-effects model over a flat prior in the scatter τ (A. Gelman, Bayesian Anal. 1, 515
    (2006)); mean and τ² are averages over that. The estimate of τ alone is 0 in half of all sessions with as few decades as
    these, and intervals that believe it hold 90 instead of 95 %.
    """
    unit = np.sqrt(np.median(variance)) if variance.size else max(k.u for k in known)
    o, v = offset / unit, variance / unit**2
    outside = [((k.value / unit), (k.u / unit) ** 2) for k in known]
    top = 3 * max(float(np.std(o)) if o.size else 0.0, 1.0)
    tau = np.linspace(0.0, top if o.size > 1 else 0.0, TAUS)[:, None]
    weight = np.concatenate([1 / (v + tau**2), *(np.full((TAUS, 1), 1 / u2) for _, u2 in outside)], axis=1)
    o = np.concatenate([o, [value for value, _ in outside]])
    total = weight.sum(axis=1)
    mean = (weight @ o) / total
    likelihood = 0.5 * np.log(weight).sum(axis=1) - 0.5 * np.log(total)
    likelihood -= 0.5 * (weight * (o - mean[:, None]) ** 2).sum(axis=1)
    chance = np.exp(likelihood - likelihood.max())
    chance /= chance.sum()
    centre = float(chance @ mean)
    u = float(np.sqrt(chance @ (1 / total + (mean - centre) ** 2)))
    return centre * unit, u * unit, float(np.sqrt(chance @ tau[:, 0] ** 2)) * unit


@dataclass(frozen=True, eq=False)
class Seen:
    """What the fits of one set say of the zero of the current; each (m,)."""

    full_scale: Array  # [A], NaN if unknown
    offset: Array  # that a sweep alone would have [A]
    offset_se: Array  # [A]
    cost: Array  # times that a free offset makes the decay less certain
    least: Array  # the least current seen, in the direction of the tunnelling current [A]
    sign: Array  # of the tunnelling current
    slack: Array  # as in `Prior`
    counts: Mask  # sweeps with a fit that nothing speaks against
    level: Array  # mean current of sweeps that do not depend on the height, else NaN [A]
    level_se: Array  # [A]
    largest: Array  # current [A]


def find_offsets(seen: Sequence[Seen], known: Sequence[KnownOffset] = ()) -> list[Prior]:
    """The offset of each amplifier range, for the sweeps of one bench and day.

    Parameters
    ----------
    seen : sequence of Seen
        Of the sets of I(z) sweeps.
    known : sequence of KnownOffset

    Returns
    -------
    list of Prior
        In the order of the sets. A range where a free offset costs little (`COST`) keeps it free; so does one where fewer than
        `FEWEST` sweeps and nothing else know it.
    """
    priors = [Prior.none(len(one.offset)) for one in seen]
    keys = [_keys(one.full_scale) for one in seen]
    for key in np.unique(np.concatenate(keys)) if keys else ():
        here = [own == key for own in keys]
        one = joined([take(part, rows) for part, rows in zip(seen, here, strict=True)])
        outside = [
            k for k in known if np.isnan(k.full_scale_A) or _keys(np.array([k.full_scale_A]))[0] == key
        ] + _withdrawn(one)
        usable = one.counts & np.isfinite(one.offset) & (one.offset_se > 0) & np.isfinite(one.offset_se)
        costly = one.cost[one.counts & np.isfinite(one.cost)]
        if not costly.size or np.median(costly) < COST or (usable.sum() < FEWEST and not outside):
            continue
        value, u, scatter = pool_offsets(one.offset[usable], one.offset_se[usable] ** 2, outside)
        value = _not_beyond(value, one)
        dof = np.inf if outside else float(usable.sum() - 1)
        priors = [
            Prior(*(np.where(rows, new, old) for new, old in (
                (value, prior.value), (scatter, prior.scatter), (u, prior.common), (dof, prior.dof), (own.slack, prior.slack))))
            for prior, rows, own in zip(priors, here, seen, strict=True)
        ]  # fmt: skip
    return priors


def _keys(full_scale: Array) -> Array:
    """Full scales to six digits, 0 where unknown, shape (m,): what rounding made of one range is one."""
    different, which = np.unique(full_scale, return_inverse=True)
    return np.array([0.0 if np.isnan(scale) else float(f"{scale:.6g}") for scale in different])[which]


def _withdrawn(seen: Seen) -> list[KnownOffset]:
    """The zero that traces with the tip withdrawn show: level, and far below what the others carry."""
    usual = np.nanmedian(seen.largest[seen.counts]) if seen.counts.any() else np.nan
    away = np.isfinite(seen.level) & (np.abs(seen.level) < WITHDRAWN * usual)
    if not away.any():
        return []
    level, se = seen.level[away], seen.level_se[away]
    u = np.sqrt(np.mean(se**2) / level.size + (np.var(level, ddof=1) / level.size if level.size > 1 else 0.0))
    return [KnownOffset(float(level.mean()), float(u), f"{level.size} traces with the tip withdrawn")]


def _not_beyond(value: float, seen: Seen) -> float:
    """The offset, no further in the direction of the tunnelling current than the least current that was seen."""
    there = seen.counts & np.isfinite(seen.least)
    for sign in (1.0, -1.0):
        least = sign * seen.least[there & (seen.sign == sign)]
        if least.size:
            value = sign * min(sign * value, float(least.min()))
    return value
