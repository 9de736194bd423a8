"""ln of the ratio of retract and approach: what drift, bends and a line of constant period take up, and what a lag makes of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from sts.barrier.blocks import Array

PERIODS = np.arange(1.5, 12.1, 0.5)  # of a line of constant period in a ramp: more are no danger to a smooth shape
LINE = 5.0  # times what noise gives, from which on there is such a line


def wave(u: Array, periods: float) -> Array:
    """Cosine and sine of so many periods in a ramp, (n, 2); 0 periods: none, (n, 0).

    Parameters
    ----------
    u : ndarray, shape (n,)
        Height as a share of the range.
    periods : float
    """
    phase = 2 * np.pi * periods * u
    return np.stack([np.cos(phase), np.sin(phase)], axis=1) if periods else np.empty((u.size, 0))


@dataclass(frozen=True, eq=False)
class Ratio:
    """What a lag is looked for in: ln of the ratio of both directions, or of retract alone; (p, n)."""

    u: Array  # (n,)
    value: Array
    root: Array  # 1 over standard deviation
    decay: Array  # (p,)
    powers: int  # of u that drift, or a barrier that bends, may take up

    def rest(self, periods: float) -> Callable[[Array], Array]:
        """What takes from values (p, n) what constant, slope (and parabola) and a line explain; in units of the noise.

        Parameters
        ----------
        periods : float
            Of the line in a ramp; 0: no line.
        """
        straight = np.broadcast_to(self.u[:, None] ** np.arange(self.powers), (*self.root.shape, self.powers))
        line = np.exp(self.decay[:, None] * (self.u - 1))[:, :, None] * wave(
            self.u, periods
        )  # in the current, not its logarithm
        basis = np.linalg.qr(self.root[:, :, None] * np.concatenate([straight, line], axis=2))[0]

        def left(values: Array) -> Array:
            whole = self.root * values
            return np.asarray(whole - np.matvec(basis, np.vecmat(whole, basis)))

        return left

    def line(self, left: Array, noise: float) -> float:
        """Periods in a ramp of a line that runs through what is left; 0 where there is none.

        Parameters
        ----------
        left : ndarray, shape (p, n)
            In units of the noise.
        noise : float
            Usual square of it.
        """
        gain = []
        for periods in PERIODS:
            columns = (
                self.root[:, :, None] * np.exp(self.decay[:, None] * (self.u - 1))[:, :, None] * wave(self.u, periods)
            )
            basis = np.linalg.qr(columns)[0]
            gain.append(float(np.sum(np.vecmat(left, basis) ** 2)) / (2 * len(left)))
        return float(PERIODS[np.argmax(gain)]) if max(gain) > LINE * noise else 0.0


def ln_transient(u: Array, decay: Array, length: float) -> tuple[Array, Array]:
    """ln of what a lag multiplies the current by on retract and on approach, shape (p, n) each.

    Parameters
    ----------
    u : ndarray, shape (n,)
        Height from the start of retract, as a share of the range.
    decay : ndarray, shape (p,)
        2κ times the range.
    length : float
        Of the transient, vτ, as a share of the range.
    """
    k, x = decay[:, None] * length, decay[:, None] * u
    k = np.where(np.abs(k - 1) < 1e-6, 1 + 1e-6, k)  # smooth there, though its formula is not
    retract = np.log1p(k * np.expm1(np.minimum(x * (1 - 1 / k), 500.0)) / (k - 1))
    return retract, np.log1p(k * np.exp(-(1 + 1 / k) * (decay[:, None] - x))) - np.log1p(k)
