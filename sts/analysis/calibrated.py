"""Calibrations in force: heights and currents of the sets are brought to the true scale, once, before anything else."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
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
        axes = list(dict.fromkeys(height.tolist())) if part.kind == "iz" else [1.0]
        for factor in axes:
            rows = (height == factor) | (len(axes) == 1)
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
    for session in _sessions(sources):
        row = standing_calibration(calibrations, "height", session)
        found[session] = None if row is None else _calibration(row)
    return found


def _calibration(row: Mapping[str, Any]) -> Calibration:
    """From a row of the log, where what is not known is NaN."""
    dof, temperature = (float(row.get(name, np.nan)) for name in ("dof", "temperature_K"))
    return Calibration(
        float(row["factor"]), float(row["factor_se"]), str(row["source"]), dof=dof if np.isfinite(dof) else np.inf,
        temperature_K=temperature,
    )  # fmt: skip


PIEZO = "piezo_temperature_k"  # a column of the logbook: piezo temperature (K)
TOLD_PERCENT = 0.1  # of height; what a difference of temperature does below is not worth a word


@dataclass(frozen=True, eq=False)
class Scales:
    """The height scales of a session's sweeps; what shares one shares its error.

    Attributes
    ----------
    of : Mapping[str, int]
        The number of the scale of each I(z) sweep, by its name.
    known : tuple
        The calibration of each scale; None: not calibrated.
    words : tuple[str, ...]
        What each is, and of which sessions, for a note.
    sessions : int
        How many sessions the sweeps came from.
    notes : tuple[str, ...]
        Scales that were measured at another temperature.
    """

    of: Mapping[str, int]
    known: tuple[Calibration | None, ...]
    words: tuple[str, ...]
    sessions: int
    notes: tuple[str, ...] = ()

    @property
    def common(self) -> Calibration | None:
        """The calibration that all sweeps share, if they do."""
        return self.known[0] if len(self.known) == 1 else None


def scales_of(
    sets: Sequence[SweepSet], calibrations: pd.DataFrame, sources: pd.DataFrame, percent_per_K: float = 0.0
) -> Scales:
    """Which height scale each I(z) sweep is on.

    Parameters
    ----------
    sets : sequence of SweepSet
    calibrations, sources : pandas.DataFrame
        As `Session.calibrations` and `Session.sources` give them.
    percent_per_K : float
        By how much a scale is less well known for each kelvin between its calibration and the sweeps.

    Notes
    -----
    Sessions with the same calibration share a scale. Sessions without one do, too, unless a logbook column `bench` tells them
    apart: afternoons at one bench are the usual case. A calibrated session and one that is not do not.
    """
    in_session = height_scales(calibrations, sources)
    tables = [part.table for part in sets if part.kind == "iz"]
    rows = [
        (name, session, "" if pd.isna(bench) else str(bench))
        for table in tables
        for name, session, bench in zip(
            table["sweep"], origins(table, sources), table.get("bench", pd.Series("", table.index)), strict=True
        )
    ]
    keys = [(in_session[session], "" if in_session[session] else bench) for _, session, bench in rows]
    kinds = list(dict.fromkeys(keys))
    of = {row[0]: kinds.index(key) for row, key in zip(rows, keys, strict=True)}
    words = []
    for kind in kinds:
        whose = dict.fromkeys(_named(row[1]) for row, key in zip(rows, keys, strict=True) if key == kind)
        scale = f"{kind[0].factor:.4g} ± {kind[0].factor_se:.2g}" if kind[0] else "not calibrated"
        words.append(f"{', '.join(whose)}{f' (bench {kind[1]})' if kind[1] else ''}: {scale}")
    temperatures = _temperatures(tables, of, len(kinds))
    known = [(kind[0], temperature) for kind, temperature in zip(kinds, temperatures, strict=True)]
    told = tuple(_temperature_words(scale, away, percent_per_K) for scale, away in known if scale)
    return Scales(
        of, tuple(scale.at(away, percent_per_K) if scale else None for scale, away in known) or (None,), tuple(words),
        len({row[1] for row in rows}), tuple(filter(None, told)),
    )  # fmt: skip


def _temperatures(tables: Sequence[pd.DataFrame], of: Mapping[str, int], scales: int) -> list[float]:
    """The temperature of the sweeps on each scale [K]: of the piezo where a column of the logbook says it, else their own; NaN
    where none is recorded."""
    found: list[list[float]] = [[] for _ in range(scales)]
    for table in tables:
        own = table[PIEZO] if PIEZO in table else pd.Series(np.nan, table.index)
        for name, value in zip(
            table["sweep"], pd.to_numeric(own, "coerce").fillna(table["temperature_K"]), strict=True
        ):
            found[of[name]].append(float(value))
    return [float(np.nanmedian(values)) if np.isfinite(values).any() else np.nan for values in found]


def _temperature_words(scale: Calibration, temperature_K: float, percent_per_K: float) -> str:
    away = abs(temperature_K - scale.temperature_K)
    if not percent_per_K * away >= TOLD_PERCENT:
        return ""
    return (
        f"The height scale was measured with the piezo at {scale.temperature_K:.4g} K, the sweeps at {temperature_K:.4g} K. The "
        f"sensitivity of a piezo changes with temperature: {percent_per_K * away:.2g} % of height ({percent_per_K:g} % per K) are "
        "added to the uncertainty of the scale. Measure the step at the temperature of the sweeps."
    )


def current_notes(calibrations: pd.DataFrame, sources: pd.DataFrame) -> list[str]:
    """What the calibrations of the current do to the spectra, and what the bands do not hold.

    Parameters
    ----------
    calibrations, sources : pandas.DataFrame
        As `Session.calibrations` and `Session.sources` give them.
    """
    rows = {session: standing_calibration(calibrations, "current", session) for session in _sessions(sources)}
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


def _sessions(sources: pd.DataFrame) -> list[str]:
    """The sessions that files came from, in order; "" stands for files imported directly."""
    return list(dict.fromkeys(sources["session"] if "session" in sources and len(sources) else [""]))


def _named(session: str) -> str:
    return session or "the files imported directly"


def _current_words(row: dict[str, Any]) -> str:
    factor, error = float(row["factor"]), float(row["factor_se"])
    return (
        f"Every current and set-point was multiplied by {factor:.4g} ± {error:.2g} ({row['source']}). Its "
        f"{100 * error / factor:.1f} % are common to all currents and conductances and are not in their bands; "
        "(dI/dV)/(I/V) and gaps do not feel them."
    )
