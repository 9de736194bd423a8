"""Is a tip today as it was on the days before? The individuals chart of its days, with limits that hold for few days."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sts.comparing.day_scatter import SCATTER, Array, Days, quantile, scatter_weights, share_below, weigh

_ROUNDS = 6  # of finding changes with the scatter of the other tips, whose own changes are found meanwhile
_STRICT = (
    0.1  # of the false alarms, where it is settled which days tell of the scatter: else those left make it look small
)
_UNSURE = (
    1.3  # times the variance of the day that is judged: what its few sites tell of it is itself uncertain, and differs
)


@dataclass(frozen=True, eq=False)
class Chart:
    """The days of one tip in order, n of them; values in the unit that was given.

    Attributes
    ----------
    low, high : ndarray, shape (n,)
        Limits for each day, from the days before it since the last change; NaN where nothing tells them.
    centre : ndarray, shape (n,)
        Mean of those days; NaN for the first.
    changed : ndarray of bool, shape (n,)
        Whether the day lies outside its limits and a new stretch begins with it.
    alone : ndarray of bool, shape (n,)
        Whether it lies outside them, and the tip was as before on the day after.
    steps : ndarray, shape (c, 3)
        Of each change: by how much the stretch that begins there is above the one before, and the interval of it.
    level : ndarray, shape (3,)
        Mean of the last stretch and its interval; NaN for the interval where nothing tells the scatter between days.
    next_limits : ndarray, shape (2,)
        For a day to come, as uncertain as the middle one of these.
    scatter : float
        Standard deviation between days, the middle one of those weighed; NaN where nothing tells it.
    scatter_dof : int
        Days that tell it, less one for each stretch; those of the other tips are among them.
    """

    low: Array
    high: Array
    centre: Array
    changed: NDArray[np.bool_]
    alone: NDArray[np.bool_]
    steps: Array
    level: Array
    next_limits: Array
    scatter: float
    scatter_dof: int


def chart_days(
    values: Sequence[Any], ses: Sequence[Any], *, false_alarm: float = 0.01, confidence: float = 0.95
) -> list[Chart]:
    """Say of every day of every tip whether it is like the days before it.

    Parameters
    ----------
    values, ses : sequence of array_like, shape (n,) each
        One for each tip, its days in order: value (ln of the barrier, say) and standard uncertainty, which holds no scatter
        between days.
    false_alarm : float
        Chance that a day of an unchanged tip is called changed.
    confidence : float
        Level of the intervals of steps and levels.

    Returns
    -------
    list of Chart

    Raises
    ------
    ValueError
        If a value is not finite or an uncertainty not positive.

    Notes
    -----
    A day lies outside where less than half of `false_alarm` of its predictive distribution, given the days before it, lies
    beyond it: x ~ Σ p(τ) N(m(τ), τ² + 1.3 u² + var m(τ)), the scatter τ between days weighed by `scatter_weights` over the tip's
    own days before (about the mean of their stretch) and all days of the other tips. With u far below τ these are the limits
    x̄ ± t s √(1 + 1/n) of textbooks, which widen as they must where few days tell s. A day outside begins a new stretch, unless the
    day after it is within the limits of the old one, and there less far out than in those of the new: then it stands alone. The
    stretches of the other tips are found in the same way; first all are cut into pairs of days, as a moving range does, so that a
    change of one tip does not hide that of another. The factors 1.3, and of a tenth for which days of others tell of the scatter,
    are by simulation (scripts/studies/record.py).
    """
    x, u = _checked(values, ses)
    others = _others(x, u, false_alarm)
    found = [_parted(*one, false_alarm) for one in zip(x, u, others, strict=True)]
    return [_chart(*one, (false_alarm, confidence)) for one in zip(x, u, found, others, strict=True)]


@dataclass(frozen=True, eq=False)
class Stretches:
    """The days of a tip parted where it changed.

    Attributes
    ----------
    number : ndarray of int, shape (n,)
        Stretch of each day, from 0 on.
    alone : ndarray of bool, shape (n,)
        Days outside their limits after which the tip was as before them: they tell nothing of their stretch.
    """

    number: NDArray[np.int64]
    alone: NDArray[np.bool_]

    @property
    def changed(self) -> NDArray[np.bool_]:
        """Whether a stretch begins with a day; not so for the first day."""
        return np.diff(self.number, prepend=self.number[:1]) > 0


def find_changes(values: Sequence[Any], ses: Sequence[Any], *, false_alarm: float = 0.01) -> list[Stretches]:
    """The stretches of each tip, by `chart_days` and at a fraction of its time.

    Parameters
    ----------
    values, ses, false_alarm
        As there.

    Raises
    ------
    ValueError
        If a value is not finite or an uncertainty not positive.
    """
    x, u = _checked(values, ses)
    return [_parted(*one, false_alarm) for one in zip(x, u, _others(x, u, false_alarm), strict=True)]


def _checked(values: Sequence[Any], ses: Sequence[Any]) -> tuple[list[Array], list[Array]]:
    x, u = ([np.asarray(one, float) for one in part] for part in (values, ses))
    for one, error in zip(x, u, strict=True):
        if not (np.isfinite(one).all() and (error > 0).all() and np.isfinite(error).all()):
            raise ValueError("A day has no finite value or no positive standard uncertainty; leave it out.")
    return x, u


Told = tuple[Array, Array, float]  # restricted likelihood (g,) and information (g,) of the scatter, degrees of freedom


def _told(x: Array, u: Array, found: Stretches) -> Told:
    """What the stretches of a tip tell of the scatter between days."""
    days = _each(x, u, found)
    return days.log_likelihood.sum(axis=0), days.information.sum(axis=0), float(days.dof.sum())


def _others(x: Sequence[Array], u: Sequence[Array], false_alarm: float) -> list[Told]:
    """What the other tips tell each tip of the scatter between days, when they are parted where they changed."""

    def by_others(found: Sequence[Stretches]) -> list[Told]:
        told = [_told(*part) for part in zip(x, u, found, strict=True)]
        return [_sum(told[:i] + told[i + 1 :]) for i in range(len(x))]

    def parted(others: Sequence[Told], level: float) -> list[Stretches]:
        return [_parted(*one, level) for one in zip(x, u, others, strict=True)]

    found = [Stretches(np.arange(one.size) // 2, np.zeros(one.size, bool)) for one in x]
    for _ in range(_ROUNDS if len(x) > 1 else 0):
        before, found = found, parted(by_others(found), false_alarm)
        if all(np.array_equal(a.number, b.number) and np.array_equal(a.alone, b.alone)
               for a, b in zip(before, found, strict=True)):  # fmt: skip
            break
    return by_others(parted(by_others(found), false_alarm * _STRICT))


def _each(x: Array, u: Array, found: Stretches) -> Days:
    """The stretches of a tip, a row for each."""
    return _weigh_rows(x, u, (np.arange(found.number[-1] + 1)[:, None] == found.number) & ~found.alone)


def _weigh_rows(x: Array, u: Array, rows: NDArray[np.bool_]) -> Days:
    """As `weigh`, of the days that each row names."""
    return weigh(np.where(rows, x, np.nan), np.where(rows, u, np.nan))


def _sum(told: Sequence[Told]) -> Told:
    nothing = np.zeros(SCATTER.size)
    return sum((t[0] for t in told), nothing), sum((t[1] for t in told), nothing), sum(t[2] for t in told)


def _expected(days: Days, u: Array, others: Sequence[Any]) -> tuple[Array, Array, Array]:
    """Weights, means and standard deviations of the predictive distribution of a day of uncertainty `u` after each row."""
    weights = scatter_weights(days.log_likelihood + others[0], days.information + others[1])
    return weights, days.mean, np.sqrt(SCATTER**2 + _UNSURE * u[:, None] ** 2 + days.variance)


def _tails(x: Array, u: Array, others: Told) -> Array:
    """Twice the smaller tail of the predictive distribution, given the days before, that lies beyond each day but the first."""
    days = _weigh_rows(x, u, np.tri(x.size - 1, x.size, dtype=bool))
    below = share_below(x[1:], *_expected(days, u[1:], others))
    return np.asarray(2 * np.minimum(below, 1 - below))


def _parted(x: Array, u: Array, others: Told, false_alarm: float) -> Stretches:
    number, alone = np.zeros(x.size, np.int64), np.zeros(x.size, bool)
    own = np.arange(x.size)  # the days of the stretch, and those after it
    while own.size > 1:
        out = np.flatnonzero(_tails(x[own], u[own], others) < false_alarm)
        if not out.size:
            break
        at = int(out[0]) + 1
        before, after = own[:at], own[at:]
        told = _sum([others, _told(x[before], u[before], Stretches(0 * before, before < 0))])
        if after.size > 1:
            back = [*before, after[1]]
            as_before = _tails(x[back], u[back], others)[-1]
            if as_before >= false_alarm and as_before > _tails(x[after[:2]], u[after[:2]], told)[-1]:
                alone[after[0]] = True
                own = np.delete(own, at)
                continue
        number[after[0] :] += 1
        own, others = after, told
    return Stretches(number, alone)


def _chart(x: Array, u: Array, found: Stretches, others: Told, levels: tuple[float, float]) -> Chart:
    tails, reach = ([0.5 - half / 2, 0.5 + half / 2] for half in (1 - levels[0], levels[1]))
    days = _each(x, u, found)
    known = [np.cumsum([own, *part], axis=0) for own, part in
             ((others[0], days.log_likelihood), (others[1], days.information))]  # fmt: skip
    basis = found.number - found.changed  # the stretch that each day is held against
    rows = np.tri(x.size, x.size, -1, dtype=bool) & (found.number == basis[:, None]) & ~found.alone
    said = _expected(_weigh_rows(x, u, rows[1:]), u[1:], [part[basis[1:]] for part in known])
    low, high = (np.append(np.nan, quantile(tail, *said)) for tail in tails)
    centre = np.append(np.nan, (said[0] * said[1]).sum(axis=1))
    weights = scatter_weights(known[0][-1:], known[1][-1:])  # of all that is known now

    def with_interval(mean: Array, variance: Array, shares: Sequence[float]) -> list[Array]:
        return [quantile(share, np.broadcast_to(weights, mean.shape), mean, np.sqrt(variance)) for share in shares]

    steps = with_interval(np.diff(days.mean, axis=0), days.variance[1:] + days.variance[:-1], [0.5, *reach])
    last, spread = days.mean[-1:], days.variance[-1:]
    level = [float(part[0]) for part in with_interval(last, spread, [0.5, *reach])]
    if np.isnan(level[0]):  # nothing tells the scatter
        level[0] = float(last[0, 0])
    to_come = with_interval(last, spread + SCATTER**2 + _UNSURE * np.median(u) ** 2, tails)
    scatter = SCATTER[np.searchsorted(np.cumsum(weights[0]), 0.5)] if np.isfinite(weights).all() else np.nan
    return Chart(
        low=low, high=high, centre=centre, changed=found.changed, alone=found.alone,
        steps=np.column_stack(steps).reshape(-1, 3), level=np.array(level),
        next_limits=np.array([part[0] for part in to_come]), scatter=float(scatter),
        scatter_dof=int(others[2] + days.dof.sum()),
    )  # fmt: skip
