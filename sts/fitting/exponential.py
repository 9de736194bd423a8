"""I = A exp(-κ' z) + offset, for many sweeps at once: the engine behind the barrier heights.

Variable projection: for a given decay the amplitude and the offset follow from linear least squares, so that only the
decay is iterated, by Gauss-Newton, for all sweeps of a block side by side. The weights come from the fitted curve,
never from the noisy points: those bias every barrier low by the same amount, which averaging does not remove.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

GRID = np.geomspace(0.05, 300.0, 64)  # decays tried at the start, in units of 1/(range of heights)
TRIAL_POINTS = 160  # points of a sweep that the start looks at
STEPS = 4  # Gauss-Newton steps between two estimates of the noise


@dataclass(frozen=True, eq=False)
class Basis:
    """Weighted sums over the points of each sweep for the columns E, 1 and u E (u: scaled height)."""

    amplitude: Array  # (m,)
    offset: Array  # (m,)
    information: Array  # (m,) of the decay, amplitude and offset projected out
    score: Array  # (m,)


@dataclass(frozen=True, eq=False)
class Exponential:
    """Parameters of m sweeps on the scaled height u = (z - z0)/range; `good` marks fits that converged."""

    amplitude: Array  # (m,) current at u = 0
    decay: Array  # (m,) per unit of u
    offset: Array  # (m,)
    good: NDArray[np.bool_]  # (m,)

    def signal(self, u: Array) -> Array:
        """A exp(-decay u), shape (m, n): the tunnelling current without the offset."""
        exponent = np.multiply(-self.decay[:, None], u)
        np.exp(exponent, out=exponent)
        exponent *= self.amplitude[:, None]
        return exponent


def start(u: Array, current: Array, usable: NDArray[np.bool_]) -> Exponential:
    """First guess by trying a range of decays with the linear parameters solved for.

    Parameters
    ----------
    u : ndarray, shape (n,)
        Height scaled to 0 ... 1.
    current : ndarray, shape (m, n)
        Finite everywhere (masked samples may hold anything finite).
    usable : ndarray of bool, shape (m, n)

    Notes
    -----
    Unweighted sums over at most `TRIAL_POINTS` samples are one matrix product for all decays and sweeps; the best
    decay is good to a grid step, 14 %, which Gauss-Newton then removes.
    """
    stride = max(1, u.size // TRIAL_POINTS)
    u, current, weight = u[::stride], current[:, ::stride], usable[:, ::stride].astype(float)
    e = np.exp(-np.outer(GRID, u))  # (g, n)
    weighted = weight * current
    s1, si, sii = weight.sum(axis=1)[:, None], weighted.sum(axis=1)[:, None], (weighted * current).sum(axis=1)[:, None]
    se, see, sei = weight @ e.T, weight @ (e * e).T, weighted @ e.T  # (m, g)
    determinant = see * s1 - se * se
    with np.errstate(divide="ignore", invalid="ignore"):
        amplitude = (s1 * sei - se * si) / determinant
        offset = (see * si - se * sei) / determinant
        misfit = sii - amplitude * sei - offset * si
        misfit = np.where(np.isfinite(misfit) & (determinant > 1e-12 * see * s1), misfit, np.inf)
    best = np.argmin(misfit, axis=1)
    row = np.arange(len(best))
    return Exponential(amplitude[row, best], GRID[best], offset[row, best], np.isfinite(misfit[row, best]))


def sums(fit: Exponential, u: Array, current: Array, weight: Array) -> Basis:
    """Linear parameters at the present decay, and score and information of the decay itself."""
    e = np.exp(np.multiply(-fit.decay[:, None], u))
    we = weight * e
    s1, si = weight.sum(axis=1), np.vecdot(weight, current)
    se, sei, see = we.sum(axis=1), np.vecdot(we, current), np.vecdot(we, e)
    ue = u * e
    sue, suee, suei = np.vecdot(weight, ue), np.vecdot(we, ue), np.vecdot(weight * ue, current)
    suu = np.vecdot(weight * ue, ue)
    determinant = see * s1 - se * se
    with np.errstate(divide="ignore", invalid="ignore"):
        amplitude = (s1 * sei - se * si) / determinant
        offset = (see * si - se * sei) / determinant
        # Projection of the column u E on E and 1.
        p = (s1 * suee - se * sue) / determinant
        q = (see * sue - se * suee) / determinant
        left = suu - p * suee - q * sue  # squared length of what is left of u E
        # Residual r = I - A E - c; its product with the projected column equals that with u E (r is normal to E, 1).
        product = suei - amplitude * suee - offset * sue
    return Basis(amplitude, offset, amplitude**2 * left, -amplitude * product)


def improve(
    fit: Exponential, u: Array, current: Array, weight: Array, *, steps: int = STEPS
) -> tuple[Exponential, Basis]:
    """Gauss-Newton steps on the decay with fixed weights; returns the fit and its last `Basis`."""
    decay, good = fit.decay, fit.good
    basis = sums(fit, u, current, weight)
    for _ in range(steps):
        with np.errstate(divide="ignore", invalid="ignore"):
            change = basis.score / basis.information
        usable = np.isfinite(change) & (basis.information > 0)
        limit = 0.5 * np.abs(decay) + 0.05
        decay = decay + np.where(usable, np.clip(change, -limit, limit), 0.0)
        decay = np.clip(decay, -20.0, 700.0)
        good = good & usable
        fit = Exponential(basis.amplitude, decay, basis.offset, good)
        basis = sums(fit, u, current, weight)
    finite = np.isfinite(basis.amplitude) & np.isfinite(basis.offset) & (basis.information > 0)
    return Exponential(basis.amplitude, decay, basis.offset, good & finite), basis


def scaled_height(height: Any) -> tuple[Array, float]:
    """Height scaled to 0 ... 1 and its range [m]."""
    height = np.asarray(height, float)
    span = float(height[-1] - height[0])
    return (height - height[0]) / span, span
