"""Calibrations in force: heights and currents of the sets are brought to the true scale, once, before anything else."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pandas as pd

from sts.comparing import Calibration
from sts.sweeps import SweepSet


def in_force(calibrations: pd.DataFrame, kind: str) -> dict[str, Any] | None:
    """The last calibration of a kind, ``"height"`` or ``"current"``; None if there is none.

    Parameters
    ----------
    calibrations : pandas.DataFrame
        As `Session.calibrations` gives them.
    kind : str
        ``"height"`` or ``"current"``.
    """
    rows = calibrations[calibrations["kind"] == kind] if len(calibrations) else calibrations
    return None if rows.empty else {str(k): v for k, v in rows.iloc[-1].to_dict().items()}


def calibrated(sets: Sequence[SweepSet], calibrations: pd.DataFrame) -> list[SweepSet]:
    """The sets with every height, and every current, set-point and full scale, times the factor in force.

    Parameters
    ----------
    sets : sequence of SweepSet
        As read.
    calibrations : pandas.DataFrame
        As `Session.calibrations` gives them.
    """
    height, current = (_factor(in_force(calibrations, kind)) for kind in ("height", "current"))
    return [_rescaled(part, height if part.kind == "iz" else 1.0, current) for part in sets]


def _factor(row: dict[str, Any] | None) -> float:
    return 1.0 if row is None else float(row["factor"])


def _rescaled(part: SweepSet, axis: float, current: float) -> SweepSet:
    if axis == current == 1:
        return part
    columns = {c: part.table[c] * current for c in ("setpoint_current_A", "full_scale_A")}
    return replace(part, axis=part.axis * axis, current=part.current * current, table=part.table.assign(**columns))


def height_scale(calibrations: pd.DataFrame) -> Calibration | None:
    """The calibration of the height, whose uncertainty is common to all barriers.

    Parameters
    ----------
    calibrations : pandas.DataFrame
        As `Session.calibrations` gives them.
    """
    row = in_force(calibrations, "height")
    return None if row is None else Calibration(float(row["factor"]), float(row["factor_se"]), str(row["source"]))


def current_note(calibrations: pd.DataFrame) -> list[str]:
    """What the calibration of the current does to the spectra, and what the bands do not hold.

    Parameters
    ----------
    calibrations : pandas.DataFrame
        As `Session.calibrations` gives them.
    """
    row = in_force(calibrations, "current")
    if row is None:
        return []
    factor, error = float(row["factor"]), float(row["factor_se"])
    words = (
        f"Every current and set-point was multiplied by {factor:.4g} ± {error:.2g} ({row['source']}). Its "
        f"{100 * error / factor:.1f} % are common to all currents and conductances and are not in their bands; "
        "(dI/dV)/(I/V) and gaps do not feel them."
    )
    return [words]
