"""Up against down: displacement current, amplifier lag and drift from the half difference."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

from sts.curves.averaging import unit_means

Array = NDArray[np.float64]

_COLLINEAR = 0.995  # correlation of two causes beyond which they cannot be told apart


@dataclass(frozen=True, eq=False)
class DirectionFit:
    """Half difference (up - down)/2 of a group and what it consists of."""

    half_difference: Array  # (n,) mean over the pairs [A]
    fitted: Array  # (n,) the model [A]; NaN if there was no fit
    values: dict[str, float]  # see `fit_half_difference`
    note: str  # what could not be said, and why


def half_differences(
    current: Array, signs: NDArray[np.int64], repeats: NDArray[np.int64]
) -> tuple[Array, NDArray[np.int64]]:
    """(up - down)/2 of every repeat that has both, shape (p, n), and the numbers of these repeats (p,).

    Parameters
    ----------
    current : array_like, shape (m, n)
        Current [A].
    signs : numpy.ndarray of int, shape (m,)
        1 and -1 for the directions, 0 where unknown.
    repeats : numpy.ndarray of int, shape (m,)
        The repeat that each sweep is of.
    """
    both = np.zeros((int(repeats.max()) + 1, 2), bool)
    both[repeats[signs == 1], 0] = True
    both[repeats[signs == -1], 1] = True
    pairs = np.flatnonzero(both.all(axis=1))
    if not pairs.size:
        return np.empty((0, current.shape[1])), pairs
    order = np.full(len(both), -1)
    order[pairs] = np.arange(pairs.size)
    up = (signs == 1) & (order[repeats] >= 0)
    down = (signs == -1) & (order[repeats] >= 0)
    return (unit_means(current[up], order[repeats[up]]) - unit_means(current[down], order[repeats[down]])) / 2, pairs


def filled_by_direction(
    bias: Array, current: Array, signs: NDArray[np.int64], repeats: NDArray[np.int64], missing: NDArray[np.bool_]
) -> Array:
    """Currents (m, n) with missing samples taken from the other direction of the repeat.

    Parameters
    ----------
    bias : numpy.ndarray, shape (n,)
        [V].
    current : numpy.ndarray, shape (m, n)
        [A]; NaN where a sample is missing.
    signs, repeats : numpy.ndarray of int, shape (m,)
        As in `half_differences`.
    missing : numpy.ndarray of bool, shape (m, n)
        What may be filled.

    Notes
    -----
    To the sample of the other direction the difference between directions is added: displacement current and lag, from
    least squares of a constant and the slope of the current where both are there. A repeat that has one direction left
    at a bias so stands there with the scatter of that one.
    """
    filled = current.copy()
    up, down = signs == 1, signs == -1
    if not missing.any() or not up.any() or not down.any():
        return filled
    halves, pairs = half_differences(current, signs, repeats)
    if not len(pairs):
        return filled
    known = np.isfinite(halves).sum(axis=0)
    half = np.where(known > 0, np.nansum(halves, axis=0) / np.maximum(known, 1), np.nan)
    slopes = np.array([np.gradient(current[way].mean(axis=0), bias) for way in (up, down)])
    there = np.isfinite(slopes).sum(axis=0)
    slope = np.nansum(slopes, axis=0) / np.maximum(there, 1)
    terms = np.column_stack([np.ones_like(bias), slope])
    use = np.isfinite(half) & (there > 0)
    if use.sum() < 6:
        return filled
    model = terms @ np.linalg.lstsq(terms[use], half[use], rcond=None)[0]
    for pair in pairs:
        rows = np.flatnonzero(repeats == pair)
        for way in (1, -1):
            other = current[rows[signs[rows] == -way]].mean(axis=0) + 2 * way * model
            for row in rows[signs[rows] == way]:
                take = missing[row] & np.isnan(filled[row])
                filled[row, take] = other[take]
    return filled


def fit_half_difference(bias: Any, halves: Array, current: Any, didv: Any, *, duration_s: float) -> DirectionFit:
    """Split the half difference into displacement current, lag and drift.

    Parameters
    ----------
    bias : array_like, shape (n,)
        [V].
    halves : numpy.ndarray, shape (p, n)
        (up - down)/2 of each repeat [A].
    current, didv : array_like, shape (n,)
        Mean current [A] and its smoothed derivative [S].
    duration_s : float
        Of one sweep in one direction; NaN if unknown.

    Returns
    -------
    DirectionFit
        `values` holds ``displacement_A`` (C dV/dt), ``lag_V`` (ramp rate times time constant), ``drift_per_sweep``
        (of ln I), and with a known duration ``displacement_fF``, ``lag_ms``, ``drift_per_s``; each with ``_se`` from
        the scatter between repeats (NaN for fewer than two). What cannot be told apart is NaN.

    Notes
    -----
    At the ramp rate r, up sweeps show I(V - rτ) + C r and down sweeps I(V + rτ) - C r. A drift of ln I by γ per second
    adds γ I (t - T/2) to up and takes it from down, t the time since the start of the up sweep. To first order the half
    difference is C r · 1 - r τ · dI/dV + γ T · I (t/T - 1/2). A fourth term in I takes a set-point that differs between up and
    down; it is not reported. The weights follow a variance of a + b I², fitted to the
    scatter between repeats.
    """
    bias, current, didv = (np.asarray(a, float) for a in (bias, current, didv))
    mean = halves.mean(axis=0)
    span = float(np.ptp(bias))
    names = ("displacement_A", "lag_V", "drift_per_sweep")
    nan = dict.fromkeys(
        [n + s for n in (*names, "displacement_fF", "lag_ms", "drift_per_s") for s in ("", "_se")], np.nan
    )
    terms = np.column_stack([np.ones_like(bias), -didv, current * ((bias - bias[0]) / span - 0.5), current])
    good = np.isfinite(terms).all(axis=1) & np.isfinite(mean)
    if good.sum() < 6:
        return DirectionFit(mean, np.full(bias.size, np.nan), nan, "too few points to split the half difference")
    weight = _weights(halves[:, good], current[good])
    scale = np.sqrt((terms[good] ** 2).mean(axis=0))
    keep = scale > 0
    design = terms[good][:, keep] / scale[keep] * weight[:, None]
    unit = design / np.sqrt((design**2).sum(axis=0))
    alike = np.abs(np.triu(unit.T @ unit, 1)) > _COLLINEAR
    solution = np.full((len(halves), terms.shape[1]), np.nan)
    solution[:, keep] = (np.linalg.pinv(design) @ (halves[:, good] * weight).T).T / scale[keep]
    fitted = np.where(good, terms @ np.nan_to_num(solution.mean(axis=0)), np.nan)
    note = ""
    which = np.flatnonzero(keep)
    for i, j in zip(*np.nonzero(alike), strict=True):
        solution[:, [which[i], which[j]]] = np.nan
        causes = ("displacement current", "lag", "drift", "a set-point that differs between up and down")
        note = f"{causes[which[i]]} and {causes[which[j]]} look alike on this curve and cannot be told apart"
    average = solution.mean(axis=0)
    error = solution.std(axis=0, ddof=1) / np.sqrt(len(halves)) if len(halves) > 1 else np.full(average.size, np.nan)
    values = nan | dict(zip(names, average[:3].tolist(), strict=True))
    values |= {f"{n}_se": float(e) for n, e in zip(names, error[:3], strict=True)}
    if np.isfinite(duration_s) and duration_s > 0:
        ramp = span / duration_s
        for name, source, factor in (
            ("displacement_fF", "displacement_A", 1e15 / ramp),
            ("lag_ms", "lag_V", 1e3 / ramp),
            ("drift_per_s", "drift_per_sweep", 1 / duration_s),
        ):
            values[name], values[f"{name}_se"] = values[source] * factor, values[f"{source}_se"] * factor
    else:
        note = (note + "; " if note else "") + "the duration of a sweep is not recorded: no capacitance, time or rate"
    return DirectionFit(mean, fitted, values, note)


def _weights(halves: Array, current: Array) -> Array:
    """1/standard deviation at each point, from the scatter between repeats as a + b I²."""
    if len(halves) < 3:
        return np.ones(current.size)
    variance = halves.var(axis=0, ddof=1)
    top = float(variance.mean())
    if not top > 0:
        return np.ones(current.size)
    size = float(np.mean(current**2)) or 1.0
    solution, _ = nnls(np.column_stack([np.ones(current.size), current**2 / size]), variance / top)
    model = solution[0] + solution[1] * current**2 / size
    return np.asarray(1 / np.sqrt(np.maximum(model, 1e-3 * model.max())))
