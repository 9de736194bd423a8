"""Lock-in against the numerical derivative: gain, intercept, ∫lock-in dV / ΔI, and in words what a wrong gain may be."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from sts.curves.distributions import student_quantile
from sts.curves.electronics import noise_level
from sts.quantities import decimals_for

UNEQUAL = (
    1e-3  # relative uncertainty left by resolutions that are not quite equal: the modulation blurs the lock-in alone
)
LEAST_SPREAD = 0.2  # of dI/dV relative to its mean, below which an intercept cannot be told from a gain
TOLERANCE = 0.01  # a gain off by less than this is called agreement
FEWEST_POINTS = 8
STRETCHES = 8  # of one or two sweeps, whose ratios scatter by the slow noise
MOST_NOISE = 0.5  # share of the spread of dI/dV in one or two sweeps that may be noise; beyond it they tell no gain
NEAR = 0.1  # a gain further from a usual mistake is not named after it, however wide its interval
FACTORS = {
    np.sqrt(2): ("√2", "rms and peak mixed up"),
    2.0: ("2", "peak and peak-to-peak mixed up"),
    2 * np.sqrt(2): ("(2√2)", "rms and peak-to-peak mixed up"),
}


@dataclass(frozen=True)
class Ratio:
    """A ratio near 1 with its standard uncertainty and interval."""

    value: float
    se: float
    low: float
    high: float

    @classmethod
    def around(cls, value: float, se: float, reach: float) -> Ratio:
        """With an interval of `reach` standard uncertainties on either side.

        Parameters
        ----------
        value, se, reach : float
        """
        return cls(float(value), float(se), float(value - reach * se), float(value + reach * se))

    @property
    def words(self) -> str:
        """As ``1.004 ± 0.003``, half the interval after the sign."""
        half = (self.high - self.low) / 2
        if not np.isfinite(half):
            return "lost in noise"
        digits = max(decimals_for(half, default=4), 1)
        return f"{self.value:.{digits}f} ± {half:.{digits}f}"


@dataclass(frozen=True, eq=False)
class LockinCalibration:
    """lock-in = gain × dI/dV + intercept, at equal resolution.

    Attributes
    ----------
    gain : float
        Lock-in signal per dI/dV.
    gain_se : float
        Its standard uncertainty.
    gain_low, gain_high : float
        Ends of its interval.
    intercept : float
        Lock-in signal at dI/dV = 0.
    intercept_se : float
        Its standard uncertainty.
    unit : str
        Of the lock-in channel.
    agrees : bool, optional
        None where it cannot be told, or the channel has no conductance unit to agree with.
    verdict : str
        In words.
    sweeps : int
        How many it rests on.
    end_to_end : Ratio, optional
        ∫lock-in dV / ΔI; None where it was not asked for.
    curve : numpy.ndarray, optional
        (n,) mean lock-in, smoothed as the numerical dI/dV is, on the spectrum's bias.
    didv, didv_se : numpy.ndarray, optional
        (n,) that numerical dI/dV and its standard uncertainty [S].
    """

    gain: float
    gain_se: float
    gain_low: float
    gain_high: float
    intercept: float
    intercept_se: float
    unit: str
    agrees: bool | None
    verdict: str
    sweeps: int
    end_to_end: Ratio | None = None
    curve: np.ndarray | None = None
    didv: np.ndarray | None = None
    didv_se: np.ndarray | None = None

    @property
    def ratio(self) -> float:
        """Numerical dI/dV over lock-in dI/dV, 1/gain."""
        return 1 / self.gain


def integral_ratio(bias: Any, lockin_each: Any, current_each: Any, *, confidence: float = 0.95) -> Ratio:
    """∫lock-in dV over the change of the current from one end to the other: no derivative, so noise hurts it less.

    Parameters
    ----------
    bias : array_like, shape (n,)
        Ascending [V].
    lockin_each : array_like, shape (m, n)
        Lock-in channel as recorded [S].
    current_each : array_like, shape (m, n)
        Current of the same sweeps as recorded [A].
    confidence : float

    Returns
    -------
    Ratio
        NaN where fewer than 8 points are finite in all.

    Notes
    -----
    Both ends are means over a twentieth of the points, of the current and of the running integral alike, so that curvature
    there drops out. With three sweeps or more the uncertainty comes from leaving out one at a time; with fewer from the
    point-to-point noise of both channels, and from the scatter of eight stretches of the sweep about the common ratio, which
    holds the slow noise of the gap (own choice, proved by simulation). A zero of the lock-in's own counts in full.
    """
    k, i = (np.atleast_2d(np.asarray(a, float)) for a in (lockin_each, current_each))
    v = np.asarray(bias, float)
    good = np.isfinite(k).all(axis=0) & np.isfinite(i).all(axis=0)
    if good.sum() < FEWEST_POINTS:
        return Ratio(*[float("nan")] * 4)
    v, k, i = v[good], k[:, good], i[:, good]
    edge, m = max(1, v.size // 20), len(k)
    running = np.hstack([np.zeros((m, 1)), np.cumsum(np.diff(v) * (k[:, 1:] + k[:, :-1]) / 2, axis=1)])
    stretches = _stretches(np.abs(k.mean(axis=0)), edge)
    areas, steps = (np.diff(_means(rows, stretches, edge), axis=1) for rows in (running, i))
    area, step = areas.sum(axis=1), steps.sum(axis=1)
    value = float(area.sum() / step.sum())
    if m >= 3:
        others = (area.sum() - area) / (step.sum() - step)
        noise, freedom = float((m - 1) * others.var()), float(m - 1)
    else:
        of_current = 2 * (noise_level(i) ** 2).sum() / edge / step.sum() ** 2
        of_lockin = (noise_level(k) ** 2).sum() * (np.gradient(v) ** 2).sum() / area.sum() ** 2
        quick = value**2 * float(of_current + of_lockin)
        parts = steps.shape[1]
        left = areas.sum(axis=0) - value * steps.sum(axis=0)  # what each stretch has beyond its share, 0 in sum
        slow = float((left**2).sum() * parts / max(parts - 1, 1) / step.sum() ** 2) - parts * quick / 2
        noise, freedom = (slow, float(parts - 1)) if slow > quick else (quick, np.inf)
    return Ratio.around(
        value, float(np.sqrt(noise + (UNEQUAL * value) ** 2)), float(student_quantile(0.5 + confidence / 2, freedom))
    )


def _stretches(size: Any, edge: int) -> Any:
    """First points of the means that bound up to 8 stretches of as much current each, by the size of dI/dV (n,)."""
    last = size.size - edge
    share = np.cumsum(size[: last + 1])
    at = np.searchsorted(share, np.linspace(share[0], share[-1], STRETCHES + 1))
    bounds = [0]
    for place in at[1:-1].tolist():
        if bounds[-1] + edge <= place <= last - edge:
            bounds.append(place)
    return np.array([*bounds, last])


def _means(rows: Any, first: Any, count: int) -> Any:
    """Means of each row (m, n) over `count` points from each of the first points, (m, k)."""
    total = np.hstack([np.zeros((len(rows), 1)), np.cumsum(rows, axis=1)])
    return (total[:, first + count] - total[:, first]) / count


def calibrate_lockin(
    lockin_each: Any, didv_each: Any, *, unit: str = "S", confidence: float = 0.95, tolerance: float = TOLERANCE,
    didv_se: Any = None, end_to_end: Ratio | None = None,
) -> LockinCalibration:  # fmt: skip
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
        A gain whose whole interval is within `tolerance` of 1 agrees, one whose whole interval is beyond it does not; else it
        cannot be told from the gain.
    didv_se : array_like, shape (n,), optional
        Standard uncertainty of the mean of `didv_each` [S]: with one or two sweeps, the noise that makes the gain low.
    end_to_end : Ratio, optional
        Of `integral_ratio`: decides where the gain cannot tell.

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
    fewer, from the residuals, with the number of independent points estimated from their autocorrelation, and the gain is
    raised by what the noise `didv_se` lowers it, all of which counts as uncertainty (common practice, no source).
    """
    k, g = (np.atleast_2d(np.asarray(a, float)) for a in (lockin_each, didv_each))
    good = np.isfinite(k).all(axis=0) & np.isfinite(g).all(axis=0)
    if good.sum() < FEWEST_POINTS:
        raise ValueError(
            f"{good.sum()} points are finite in lock-in and derivative; at least {FEWEST_POINTS} are needed."
        )
    k, g = k[:, good], g[:, good]
    mean_k, mean_g = k.mean(axis=0), g.mean(axis=0)
    with_intercept = bool(np.std(mean_g) > LEAST_SPREAD * abs(np.mean(mean_g)))
    m = len(k)
    if m >= 3:
        gain, intercept = _between_sweeps(g, k, with_intercept)
        others = np.array([_between_sweeps(np.delete(g, i, 0), np.delete(k, i, 0), with_intercept) for i in range(m)])
        unequal = UNEQUAL * np.array([abs(gain), abs(mean_k.mean()) if with_intercept else 0.0])
        gain_se, intercept_se = np.hypot(np.sqrt((m - 1) * others.var(axis=0)), unequal)
        reach = student_quantile(0.5 + confidence / 2, m - 1)
    else:
        gain, intercept = _line(mean_g, mean_k, with_intercept)
        residual = mean_k - gain * mean_g  # but for a constant
        r1 = np.clip(np.corrcoef(residual[1:], residual[:-1])[0, 1], 0, 0.95)
        points = max(residual.size * (1 - r1) / (1 + r1), 4)
        spread = np.linalg.norm(mean_g - mean_g.mean()) if with_intercept else np.linalg.norm(mean_g)
        gain_se = residual.std(ddof=2) * np.sqrt(residual.size / points) / spread
        if didv_se is not None:
            noise = float(np.nansum(np.asarray(didv_se, float)[good] ** 2)) / float(spread) ** 2
            raised = gain / (1 - min(noise, MOST_NOISE))
            gain, gain_se = raised, float(np.hypot(gain_se, raised - gain)) if noise < MOST_NOISE else np.inf
            intercept = float(mean_k.mean() - gain * mean_g.mean()) if with_intercept else 0.0
        intercept_se = gain_se * abs(mean_g.mean()) if with_intercept else 0.0
        reach = student_quantile(0.5 + confidence / 2, points - 2)
    slope = Ratio.around(gain, gain_se, float(reach))
    agrees, verdict = _verdict(slope, end_to_end, unit, tolerance)
    return LockinCalibration(
        slope.value, slope.se, slope.low, slope.high, float(intercept), float(intercept_se), unit, agrees, verdict, m,
        end_to_end,
    )  # fmt: skip


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


def _verdict(slope: Ratio, ends: Ratio | None, unit: str, tolerance: float) -> tuple[bool | None, str]:
    """Whether the lock-in agrees with the numerical derivative (None: cannot be told), and that in words."""
    if unit != "S":
        what = f"'{unit}'" if unit else "no stated unit"
        return None, f"the lock-in channel has {what}: {slope.value:.4g} of it is one siemens"
    said = f"lock-in / numerical dI/dV is {slope.words}"
    whole = f"∫lock-in dV / ΔI is {ends.words}" if ends is not None and np.isfinite(ends.value) else ""
    by_slope = _place(slope, tolerance)
    by_ends = _place(ends, tolerance) if ends is not None and whole else None
    if by_slope:
        off = by_ends is False
        return True, f"agrees: {said}" + (
            f"; {whole}: the lock-in has a zero of its own" if off else f"; {whole}" * bool(whole)
        )
    if by_slope is False:
        if named := _named(slope):
            return False, f"mismatch: {said}, near {named}"
        return False, (
            f"mismatch: {said}; the lock-in is off by {100 * abs(slope.value - 1):.1f} %: check sensitivity and amplitude"
        )
    if by_ends is not None:
        words = f"{whole}, though {said}, which alone cannot tell"
        return by_ends, f"agrees end to end: {words}" if by_ends else f"mismatch end to end, in gain or zero: {words}"
    both = f"{said}; {whole}" if whole else said
    return None, f"cannot be told: {both}; agreement within {100 * tolerance:g} % and mismatch are both possible"


def _place(ratio: Ratio, tolerance: float) -> bool | None:
    """True where the whole interval is within the tolerance of 1, false where all of it is beyond, else None."""
    if abs(ratio.low - 1) <= tolerance and abs(ratio.high - 1) <= tolerance:
        return True
    return False if ratio.low > 1 + tolerance or ratio.high < 1 - tolerance else None


def _named(gain: Ratio) -> str:
    """The usual mistake that the gain may be, if it may be one only."""
    known = [(value, f"{words}: {meaning}") for factor, (name, meaning) in FACTORS.items()
             for value, words in ((factor, name.strip("()")), (1 / factor, f"1/{name}"))]  # fmt: skip
    inside = [
        (value, words)
        for value, words in known
        if gain.low <= value <= gain.high or abs(gain.value / value - 1) <= 0.02
    ]
    near = [words for value, words in inside if len(inside) == 1 and abs(gain.value / value - 1) <= NEAR]
    return near[0] if near else ""
