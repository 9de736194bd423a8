"""Calibrations in force: heights and currents of the sets are brought to the true scale, once, before anything else."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from sts.comparing import Calibration
from sts.provenance import origins
from sts.selection import standing_calibration
from sts.sweeps import SweepSet


def calibrated(sets: Sequence[SweepSet], calibrations: pd.DataFrame, sources: pd.DataFrame) -> list[SweepSet]:
    """The sets with every height, and every current, set-point and full scale, times the factor in force for its session.

    Parameters
    ----------
    sets : sequence of SweepSet
        As read. Heights that are rescaled by different factors come back as sets of their own.
    calibrations, sources : pandas.DataFrame
        As `Session.calibrations` and `Session.sources` give them.
    """
    if calibrations.empty:
        return list(sets)
    found = []
    for part in sets:
        session = np.array(origins(part.table, sources), object)
        height, current = (
            np.array([_factor(standing_calibration(calibrations, kind, one)) for one in session], float)
            for kind in ("height", "current")
        )
        axes = np.unique(height) if part.kind == "iz" else np.ones(1)
        for factor in axes:
            rows = (height == factor) | (axes.size == 1)
            found.append(_rescaled(part if rows.all() else part.select(rows), float(factor), current[rows]))
    return found


def _factor(row: dict[str, Any] | None) -> float:
    return 1.0 if row is None else float(row["factor"])


def _rescaled(part: SweepSet, axis: float, current: np.ndarray) -> SweepSet:
    """With its axis times a factor, and the current of each sweep times its own (m,)."""
    if axis == 1 and (current == 1).all():
        return part
    columns = {c: part.table[c] * current for c in ("setpoint_current_A", "full_scale_A")}
    return replace(
        part, axis=part.axis * axis, current=part.current * current[:, None], table=part.table.assign(**columns)
    )


def height_scales(calibrations: pd.DataFrame, sources: pd.DataFrame) -> dict[str, Calibration | None]:
    """The height scale of each session whose files these are, whose uncertainty is common to its barriers; None: not calibrated.

    Parameters
    ----------
    calibrations, sources : pandas.DataFrame
        As `Session.calibrations` and `Session.sources` give them.
    """
    found = {}
    for session in dict.fromkeys(sources["session"] if "session" in sources and len(sources) else [""]):
        row = standing_calibration(calibrations, "height", session)
        found[session] = (
            None if row is None else Calibration(float(row["factor"]), float(row["factor_se"]), str(row["source"]))
        )
    return found


def height_scale(calibrations: pd.DataFrame, sources: pd.DataFrame) -> Calibration | None:
    """The calibration of the height that all sessions share, or the least certain of theirs; None where one has none.

    Parameters
    ----------
    calibrations, sources : pandas.DataFrame
        As for `height_scales`.
    """
    scales = list(height_scales(calibrations, sources).values())
    known = [scale for scale in scales if scale is not None]
    return max(known, key=lambda scale: scale.relative_se) if len(known) == len(scales) else None


def current_notes(calibrations: pd.DataFrame, sources: pd.DataFrame) -> list[str]:
    """What the calibrations of the current do to the spectra, and what the bands do not hold.

    Parameters
    ----------
    calibrations, sources : pandas.DataFrame
        As `Session.calibrations` and `Session.sources` give them.
    """
    sessions = list(dict.fromkeys(sources["session"] if "session" in sources and len(sources) else [""]))
    rows = {session: standing_calibration(calibrations, "current", session) for session in sessions}
    said: dict[str, list[str]] = {}
    for session, row in rows.items():
        if row is not None:
            said.setdefault(_current_words(row), []).append(session)
    return [
        words
        if len(of) == len(rows)
        else words.replace("Every current", f"Of {', '.join(map(_named, of))} every current", 1)
        for words, of in said.items()
    ]


def _named(session: str) -> str:
    return session or "the files imported directly"


def _current_words(row: dict[str, Any]) -> str:
    factor, error = float(row["factor"]), float(row["factor_se"])
    return (
        f"Every current and set-point was multiplied by {factor:.4g} ± {error:.2g} ({row['source']}). Its "
        f"{100 * error / factor:.1f} % are common to all currents and conductances and are not in their bands; "
        "(dI/dV)/(I/V) and gaps do not feel them."
    )
