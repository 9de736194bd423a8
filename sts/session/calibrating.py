"""Storing a calibration: a scale of heights or currents, for all sweeps of a session file or those of one that was merged."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

from sts.session import tables
from sts.session.change import changing
from sts.session.tables import SessionError

if TYPE_CHECKING:
    from sts.comparing.calibration import Calibration

CALIBRATIONS = ("height", "current")
NANO = 1e-9


def store_calibration(path: Path, kind: str, scale: Calibration, time: str, session: str | None = None) -> None:
    """Add a calibration to the log.

    Parameters
    ----------
    path : path
        Of the session file.
    kind : str
        ``"height"`` or ``"current"``.
    scale : Calibration
    time : str
        When it is stored.
    session : str, optional
        The session merged for whose sweeps alone it holds. All sweeps if not given: a row for each session that was merged, and one
        for files imported directly, also later.

    Raises
    ------
    SessionError
        If the kind is unknown, the factor not positive, or not known/measured, or no such session was merged.
    """
    factor, factor_se, measured, known = scale.factor, scale.factor_se, scale.measured, scale.known
    if kind not in CALIBRATIONS:
        raise SessionError(f"'{kind}' cannot be calibrated; use {' or '.join(CALIBRATIONS)}.")
    if not (0 < factor < math.inf and 0 <= factor_se < math.inf):
        raise SessionError(
            f"A calibration factor must be positive, its uncertainty 0 or more; got {factor} ± {factor_se}."
        )
    if measured and not math.isnan(measured * known) and abs(known / measured / factor - 1) > 1e-3:
        raise SessionError(
            f"The factor is {factor:g}, but known/measured is {known / measured:g}. The factor multiplies the "
            "numbers of the files to give true ones; is it upside down?"
        )
    with changing(path) as change:
        file = change.file()
        merged = list(dict.fromkeys(["", *tables.read_log(file, "sources")["session"]]))
        if session is not None and session not in merged:
            named = ", ".join(filter(None, merged)) or "none"
            raise SessionError(f"{path}: no session '{session}' was merged into it. Merged were: {named}.")
        row = {
            "kind": kind, "factor": factor, "factor_se": factor_se, "measured": measured * NANO, "known": known * NANO,
            "source": scale.source, "time": time, "dof": scale.dof if math.isfinite(scale.dof) else math.nan,
            "temperature_K": scale.temperature_K,
        }  # fmt: skip
        rows = [{**row, "session": one} for one in (merged if session is None else [session])]
        tables.append_log(file, "calibrations", rows)
