"""How far each sweep lies from the others of its site, in robust standard deviations: by slope, or by level and shape."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sts.analysis import Measured
from sts.barrier.bent_ramps import without_motion
from sts.barrier.fit import BarrierFit
from sts.quantities import MAD_SCALE
from sts.sweeps import SweepSet

FEW = 3  # sweeps of a place below which nothing is said of them
POINTS = 48  # of a curve that are compared
LEVEL_FLOOR = 0.02  # of ln I: less than 1 pm of gap is never unusual (as for outliers)
SHAPE_FLOOR = 0.25  # of the logarithm of the scatter about the site's curve
SLOPE_FLOOR = 0.002  # of the decay: below this a difference is of no use to anybody
TIP = ["sample", "tip", "unassigned"]
SITE = [*TIP, "day", "site"]

Array = NDArray[np.float64]


def unusual_for_site(measured: Measured) -> pd.DataFrame:
    """The distance of every sweep from its site, and in which respect it is largest.

    Parameters
    ----------
    measured : Measured

    Returns
    -------
    pandas.DataFrame
        `sweep`, `sigmas`, `respect` (``"slope"``, ``"level"`` or ``"shape"``); NaN where fewer than `FEW` sweeps could be
        compared.

    Notes
    -----
    Of I(z) the slope is compared, of I(V) the logarithm of the level and of the scatter about the site's median curve. The
    centre is the median of the site and direction (of the site, where a direction has fewer than `FEW`), the unit the scaled
    median absolute deviation of all sweeps of the tip about their centres, at least the sweep's own uncertainty and a
    floor. Common practice, no source.
    """
    parts = [_slopes(fit, part) for fit, part in zip(measured.fits, _of_kind(measured, "iz"), strict=True)]
    parts += [_curves(part) for part in _of_kind(measured, "iv")]
    return pd.concat(parts, ignore_index=True)


def _of_kind(measured: Measured, kind: str) -> list[SweepSet]:
    return [part for part in measured.sets if part.kind == kind]


def _slopes(fit: BarrierFit, part: SweepSet) -> pd.DataFrame:
    decay = np.log(np.where(fit.fits.decay > 0, fit.fits.decay, np.nan))
    se = without_motion(fit.fits.decay_se, 1e9 * fit.table["decay_motion_per_nm"].to_numpy(float))
    own = np.hypot(se / np.abs(fit.fits.decay), SLOPE_FLOOR)
    sigmas = _distance(part.table, SITE, decay, own)
    return pd.DataFrame({"sweep": part.names, "sigmas": sigmas, "respect": "slope"})


def _curves(part: SweepSet) -> pd.DataFrame:
    signal = part.signal
    some = np.unique(np.linspace(0, part.axis.size - 1, POINTS).astype(int))
    curves = np.abs(np.where(np.isfinite(signal[:, some]), signal[:, some], np.nan))
    columns = _places(part.table, [*SITE, "setpoint_current_A"])
    centre = _median_of(curves, columns)
    with np.errstate(all="ignore"):
        seen = centre > 0.02 * np.nanmax(np.where(np.isfinite(centre), centre, 0), axis=1, keepdims=True)
        logs = np.where(seen & (curves > 0), np.log(curves / centre), np.nan)
    frame = pd.DataFrame(logs)
    level = frame.median(axis=1).to_numpy(float)
    scatter = frame.sub(level, axis=0).abs().median(axis=1).to_numpy(float)
    with np.errstate(divide="ignore"):
        shape = np.log(MAD_SCALE * scatter + 1e-3)
    place = [*SITE, "setpoint_current_A"]
    by_level = _distance(part.table, place, level, np.full(level.size, LEVEL_FLOOR))
    by_shape = _distance(part.table, place, shape, np.full(level.size, SHAPE_FLOOR), above=True)
    respect = np.where(np.nan_to_num(by_shape) > np.nan_to_num(by_level), "shape", "level")
    return pd.DataFrame({"sweep": part.names, "sigmas": np.fmax(by_level, by_shape), "respect": respect})


def _places(table: pd.DataFrame, place: list[str]) -> NDArray[Any]:
    """A number for the place and direction of each sweep; for the place alone where a direction has fewer than FEW."""
    both = table.groupby([*place, "direction"], dropna=False, sort=False)
    few = both["sweep"].transform("size").to_numpy() < FEW
    alone = table.groupby(place, dropna=False, sort=False).ngroup().to_numpy()
    return np.where(few, -1 - alone, both.ngroup().to_numpy())


def _median_of(values: Array, groups: NDArray[Any]) -> Array:
    """The median of its group for each row (m, n)."""
    return pd.DataFrame(values).groupby(groups, sort=False).transform("median").to_numpy(float)


def _distance(table: pd.DataFrame, place: list[str], values: Array, own: Array, *, above: bool = False) -> Array:
    """|value - centre of its place| in units of what is usual for the tip, at least `own` (m,)."""
    groups = _places(table, place)
    count = pd.Series(np.isfinite(values)).groupby(groups).transform("sum").to_numpy(float)
    with np.errstate(invalid="ignore", divide="ignore"):
        off = (values - _median_of(values[:, None], groups)[:, 0]) * np.sqrt(count / (count - 1))
    off = np.where(count >= FEW, off, np.nan)
    tip = table.groupby(TIP, dropna=False, sort=False).ngroup().to_numpy()
    usual = MAD_SCALE * _median_of(np.abs(off)[:, None], tip)[:, 0]
    return (off if above else np.abs(off)) / np.fmax(usual, own)
