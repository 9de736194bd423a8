"""What is fitted to each sweep, in SI: decay, offset, their uncertainties, and how they hang on window and weights."""

from __future__ import annotations

import warnings
from dataclasses import dataclass, replace

import numpy as np

from sts.barrier import exponential as engine
from sts.barrier.bench_offset import Prior, Seen
from sts.barrier.blocks import Array, Mask, Rows, take
from sts.barrier.exponential import PARAMETERS, Exponential, Fitted, Samples
from sts.barrier.masks import Masks
from sts.barrier.modulation import fit_modulation
from sts.barrier.noise import PooledNoise
from sts.barrier.pooled_noise import NoiseModel, own_noise
from sts.barrier.slow_noise import Covariance
from sts.barrier.straightness import Shape, examine
from sts.barrier.whitened import Coarse, Whitened
from sts.curves.distributions import student_quantile
from sts.plan import BarrierPlan
from sts.sweeps import SweepSet

LEAST_REACH = 3.0  # standard errors above the mean at the far end up to which the zero of the current may lie
WINDOWS = ((0.1, 1.0), (0.2, 1.0), (0.0, 0.9), (0.0, 0.8))  # cuts of the choice spread, as shares of the range


@dataclass(frozen=True, eq=False)
class Fits:
    """Fits of I = A exp(-2κz) + offset to m sweeps; NaN where a fit failed."""

    good: Mask  # (m,)
    amplitude: Array  # (m,) tunnelling current at the first height [A]
    decay: Array  # (m,) 2κ [1/m]
    decay_se: Array  # (m,) standard uncertainty, slow noise and the offset allowed for [1/m]
    decay_common: (
        Array  # (m,) by how much it moves with one standard uncertainty of the offset that all sweeps share [1/m]
    )
    decay_rounding: Array  # (m,) the part of its uncertainty that a converter makes alike in repeats [1/m]
    offset: Array  # (m,) [A]
    offset_se: Array  # (m,) [A]
    seen: Seen  # what the sweep alone says of the offset
    reduced_chi2: Array  # (m,)
    points: Rows  # (m,) samples that entered
    dof: Array  # (m,) of the uncertainty of the decay
    inflation: Array  # (m,) its variance relative to that with white noise of the same size
    lowest: Array  # (m,) height of the first sample that entered [m]
    highest: Array  # (m,) of the last [m]
    decades: Array  # (m,) of current above the noise
    window_decay: Array  # (m, k) what other windows, and equal weights, would say [1/m]
    log_decay: Array  # (m,) of a plain straight line through ln I, whether or not the fit is good [1/m]
    modulation_decay: Array  # (m,) from a lock-in channel [1/m]
    modulation_decay_se: Array  # (m,) [1/m]
    noise: PooledNoise  # of each sweep
    shape: Shape
    rounded: (
        Array  # (m,) step of the converter whose intervals were fitted (`coarse_steps`) [A], 0 where the readings were
    )

    def reach(self, confidence: float) -> Array:
        """Half the interval of the decay [1/m], shape (m,).

        Parameters
        ----------
        confidence : float
            Level, 0 to 1.
        """
        different, which = np.unique(self.dof, return_inverse=True)  # a quantile takes long
        return student_quantile(0.5 + confidence / 2, different)[which] * self.decay_se


def fit_block(
    sweeps: SweepSet, masks: Masks, noise: NoiseModel, rows: slice, plan: BarrierPlan, prior: Prior | None = None
) -> tuple[Fits, Array, Array]:
    """Fit one block of the sweeps of a set.

    Parameters
    ----------
    sweeps : SweepSet
        m sweeps on n heights.
    masks, noise : Masks, NoiseModel
        Of all of them.
    rows : slice
        The k sweeps of the block.
    plan : BarrierPlan
        The amplitude of a modulated height.
    prior : Prior, optional
        What is known of the offsets of all m sweeps.

    Returns
    -------
    (Fits, ndarray, ndarray)
        Of the k sweeps; the fitted curves [A] and the residuals in standard deviations of the noise, shape (k, n).
    """
    samples = masks.samples(sweeps, rows, prior)
    start = engine.start(samples)
    own = noise.of(rows)
    fitted, own = own_noise(samples, engine.fit(start, samples, own.variance), own)
    curve, products = fitted.curve, fitted.products
    points = masks.points[rows]
    freedom = np.maximum(points - PARAMETERS, 1)
    chi2 = np.vecdot(products.wr, products.residual) / freedom
    good = curve.good & np.isfinite(chi2)
    u, span = engine.scaled_height(sweeps.axis)
    free = products.normal(u, _windows(u))
    matrix, right = samples.expecting(curve, *free)
    step, alone = engine.solve(matrix, right), _Alone.of(curve, free)
    inverse = alone.inverse if prior is None else _inverse(curve, matrix[:, 0])
    along = _along(samples, fitted, noise, own, rows)
    informed = (
        inverse[:, 2, 2] if prior is None else np.einsum("ki,kij,kj->k", inverse[:, 2], alone.matrix, inverse[:, 2])
    )
    spread = _spread(along, np.where(curve.good, chi2 * informed, np.nan), freedom, inverse)
    scatter = np.sqrt(np.maximum(chi2, 1e-300) * spread.inflation)
    shape = examine(samples, fitted, inverse=inverse, right=right[:, 0], scatter=scatter, noise=own)
    lowest, highest, decades = _seen(samples, sweeps.axis, curve, own)
    modulated = _modulated(sweeps, rows, fitted, samples.usable * good[:, None], plan)

    def known(values: Array) -> Array:
        return np.where(good, values, np.nan)

    variance, dof, common = _with_offset(spread, inverse, prior, rows)
    fits = Fits(
        good=good,
        amplitude=known(curve.amplitude),
        decay=known(curve.decay / span),
        decay_se=known(np.sqrt(variance) / span),
        decay_common=known(common / span),
        decay_rounding=np.zeros(len(points)),
        offset=known(curve.offset),
        offset_se=known(np.sqrt(np.maximum(inverse[:, 1, 1] * chi2, 0.0))),
        reduced_chi2=known(chi2),
        points=points,
        dof=dof,
        inflation=spread.inflation,
        seen=_offset_alone(
            samples, curve, alone, chi2, along, shape, sweeps.table["full_scale_A"].to_numpy(float)[rows]
        ),
        lowest=lowest,
        highest=highest,
        decades=known(decades),
        window_decay=_moved(samples, fitted, step) / span,
        log_decay=_log_fit(samples) / span,
        modulation_decay=modulated[0],
        modulation_decay_se=modulated[1],
        noise=own,
        shape=shape.at_heights(sweeps.axis[0], span),
        rounded=np.zeros(len(points)),
    )
    current = products.signal + curve.offset[:, None]
    residual = products.residual / np.sqrt(fitted.variance)
    residual[(samples.usable == 0) | ~good[:, None]] = np.nan
    return fits, np.where(good[:, None], current, np.nan), residual


@dataclass(frozen=True, eq=False)
class _Spread:
    """How far the samples' noise moves the decay of k sweeps; (k,) each."""

    variance: Array  # per unit of u, squared
    dof: Array
    inflation: Array  # relative to white noise of the sweep's own size


@dataclass(frozen=True, eq=False)
class _Alone:
    """The normal equations of the samples of k sweeps without what is known of the offset."""

    matrix: Array  # (k, 3, 3)
    right: Array  # (k, 3)
    inverse: Array  # (k, 3, 3)

    @classmethod
    def of(cls, curve: Exponential, equations: tuple[Array, Array]) -> _Alone:
        matrix, right = (part[:, 0] for part in equations)
        return cls(matrix, right, _inverse(curve, matrix))


def _inverse(curve: Exponential, matrix: Array) -> Array:
    return np.where(curve.good[:, None, None], engine.inverse(matrix), 0.0)


_Along = list[tuple[Rows, Whitened | Coarse, Covariance]]


def _along(samples: Samples, fitted: Fitted, noise: NoiseModel, own: PooledNoise, rows: slice) -> _Along:
    """The sweeps of each group in units of their noise, and how it goes on along the ramp; in detail where it is clearly slow."""
    found: _Along = []
    group_of = noise.group[rows]
    for group, covariance in noise.along.items():
        some = np.flatnonzero((group_of == group) & fitted.curve.good)
        if not some.size:
            continue
        parts = (samples, fitted, own) if some.size == len(group_of) else (
            samples.rows(some), take(fitted, some), take(own, some)
        )  # fmt: skip
        slow = noise.pooled.slow[group]
        found.append((some, Whitened.of(*parts) if slow else Coarse.of(*parts, covariance.length), covariance))
    return found


def _spread(along: _Along, white: Array, freedom: Array, inverse: Array, of: int = 2) -> _Spread:
    """Of the decay, or of the parameter with number `of`, from what it is with white noise; `inverse` may have a prior in it."""
    variance, dof = white.copy(), freedom.astype(float)
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        for some, sweeps, covariance in along:
            if isinstance(sweeps, Whitened):
                variance[some], dof[some] = covariance.uncertainty(sweeps, inverse[some], of)
            else:
                variance[some] *= covariance.inflation(sweeps, inverse[some], of)
                dof[some] = 1 / (1 / dof[some] + 1 / covariance.memory.freedom)
        return _Spread(variance, dof, np.where(white > 0, variance / white, 1.0))


def _with_offset(spread: _Spread, inverse: Array, prior: Prior | None, rows: slice) -> tuple[Array, Array, Array]:
    """Variance of the decay with what is not known of the offset, its degrees of freedom, and the common part; (k,) each."""
    if prior is None:
        return spread.variance, spread.dof, np.zeros(len(spread.dof))
    pull = inverse[:, 2, 1] * prior.weight[rows]  # of the decay per ampere of the known offset
    common = np.where(prior.there[rows], pull * prior.common[rows], 0.0)
    shared = common**2 + np.where(prior.there[rows], pull * prior.scatter[rows], 0.0) ** 2
    variance = spread.variance + shared
    with np.errstate(invalid="ignore", divide="ignore"):
        dof = variance**2 / (spread.variance**2 / spread.dof + shared**2 / prior.dof[rows])
    return variance, dof, common


def _offset_alone(
    samples: Samples, curve: Exponential, alone: _Alone, chi2: Array, along: _Along, shape: Shape, full_scale: Array
) -> Seen:
    """What each sweep says of the zero of the current, one step from where its fit ended to where a free offset would be."""
    white = np.where(curve.good, chi2 * alone.inverse[:, 1, 1], np.nan)
    spread = _spread(along, white, np.maximum(samples.points - PARAMETERS, 1), alone.inverse, of=1)
    se = np.sqrt(spread.variance)
    with np.errstate(all="ignore"):
        move = np.clip(np.einsum("kj,kj->k", alone.inverse[:, 1], alone.right), -5 * se, 5 * se)
        matrix = alone.matrix
        known = matrix[:, 2, 2] - matrix[:, 0, 2] ** 2 / matrix[:, 0, 0]  # information of the decay, the offset known
        cost = np.sqrt(known * alone.inverse[:, 2, 2])
    sign = np.sign(curve.amplitude)
    far = samples.usable[:, -max(5, samples.u.size // 20) :] > 0
    last = np.where(far, samples.current[:, -far.shape[1] :] * sign[:, None], np.nan)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # of rows without any sample
        least = sign * (np.nanmean(last, axis=1) + LEAST_REACH * np.nanstd(last, axis=1) / np.sqrt(far.sum(axis=1)))
    flat, level, level_se = _level(samples)
    counts = ~flat & curve.good & np.isfinite(chi2) & (shape.jump_factor == 1) & (curve.decay > 0)
    largest = np.max(np.abs(samples.current) * samples.usable, axis=1)
    slack = np.maximum(spread.inflation, 1.0)
    return Seen(full_scale, curve.offset + move, se, cost, least, sign, slack, counts, level, level_se, largest)


def _level(samples: Samples) -> tuple[Mask, Array, Array]:
    """Which sweeps do not depend on the height at all, their mean current [A] and its standard error; (k,) each.

    Level is what rises or falls by less than four standard errors of a straight line, with scatter but no more of it at one end.
    """
    n, u = np.maximum(samples.points, 1), samples.u
    mean = np.vecdot(samples.usable, samples.current) / n
    residual = (samples.current - mean[:, None]) * samples.usable
    spread = np.sqrt(np.vecdot(residual, residual) / n)
    tilt = samples.usable * (u - (samples.usable @ u / n)[:, None])
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.vecdot(tilt, residual) / np.sqrt(np.vecdot(tilt, tilt)) / spread
    flat = (np.abs(t) < 4) & (spread > 0) & (samples.points > PARAMETERS + 1)
    return flat, np.where(flat, mean, np.nan), np.where(flat, spread / np.sqrt(n), np.nan)


def _windows(u: Array) -> Array:
    """1 for the samples of the whole range and of each of `WINDOWS`, else 0, shape (n, k + 1)."""
    return np.column_stack([(u >= lower) & (u <= upper) for lower, upper in ((0.0, 1.0), *WINDOWS)]).astype(float)


def _moved(samples: Samples, fitted: Fitted, step: engine.Step) -> Array:
    """The decay after one step from the fit to what other windows, or equal weights, would say, shape (m, k + 1)."""
    decay, products = fitted.curve.decay, fitted.products
    equal = engine.Products.of(samples.usable, products.signal, products.residual)
    whole = np.ones((samples.u.size, 1))
    even = samples
    if samples.expected is not None:  # in the same proportion to the samples as where they have weights
        middle = np.median(fitted.variance, axis=1)
        even = replace(samples, expected=np.column_stack([samples.expected[:, 0], samples.expected[:, 1] * middle]))
    other = engine.solve(*(sums[:, 0] for sums in even.equations(fitted.curve, equal, whole)))
    moved = np.column_stack([step.decay[:, 1:], other.decay])
    reach = 0.5 * np.abs(decay)[:, None]
    return np.where(np.isfinite(moved), decay[:, None] + np.clip(moved, -reach, reach), np.nan)


def _log_fit(samples: Samples) -> Array:
    """Decay per unit of u from an unweighted straight line through ln I of the positive samples, shape (m,)."""
    positive = samples.usable * (samples.current > 0)
    y = np.log(np.where(positive > 0, samples.current, 1.0))
    n = positive.sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean_u = (positive @ samples.u) / n
        mean_y = np.vecdot(positive, y) / n
        deviation = positive * (samples.u - mean_u[:, None])
        slope = -np.vecdot(deviation, y - mean_y[:, None]) / np.vecdot(deviation, deviation)
    return np.where(n > 2, slope, np.nan)


def _seen(samples: Samples, height: Array, curve: Exponential, noise: PooledNoise) -> tuple[Array, Array, Array]:
    """First and last height [m] of the usable samples, and the decades of current between them above the noise."""
    usable = samples.usable > 0
    first = np.argmax(usable, axis=1)
    last = height.size - 1 - np.argmax(usable[:, ::-1], axis=1)
    size = np.abs(curve.amplitude)
    with np.errstate(all="ignore"):
        top = size * np.exp(-curve.decay * samples.u[first])
        bottom = np.maximum(size * np.exp(-curve.decay * samples.u[last]), noise.electronics)
        decades = np.log10(np.maximum(top / bottom, 1.0))
    some = samples.points > 0
    return np.where(some, height[first], np.nan), np.where(some, height[last], np.nan), decades


def _modulated(sweeps: SweepSet, rows: slice, fitted: Fitted, usable: Array, plan: BarrierPlan) -> tuple[Array, Array]:
    """Decays [1/m] and their standard errors from the lock-in channel, where it is dI/dz or the amplitude is known."""
    unit, amplitude = sweeps.lockin_unit, plan.height_modulation_pm * 1e-12
    if sweeps.lockin is None or not (unit == "A/m" or (unit == "A" and amplitude > 0)):
        return np.full(len(usable), np.nan), np.full(len(usable), np.nan)
    return fit_modulation(
        sweeps.lockin[rows], sweeps.current[rows], fitted.products.signal, usable / fitted.variance,
        modulation_height_rms_m=amplitude if unit == "A" else np.nan,
    )  # fmt: skip
