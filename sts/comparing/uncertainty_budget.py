"""The uncertainty budget of a barrier: what is random, what the height scale adds, what the model may miss."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from typing import Any

import numpy as np
import pandas as pd

from sts.comparing.calibration import Calibration
from sts.curves.planar_barrier import true_barrier
from sts.quantities import with_prefix

BUDGET_COLUMNS = ("sample", "tip", "component", "size_eV", "kind", "note")

Tip = Mapping[Any, Any]
Row = tuple[str, float, str]  # component, size [eV], note
_CLOSER = 0.75  # of the assumed gap: the image force is stated there, too, since it hangs on the gap


def corrected_barrier(barrier_eV: float, correct: Collection[str], *, bias_V: float | None, gap_nm: float) -> float:
    """The apparent barrier height with the model corrections asked for.

    Parameters
    ----------
    barrier_eV : float
        Apparent barrier height.
    correct : collection of str
        ``"image force"``, ``"bias"``: the barrier whose apparent height under the classical image, or at this bias with
        level densities of states, is `barrier_eV` (`sts.curves.planar_barrier`).
    bias_V : float, optional
        Bias of the height sweeps [V].
    gap_nm : float
        Width of the gap [nm], which is assumed.

    Returns
    -------
    float
        NaN where a correction cannot be made: no bias known, or a barrier below 1 eV, where no clean vacuum gap is.

    Notes
    -----
    Both act on one barrier, and are taken off together. They are sizes of what a model may miss, in a gap that nobody
    measured; they have no uncertainty of their own that anyone could state.
    """
    image = "image force" in correct
    if not correct:
        return barrier_eV
    if ("bias" in correct and bias_V is None) or (image and not barrier_eV >= 1):
        return math.nan
    return true_barrier(barrier_eV, gap_nm, bias_V=float(bias_V or 0) if "bias" in correct else 0.0, image=image)


def budget(
    tips: pd.DataFrame,
    calibration: Calibration | None = None,
    *,
    bias_V: float | None = None,
    gap_nm: float = 0.8,
    bends: pd.DataFrame | None = None,
    motion: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Where the uncertainty of each tip's barrier comes from.

    Parameters
    ----------
    tips : pandas.DataFrame
        Of `tip_level`.
    calibration : Calibration, optional
        Of the height scale.
    bias_V : float, optional
        Bias of the height sweeps.
    gap_nm : float
        Width of the gap assumed for image force and bias [nm].
    bends : pandas.DataFrame, optional
        Bends that the sweeps of a tip share: `sample`, `tip`, `bound_percent` (of the barrier) of each.
    motion : pandas.DataFrame, optional
        What the piezo may do: `sample`, `tip`, `motion_percent` (of the barrier, a standard uncertainty that is part of what the
        sweeps of a bench share).

    Returns
    -------
    pandas.DataFrame
        `BUDGET_COLUMNS`. Sizes of kind "random", "bench" (shared by its sweeps) and "calibration" are standard uncertainties; those
        of kind "model" are by how much the true barrier would lie higher by a model ("shape", only where a bend was seen: either
        way, rectangular), and enter no total.

    Raises
    ------
    KeyError
        If `tips` lacks a column.
    """
    rows = [
        {
            "sample": tip["sample"],
            "tip": tip["tip"],
            "component": component,
            "size_eV": size,
            "kind": kind,
            "note": note,
        }
        for tip in tips.to_dict("records")
        for kind, found in (
            ("random", _random(tip)),
            ("bench", _of_bench(tip, motion)),
            ("calibration", [_height_scale(tip, calibration)]),
            ("model", [*_of_model(tip["barrier_eV"], gap_nm, bias_V), *_shape(tip, bends)]),
        )
        for component, size, note in found
    ]
    return pd.DataFrame(rows, columns=list(BUDGET_COLUMNS))


def _shared(tip: Tip) -> float:
    """Standard uncertainty that all sweeps of the bench share [eV]."""
    return float(2 * tip["barrier_eV"] * tip["decay_common_per_nm"] / abs(tip["decay_per_nm"]))


def _random(tip: Tip) -> list[Row]:
    """The part of the stated uncertainty that each variance has a share in, so that they add up to it with what is shared."""
    se, sites, days = (
        math.sqrt(max(tip["barrier_se_eV"] ** 2 - _shared(tip) ** 2, 0.0)),
        tip["sites"],
        int(tip.get("days", 1)),
    )
    day = tip["between_day_sd_eV"] if days > 1 else 0.0
    variances = np.nan_to_num([tip["between_site_sd_eV"], tip["site_noise_eV"], day]) ** 2 / [sites, sites, days]
    between, within, day = (
        np.sqrt(variances / variances.sum()) * se if variances.sum() > 0 else (math.nan, se, math.nan)
    )
    sweeps = f"{sites} sites, {tip['sweeps']:g} sweeps"
    return [
        *([("between days", day, f"{days} days")] if days > 1 else []),
        ("between sites", between, sweeps) if sites > 1 else ("between sites", math.nan, "one site: unknown"),
        ("within sites", within, "noise and scatter between repeats"),
    ]


def _of_bench(tip: Tip, motion: pd.DataFrame | None) -> list[Row]:
    """What the piezo may do, and the zero of the current, where sweeps share them."""
    shared = _shared(tip)
    moved = min(_percent(tip, motion, "motion_percent") / 100 * tip["barrier_eV"], shared)
    zero = math.sqrt(shared**2 - moved**2)
    return [
        row
        for row in (
            ("motion of the piezo", moved, "its loop or creep, at most; cancels between tips"),
            ("zero of the current", zero, "the offset that sweeps of a bench share"),
        )
        if row[1] > 1e-6 * tip["barrier_eV"]
    ]


def _height_scale(tip: Tip, calibration: Calibration | None) -> Row:
    barrier, size = tip["barrier_eV"], tip["calibration_se_eV"]
    if calibration is not None:
        note = f"{100 * calibration.relative_se:.2g} % of height, enters twice; cancels between tips"
        return "height scale", float(calibration.barrier_se(barrier)), note
    if np.isfinite(size):
        return "height scale", size, f"{50 * size / barrier:.2g} % of height, enters twice; of several scales"
    return "height scale", math.nan, "not calibrated in this session; 5 % of height is 10 %"


def _shape(tip: Tip, bends: pd.DataFrame | None) -> list[Row]:
    """The bend that the sweeps of a tip share, if there is one."""
    percent = _percent(tip, bends, "bound_percent")
    size = percent / 100 * tip["barrier_eV"]
    note = (
        f"at most, either way: its sweeps share a bend; half of the window alone would give {percent:.2g} % else; in its "
        f"interval, not in barrier_eV; as a standard uncertainty {size / math.sqrt(3):.2g} eV (rectangular)"
    )
    return [("shape", size, note)] if percent else []


def _of_model(barrier: float, gap_nm: float, bias_V: float | None) -> list[Row]:
    """What image force and bias may take off a barrier."""
    if barrier < 1:
        image = ("image force", math.nan, "no clean vacuum gap below 1 eV: not applicable")
    else:
        size, closer = (true_barrier(barrier, gap, image=True) - barrier for gap in (gap_nm, _CLOSER * gap_nm))
        more = f"{closer:.2f} eV" if math.isfinite(closer) else "no barrier left"
        note = f"by the classical image potential in a gap of {gap_nm:g} nm, which is assumed; {more} in one of "
        image = ("image force", size, note + f"{_CLOSER * gap_nm:.2g} nm; not in barrier_eV")
    if bias_V is None:
        return [image, ("bias", math.nan, "bias not recorded")]
    size = true_barrier(barrier, gap_nm, bias_V=bias_V, image=False) - barrier
    note = f"at {with_prefix(abs(bias_V), 'V', 6)} with level densities of states in a gap of {gap_nm:g} nm; at most "
    return [
        image,
        ("bias", size, note + f"{abs(bias_V) / 2:.2g} eV, if one end of the window carries all; not in barrier_eV"),
    ]


def _percent(tip: Tip, table: pd.DataFrame | None, column: str) -> float:
    """The largest of what a table says of a tip [% of its barrier], 0 for nothing."""
    if table is None or table.empty:
        return 0.0
    own = table[(table["sample"] == tip["sample"]) & (table["tip"] == tip["tip"])]
    return float(own[column].max()) if len(own) else 0.0
