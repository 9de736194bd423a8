"""Which mean a barrier is: that of the mean slope, or that of the slope whose logarithm is the mean of the logarithms."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from sts.quantities import BARRIER_PER_DECAY_SQUARED

MEAN, GEOMETRIC = AVERAGES = ("mean", "geometric mean")
TOLD_PERCENT = 3.0  # of the barrier; what two kinds of mean differ by less is not worth a word
_SLOPES = ("decay_per_nm", "decay_se_per_nm", "decay_common_per_nm")


def in_logs(table: pd.DataFrame, tip: np.ndarray, average: str) -> tuple[pd.DataFrame, np.ndarray]:
    """Slopes on a scale on which their plain mean is the mean that is asked for, and the typical slope of the tip of each row.

    Parameters
    ----------
    table : pandas.DataFrame
        k rows with `decay_per_nm`, `decay_se_per_nm`, `decay_common_per_nm` [1/nm].
    tip : numpy.ndarray of int, shape (k,)
        Which tip each row is of.
    average : str
        Of `AVERAGES`.

    Returns
    -------
    (pandas.DataFrame, numpy.ndarray)
        The table, and (k,) typical slopes [1/nm]: NaN where the scale is that of the slopes themselves, which it is for "mean"
        and for tips with a slope that is not positive (it has no logarithm).

    Raises
    ------
    ValueError
        If there is no such average.

    Notes
    -----
    y = g (1 + ln(s/g)) of a slope s, g the geometric mean of the tip: uncertainties of y are those of s times g/s, and y is close
    to s near g, so that scatter and sizes keep their meaning.
    """
    if average not in AVERAGES:
        raise ValueError(f"'{average}' is no average; there is {' and '.join(AVERAGES)}.")
    slope = table["decay_per_nm"].to_numpy(float)
    if average == MEAN:
        return table, np.full(len(table), np.nan)
    positive = pd.Series(slope > 0).groupby(tip).transform("all").to_numpy(bool)
    logs = np.log(np.where(positive, slope, 1.0))
    typical = np.where(positive, np.exp(pd.Series(logs).groupby(tip).transform("mean").to_numpy(float)), np.nan)
    with np.errstate(invalid="ignore"):
        turned = {name: np.where(positive, table[name] * typical / slope, table[name]) for name in _SLOPES[1:]}
        turned["decay_per_nm"] = np.where(positive, typical * (1 + logs - np.log(typical)), slope)
    return table.assign(**turned), typical


def from_logs(values: Any, typical: np.ndarray) -> np.ndarray:
    """Slopes [1/nm] from the scale of `in_logs`.

    Parameters
    ----------
    values : array_like, shape (k,)
    typical : numpy.ndarray, shape (k,)
        NaN where the values are slopes.
    """
    values = np.asarray(values, float)
    with np.errstate(invalid="ignore"):
        return np.asarray(np.where(np.isnan(typical), values, typical * np.exp(values / typical - 1)))


def average_notes(tips: pd.DataFrame, sites: pd.DataFrame) -> list[str]:
    """Of tips whose sites scatter so much that it matters which mean their barrier is: by how much the other one differs.

    Parameters
    ----------
    tips, sites : pandas.DataFrame
        Of `tip_level` and `site_level`.
    """
    positive = sites[sites["decay_per_nm"] > 0]
    logs = np.log(positive["decay_per_nm"]).groupby([positive[name] for name in ("sample", "tip")], dropna=False)
    means = positive.groupby(["sample", "tip"], dropna=False)["decay_per_nm"].mean()
    excess = 100 * ((means / np.exp(logs.mean())) ** 2 - 1)
    notes = []
    for sample, tip, average, barrier in zip(
        *(tips[c] for c in ("sample", "tip", "average", "barrier_eV")), strict=True
    ):
        more = float(excess.get((sample, tip), 0.0))
        if not more > TOLD_PERCENT:
            continue
        less = 100 * more / (100 + more)
        if average == MEAN:
            other = (
                f"{barrier:.3g} eV is that of the mean slope. The typical site (geometric mean) reads {less:.0f} % less"
            )
            ask = f'compare.average = "{GEOMETRIC}" in the plan gives that'
        else:
            other = (
                f"{barrier:.3g} eV is that of the typical site (geometric mean). The mean slope gives {more:.0f} % more"
            )
            ask = f'compare.average = "{MEAN}" in the plan gives that'
        notes.append(
            f"Sites of tip {tip or '(no name)'} scatter so much that it matters which mean is meant: {other}; {ask}."
        )
    return notes


def barrier_of(slope: Any) -> np.ndarray:
    """The barrier [eV] of slopes [1/nm]: 0 for those that are not positive.

    Parameters
    ----------
    slope : array_like, any shape

    Notes
    -----
    (ħ²/8m) slope². A slope that is not positive is no barrier: squaring would make one of a current that grows with height.
    """
    return np.asarray(BARRIER_PER_DECAY_SQUARED * 1e18 * np.maximum(slope, 0) ** 2)
