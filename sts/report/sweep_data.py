"""The sweeps of the page as one block of data, from which the browser draws a sweep when its row is opened."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import pandas as pd

from sts.analysis import Analysis
from sts.barrier.fit import BarrierFit
from sts.curves.electronics import find_saturation
from sts.flags import PLACE
from sts.sweeps import SweepSet

MOST_POINTS = 128  # of one sweep; of more, evenly chosen ones are shown
LOG_STEPS = 100  # of a decade of current
LINEAR_STEPS = 999  # of the largest current of a sweep
AXIS_STEPS = 9999  # of an axis whose steps are not equal
MOST_RUNS = 6  # stretches of masked samples told of one sweep
FEMTOAMPERE = 1e-15


def sweep_block(analysis: Analysis, sweeps: Iterable[str]) -> str:
    """Reduced curves of sweeps as JSON that may stand in a page.

    Parameters
    ----------
    analysis : Analysis
    sweeps : iterable of str
        Names of those listed on the page, in order.

    Returns
    -------
    str
        A list with one entry per sweep: `n` name, `k` kind, `a` axis (first, last; or all points as `x` of `AXIS_STEPS`),
        `p` points measured, `y` points as integers separated by commas, empty where there is none, `s` unit of one step
        and its prefix, `f` ends of the fitted line, `m` stretches of masked points, `w` flags where they sit. No character
        that ends a script or starts a tag is in it.

    Notes
    -----
    I(z): 100 lg((I − offset)/1 fA), on which the fitted exponential is a straight line. I(V): I over 1/999 of its largest size.
    """
    wanted = list(sweeps)
    at = {name: (number, row) for number, part in enumerate(analysis.sets) for row, name in enumerate(part.names)}
    fits: dict[str, tuple[BarrierFit, int]] = {}
    for fit in () if analysis.barrier is None else analysis.barrier.fits:
        fits |= {name: (fit, row) for row, name in enumerate(fit.table["sweep"])}
    flags = dict(iter(analysis.flags.groupby("sweep", sort=False)))
    axes = [_axis(part) for part in analysis.sets]
    railed = _railed(analysis.sets, [at[name] for name in wanted if name in at])
    found = []
    for name in wanted:
        if name not in at:
            found.append({"n": name})
            continue
        number, row = at[name]
        part = analysis.sets[number]
        axis, chosen = axes[number]
        if part.kind == "iz":
            own = _height(part.current[row], fits.get(name), chosen)
        else:
            own = _bias(part, row, chosen, railed[number, row])
        places = _places(flags.get(name), 1e9 if part.kind == "iz" else 1.0)
        entry = {"n": name, "k": part.kind, "a": axis, "p": part.axis.size, **own, "w": places}
        found.append({key: value for key, value in entry.items() if value not in ([], None)})
    text = json.dumps(found, separators=(",", ":"), ensure_ascii=True)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _axis(part: SweepSet) -> tuple[list[float] | dict[str, Any], np.ndarray]:
    """Axis of a set in nm from its near end, or in V, and the positions of the points shown."""
    chosen = np.unique(np.linspace(0, part.axis.size - 1, min(part.axis.size, MOST_POINTS)).round().astype(int))
    x = (part.axis[chosen] - part.axis[0]) * 1e9 if part.kind == "iz" else part.axis[chosen]
    ends = [_short(x[0]), _short(x[-1])]
    shares = (x - x[0]) / (x[-1] - x[0])
    if np.allclose(shares, np.linspace(0, 1, x.size), atol=0.5 / x.size):
        return ends, chosen
    return {"e": ends, "x": _joined(shares * AXIS_STEPS)}, chosen


def _height(current: np.ndarray, fitted: tuple[BarrierFit, int] | None, chosen: np.ndarray) -> dict[str, Any]:
    if fitted is None:
        return {"y": _joined(_log_steps(np.where(current > 0, current, np.nan))[chosen])}
    fit, row = fitted
    signal, curve = current - np.nan_to_num(fit.offset[row]), fit.fitted[row] - np.nan_to_num(fit.offset[row])
    turned = -1.0 if np.nansum(curve) < 0 else 1.0  # a current that is negative throughout
    used, line = np.flatnonzero(fit.used_points[row]), []
    steps = _log_steps(turned * curve)
    if used.size and np.isfinite(steps[used[[0, -1]]]).all():
        ends = used[[0, -1]]
        x = (fit.height[ends] - fit.height[0]) * 1e9
        line = [_short(x[0]), round(float(steps[ends[0]])), _short(x[1]), round(float(steps[ends[1]]))]
    return {"y": _joined(_log_steps(turned * signal)[chosen]), "f": line, "m": _runs(~fit.used_points[row][chosen])}


def _log_steps(current: np.ndarray) -> np.ndarray:
    """Steps of the logarithm of currents [A]; NaN where there is no logarithm."""
    return LOG_STEPS * np.log10(np.where(current > 0, current, np.nan) / FEMTOAMPERE)


def _railed(sets: Sequence[SweepSet], places: Sequence[tuple[int, int]]) -> dict[tuple[int, int], np.ndarray]:
    """Which samples of the I(V) sweeps in these sets and rows are at a limit, by set and row."""
    found: dict[tuple[int, int], np.ndarray] = {}
    for number, part in enumerate(sets):
        rows = [row for of, row in places if of == number] if part.kind == "iv" else []
        if rows:
            limit = part.number("full_scale_A")[rows] if part.signal is part.current else np.nan
            found |= {
                (number, row): one
                for row, one in zip(rows, find_saturation(part.signal[rows], full_scale=limit), strict=True)
            }
    return found


def _bias(part: SweepSet, row: int, chosen: np.ndarray, railed: np.ndarray) -> dict[str, Any]:
    values = part.signal[row]
    unit = "A" if part.signal is part.current else part.lockin_unit
    largest = float(np.nanmax(np.abs(values), initial=0.0))
    step = largest / LINEAR_STEPS if largest > 0 else 1.0
    return {"y": _joined(values[chosen] / step), "s": [float(f"{step:.4g}"), unit], "m": _runs(railed[chosen])}


def _joined(values: np.ndarray) -> str:
    return ",".join(
        "" if value != value else str(int(value))
        for value in np.round(np.where(np.isfinite(values), values, np.nan)).tolist()
    )


def _short(value: float) -> float:
    return float(f"{value:.4g}")


def _runs(mask: np.ndarray) -> list[list[int]]:
    change = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(int)))
    return [[int(a), int(b) - 1] for a, b in zip(change[::2], change[1::2], strict=True)][:MOST_RUNS]


def _places(flags: pd.DataFrame | None, factor: float) -> Sequence[Any]:
    """Flag, from, to (nm or V) of those that sit somewhere along the axis."""
    if flags is None:
        return []
    rows = zip(flags["flag"], flags.reindex(columns=PLACE).to_numpy(float).tolist(), strict=True)
    return [
        [flag, _short(first * factor), _short(last * factor)] for flag, (first, last, _) in rows if np.isfinite(first)
    ]
