"""Decisions of a person about sweeps: checked, then added to a log that only grows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path

from sts.selection import standing_decisions
from sts.session import layout, picking, tables
from sts.session.adding import time_text
from sts.session.change import changing, reading
from sts.session.tables import SessionError

ACTIONS = ("keep", "omit", "undo")


def decide(
    path: Path, action: str, reasons: Mapping[str, Sequence[str]], *, dry_run: bool = False, now: datetime | None = None
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
    dry_run : bool
        Whether it is only checked.
    now : datetime, optional

    Raises
    ------
    SessionError
        If a name is unknown, the action is, a reason is missing, or there is nothing to undo.
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
    with changing(path) as change:
        _check(path, action, list(why_of))
        rows = [{"time": time_text(now), "sweep": s, "action": action, "why": why} for s, why in why_of.items()]
        tables.append_log(change.file(), "decisions", rows)


def _check(path: Path, action: str, sweeps: Sequence[str]) -> None:
    with reading(path) as file:
        picking.check([part.table for part in layout.stored_sets(file)], {}, sweeps)
        standing = standing_decisions(tables.read_log(file, "decisions"))
    without = [sweep for sweep in sweeps if action == "undo" and sweep not in standing]
    if without:
        raise SessionError(f"There is no decision on '{without[0]}' to take back.")
