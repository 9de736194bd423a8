"""The record of tips: what many sessions say of each tip, day by day, and whether it is still as it was."""

from __future__ import annotations

import glob
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from sts.analysis.record_tables import record_tables
from sts.analysis.shared_work import Failed, share
from sts.analysis.tip_days import TipDays, scale_of, tip_days
from sts.analysis.versions import versions
from sts.plan import Plan
from sts.session import identities
from sts.showing import Shown

SCALES_DIFFER = (
    "The height scale was not calibrated alike in all sessions ({}): what their calibrations are uncertain by is in the "
    "uncertainty of each day; a scale that was not calibrated at all may be off by more."
)
SCALE_ALIKE = "{}: a scale that stayed the same moves no comparison of days, but one that changed looks like a change of all tips."
UNCALIBRATED, CALIBRATED = (
    "No session has a calibrated height scale",
    "All sessions have the same calibration of the height scale",
)


@dataclass(frozen=True, eq=False, repr=False)
class TipRecord(Shown):
    """What many sessions say of each tip, day by day.

    Attributes
    ----------
    tips : pandas.DataFrame
        One row per tip and sample, over all days: as tips.csv, in order of verdict.
    days : pandas.DataFrame
        One row per tip, sample and day: as tip_days.csv.
    sessions : pandas.DataFrame
        One row per file: `session`, `path`, `sweeps` counted, `twice` (left out, since a session before holds the same),
        `without_tip`, `days`, and `why` it could not be read.
    notes : tuple[str, ...]
        What was left out, and what could not be said.
    plan : Plan
        Every setting.
    versions : dict[str, str]
        Of sts, python, numpy, scipy and others.
    """

    tips: pd.DataFrame
    days: pd.DataFrame
    sessions: pd.DataFrame
    notes: tuple[str, ...]
    plan: Plan
    versions: dict[str, str]

    @property
    def unread(self) -> pd.DataFrame:
        """The sessions that could not be read."""
        return self.sessions[self.sessions["why"] != ""]

    def _words(self) -> str:
        read = len(self.sessions) - len(self.unread)
        return f"{len(self.tips)} tips on {self.days['day'].nunique()} days of {read} sessions"


def tip_record(
    sessions: str | Path | Iterable[str | Path], plan: Plan | None = None, *, beside: bool = True,
    progress: Callable[[int, int], None] | None = None,
) -> TipRecord:  # fmt: skip
    """The record of every tip over the sessions of many days.

    Parameters
    ----------
    sessions : path, or iterable of path
        Session files; names with ``*``, ``?`` or ``[`` stand for all files that fit.
    plan : Plan, optional
        Every setting; the defaults if not given. Limits: section `record`.
    beside : bool
        Whether a second process may help where there are many sessions.
    progress : callable(done, total), optional

    Returns
    -------
    TipRecord

    Raises
    ------
    ValueError
        If no session is given, no file fits a pattern, or none could be read.

    Notes
    -----
    Every day of a session is analysed as a session of its own, with the decisions and calibrations of that session. A sweep that
    two sessions hold (the same place of a file of the same content) counts once, in the session named first.

    Examples
    --------
    A tip on three invented days:

    >>> for day, height_eV in enumerate((4.0, 4.1, 4.0), 1):
    ...     bench = sts.simulate.Bench(white_A=1e-12)
    ...     made = sts.simulate_iz(barrier_eV=height_eV, sweeps=4, bench=bench, seed=day).sweeps
    ...     np.savez(f"heron_{day}.npz", height_m=made.axis, current_A=made.current)
    ...     imported = sts.import_files([f"heron_{day}.npz"], f"day{day}.h5", values={"tip": "heron"})
    >>> record = sts.tip_record("day*.h5")
    >>> record.days[["tip", "day", "sweeps", "barrier_eV"]].round({"barrier_eV": 1}).values.tolist()
    [['heron', 'day1', 4, 4.0], ['heron', 'day2', 4, 4.1], ['heron', 'day3', 4, 4.0]]
    """
    settings = plan or Plan()
    paths, twice = session_files([sessions] if isinstance(sessions, (str, Path)) else sessions)
    table, jobs = _once(paths)
    tell = progress or (lambda done, total: None)
    found = share(
        tip_days, [(path, settings, days) for path, days in jobs.items()], beside=beside,
        done=lambda done: tell(done, len(jobs) + 1),
    )  # fmt: skip
    parts: list[TipDays] = []
    for path, one in zip(jobs, found, strict=True):
        if isinstance(one, Failed):
            lost = table["path"] == str(path)
            table.loc[lost, "why"], table.loc[lost, "sweeps"] = one.why, 0
        else:
            parts.append(one)
    if (table["why"] != "").all():
        raise ValueError(f"No session could be read. {table['why'].iloc[0]}")
    tips, days = record_tables(parts, settings)
    record = TipRecord(
        tips=tips, days=days, sessions=table, notes=(*twice, *_notes(table, parts)),
        plan=settings, versions=versions(),
    )  # fmt: skip
    tell(len(jobs) + 1, len(jobs) + 1)
    return record


def session_files(names: Iterable[str | Path]) -> tuple[list[Path], list[str]]:
    """The files that names and patterns stand for, each once, and a note on each that came twice.

    Parameters
    ----------
    names : iterable of path
        A name with ``*``, ``?`` or ``[`` stands for the files that fit it, unless there is a file of just that name.

    Raises
    ------
    ValueError
        If there is no name, or nothing fits a pattern.
    """
    found: dict[Path, Path] = {}
    notes = []
    for name in names:
        path = Path(name)
        fitting = [path]
        if not path.exists() and glob.has_magic(str(name)):
            fitting = [Path(one) for one in sorted(glob.glob(str(name)))]
            if not fitting:
                raise ValueError(f"No file fits {name}. Look at the folder, or name the sessions.")
        for one in fitting:
            if (there := found.setdefault(one.resolve(), one)) is not one:
                notes.append(f"{one} was given twice{'' if there == one else f' (also as {there})'}; it counts once.")
    if not found:
        raise ValueError("No session is given; name one or more session files.")
    return list(found.values()), notes


def _once(paths: Sequence[Path]) -> tuple[pd.DataFrame, dict[Path, dict[str, list[str] | None]]]:
    """One row per session, and the sweeps of each day of each that no session before it holds."""
    seen: dict[tuple[str, int], str] = {}
    rows, jobs = [], dict[Path, dict[str, list[str] | None]]()
    for path in paths:
        row: dict[str, Any] = {"session": path.name, "path": str(path), "sweeps": 0, "twice": 0, "same_as": "",
                               "without_tip": 0, "days": "", "why": ""}  # fmt: skip
        rows.append(row)
        try:
            table = identities(path)
        except (ValueError, OSError) as error:
            row["why"] = str(error)
            continue
        keys = list(zip(table["sha256"], table["place"], strict=True))
        again = pd.Series([key in seen for key in keys], dtype=bool, index=table.index)
        row["same_as"] = ", ".join(dict.fromkeys(seen[key] for key in keys if key in seen))
        seen |= {key: path.name for key in keys if key not in seen}
        own = table[~again]
        named = own[own["tip"] != ""]
        row |= {"sweeps": len(own), "twice": int(again.sum()), "without_tip": len(own) - len(named)}
        by_day = own.assign(day=own["day"].replace("", path.stem)).groupby("day", sort=True)
        days: dict[str, list[str]] = {str(day): list(rows["sweep"]) for day, rows in by_day}
        row["days"] = ", ".join(days)
        if len(named):
            whole = len(days) == 1 and not again.any()
            jobs[path] = {day: None if whole else names for day, names in days.items()}
    return pd.DataFrame(rows), jobs


def _notes(table: pd.DataFrame, parts: Sequence[TipDays]) -> list[str]:
    """What was left out, and what the height scales of the sessions mean for comparing days."""
    found = [
        f"{row['session']} could not be read: {row['why']}" for row in table[table["why"] != ""].to_dict("records")
    ]
    for row in table[table["twice"] > 0].to_dict("records"):
        what = "all its sweeps are" if not row["sweeps"] else f"{row['twice']} of its sweeps are"
        found.append(f"{row['session']}: {what} also in {row['same_as']}; they count once, there.")
    without = int(table["without_tip"].sum())
    if without:
        found.append(f"{without} sweeps have no tip and stand in no row; 'sts annotate' labels them.")
    kinds = {scale_of(scale) for part in parts for scale in part.heights.values()}
    if len(kinds) > 1:
        without_scale = [part.session for part in parts if None in part.heights.values()]
        words = f"not in {', '.join(without_scale[:3])}" if without_scale else f"{len(kinds)} different calibrations"
        found.append(SCALES_DIFFER.format(words))
    elif len(parts) > 1:
        found.append(SCALE_ALIKE.format(UNCALIBRATED if None in kinds else CALIBRATED))
    return found
