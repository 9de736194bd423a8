"""Do the sweeps of a tip share a bend? The mean of their residuals, tested as a curve against the scatter between sweeps.

Noise, however slow, differs from sweep to sweep; what the junction, the film or the amplifier bends is alike in all of them. A
sweep alone cannot tell the two apart, the sweeps of a tip can.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sts.barrier.bend_size import fitted_bend, slope_of
from sts.barrier.blocks import Array, Mask, Rows, take
from sts.barrier.exponential import scaled_height
from sts.barrier.humps import Humps
from sts.barrier.lag import Lags
from sts.barrier.masks import Masks
from sts.barrier.pooled_noise import NoiseModel
from sts.barrier.sweep_fits import Fits
from sts.barrier.whitened import slow_correlation
from sts.curves.distributions import f_above
from sts.sweeps import SweepSet, with_day

FEWEST = 4  # sweeps from which on it is tested
NESTED = (
    1,
    2,
    4,
)  # contrasts tested together: the first, the first two, all; the smallest p counts, times the number of tests
SWEEPS_PER_SHAPE = 4  # sweeps for each contrast that is tested: their covariance is estimated from them
MOST_SWEEPS = 200  # of a tip that are looked at
FALSE_ALARM = 1e-3  # level, of the tests of retract, approach and both together
LEAST_PERCENT = 0.5  # of φ between a half of the window and the fit: what is less is no bend worth a word
STRANGE = 4.0  # times the usual reduced chi²: such a sweep does not count
ONE_SIDE = 0.05  # level at which a direction has no part in the bend of the other
FINER = np.linspace(0.85, 1.15, 13)  # of the place that is found first
CUTS = np.arange(0.05, 0.8, 0.05)  # of the visible range, left out at the near end until the rest is straight
STRAIGHT = 0.05  # level at which a bend is no longer seen
SLOW = 3.75  # standard errors by which what is left is correlated: there is slow noise beside the bend
SHAPES = ("bends near the surface", "falls with two slopes", "is curved throughout", "saturates at the top",
          "steps as between two ranges")  # fmt: skip


@dataclass(frozen=True, eq=False)
class Bend:
    """What the sweeps of a tip share beyond one exponential."""

    rows: Rows  # of the sweeps whose mean it is
    direction: str  # "retract", "approach", or "" for both
    p: float
    shape: str  # one of `SHAPES`
    at: float  # where slopes meet, where it steps, or a bend has faded to 1/e; from the near end [m]; NaN for other shapes
    near_percent: float  # φ of the near half of the visible range over that of the fit, less 1
    far_percent: float  # of the far half
    straight_from: float  # from the near end [m]; NaN where no window of a decade or more is straight
    explains: bool  # without it, the residuals do not look like slow noise

    @property
    def percent(self) -> float:
        """The most by which φ of a half of the window differs from that of the fit [%]."""
        return max(abs(self.near_percent), abs(self.far_percent))

    @property
    def words(self) -> str:
        """In one line."""
        of = f"{self.direction} sweeps" if self.direction else "sweeps"
        where = f" (at {self.at * 1e9:.2f} nm)" if self.shape in (SHAPES[1], SHAPES[4]) else ""
        window = "no window of a decade is straight"
        if np.isfinite(self.straight_from):
            window = f"straight from {self.straight_from * 1e9:.2f} nm on"
        return (
            f"the mean of {self.rows.size} {of} {self.shape}{where}: the barrier of the near half alone would be "
            f"{_more(self.near_percent)}, of the far half {_more(self.far_percent)}; {window}"
        )


def _more(percent: float) -> str:
    return f"{abs(percent):.2g} % {'higher' if percent > 0 else 'lower'}"


@dataclass(frozen=True, eq=False)
class _Curves:
    """Residuals of k sweeps in units of the noise, and what a relative change of the current is there; (k, n), 0 where masked."""

    u: Array  # (n,)
    residual: Array
    relative: Array  # signal over standard deviation
    weight: Array  # 1 over standard deviation, scaled
    decay: float  # usual 2κ times the range
    visible: float  # share of the range up to which the current is seen

    def of(self, rows: Mask | Rows) -> _Curves:
        return _Curves(self.u, self.residual[rows], self.relative[rows], self.weight[rows], self.decay, self.visible)

    def above(self, share: float) -> _Curves:
        """The same without the first part of the visible range."""
        keep = self.u >= share * self.visible
        return _Curves(self.u, self.residual * keep, self.relative * keep, self.weight * keep, self.decay, self.visible)

    @property
    def model(self) -> Array:
        """The columns of the fit, (k, 3, n)."""
        return np.stack([self.relative, self.weight, self.relative * self.u], axis=1)

    def free(self, shapes: Array) -> tuple[Array, Array]:
        """Relative changes (j, n) as columns (k, j, n), without what the parameters of the fit take up; and the slope on u (k, j)
        that its decay takes up of each."""
        model, columns = self.model, self.relative[:, None] * shapes
        size = np.maximum(np.linalg.norm(model, axis=2, keepdims=True), 1e-300)
        model = model / size
        normal = model @ model.transpose(0, 2, 1) + 1e-12 * np.eye(3)
        load = np.linalg.solve(normal, model @ columns.transpose(0, 2, 1))
        return columns - load.transpose(0, 2, 1) @ model, load[:, 2] / size[:, 2]

    @property
    def contrasts(self) -> Array:
        """Smooth relative changes (4, n), those first that few sweeps are asked for."""
        v = np.minimum(self.u / self.visible, 1.0)
        x = 2 * v - 1
        return np.stack([1.5 * x**2, np.exp(-self.decay * self.u), 2.5 * x**3, np.maximum(0.4 - v, 0.0)])

    def scores(self) -> Array:
        """How much of each contrast is in each sweep, (k, 4); of mean 0 where all is noise."""
        return np.asarray(np.vecdot(self.free(self.contrasts)[0], self.residual[:, None]))

    def mean(self) -> _Curves:
        """One sweep that stands for all: their mean residual as a relative change."""
        square = np.sum(self.relative**2, axis=0)
        size = np.sqrt(square)
        product = np.sum(self.relative * self.residual, axis=0)
        with np.errstate(divide="ignore", invalid="ignore"):
            residual = np.where(size > 0, product / size, 0.0)
        weight = np.sqrt(np.sum(self.weight**2, axis=0))
        return _Curves(self.u, residual[None], size[None], weight[None], self.decay, self.visible)


def mean_test(scores: Array) -> float:
    """Probability by chance of a mean so far from 0, the covariance between sweeps being that of the sweeps themselves.

    Parameters
    ----------
    scores : ndarray, shape (N, k)
        Contrasts of N sweeps; as many of `NESTED` are tested as N allows, one for each `SWEEPS_PER_SHAPE`.

    Returns
    -------
    float
        1 for fewer than `FEWEST` sweeps.

    Notes
    -----
    T² = N ȳ' S⁻¹ ȳ, with (N - k)/(k (N - 1)) T² as F of k and N - k (H. Hotelling, Ann. Math. Statist. 2, 360 (1931)).
    """
    n = len(scores)
    if n < FEWEST:
        return 1.0
    scores = scores / np.maximum(np.std(scores, axis=0), 1e-300)
    numbers = [k for k in NESTED if k <= n // SWEEPS_PER_SHAPE]
    return min(1.0, len(numbers) * min(_hotelling(scores[:, :k]) for k in numbers))


def _hotelling(scores: Array) -> float:
    n, k = scores.shape
    mean, covariance = scores.mean(axis=0), np.atleast_2d(np.cov(scores.T))
    try:
        square = n * float(mean @ np.linalg.solve(covariance, mean))
    except np.linalg.LinAlgError:
        return 1.0
    return float(f_above((n - k) / (k * (n - 1)) * square, k, n - k))


def find_bends(
    sweeps: SweepSet,
    masks: Masks,
    noise: NoiseModel,
    fits: Fits,
    residual: NDArray[np.floating],
    *,
    lags: Lags,
    humps: Humps,
) -> tuple[Bend, ...]:
    """Bends that the sweeps of a group (a tip) share; one for each group and, where they differ, direction.

    Parameters
    ----------
    sweeps : SweepSet
        m I(z) sweeps on n heights.
    masks, noise, fits, lags, humps : Masks, NoiseModel, Fits, Lags, Humps
        What was found about them.
    residual : ndarray, shape (m, n)
        Of the fits, in standard deviations of the noise; NaN where masked.
    """
    counts = fits.good & (fits.decay > 0) & (fits.shape.jump_factor == 1) & (humps.factor == 1) & ~lags.too_long
    with np.errstate(invalid="ignore"):
        usual = pd.Series(fits.reduced_chi2).groupby(noise.group).transform("median").to_numpy(float)
        counts &= (fits.decades >= 0.5) & (fits.reduced_chi2 <= STRANGE * usual)
        counts &= ~(fits.noise.step > 2 * fits.noise.electronics)  # what a converter rounds is alike in all sweeps
    chosen = np.flatnonzero(counts)
    found: list[Bend] = []
    retract = (sweeps.table["direction"] == "retract").to_numpy(bool)
    order = chosen[np.argsort(noise.group[chosen], kind="stable")]
    for rows in np.split(order, np.flatnonzero(np.diff(noise.group[order])) + 1):
        if rows.size < FEWEST:
            continue
        rows = rows[np.unique(np.linspace(0, rows.size - 1, MOST_SWEEPS).astype(int))]
        curves, span = _curves(sweeps, masks, fits, residual, rows)
        found += _of_group(curves, rows, retract[rows], span, take(fits, rows))
    return tuple(found)


def _curves(
    sweeps: SweepSet, masks: Masks, fits: Fits, residual: NDArray[np.floating], rows: Rows
) -> tuple[_Curves, float]:
    u, span = scaled_height(sweeps.axis)
    signal = fits.amplitude[rows, None] * np.exp(-fits.decay[rows, None] * span * u)
    own = take(fits.noise, rows)
    usable = masks.usable[rows] & np.isfinite(residual[rows])
    weight = usable / np.sqrt(own.variance(signal))
    seen = np.log(np.maximum(np.abs(signal[:, 0]) / np.maximum(own.electronics, 1e-300), 2.0)) / (
        fits.decay[rows] * span
    )
    return _Curves(
        u, np.where(usable, residual[rows].astype(float), 0.0), weight * np.abs(signal), weight,
        float(np.median(fits.decay[rows]) * span), float(np.clip(np.median(seen), 0.05, 1.0)),
    ), span  # fmt: skip


def _of_group(curves: _Curves, rows: Rows, retract: Mask, span: float, fits: Fits) -> list[Bend]:
    sides: dict[str, Mask] = {"": np.ones(rows.size, bool), "retract": retract, "approach": ~retract}
    if retract.all() or not retract.any():
        sides = {"retract" if retract.all() else "approach": np.ones(rows.size, bool)}
    signs = np.sign(fits.amplitude)[:, None]
    curves = _Curves(curves.u, curves.residual * signs, curves.relative, curves.weight, curves.decay, curves.visible)
    scores = curves.scores()
    p = {side: mean_test(scores[of]) for side, of in sides.items()}
    limit = FALSE_ALARM / len(sides)
    seen = [side for side, value in p.items() if value < limit]
    if "" in seen:
        one = [side for side, other in (("retract", "approach"), ("approach", "retract"))
               if p[side] < limit and p[other] > ONE_SIDE and sides[other].sum() >= FEWEST]  # fmt: skip
        seen = one or [""]
    found = []
    for side in seen:
        own = curves.of(sides[side])
        shape, at, near, far = _shape(own)
        if max(abs(near), abs(far)) < LEAST_PERCENT:
            continue
        found.append(Bend(rows[sides[side]], side, p[side], shape, at * span, near, far, _straight_from(own) * span,
                          _explains(own, take(fits, np.flatnonzero(sides[side])))))  # fmt: skip
    return found


def _candidates(curves: _Curves) -> tuple[Array, Array, Array]:
    """Relative changes (j, n), the number in `SHAPES` of each, and its place on u."""
    u, visible = curves.u, curves.visible
    places = np.arange(0.1, 0.85, 0.05) * visible
    lengths = np.geomspace(0.06, 0.4, 12) * visible
    steps = np.arange(0.1, 0.85, 0.02) * visible
    shapes = [*_curve(0, lengths, u), *_curve(1, places, u), *_curve(4, steps, u), u**2, np.exp(-curves.decay * u)]
    names = np.repeat([0, 1, 4, 2, 3], [lengths.size, places.size, steps.size, 1, 1])
    return np.array(shapes), names, np.concatenate([lengths, places, steps, [np.nan, np.nan]])


def _curve(shape: int, places: Array, u: Array) -> Array:
    """The relative changes (j, n) of those of `SHAPES` that have a place on u."""
    away = places[:, None] - u
    return {0: np.exp(-u / places[:, None]), 1: np.maximum(away, 0.0), 4: (away > 0).astype(float)}[shape]


def _shape(curves: _Curves) -> tuple[str, float, float, float]:
    """The shape that fits the mean residual best, its place on u, and by how much φ of either half differs [%]."""
    mean = curves.mean()
    shapes, names, places = _candidates(curves)
    columns, taken = (part[0] for part in mean.free(shapes))
    product, information = columns @ mean.residual[0], np.vecdot(columns, columns)
    with np.errstate(divide="ignore", invalid="ignore"):
        size = product / information
        gain = np.where(information > 1e-12 * np.sum(mean.relative**2), product * size, 0.0)
    gain[-1] = gain[-1] if size[-1] < 0 else 0.0  # an amplifier that is at its limit gives less, not more
    best = int(np.argmax(gain))
    relative, u = mean.relative[0], curves.u
    first = u[np.argmax(relative > 0)]
    middle = (first + curves.visible) / 2
    halves = [(u >= first) & (u <= middle), (u > middle) & (u <= curves.visible)]
    finer = places[best] * FINER
    tried = _curve(names[best], finer, u) if np.isfinite(finer).all() else shapes[best : best + 1]
    which, bend, more = fitted_bend(relative, mean.weight[0], mean.residual[0], u, tried)
    if not np.isfinite(bend):
        tried, finer, which, bend, more = shapes, places, best, size[best], size[best] * taken[best]
    near, far = (
        100 * ((1 + (more - bend * slope_of(u, tried[which], relative * half)) / curves.decay) ** 2 - 1)
        for half in halves
    )
    return SHAPES[names[best]], float(finer[which]), near, far


def _straight_from(curves: _Curves) -> float:
    """The first cut of the near end that leaves no bend to be seen, on u; NaN where less than a decade would be left."""
    for cut in CUTS:
        if (1 - cut) * curves.visible * curves.decay < np.log(10):
            break
        if mean_test(curves.above(cut).scores()) > STRAIGHT:
            return float(cut * curves.visible)
    return float("nan")


def _explains(curves: _Curves, fits: Fits) -> bool:
    """Whether the residuals without their mean are uncorrelated."""
    mean = curves.mean()
    with np.errstate(divide="ignore", invalid="ignore"):
        change = np.where(mean.relative[0] > 0, mean.residual[0] / mean.relative[0], 0.0)
        signal = np.where(curves.weight > 0, curves.relative / curves.weight, 0.0)
        variance = np.where(curves.weight > 0, 1 / curves.weight**2, 1.0)
    left = (curves.residual - curves.relative * change) * np.sqrt(variance)
    usable = (curves.weight > 0).astype(float)
    correlation, spread = slow_correlation(signal, left, variance, usable, fits.noise.gap**2)
    known = np.isfinite(spread) & (spread > 0)
    precision = np.where(known, 1 / np.where(known, spread, 1.0) ** 2, 0.0)
    total = precision.sum(axis=1)
    together = np.sum(precision * correlation, axis=1) / np.sqrt(np.maximum(total, 1e-300))
    return bool(np.all(together < SLOW))


def bend_rows(sweeps: SweepSet, bends: Sequence[Bend]) -> pd.DataFrame:
    """One row for each bend: sample, tip, direction, sweeps, p, shape, at_nm, near_percent, far_percent, bound_percent,
    straight_from_nm, words.

    Parameters
    ----------
    sweeps : SweepSet
        Those that the bends were found in.
    bends : sequence of Bend
    """
    columns = ("sample", "tip", "day", "direction", "sweeps", "p", "shape", "at_nm", "near_percent", "far_percent",
               "bound_percent", "straight_from_nm", "words")  # fmt: skip
    table = with_day(sweeps.table)
    rows = [
        (*table.iloc[bend.rows[0]][["sample", "tip", "day"]], bend.direction or "both", bend.rows.size, bend.p, bend.shape,
         bend.at * 1e9, bend.near_percent, bend.far_percent, bend.percent, bend.straight_from * 1e9, bend.words)
        for bend in bends
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=list(columns))
