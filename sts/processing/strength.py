"""How strongly to smooth: chosen from the repeats, by leaving one sweep out."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..quantities import thermal_width
from .smoothing import Smoother, make_smoother, narrowest_width

Array = NDArray[np.float64]

ROOM_TEMPERATURE_K = 295.0
_GROWTH = 1.25  # from one width tried to the next
_END = 0.05  # share of the points at either end that has no say: derivatives there are several times noisier


def choose_smoother(
    axis: Any, repeats: Any, *, method: str = "local polynomial", order: int = 2, temperature_K: float = np.nan
) -> tuple[Smoother, pd.DataFrame | None, str]:
    """The smoother whose dI/dV errs least, judged by the repeats themselves.

    Parameters
    ----------
    axis : array_like, shape (n,)
        Bias [V].
    repeats : array_like, shape (R, n)
        Independent repeats of the current [A], without NaN.
    method, order
        As in `make_smoother`.
    temperature_K : float
        Used for the stated width that serves where fewer than three repeats are there.

    Returns
    -------
    smoother : Smoother
    criterion : pandas.DataFrame or None
        ``width_V, score, chosen``: the curve that decided, lowest score chosen. None if it was not used.
    note : str
        Why, in words.

    Notes
    -----
    The score of a width w estimates the mean squared error of dI/dV of the mean of R repeats,
    score(w) = variance(w) + c · max(bias²(w), 0). The variance is the scatter of D_w y between sweeps over R. The
    bias comes from leaving one sweep out: the products of (D_w - D_w/2) y_i of each sweep with the mean of the same
    of the others. Their noise is independent whatever its colour, so nothing but the true effect of smoothing
    is left on average. c = 1/(1 - (w'/w)²)² turns the difference between w and the narrower w' into the
    bias against no smoothing, which grows as w². Judging against half the width, not against raw slopes, matters: the
    noise of raw slopes made the error up to 20 times the best possible in simulations; this rule keeps it near 1.1
    to 1.4.

    Generalised cross validation instead takes neighbouring points for independent and smooths far too little in 1/f
    noise (J. Opsomer, Y. Wang, Y. Yang, Stat. Sci. 16, 134 (2001)). Sweeps are brought to a common level
    first, since a set-point that scatters says nothing about smoothing.
    """
    axis, repeats = np.asarray(axis, float), np.asarray(repeats, float)
    count = len(repeats)
    narrowest = narrowest_width(axis, order=order if method == "local polynomial" else 2)
    if count < 3:
        width, why = default_width(temperature_K, narrowest)
        note = f"{count} repeat{'s' if count > 1 else ''}: too few to choose the smoothing from, so {why}"
        return make_smoother(axis, width_V=width, method=method, order=order), None, note
    scaled = same_level(repeats)
    widths = _candidates(axis, narrowest)
    smoothers = [make_smoother(axis, width_V=w, method=method, order=order) for w in widths]
    scores = np.array([_score(s, narrowest, order, scaled) for s in smoothers])
    best = int(np.argmin(scores))
    criterion = pd.DataFrame(
        {"width_V": [s.width for s in smoothers], "score": scores, "chosen": np.arange(len(widths)) == best}
    )
    note = f"chosen from {count} repeats by leaving one out"
    if best == len(widths) - 1:
        note += "; the widest tried: the curve shows nothing narrower than a third of its range"
    return smoothers[best], criterion, note


def default_width(temperature_K: float, narrowest: float) -> tuple[float, str]:
    """The stated width where repeats cannot decide [V], and why: half the thermal width costs 12 % in resolution."""
    known = bool(np.isfinite(temperature_K) and temperature_K > 0)
    width = float(thermal_width(temperature_K if known else ROOM_TEMPERATURE_K)) / 2
    if width < narrowest:
        return narrowest, f"the narrowest the points allow, {narrowest * 1e3:.3g} mV, is used"
    where = f"at {temperature_K:g} K" if known else "at 295 K, as the temperature is not recorded"
    return width, f"half the thermal width {where}, {width * 1e3:.3g} mV, is used"


def same_level(repeats: Array) -> Array:
    """Every repeat scaled to the mean repeat by least squares; left alone where that fails (no signal)."""
    mean: Array = repeats.mean(axis=0)
    level = repeats @ mean / max(float(mean @ mean), np.finfo(float).tiny)
    usable = (level > 0.1) & (level < 10)
    scaled: Array = repeats / np.where(usable, level, 1.0)[:, None]
    return scaled


def _candidates(axis: Array, narrowest: float) -> Array:
    widest = max(float(np.ptp(axis)) / 3, narrowest)
    count = int(np.log(widest / narrowest) / np.log(_GROWTH)) + 1
    return np.asarray(narrowest * _GROWTH ** np.arange(count), float)


def _score(smoother: Smoother, narrowest: float, order: int, repeats: Array) -> float:
    """Estimated mean squared error of the derivative of the mean [A²/V²], ends left out."""
    count, points = repeats.shape
    inner = slice(int(_END * points), points - int(_END * points))
    half = make_smoother(
        smoother.axis, width_V=max(smoother.width / 2, 0.6 * narrowest), method=smoother.method, order=order
    )
    each = smoother.differentiate(repeats)[:, inner]
    change = each - half.differentiate(repeats)[:, inner]
    variance = float(np.mean(each.var(axis=0, ddof=1))) / count
    products = (change.sum(axis=0) ** 2 - (change**2).sum(axis=0)) / (count * (count - 1))  # pairs of different sweeps
    share = min(half.width / smoother.width, 0.9)
    return float(variance + max(float(np.mean(products)), 0.0) / (1 - share**2) ** 2)
