"""Retract and approach: their mean slope cancels drift, their difference measures it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from sts.barrier.bent_ramps import HELD, without_motion
from sts.curves.distributions import student_quantile
from sts.curves.replicates import REPLICATE, repeat_codes, repeats_among
from sts.flags import flag_rows, join_flags
from sts.sweeps import with_day

REPEAT = ["sample", "tip", "day", "site", "repeat"]
KNOWN = ("duration_s", "range_nm", "decay_per_nm", "decay_se_per_nm", "dof")
ROUNDING = "decay_rounding_per_nm"  # what a converter's steps make alike in its repeats
MOTION = "decay_motion_per_nm"  # by how much the piezo moves the slope of a sweep, with its sign


def pair_directions(sweeps: pd.DataFrame, *, level: float = 0.999) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Pair the retract and approach sweeps of each repeat.

    Parameters
    ----------
    sweeps : pandas.DataFrame
        Table of `BarrierFit`; sweeps that are not `used` are not paired.
    level : float
        Level at which the two directions are called different: high, since a session has many pairs.

    Returns
    -------
    (pandas.DataFrame, pandas.DataFrame)
        One row a pair: `sample`, `tip`, `day`, `site`, `repeat`, `retract`, `approach` (names), `decay_per_nm` (mean),
        `decay_se_per_nm`, `difference_percent` (retract minus approach, of the mean), `drift_pm_per_s` and its
        `drift_se_pm_per_s` (NaN where the duration is unknown), `agree`. And the rows of flags.

    Raises
    ------
    KeyError
        If the table lacks a column.

    Notes
    -----
    If the gap opens by itself at v_d while the ramp moves at ±v, the slope against the ramp's height is
    (1 + v_d/v) of the true one on retract and (1 - v_d/v) on approach: the mean is free of drift, and half the relative
    difference times v is the drift. A lag of the amplifier, which lowers the retract slope only, is found by its shape
    and masked before (`sts.barrier.lag`).
    """
    sweeps = _with_motion(sweeps)
    table = sweeps.assign(_repeat=repeat_codes(sweeps, "iz"))[_measured(sweeps)]
    retract, approach = (table[table["direction"] == d] for d in ("retract", "approach"))
    pairs = retract[["_repeat", *REPEAT, "sweep", *KNOWN, MOTION]].merge(
        approach[["_repeat", "sweep", *KNOWN, MOTION]], on="_repeat", suffixes=("_r", "_a")
    )
    r, a = pairs["decay_per_nm_r"].to_numpy(float), pairs["decay_per_nm_a"].to_numpy(float)
    moved, shared = (pairs[f"{MOTION}_{side}"].to_numpy(float) for side in "ra")
    sr, sa = (
        without_motion(pairs[f"decay_se_per_nm_{side}"].to_numpy(float), motion)
        for side, motion in (("r", moved), ("a", shared))
    )
    mean, spread = (r + a) / 2, np.hypot(sr, sa)
    difference = r - a - (moved - shared)  # what the piezo does is no drift
    dof = np.minimum(pairs["dof_r"].to_numpy(float), pairs["dof_a"].to_numpy(float))
    speed = pairs["range_nm_r"].to_numpy(float) / pairs["duration_s_r"].to_numpy(float) * 1e3  # [pm/s]
    with np.errstate(invalid="ignore", divide="ignore"):
        agree = np.abs(difference) <= student_quantile(0.5 + level / 2, np.maximum(dof, 1)) * spread
        result = pairs[REPEAT].assign(
            retract=pairs["sweep_r"],
            approach=pairs["sweep_a"],
            decay_per_nm=mean,
            decay_se_per_nm=spread / 2,
            difference_percent=100 * difference / mean,
            drift_pm_per_s=difference / (2 * mean) * speed,
            drift_se_pm_per_s=spread / (2 * np.abs(mean)) * speed,
            agree=agree,
        )
    details = []
    for row in result.to_dict("records"):
        drift = row["drift_pm_per_s"]
        as_drift = f", as a drift of {drift:.0f} pm/s would make" if np.isfinite(drift) else ""
        off = f"{row['difference_percent']:+.1f} %"
        details.append(f"the slope of {row['retract']} is {off} off that of {row['approach']}{as_drift}")
    flags = [flag_rows(list(result[side]), ~agree, "directions disagree", details) for side in ("retract", "approach")]
    return result, join_flags(flags)


def slopes_by_repeat(sweeps: pd.DataFrame) -> pd.DataFrame:
    """One row a repeat: the mean of the slopes of its directions, which is what sites are averaged from.

    Parameters
    ----------
    sweeps : pandas.DataFrame
        Table of `BarrierFit`; only `used` sweeps count.

    Returns
    -------
    pandas.DataFrame
        `sample`, `tip`, `day`, `site`, `repeat`, `decay_per_nm`, `decay_se_per_nm` (without what the repeats of a bench share),
        `dof`, `decay_common_per_nm` (by how much one standard uncertainty of the bench's offset, and of the
        motion of its piezo, moves it, with what a coarse converter makes alike in repeats), `sweeps`, `flags`,
        then the user's own columns. Where a site has pairs, a repeat with one direction left is taken too, with its drift
        uncorrected: the flags and the count `sweeps` say so.

    Raises
    ------
    KeyError
        If the table lacks a column.
    """
    sweeps = _with_motion(sweeps)
    there = _measured(sweeps)
    used = sweeps[there].reset_index(drop=True)
    if used.empty:
        return pd.DataFrame(columns=[*REPEAT, *KNOWN[2:], "decay_common_per_nm", "sweeps", "flags"])
    place = repeats_among(sweeps, "iz", there)
    count = np.bincount(place)
    slope = np.bincount(place, weights=used["decay_per_nm"]) / count
    common = used["decay_common_per_nm"]
    motion = HELD * used[MOTION]
    rounding = used[ROUNDING]
    own = np.maximum(used["decay_se_per_nm"] ** 2 - common**2 - motion**2 - rounding**2, 0.0)
    variance = np.bincount(place, weights=own) / count**2
    fourth = np.bincount(place, weights=own**2 / used["dof"]) / count**4
    first = np.unique(place, return_index=True)[1]
    names = list(used.columns)
    columns = [name for name in names[names.index("range_nm") + 1 :] if name not in (REPLICATE, "day")]
    table = used.loc[first, [*REPEAT]].reset_index(drop=True)
    values: dict[str, Any] = {
        "decay_per_nm": slope,
        "decay_se_per_nm": np.sqrt(variance),
        "dof": variance**2 / np.maximum(fourth, 1e-300),
        "decay_common_per_nm": np.hypot.reduce(
            [np.bincount(place, weights=part) / count for part in (common, motion, rounding)]
        ),
        "sweeps": count,
        "flags": _together(used["flags"].tolist(), place),
    }
    result: pd.DataFrame = pd.concat([table.assign(**values), used.loc[first, columns].reset_index(drop=True)], axis=1)
    return result


def motion_by_tip(sweeps: pd.DataFrame) -> pd.DataFrame:
    """What is not known of the motion of the piezo in the barrier of each tip, where there is any.

    Parameters
    ----------
    sweeps : pandas.DataFrame
        Table of `BarrierFit`; only `used` sweeps count.

    Returns
    -------
    pandas.DataFrame
        `sample`, `tip`, `motion_percent`: standard uncertainty, which all sweeps share [% of the barrier].
    """
    sweeps = _with_motion(sweeps)
    means = sweeps[_measured(sweeps)].groupby(["sample", "tip"], sort=False)[[MOTION, "decay_per_nm"]].mean()
    percent = 200 * HELD * (means[MOTION] / means["decay_per_nm"]).abs()
    found: pd.DataFrame = percent[percent > 0].rename("motion_percent").reset_index()
    return found


def names_by_repeat(sweeps: pd.DataFrame) -> list[list[str]]:
    """Names of the sweeps that each row of `slopes_by_repeat` is made of, in the order of its rows.

    Parameters
    ----------
    sweeps : pandas.DataFrame
        As there.
    """
    there = _measured(sweeps)
    place = repeats_among(sweeps, "iz", there)
    found: list[list[str]] = [[] for _ in range(int(place.max()) + 1 if place.size else 0)]
    for name, at in zip(sweeps.loc[there, "sweep"], place, strict=True):
        found[at].append(str(name))
    return found


def _together(flags: list[str], place: Any) -> list[str]:
    """The flags of all sweeps of each repeat."""
    found: list[dict[str, None]] = [{} for _ in range(int(place.max()) + 1)]
    for text, at in zip(flags, place, strict=True):
        if text:
            found[at] |= dict.fromkeys(text.split(";"))
    return [";".join(one) for one in found]


def _with_motion(sweeps: pd.DataFrame) -> pd.DataFrame:
    """With days, and no motion of the piezo nor rounding where the table does not know of any."""
    sweeps = with_day(sweeps)
    return sweeps.assign(**{name: 0.0 for name in (MOTION, ROUNDING) if name not in sweeps})


def _measured(sweeps: pd.DataFrame) -> Any:
    """Whether a sweep is used and has a slope, (m,)."""
    return (sweeps["used"].astype(bool) & np.isfinite(sweeps["decay_per_nm"])).to_numpy(bool)
