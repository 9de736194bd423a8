"""Is it one exponential? Score tests on the residuals of the fit: jumps, curvature, two slopes, slow noise.

Each test asks how much better the sweep would be fitted with one more column in the linearised model. That needs no
second fit, so it costs a few array operations for all sweeps at once.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sts.barrier import exponential as engine
from sts.barrier.blocks import Array, Mask
from sts.barrier.exponential import PARAMETERS, Fitted, Products, Samples, fit, start
from sts.barrier.noise import Noise, PooledNoise
from sts.curves.distributions import f_above, student_above
from sts.curves.robust import median_known
from sts.quantities import MAD_SCALE

JUMP_LOCAL = 4.8  # difference of neighbouring window means, in its standard deviations, that is a jump by itself
JUMP_LOCAL_WITH_SCORE, JUMP_SCORE = 3.7, 5.5  # or this much, where a step in the model is as significant as this
JUMP_ASK = 3.0  # significance of a step in the model from which a sweep is looked at more closely
JUMP_SIZE = 0.2  # smallest relative step that is called a jump
JUMP_WINDOWS = (1, 2, 6, 12)  # samples averaged before and after
NOT_STRAIGHT, BEND = 1e-3, 0.15  # level, and relative change of the slope, of a bend that matters
FEW = 4  # sweeps that tell their own scatter
KNOTS = np.array([0.15, 0.25, 0.35, 0.45, 0.55, 0.65, 0.75])


@dataclass(frozen=True, eq=False)
class Shape:
    """What the residuals say of each sweep; all (m,). Places are on the scaled height u."""

    jump_factor: Array  # largest step of the current, 1 where there is none
    jump_at: Array
    curvature: Array  # relative change of the slope over the visible range
    curvature_t: Array
    hinge_at: Array  # where a broken line fits best
    hinge_t: Array
    slope_before: Array  # d ln I / du on both sides of the hinge (positive: decaying)
    slope_after: Array

    def at_heights(self, first: float, span: float) -> Shape:
        """The same with places in metres and slopes per metre.

        Parameters
        ----------
        first, span : float
            First height and range of heights [m].
        """
        return replace(
            self,
            jump_at=first + self.jump_at * span,
            hinge_at=first + self.hinge_at * span,
            slope_before=self.slope_before / span,
            slope_after=self.slope_after / span,
        )


def examine(
    samples: Samples, fitted: Fitted, *, inverse: Array, right: Array, scatter: Array, noise: PooledNoise
) -> Shape:
    """Run the tests on one block of sweeps.

    Parameters
    ----------
    samples, fitted : Samples, Fitted
        Of m sweeps.
    inverse, right : ndarray, shapes (m, 3, 3) and (m, 3)
        Inverse normal matrix of the fit, and the products of its columns with the residual.
    scatter : ndarray, shape (m,)
        By how much what follows from the residuals scatters more than the noise terms say.
    noise : PooledNoise
        Of the m sweeps.
    """
    products, decay = fitted.products, fitted.curve.decay
    factor, at = _jumps(samples.u, products, inverse)
    u, ws, wss, wsr = samples.u, products.ws, products.wss, products.wsr
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        first = np.abs(products.signal[:, 0])
        visible = np.clip(
            np.log(np.maximum(first / np.maximum(noise.electronics, 1e-300), 1.0)) / np.abs(decay), 0.05, 1.0
        )
        # One more column S f(u) each: u² for a curve, max(u - knot, 0) for a broken line.
        shapes = np.column_stack([u**2, *(np.maximum(u - knot, 0.0) for knot in KNOTS)])
        cross = np.stack([wss @ shapes, ws @ shapes, wss @ (u[:, None] * shapes)], axis=2)  # (m, k, 3)
        load = cross @ inverse
        information = wss @ shapes**2 - np.vecdot(load, cross)
        score = wsr @ shapes - np.vecdot(load, right[:, None, :])
        size, t = score / information, score / np.sqrt(information) / scatter[:, None]
        after = decay[:, None] - size + load[..., 2] * size
        before = after + size
    best = 1 + np.argmax(np.nan_to_num(np.abs(t[:, 1:])), axis=1)
    row = np.arange(len(decay))
    return Shape(
        jump_factor=factor,
        jump_at=at,
        curvature=-2 * size[:, 0] * visible / decay,
        curvature_t=t[:, 0],
        hinge_at=KNOTS[best - 1],
        hinge_t=t[row, best],
        slope_before=before[row, best],
        slope_after=after[row, best],
    )


def jumping(u: Array, products: Products) -> Mask:
    """Whether sweeps jump, in noise that is white but for what is slow, and as large as they scatter, shape (m,).

    Parameters
    ----------
    u : ndarray, shape (n,)
        Scaled height.
    products : Products
        Of fits of m sweeps.
    """
    matrix = products.normal(u, np.ones((u.size, 1)))[0][:, 0]
    weighted = np.where(products.weight > 0, np.sqrt(products.weight) * np.abs(products.residual), np.nan)
    scatter = MAD_SCALE * median_known(weighted, axis=1)
    return np.asarray(_jumps(u, products, engine.inverse(matrix), np.fmax(scatter, 1.0))[0] != 1)


def _running(values: Array) -> Array:
    """Sums of the samples before each place, shape (m, n + 1)."""
    total = np.zeros((len(values), values.shape[1] + 1))
    np.cumsum(values, axis=1, out=total[:, 1:])
    return total


def _step_score(u: Array, products: Products, inverse: Array, product: Array, information: Array) -> Array:
    """|t| of a step of ln I at each place, the model's parameters free, shape (m, n + 1).

    `product` and `information` are the running sums of w S r and w S².
    """
    c0, c1, c2 = (total[:, -1:] - total for total in (information, _running(products.ws), _running(products.wss * u)))
    a, b, c, d, e, f = (inverse[:, i, j, None] for i, j in ((0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2)))
    left = c0 - c0 * (a * c0 + 2 * b * c1 + 2 * c * c2) - c1 * (d * c1 + 2 * e * c2) - f * c2 * c2
    with np.errstate(divide="ignore", invalid="ignore"):
        t = (product[:, -1:] - product) / np.sqrt(left)
    return np.where(np.isfinite(t) & (left > 1e-9 * c0), np.abs(t), 0.0)


def _jumps(u: Array, products: Products, inverse: Array, scatter: float | Array = 1.0) -> tuple[Array, Array]:
    """The largest significant step of ln I: factor (1: none) and place.

    Two questions are asked of every place. Would a step there fit better (score test with the model's parameters free,
    the most powerful one, but it also answers to curvature and slow noise)? And do the means of a few samples just
    before and after differ (weaker, but blind to all that is slow)? A jump needs both, or the second very clearly. The first is
    in units of `scatter` (m,) times the noise; the second is measured by what it is elsewhere in the sweep.
    """
    m, n = products.signal.shape
    factor, at = np.ones(m), np.full(m, np.nan)
    product, information = _running(products.wsr), _running(products.wss)
    score = _step_score(u, products, inverse, product, information) / np.reshape(scatter, (-1, 1))
    # Most sweeps answer no to the first question everywhere; only the others are asked the second.
    rows = np.flatnonzero(score.max(axis=1) > JUMP_ASK)
    product, information, score = product[rows], information[rows], score[rows]
    best, row = np.zeros(len(rows)), np.arange(len(rows))
    for window in JUMP_WINDOWS:
        if n < 4 * window or not rows.size:
            continue
        q = information[:, window:] - information[:, :-window]
        p = product[:, window:] - product[:, :-window]
        with np.errstate(divide="ignore", invalid="ignore"):
            level = p / q
            step = level[:, window:] - level[:, :-window]
            z = step / np.sqrt(1 / q[:, window:] + 1 / q[:, :-window])
            z = np.where(np.isfinite(z), z, 0.0)
            spread = np.maximum(1.0, MAD_SCALE * np.median(np.abs(z), axis=1))[:, None]
            local = np.abs(z) / spread
            ratio = (1 + level[:, window:]) / (1 + level[:, :-window])
            large = (np.abs(step) > JUMP_SIZE) & (level[:, :-window] > -1) & (level[:, window:] > -1)
        there = score[:, window : window + local.shape[1]]
        sure = (local > JUMP_LOCAL) | ((local > JUMP_LOCAL_WITH_SCORE) & (there > JUMP_SCORE))
        local = np.where(large & sure, local, 0.0)
        k = np.argmax(local, axis=1)
        better = local[row, k] > best
        best = np.where(better, local[row, k], best)
        factor[rows] = np.where(better, ratio[row, k], factor[rows])
        at[rows] = np.where(better, u[np.minimum(k + window, n - 1)], at[rows])
    return factor, at


def is_straight(samples: Samples, noise: Noise) -> bool:
    """Whether p sweeps of one direction follow an exponential, so that they may stand for the other direction as well.

    Parameters
    ----------
    samples : Samples
    noise : Noise
        Of the p sweeps.

    Notes
    -----
    A bend that is significant beside the scatter between the sweeps and changes the slope by more than `BEND`; with fewer than
    `FEW` sweeps the scatter about the fits has to do, which slow noise and a line of the mains exceed: a few such sweeps prove
    nothing.
    """
    fitted = fit(start(samples), samples, noise.variance)
    good = fitted.curve.good & (fitted.curve.decay > 0)
    count = int(good.sum())
    if not count:
        return False
    u, root, signal = samples.u, np.sqrt(fitted.products.weight[good]), fitted.products.signal[good]
    powers = np.stack([np.ones_like(u), u, u**2, u**3, u**4], axis=1)
    model = root[:, :, None] * np.concatenate([np.ones_like(signal)[:, :, None], signal[:, :, None] * powers], axis=2)
    size = np.linalg.norm(model, axis=1, keepdims=True)
    basis, triangle = np.linalg.qr(model / size)
    whole = root * fitted.products.residual[good]
    score = np.vecmat(whole, basis)
    more = score[:, PARAMETERS:]
    bend = (
        -2 * more[:, 0] / triangle[:, 3, 3] / size[:, 0, 3] / fitted.curve.decay[good]
    )  # change of the slope, relative
    if abs(bend.mean()) < BEND:
        return True
    if count < FEW:
        left = np.vecdot(whole, whole) - np.vecdot(score, score)
        freedom = more.size, int(np.maximum(samples.points[good] - powers.shape[1] - 1, 1).sum())
        return bool(f_above(np.mean(more**2) / (left.sum() / freedom[1]), *freedom) > NOT_STRAIGHT)
    t = bend.mean() / (bend.std(ddof=1) / np.sqrt(count))
    return bool(2 * student_above(abs(t), count - 1) > NOT_STRAIGHT)
