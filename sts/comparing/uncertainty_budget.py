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

    Returns
    -------
    pandas.DataFrame
        `BUDGET_COLUMNS`. Sizes of kind "random" and "calibration" are standard uncertainties; those of kind "model"
        are by how much the true barrier would lie higher by a model ("shape", only where a bend was seen: either way,
        rectangular), and enter no total.

    Raises
    ------
    KeyError
        If `tips` lacks a column.
    """
    rows: list[dict[str, Any]] = []

    def add(tip: Mapping[Any, Any], component: str, size: float, kind: str, note: str) -> None:
        rows.append(
            {"sample": tip["sample"], "tip": tip["tip"], "component": component, "size_eV": size, "kind": kind,
             "note": note}
        )  # fmt: skip

    for tip in tips.to_dict("records"):
        barrier, se, sites = tip["barrier_eV"], tip["barrier_se_eV"], tip["sites"]
        # The part of the stated uncertainty that each variance has a share in, so that the two add up to it.
        days = int(tip.get("days", 1))
        day = tip["between_day_sd_eV"] if days > 1 else 0.0
        variances = np.nan_to_num([tip["between_site_sd_eV"], tip["site_noise_eV"], day]) ** 2 / [sites, sites, days]
        between, within, day = (
            np.sqrt(variances / variances.sum()) * se if variances.sum() > 0 else (math.nan, se, math.nan)
        )
        if days > 1:
            add(tip, "between days", day, "random", f"{days} days")
        count = f"{sites} sites" if sites > 1 else "one site"
        add(tip, "between sites", between if sites > 1 else math.nan, "random",
            f"{count}, {tip['sweeps']:g} sweeps" if sites > 1 else "one site: unknown")  # fmt: skip
        add(tip, "within sites", within, "random", "noise and scatter between repeats")
        if calibration is None and np.isfinite(tip["calibration_se_eV"]):
            size = tip["calibration_se_eV"]
            add(
                tip,
                "height scale",
                size,
                "calibration",
                f"{50 * size / barrier:.2g} % of height, enters twice; of several scales",
            )
        elif calibration is None:
            add(tip, "height scale", math.nan, "calibration", "not calibrated in this session; 5 % of height is 10 %")
        else:
            add(tip, "height scale", float(calibration.barrier_se(barrier)), "calibration",
                f"{100 * calibration.relative_se:.2g} % of height, enters twice; cancels between tips")  # fmt: skip
        for component, size, note in _of_model(barrier, gap_nm, bias_V):
            add(tip, component, size, "model", note)
        bent = _bound_percent(tip, bends)
        if bent:
            size = bent / 100 * barrier
            add(tip, "shape", size, "model",
                f"at most, either way: its sweeps share a bend; half of the window alone would give {bent:.2g} % else; in its "
                f"interval, not in barrier_eV; as a standard uncertainty {size / math.sqrt(3):.2g} eV (rectangular)")  # fmt: skip
    return pd.DataFrame(rows, columns=list(BUDGET_COLUMNS))


def _of_model(barrier: float, gap_nm: float, bias_V: float | None) -> list[tuple[str, float, str]]:
    """What image force and bias may take off a barrier: component, size [eV], note."""
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


def _bound_percent(tip: Mapping[Any, Any], bends: pd.DataFrame | None) -> float:
    """The largest bend of a tip [% of its barrier], 0 for none."""
    if bends is None or bends.empty:
        return 0.0
    own = bends[(bends["sample"] == tip["sample"]) & (bends["tip"] == tip["tip"])]
    return float(own["bound_percent"].max()) if len(own) else 0.0
