"""The lock-in channel against the numerical derivative: gain, intercept, and in words what a wrong gain may be."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import stats

UNEQUAL = (
    1e-3  # relative uncertainty left by resolutions that are not quite equal: the modulation blurs the lock-in alone
)
LEAST_SPREAD = 0.2  # of dI/dV relative to its mean, below which an intercept cannot be told from a gain
TOLERANCE = 0.01  # a gain off by less than this is called agreement, whatever its uncertainty
FACTORS = {
    np.sqrt(2): "√2: rms taken for peak, or the other way round",
    2.0: "2: peak taken for peak-to-peak",
    2 * np.sqrt(2): "2√2: rms taken for peak-to-peak",
}


@dataclass(frozen=True)
class LockinCalibration:
    """lock-in = gain × dI/dV + intercept, at equal resolution.

    Attributes
    ----------
    gain : float
        Lock-in signal per dI/dV.
    gain_se : float
        Its standard uncertainty.
    intercept : float
        Lock-in signal at dI/dV = 0.
    intercept_se : float
        Its standard uncertainty.
    unit : str
        Of the lock-in channel.
    agrees : bool, optional
        None where the channel has no conductance unit to agree with.
    verdict : str
        In words.
    sweeps : int
        How many it rests on.
    """

    gain: float
    gain_se: float
    intercept: float
    intercept_se: float
    unit: str
    agrees: bool | None
    verdict: str
    sweeps: int

    @property
    def ratio(self) -> float:
        """Numerical dI/dV over lock-in dI/dV, 1/gain."""
        return 1 / self.gain


def calibrate_lockin(
    lockin_each: Any, didv_each: Any, *, unit: str = "S", confidence: float = 0.95, tolerance: float = TOLERANCE
) -> LockinCalibration:
    """Regress the lock-in channel on the numerical derivative of the same sweeps.

    Parameters
    ----------
    lockin_each : array_like, shape (m, n)
        Lock-in channel, smoothed by the smoother of the derivative, so that both have the same resolution.
    didv_each : array_like, shape (m, n)
        Numerical dI/dV [S].
    unit : str
        Of the channel: a gain can only be judged where it is ``"S"``.
    confidence, tolerance : float
        A gain that differs from 1 by more than its uncertainty allows and by more than `tolerance` is a mismatch.

    Returns
    -------
    LockinCalibration

    Raises
    ------
    ValueError
        If fewer than 8 points are finite in both.

    Notes
    -----
    The average of the sweeps fixes both coefficients where dI/dV changes with bias; where it is nearly constant (its
    relative spread below 20 %) an intercept cannot be told from a gain and is held at zero. With three sweeps or more
    only products of different sweeps count, whose noise is independent: noise of dI/dV would make the gain low, as it
    does in any regression on a noisy variable. The uncertainty then comes from leaving out one sweep at a time; with
    fewer, from the residuals, with the number of independent points estimated from their autocorrelation.
    """
    k, g = (np.atleast_2d(np.asarray(a, float)) for a in (lockin_each, didv_each))
    good = np.isfinite(k).all(axis=0) & np.isfinite(g).all(axis=0)
    if good.sum() < 8:
        raise ValueError(f"{good.sum()} points are finite in lock-in and derivative; at least 8 are needed.")
    k, g = k[:, good], g[:, good]
    mean_k, mean_g = k.mean(axis=0), g.mean(axis=0)
    with_intercept = bool(np.std(mean_g) > LEAST_SPREAD * abs(np.mean(mean_g)))
    m = len(k)
    if m >= 3:
        gain, intercept = _between_sweeps(g, k, with_intercept)
        others = np.array([_between_sweeps(np.delete(g, i, 0), np.delete(k, i, 0), with_intercept) for i in range(m)])
        unequal = UNEQUAL * np.array([abs(gain), abs(mean_k.mean()) if with_intercept else 0.0])
        gain_se, intercept_se = np.hypot(np.sqrt((m - 1) * others.var(axis=0)), unequal)
        reach = stats.t.ppf(0.5 + confidence / 2, m - 1)
    else:
        gain, intercept = _line(mean_g, mean_k, with_intercept)
        residual = mean_k - gain * mean_g  # but for a constant
        r1 = np.clip(np.corrcoef(residual[1:], residual[:-1])[0, 1], 0, 0.95)
        points = max(residual.size * (1 - r1) / (1 + r1), 4)
        spread = np.linalg.norm(mean_g - mean_g.mean()) if with_intercept else np.linalg.norm(mean_g)
        gain_se = residual.std(ddof=2) * np.sqrt(residual.size / points) / spread
        intercept_se = gain_se * abs(mean_g.mean()) if with_intercept else 0.0
        reach = stats.t.ppf(0.5 + confidence / 2, points - 2)
    agrees, verdict = _verdict(float(gain), float(reach * gain_se), unit, tolerance)
    return LockinCalibration(
        float(gain), float(gain_se), float(intercept), float(intercept_se), unit, agrees, verdict, m
    )


def _between_sweeps(g: Any, k: Any, with_intercept: bool) -> tuple[float, float]:
    """Gain and intercept from the products of different sweeps, g and k of shape (m, n)."""
    dg, dk = (a - a.mean(axis=1, keepdims=True) for a in (g, k)) if with_intercept else (g, k)
    total = dg.sum(axis=0)
    gain = float((total @ dk.sum(axis=0) - (dg * dk).sum()) / (total @ total - (dg * dg).sum()))
    return gain, float(k.mean() - gain * g.mean()) if with_intercept else 0.0


def _line(x: Any, y: Any, with_intercept: bool) -> tuple[float, float]:
    if not with_intercept:
        return float(x @ y / (x @ x)), 0.0
    dx = x - x.mean()
    slope = float(dx @ y / (dx @ dx))
    return slope, float(y.mean() - slope * x.mean())


def _verdict(gain: float, half: float, unit: str, tolerance: float) -> tuple[bool | None, str]:
    if unit != "S":
        what = f"'{unit}'" if unit else "no stated unit"
        return None, f"the lock-in channel has {what}: {gain:.4g} of it is one siemens"
    off = f"numerical dI/dV is {1 / gain:.4f} ± {half / gain**2:.4f} of the lock-in's"
    if abs(gain - 1) <= max(half, tolerance):
        return True, f"agrees: {off}"
    for factor, meaning in FACTORS.items():
        for value, words in ((factor, meaning), (1 / factor, f"1/{meaning}")):
            if abs(gain / value - 1) <= max(half / abs(gain), 0.02):
                return False, f"mismatch: {off}; the gain {gain:.3f} is near {words}"
    return False, f"mismatch: {off}; the lock-in is off by {100 * abs(gain - 1):.1f} %: check sensitivity and amplitude"
