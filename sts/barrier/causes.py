"""Why the ramps of a tip are bent: a drifting offset, hysteresis, creep or a lag, each fitted to all its sweeps and compared.

Each cause bends the exponential in its own way, and in all sweeps of a ramp at once. With u the height as a share of the ramp and
s = +1 on retract, -1 on approach:

    drifting offset   adds s D u to the current: it stands where the current is small;
    hysteresis        the tip is at u - s 2h u (1 - u): alike at both ends (Rayleigh's law);
    creep             the tip is further by s c g(t), g = ln(1 + t/t0)/ln(1 + 1/t0), t from the start of either ramp;
    lag               flattens the start of retract only, by an exponential transient (`sts.barrier.lag`).

What the junction bends is alike in both directions; where there is one direction only, hysteresis and creep look just like that. A
steady drift of the gap, or a barrier that differs from site to site, changes slopes only, and each sweep has its own.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from sts.barrier import exponential as engine
from sts.barrier.blocks import Array, Mask, take
from sts.barrier.exponential import Exponential, Fitted, Samples, Variance
from sts.barrier.lag import LENGTHS
from sts.barrier.log_ratio import LINE, PERIODS, ln_transient, wave
from sts.barrier.noise import Noise
from sts.curves.distributions import student_above

WHITE_REPEATS = 4  # that the noise about the fits counts for, beside the scatter between sweeps
STRANGE = 3.0  # times the median misfit: such a sweep (a jump) does not count
STEPS = 4  # of the size of a cause at most; the fit of each sweep follows
SETTLED = 0.1  # standard errors by which the size may still move
HOPELESS = 0.3  # share of the gain of the best cause that another must promise at first to be fitted at all
CREEP_START = 0.01  # share of a ramp after which creep goes as the logarithm of time (common practice, no source)
FALSE_ALARM = 1e-3  # two-sided level of the test of a cause
ALONE = 14.0  # usual misfits of a sample by which a drift must fit better than a bend where there is one direction only: 1 in 1000
FINER = 3  # lengths between two of those that a lag is looked for at first

Change = Callable[[Array, float], Array]


@dataclass(frozen=True)
class Cause:
    """One way in which ramps may be bent, at size 1: by how much the tip is higher, or what is added to the current."""

    name: str
    moved: Change | None = None  # at the heights u (n,), by the sign of the direction; a share of the ramp
    added: Change | None = None

    def at(self, u: Array, sign: float, size: float) -> tuple[Array | float, Array | float]:
        """What it moves the heights by, and adds to the current, at a size."""
        moved, added = (0.0 if part is None else size * part(u, sign) for part in (self.moved, self.added))
        return moved, added


def creep_share(passed: Array) -> Array:
    """Share of a ramp's creep that is done when so much of its time has passed, (n,); the logarithm of time.

    Parameters
    ----------
    passed : ndarray, shape (n,)
        Share of the time.
    """
    return np.asarray(np.log1p(passed / CREEP_START) / np.log1p(1 / CREEP_START))


OFFSET_DRIFT = Cause("offset drift", added=lambda u, sign: sign * (u - 0.5))
HYSTERESIS = Cause("hysteresis", moved=lambda u, sign: -sign * 2 * u * (1 - u))
CREEP = Cause("creep", moved=lambda u, sign: sign * creep_share(u if sign > 0 else 1 - u))
MAIN = (OFFSET_DRIFT, HYSTERESIS, CREEP)
BENDS = (  # of the junction or the amplifier, alike in both directions
    Cause("curved", moved=lambda u, sign: 2 * u * (1 - u)),
    Cause("bent at first", moved=lambda u, sign: creep_share(u)),
    Cause("near the surface", moved=lambda u, sign: np.exp(-u / 0.2)),
    Cause("two slopes", moved=lambda u, sign: np.maximum(0.4 - u, 0.0)),
    Cause("as the image force bends", moved=lambda u, sign: np.log1p(u / 0.6)),
)


@dataclass(frozen=True, eq=False)
class Side:
    """The sweeps of one direction, and where their fits stand."""

    sign: float  # +1 for retract, -1 for approach
    samples: Samples
    variance: Variance
    curve: Exponential

    def fitted(
        self, moved: Array | float = 0.0, added: Array | float = 0.0, start: Exponential | None = None
    ) -> Fitted:
        """Fit at heights and currents that a cause has changed."""
        s = self.samples
        changed = replace(s, u=s.u + moved, current=(s.current - added) * s.usable)
        return engine.fit(start or self.curve, changed, self.variance)


@dataclass(frozen=True, eq=False)
class Found:
    """What the sweeps of a ramp say of one cause."""

    cause: Cause
    size: float  # shared by all sweeps: of the current [A], or a share of the ramp
    se: float
    p: float  # probability by chance of a mean so far from 0, two-sided
    misfit: float  # chi² with it, of the sweeps that follow an exponential
    each: Array  # (k,) size in each of these
    each_se: Array  # (k,)
    reduced: float  # chi² per degree of freedom


def sides_of(samples: Samples, sign: Array, noise: Noise) -> list[Side]:
    """The directions that there are among k sweeps, each fitted.

    Parameters
    ----------
    samples : Samples
        Of k sweeps.
    sign : ndarray, shape (k,)
        +1 for retract, -1 for approach.
    noise : Noise
        Of the k sweeps.
    """
    sides = []
    for direction in (1.0, -1.0):
        rows = np.flatnonzero(sign == direction)
        if rows.size:
            own = samples.rows(rows)
            start, variance = engine.start(own), take(noise, rows).variance
            sides.append(Side(direction, own, variance, engine.fit(start, own, variance).curve))
    return sides


def _taken_up(side: Side, fitted: Fitted, periods: float = 0.0) -> Array:
    """Orthonormal base of what the parameters of the fit, and a line of constant period, take up; (k, n, 3 or 5)."""
    u, products = side.samples.u, fitted.products
    root = np.sqrt(products.weight)[:, :, None]
    signal = products.signal[:, :, None]
    model = np.concatenate([root * signal, root, root * signal * u[:, None], root * wave(u, periods)], axis=2)
    size = np.linalg.norm(model, axis=1, keepdims=True)
    return np.asarray(np.linalg.qr(model / np.where(size > 0, size, 1.0))[0])


def _scores(cause: Cause, side: Side, fitted: Fitted, periods: float) -> tuple[Array, Array]:
    """Score of a little more of the cause in each sweep, and its information, the parameters of the fit free; (k,) each."""
    products = fitted.products
    root = np.sqrt(products.weight)
    moved, added = cause.at(side.samples.u, side.sign, 1.0)
    more = root * (added - products.signal * fitted.curve.decay[:, None] * moved)
    basis = _taken_up(side, fitted, periods)
    left = more - np.matvec(basis, np.vecmat(more, basis))
    return np.vecdot(left, root * products.residual), np.vecdot(left, left)


def _line(sides: Sequence[Side], fits: Sequence[Fitted]) -> float:
    """Periods in a ramp of a line that runs through the residuals, each sweep with its own phase; 0 where there is none."""
    counted = _counted(sides, fits)
    noise = float(_misfits(fits)[counted].sum() / _freedom(sides)[counted].sum())
    gain = []
    for periods in PERIODS:
        parts = []
        for side, fit in zip(sides, fits, strict=True):
            whole = np.sqrt(fit.products.weight) * fit.products.residual
            waves = _taken_up(side, fit, float(periods))[:, :, engine.PARAMETERS :]
            parts.append(np.sum(np.vecmat(whole, waves) ** 2, axis=1))
        gain.append(np.concatenate(parts)[counted].sum() / (2 * counted.sum()))
    return float(PERIODS[np.argmax(gain)]) if max(gain) > LINE * noise else 0.0


def _misfits(fits: Sequence[Fitted]) -> Array:
    return np.concatenate([np.vecdot(f.products.wr, f.products.residual) for f in fits])


def _freedom(sides: Sequence[Side]) -> Array:
    return np.concatenate([side.samples.points for side in sides]) - engine.PARAMETERS - 1


def _counted(sides: Sequence[Side], fits: Sequence[Fitted]) -> Mask:
    """Sweeps that follow an exponential about as well as the others."""
    freedom = _freedom(sides)
    good = np.concatenate([f.curve.good & (f.curve.decay > 0) for f in fits]) & (freedom > 2)
    if not good.any():
        return good
    with np.errstate(all="ignore"):
        reduced = np.where(good, _misfits(fits) / freedom, np.nan)
        return np.asarray(good & (reduced <= STRANGE * np.nanmedian(reduced)))


def _look(
    cause: Cause, sides: Sequence[Side], fits: Sequence[Fitted], size: float, periods: float = 0.0
) -> Found | None:
    """What fits that were made with so much of a cause say of its size."""
    counted = _counted(sides, fits)
    parts = [_scores(cause, side, fit, periods) for side, fit in zip(sides, fits, strict=True)]
    score, power = (np.concatenate(part)[counted] for part in zip(*parts, strict=True))
    if not power.sum() > 0:
        return None
    power = np.maximum(power, 1e-12 * power.max())
    each, misfit = size + score / power, float(_misfits(fits)[counted].sum())
    mean, count = float(power @ each / power.sum()), len(each)
    reduced = max(misfit / float(_freedom(sides)[counted].sum()), 1e-12)
    scatter = count * float(power**2 @ (each - mean) ** 2) / power.sum() ** 2
    dof = WHITE_REPEATS + count - 1
    se = float(np.sqrt((WHITE_REPEATS * reduced / power.sum() + scatter) / dof))
    return Found(cause, mean, se, float(2 * student_above(abs(mean) / se, dof)), misfit, each, np.sqrt(reduced / power),
                 reduced)  # fmt: skip


def try_cause(cause: Cause, sides: Sequence[Side], first: Sequence[Fitted] | None = None) -> Found | None:
    """Fit one cause, of one size for all sweeps; None where no sweep tells.

    Parameters
    ----------
    cause : Cause
    sides : sequence of Side
    first : sequence of Fitted, optional
        Fits of the sides without any cause.
    """
    size, fits = 0.0, list(first or [side.fitted() for side in sides])
    found = _look(cause, sides, fits, size)
    for _ in range(STEPS):
        if found is None or abs(found.size - size) < SETTLED * found.se:
            break
        size = found.size
        fits = [
            side.fitted(*cause.at(side.samples.u, side.sign, size), fit.curve)
            for side, fit in zip(sides, fits, strict=True)
        ]
        found = _look(cause, sides, fits, size)
    return found


def lag_fits_better(sides: Sequence[Side], than: float, worth: float) -> bool:
    """Whether some lag leaves less misfit (chi²) than this; `sts.barrier.lag` has a better test of it.

    Parameters
    ----------
    sides : sequence of Side
        A lag says least of the slope on approach: that is the slope which its transient is taken from.
    than : float
    worth : float
        Misfit that one of a few lengths must go below for those between them to be tried.
    """
    coarse = LENGTHS[:: FINER + 1]
    misfits = [_lag_misfit(sides, length) for length in coarse]
    if min(misfits) > worth:
        return False
    step = np.log(coarse[1] / coarse[0]) / (FINER + 1)
    near = float(coarse[np.argmin(misfits)]) * np.exp(step * np.arange(-FINER, FINER + 1))
    return min(misfits) < than or any(_lag_misfit(sides, length) < than for length in near)


def _lag_misfit(sides: Sequence[Side], length: float) -> float:
    decay = np.array([float(np.nanmedian(sides[-1].curve.decay))])
    fits = []
    for side in sides:
        late = ln_transient(side.samples.u, decay, float(length))[0 if side.sign > 0 else 1][0]
        fits.append(side.fitted(-late / decay))
    counted = _counted(sides, fits)
    return float(_misfits(fits)[counted].sum()) if counted.any() else np.inf


def find_cause(sides: Sequence[Side], causes: Sequence[Cause]) -> Found | None:
    """Which of several causes bends the ramps; None where none is significant, or where a lag or the junction fits better.

    Parameters
    ----------
    sides : sequence of Side
    causes : sequence of Cause

    Notes
    -----
    A cause must be significant by the scatter between sweeps, whatever their noise, and leave less misfit than every other cause,
    lag and bend. These have one parameter each, so that their misfits are compared as they are; where there is one direction only
    a bend must be worse by `ALONE`. Where a line of constant period runs through what is left, it must be significant beside one.
    """
    with np.errstate(all="ignore"):  # a fit far from an exponential
        return _find_cause(sides, causes)


def _find_cause(sides: Sequence[Side], causes: Sequence[Cause]) -> Found | None:
    first = [side.fitted() for side in sides]
    looked = [(cause, _look(cause, sides, first, 0.0)) for cause in MAIN]
    seen = [cause for cause, found in looked if found is not None and found.p < FALSE_ALARM]
    tried = [found for cause in seen if (found := try_cause(cause, sides, first)) is not None]
    best = min(tried, key=lambda found: found.misfit, default=None)
    if best is None or best.cause not in causes or best.p > FALSE_ALARM:
        return None
    margin = ALONE * best.misfit / float(_freedom(sides).sum()) if len(sides) == 1 else 0.0
    limit, gain = best.misfit + margin, float(_misfits(first)[_counted(sides, first)].sum()) - best.misfit
    if any(found.misfit < limit for found in tried if found is not best):
        return None
    for cause, promise in (*looked, *((bend, _look(bend, sides, first, 0.0)) for bend in BENDS)):
        if (
            cause in seen
            or promise is None
            or float(np.sum((promise.size / promise.each_se) ** 2)) * promise.reduced < HOPELESS * gain
        ):
            continue
        found = try_cause(cause, sides, first)
        if found is not None and found.misfit < limit:
            return None
    if lag_fits_better(sides, limit, limit + 0.5 * gain):
        return None
    fits = [side.fitted(*best.cause.at(side.samples.u, side.sign, best.size)) for side in sides]
    beside = _look(best.cause, sides, fits, best.size, _line(sides, fits))
    return best if beside is not None and beside.p < FALSE_ALARM else None
