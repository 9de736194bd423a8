"""How strongly to smooth: chosen from the repeats, by leaving one sweep out."""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sts.curves.distributions import student_quantile
from sts.curves.smoothing import Smoother, make_smoother, narrowest_width
from sts.quantities import thermal_width, with_prefix

Array = NDArray[np.float64]

ROOM_TEMPERATURE_K = 295.0
MOST_KEPT = 256  # points of an axis whose smoothers are kept for the next group: 18 MB at most for each of four
LONG_KEPT = 512  # the same of the last axis only, 70 MB at most
_THIRDS = 3  # widths tried for a factor of 2: half of each is another of them
_DOUBT = 1.0  # standard errors by which the squared bias against w/2 must exceed zero before it counts
_DOUBT_FAR = 4.0  # the same against w/4, w/8 ..., of which there are many
_CHANCE = 1e-3  # level of Student's t at which the choice is doubted: few repeats err far
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
    The score of a width w estimates the mean squared error of dI/dV of the mean of R repeats, score(w) = variance(w)
    + c · max(bias²(w), 0). The variance is the scatter of D_w y between sweeps over R. The bias comes from leaving
    one sweep out: the products of (D_w - D_w/2) y_i of each sweep with the mean of the same of the others. Their
    noise is independent whatever its colour, so nothing but the true effect of smoothing is left on average; one
    standard error of it is taken off, so that chance does not pass for an effect. c = 1/(1 - (w'/w)²)² turns the
    difference between w and the narrower w' into the bias against no smoothing, which grows as w². Where widths of a
    quarter, an eighth ... surely see more than the choice does, the largest bias of all of them counts: two widths
    that have both lost a narrow peak agree with each other. Judging against half the width first, not against raw
    slopes, matters: the noise of raw slopes made the error up to 20 times the best possible in simulations; this rule
    keeps it near 1.1.

    Generalised cross validation instead takes neighbouring points for independent and smooths far too little in 1/f
    noise (J. Opsomer, Y. Wang, Y. Yang, Stat. Sci. 16, 134 (2001)). Sweeps are brought to a common level
    first, since a set-point that scatters says nothing about smoothing.
    """
    axis, repeats = np.asarray(axis, float), np.asarray(repeats, float)
    count = len(repeats)
    narrowest = narrowest_width(axis, order=order if method == "local polynomial" else 2)
    if count < 3:
        width, why = default_width(axis, temperature_K, narrowest)
        note = f"{count} repeat{'s' if count > 1 else ''}: too few to choose the smoothing from, so {why}"
        return make_smoother(axis, width_V=width, method=method, order=order), None, note
    scaled = same_level(repeats)
    steps = _from_its_start(axis)
    narrowest = narrowest_width(steps, order=order if method == "local polynomial" else 2)
    widths = _candidates(steps, narrowest)
    narrow = narrowest * 0.6
    make = _ladder if axis.size <= MOST_KEPT else _long_ladder if axis.size <= LONG_KEPT else _one_by_one
    slopes, found = [], []
    for smoother in make(steps.tobytes(), tuple(np.maximum(widths, narrow).tolist()), method, order):
        slopes.append(smoother.differentiate(scaled)[:, _inner(axis.size)])
        found.append((smoother.width, smoother.asked.width_V))
    actual, asked = np.array(found).T
    scores = np.array([_score(slopes, actual, k) for k in range(_THIRDS, len(widths))])
    if _much_narrower_show_more(slopes, actual, _THIRDS + int(np.argmin(scores))):
        scores = np.array([_score(slopes, actual, k, far=True) for k in range(_THIRDS, len(widths))])
    widths, tried, asked = widths[_THIRDS:], actual[_THIRDS:], asked[_THIRDS:]
    best = int(np.argmin(scores))
    chosen = make_smoother(axis, width_V=float(asked[best]), method=method, order=order)
    tried[best] = chosen.width
    criterion = pd.DataFrame({"width_V": tried, "score": scores, "chosen": np.arange(len(widths)) == best})
    note = f"chosen from {count} repeats by leaving one out"
    if best == 0:
        note += "; the narrowest the points allow: what is sharper is broadened"
    if best == len(widths) - 1:
        note += "; the widest tried: the curve shows nothing narrower than a third of its range"
    return chosen, criterion, note


def _from_its_start(axis: Array) -> Array:
    """An axis from 0 on, without what rounding makes of its steps: groups differ by their offset of the bias, and a decision
    moves it, but smoothers hang on the steps alone."""
    digits = 10 - int(np.floor(np.log10(np.median(np.diff(axis)))))
    steps: Array = np.round(axis - axis[0], digits)
    return steps


@lru_cache(maxsize=4)  # the groups of a session share their steps, and a decision asks for the same again
def _ladder(axis: bytes, widths: tuple[float, ...], method: str, order: int) -> tuple[Smoother, ...]:
    """A smoother of each width [V] on an axis given by its bytes."""
    return tuple(_one_by_one(axis, widths, method, order))


def _one_by_one(axis: bytes, widths: tuple[float, ...], method: str, order: int) -> Iterator[Smoother]:
    """The same without all of them in memory: of 4,096 points each takes 270 MB."""
    bias = np.frombuffer(axis)
    return (make_smoother(bias, width_V=width, method=method, order=order) for width in widths)


_long_ladder = lru_cache(maxsize=1)(_ladder.__wrapped__)


def default_width(axis: Array, temperature_K: float, narrowest: float) -> tuple[float, str]:
    """The stated width where repeats cannot decide [V], and why: half the thermal width costs 12 % in resolution.

    Parameters
    ----------
    axis : array_like, shape (n,)
        Bias [V] or height [m], rising.
    temperature_K : float
        NaN if unknown.
    narrowest : float
        The narrowest that the points allow [V].
    """
    known = bool(np.isfinite(temperature_K) and temperature_K > 0)
    width = float(thermal_width(temperature_K if known else ROOM_TEMPERATURE_K)) / 2
    why = f"half the thermal width at {with_prefix(temperature_K, 'K', 6)}"
    if not known:
        why = "half the thermal width at 295 K, as the temperature is not recorded"
        if width > np.ptp(axis) / 20:  # a sweep over a few millivolts was not made at room temperature
            width, why = float(np.ptp(axis)) / 20, "a twentieth of the sweep, as the temperature is not recorded"
    if width < narrowest:
        width, why = narrowest, "the narrowest the points allow"
    return width, f"{why}, {with_prefix(width * 1e3, 'mV')}, is used"


def same_level(repeats: Array) -> Array:
    """Every repeat scaled to the mean repeat by least squares; left alone where that fails (no signal).

    Parameters
    ----------
    repeats : numpy.ndarray, shape (m, n)
        Current of each repeat [A].
    """
    mean: Array = repeats.mean(axis=0)
    level = repeats @ mean / max(float(mean @ mean), np.finfo(float).tiny)
    usable = (level > 0.1) & (level < 10)
    scaled: Array = repeats / np.where(usable, level, 1.0)[:, None]
    return scaled


def _candidates(axis: Array, narrowest: float) -> Array:
    """Widths up to a third of the range, which is one of them, from half the narrowest sensible one (to compare with)."""
    widest = max(float(np.ptp(axis)) / 3, narrowest)
    count = int(np.log2(widest / narrowest) * _THIRDS) + 1
    return np.asarray(widest * 2.0 ** (np.arange(1 - count - _THIRDS, 1) / _THIRDS), float)


def _inner(points: int) -> slice:
    return slice(int(_END * points), points - int(_END * points))


def _score(slopes: list[Array], widths: Array, k: int, *, far: bool = False) -> float:
    """Estimated mean squared error of the mean of the slopes (R, points) of width number `k` [A²/V²].

    The bias is that against half the width, or with `far` the largest of those against half, a quarter, an eighth ...
    """
    variance = _variance(slopes[k])
    half = _squared_bias(slopes[k], slopes[k - _THIRDS], widths[k - _THIRDS] / widths[k], _DOUBT)
    if not far:
        return variance + half
    narrower = [_squared_bias(slopes[k], slopes[j], widths[j] / widths[k], _DOUBT_FAR) for j in _narrower(k)]
    return variance + max([half, *narrower])


def _much_narrower_show_more(slopes: list[Array], widths: Array, k: int) -> bool:
    """Whether much narrower widths surely see what width number `k` and half of it do not."""
    sure = -float(student_quantile(_CHANCE, len(slopes[k]) - 1))
    variance = _variance(slopes[k])
    return any(_squared_bias(slopes[k], slopes[j], widths[j] / widths[k], sure) > variance for j in _narrower(k))


def _variance(slopes: Array) -> float:
    """Variance of the mean of slopes (R, points), over all points [A²/V²]."""
    return float(np.mean(slopes.var(axis=0, ddof=1))) / len(slopes)


def _narrower(k: int) -> range:
    return range(k - 2 * _THIRDS, -1, -_THIRDS)


def _squared_bias(slopes: Array, narrower: Array, ratio: float, doubt: float) -> float:
    """Squared bias of `slopes` (R, points) seen against those of `ratio` of their width, beyond `doubt` errors [A²/V²]."""
    count = len(slopes)
    change = slopes - narrower
    others = change.sum(axis=0) - change
    products = np.vecdot(change, others) / (count - 1) / change.shape[1]  # (R,): each sweep with the mean of the others
    bias = float(np.mean(products) - doubt * np.sqrt(2 / count) * products.std(ddof=1))
    return max(bias, 0.0) / (1 - min(ratio, 0.9) ** 2) ** 2
