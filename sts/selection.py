"""Which sweeps are used: the one rule. A person's word wins over the flags; what has no number cannot be used at all."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

Decisions = Mapping[str, tuple[str, str]]  # sweep -> ("omit" or "keep", why)


def select(
    sweeps: Sequence[str],
    flags: pd.DataFrame,
    *,
    rules: Collection[str],
    decisions: Decisions | None = None,
    unusable: Collection[str] = (),
) -> pd.DataFrame:
    """Say of every sweep whether it is used, who decided, and why.

    Parameters
    ----------
    sweeps : sequence of str, length m
        Names, in order.
    flags : pandas.DataFrame
        Rows (sweep, flag, detail), of these and other sweeps.
    rules : collection of str
        Flags that leave a sweep out (`check.omit` of a plan).
    decisions : mapping, optional
        Of a person: name to (``"omit"`` or ``"keep"``, reason).
    unusable : collection of str
        Sweeps of which nothing could be measured: not even a person can use them.

    Returns
    -------
    pandas.DataFrame
        m rows: `sweep`, `used`, `decided_by` (``"person"`` or ``"rule"``), `decision` (a person's action and reason, else "").
    """
    decided = decisions or {}
    by_rule = set(flags.loc[flags["flag"].isin(list(rules)), "sweep"])
    used = [
        name not in unusable and (decided[name][0] == "keep" if name in decided else name not in by_rule)
        for name in sweeps
    ]
    return pd.DataFrame(
        {
            "sweep": list(sweeps),
            "used": np.array(used, bool),
            "decided_by": ["person" if name in decided else "rule" for name in sweeps],
            "decision": [": ".join(decided[name]) if name in decided else "" for name in sweeps],
        }
    )


def standing_decisions(log: pd.DataFrame) -> dict[str, tuple[str, str]]:
    """What a log of decisions comes to: sweep to (action, why).

    Parameters
    ----------
    log : pandas.DataFrame
        Columns `sweep`, `action` (``"omit"``, ``"keep"`` or ``"undo"``), `why`, in order of time.
    """
    rows = list(zip(log["action"], log["why"], strict=True))
    return {sweep: rows[at] for sweep, at in _standing(log).items()}


def standing_calibration(log: pd.DataFrame, kind: str, session: str = "") -> dict[str, Any] | None:
    """The last calibration of a kind that holds for the sweeps of a session; None if there is none.

    Parameters
    ----------
    log : pandas.DataFrame
        As `Session.calibrations` gives them.
    kind : str
        ``"height"`` or ``"current"``.
    session : str
        The one that was merged, as in its column `session`; "": the sweeps imported directly.
    """
    rows = log[log["kind"] == kind] if len(log) else log
    rows = rows[rows["session"] == session] if "session" in rows else rows
    return None if rows.empty else {str(k): v for k, v in rows.iloc[-1].to_dict().items()}


def deciders(log: pd.DataFrame) -> dict[str, str]:
    """Who took the decisions that a log comes to: sweep to name, "" where it was not recorded.

    Parameters
    ----------
    log : pandas.DataFrame
        As `standing_decisions` takes it, with `by` where that is known.
    """
    who = log["by"].tolist() if "by" in log else [""] * len(log)
    return {sweep: who[at] for sweep, at in _standing(log).items()}


def _standing(log: pd.DataFrame) -> dict[str, int]:
    """The row of the log that stands for each sweep."""
    stacks: dict[str, list[int]] = {}
    for at, (sweep, action) in enumerate(zip(log["sweep"], log["action"], strict=True)):
        stack = stacks.setdefault(sweep, [])
        if action != "undo":
            stack.append(at)
        elif stack:
            stack.pop()
    return {sweep: stack[-1] for sweep, stack in stacks.items() if stack}
