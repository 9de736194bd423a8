"""Decisions of a person about sweeps: checked, then added to a log that only grows."""

from __future__ import annotations

import getpass
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from pathlib import Path

import h5py
import pandas as pd

from sts.selection import standing_decisions
from sts.session import layout, picking, tables
from sts.session.adding import time_text
from sts.session.change import changing, reading
from sts.session.tables import SessionError

ACTIONS = ("keep", "omit", "undo")


def account_name() -> str:
    """The name of the account that runs this; "" where the system does not tell."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):  # no such account, or none of the usual variables on Windows
        return ""


def decide(
    path: Path,
    action: str,
    reasons: Mapping[str, Sequence[str]],
    *,
    by: str | None = None,
    dry_run: bool = False,
    looked: Iterable[str] = (),
    timeout: float | None = None,
    now: datetime | None = None,
) -> None:
    """Decide about sweeps in one change.

    Parameters
    ----------
    path : path
        Of the session.
    action : str
        One of `ACTIONS`.
    reasons : mapping
        Reason to names of sweeps.
    by : str, optional
        Who decides; the account's name if not given; "": not recorded.
    dry_run : bool
        Whether it is only checked.
    looked : iterable of str
        Names of sweeps that were looked at, to be noted in the same change.
    timeout : float, optional
        How long to wait for others who change the session [s].
    now : datetime, optional

    Raises
    ------
    SessionError
        If a name is unknown, the action is, a reason is missing, or there is nothing to undo.
    NotWritten
        If it cannot be written now.
    """
    if action not in ACTIONS:
        raise SessionError(f"'{action}' is not a decision; use {', '.join(ACTIONS)}.")
    if action != "undo" and not all(why.strip() for why in reasons):
        raise SessionError(f'A decision needs a reason; say --why "…" with --{action}.')
    why_of = {sweep: why.strip() for why, names in reasons.items() for sweep in names}
    if not why_of:
        raise SessionError(f"Name at least one sweep to {action}.")
    if dry_run:
        _check(path, action, list(why_of))
        return
    with changing(path, timeout=timeout) as change:
        _check(path, action, list(why_of))
        who = " ".join((account_name() if by is None else by).split())
        rows = [
            {"time": time_text(now), "sweep": s, "action": action, "why": why, "by": who} for s, why in why_of.items()
        ]
        tables.append_log(change.file(), "decisions", rows)
        _append_looked(change.file(), looked, now)


def read_logs(path: Path, *names: str) -> list[pd.DataFrame]:
    """Some of `sts.session.tables.TABLES`, all as they stood at one moment.

    Parameters
    ----------
    path : path
        Of the session.
    *names : str

    Raises
    ------
    SessionError
        If the session cannot be used.
    """
    with reading(path) as file:
        return [tables.read_log(file, name) for name in names]


def note_looked(
    path: Path, sweeps: Iterable[str], *, timeout: float | None = None, now: datetime | None = None
) -> None:
    """Note that sweeps were looked at, in one change; none if nothing is new.

    Parameters
    ----------
    path : path
        Of the session.
    sweeps : iterable of str
        Names.
    timeout : float, optional
        How long to wait for others who change the session [s].
    now : datetime, optional

    Raises
    ------
    NotWritten
        If it cannot be written now.
    """
    with changing(path, timeout=timeout) as change:
        with reading(path) as file:
            known = set(tables.read_log(file, "looked")["sweep"])
        if new := [sweep for sweep in sweeps if sweep not in known]:
            _append_looked(change.file(), new, now)


def _append_looked(file: h5py.File, sweeps: Iterable[str], now: datetime | None) -> None:
    """Each sweep once: when it was first looked at."""
    known = set(tables.read_log(file, "looked")["sweep"])
    new = [sweep for sweep in dict.fromkeys(sweeps) if sweep not in known]
    tables.append_log(file, "looked", [{"time": time_text(now), "sweep": sweep} for sweep in new])


def _check(path: Path, action: str, sweeps: Sequence[str]) -> None:
    with reading(path) as file:
        picking.check([part.names for part in layout.stored_sets(file)], {}, sweeps)
        standing = standing_decisions(tables.read_log(file, "decisions"))
    without = [sweep for sweep in sweeps if action == "undo" and sweep not in standing]
    if without:
        raise SessionError(f"There is no decision on '{without[0]}' to take back.")
