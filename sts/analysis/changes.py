"""Whether tips changed on the way: the repeats in order of measurement, and what a change means for notes, flags and tables."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from sts.barrier.retract_approach import names_by_repeat
from sts.comparing.tip_change import TipChanges, find_changes, more_words, step_words
from sts.flags import flag_rows, join_flags
from sts.provenance import Order
from sts.sweeps import SweepSet

UNTOLD = (
    "Whether a tip changed on the way was not looked for: no clock tells the order of measurement, and the names of the sweeps "
    "do not count."
)
CHANGED_PAIR = "a tip changed"  # instead of a verdict
RUNS_AWAY = "repeats run away"  # a note of a site
_COUNTS = re.compile(r"\d+|(?<![^\W\d_])[^\W\d_](?![^\W\d_])")  # numbers, and letters that stand alone
_PATTERNS = 2  # kinds of names of one tip whose numbers tell an order: of either direction
_CLOCK = re.compile(r"(?:^|[T\s])(\d{1,2}:\d{2})")  # not minutes and seconds


@dataclass(frozen=True, eq=False)
class Course:
    """The sweeps of a session in order of measurement.

    Attributes
    ----------
    order : Order
        Of all sweeps.
    sweeps : pandas.DataFrame
        `sweep`, `kind`, `sample`, `tip`, `started` of each; in any order.
    """

    order: Order
    sweeps: pd.DataFrame

    @classmethod
    def of(cls, order: Order, sets: Sequence[SweepSet]) -> Course:
        """The sweeps of sets.

        Parameters
        ----------
        order : Order
        sets : sequence of SweepSet
            All of the session.
        """
        columns = ["sweep", "sample", "tip", "day", "started"]
        parts = [part.table[[c for c in columns if c in part.table]].assign(kind=part.kind) for part in sets]
        return cls(order, pd.concat(parts, ignore_index=True))

    def after(self, change: dict[str, Any], kind: str) -> list[str]:
        """Names of the sweeps of a kind of that tip (and day) after its change.

        Parameters
        ----------
        change : dict
            A row of `TipChanges.changes`.
        kind : str
            ``"iv"`` or ``"iz"``.
        """
        return self._within(change, kind, change["first_after"], None)

    def between(self, run: dict[str, Any]) -> list[str]:
        """Names of the I(z) sweeps of a stay that runs away.

        Parameters
        ----------
        run : dict
            A row of `TipChanges.runs`.
        """
        return self._within(run, "iz", run["first_sweep"], run["last_sweep"])

    def _within(self, row: dict[str, Any], kind: str, first: str, last: str | None) -> list[str]:
        own = self.sweeps[(self.sweeps["kind"] == kind) & (self.sweeps["tip"] == row["tip"])]
        if "day" in row and "day" in own:
            own = own[own["day"] == row["day"]]
        names = set(own["sweep"])
        order = self.order.names
        end = len(order) if last is None else order.index(last) + 1
        return [name for name in order[order.index(first) : end] if name in names]

    def clock(self, sweep: str) -> str:
        """Hour and minute at which a sweep began, "" where that is not recorded.

        Parameters
        ----------
        sweep : str
        """
        if self.order.basis != "started":
            return ""
        started = self.sweeps.loc[self.sweeps["sweep"] == sweep, "started"].astype(str)
        found = _CLOCK.search(" ".join(started))
        return found.group(1) if found else ""

    @cached_property
    def told(self) -> bool:
        """Whether a clock, or names that count, tell the order of the I(z) sweeps of a tip."""
        if self.order.told:
            return True
        ramps = self.sweeps[self.sweeps["kind"] == "iz"]
        kinds = pd.Series([_COUNTS.sub("#", name) for name in ramps["sweep"]], ramps.index)
        return bool((kinds.groupby(ramps["tip"]).nunique() <= _PATTERNS).all())


def changes_of(slopes: pd.DataFrame, used: pd.DataFrame, course: Course, confidence: float) -> TipChanges:
    """Steps of tips and stays that run away; nothing is looked for where nothing tells the order.

    Parameters
    ----------
    slopes : pandas.DataFrame
        Of `slopes_by_repeat`.
    used : pandas.DataFrame
        The sweeps that these are made of, as given to it.
    course : Course
    confidence : float
        Level of the intervals.

    Returns
    -------
    TipChanges
        The changes with `time` (on the clock of the last sweep before, "" where none is recorded), `order` (what it rests on)
        and `iv_after` (I(V) sweeps of the tip after it; NaN where no clock tells).
    """
    if not course.told:
        return TipChanges()
    at = {name: i for i, name in enumerate(course.order.names)}
    names = [sorted(group, key=at.__getitem__) for group in names_by_repeat(used)]
    columns = [c for c in ("sample", "tip", "day", "site", "decay_per_nm", "decay_se_per_nm") if c in slopes]
    rows = slopes[columns].assign(
        at=[at[group[0]] for group in names],
        first_sweep=[group[0] for group in names],
        last_sweep=[group[-1] for group in names],
    )
    found = find_changes(rows, confidence=confidence)
    if found.changes.empty:
        return found
    changes = found.changes.assign(
        time=[course.clock(name) for name in found.changes["last_before"]],
        order=course.order.words,
        iv_after=[len(course.after(row, "iv")) if course.order.told else np.nan for row in found.each_change],
    )
    return TipChanges(changes, found.runs)


def change_flags(found: TipChanges, course: Course) -> pd.DataFrame:
    """Flags of the sweeps after a change, and of the repeats that run away.

    Parameters
    ----------
    found : TipChanges
        Of `changes_of`.
    course : Course
    """
    parts = []
    for row in found.each_change:
        kinds = ("iz", "iv") if course.order.told else ("iz",)  # names of different kinds are not in order
        names = [name for kind in kinds for name in course.after(row, kind)]
        text = f"{row['before_eV']:.3g} eV before and {row['after_eV']:.3g} eV after {row['last_before']}"
        parts.append(flag_rows(names, np.ones(len(names), bool), "after a change", text))
    for row in found.each_run:
        names = course.between(row)
        text = f"{row['first_eV']:.3g} to {row['last_eV']:.3g} eV in {row['repeats']} repeats, one after the other"
        parts.append(flag_rows(names, np.ones(len(names), bool), "repeats run away", text))
    return join_flags(parts)


def change_notes(found: TipChanges, course: Course) -> list[str]:
    """What changed, in sentences; or that it was not looked for.

    Parameters
    ----------
    found : TipChanges
        Of `changes_of`.
    course : Course
    """
    said = [] if course.told else [UNTOLD]
    for row in found.each_change:
        said.append(" ".join((f"{step_words(row)}.", *more_words(row), *_spectra_words(row, course))))
    for row in found.each_run:
        said.append(
            f"Repeats of tip {row['tip']} at site {row['site'] or '(no name)'} run away: {row['first_eV']:.3g} to "
            f"{row['last_eV']:.3g} eV from {row['first_sweep']} to {row['last_sweep']}. The mean of that site is of no one state "
            "of the tip: let the scanner come to rest, image again, and repeat the site."
        )
    return said


def _spectra_words(row: dict[str, Any], course: Course) -> list[str]:
    """Which I(V) sweeps of the tip came after, where it has any."""
    spectra = course.sweeps[(course.sweeps["kind"] == "iv") & (course.sweeps["tip"] == row["tip"])]
    if spectra.empty:
        return []
    if not course.order.told:
        return [f"No clock tells which I(V) sweeps of {row['tip']} came after the change."]
    n = int(row["iv_after"])
    return [f"{n} of {len(spectra)} I(V) sweeps of {row['tip']} came after the change."] if n else []


def noted(found: TipChanges, sites: pd.DataFrame, tips: pd.DataFrame, pairs: pd.DataFrame) -> None:
    """Say in the tables what a change makes of their rows: notes of sites and tips, and no verdict about pairs.

    Parameters
    ----------
    found : TipChanges
    sites, tips, pairs : pandas.DataFrame
        Of `site_level`, `tip_level`, `compare_pairs`; changed in place.
    """
    for row in found.each_change:
        own = (tips["tip"] == row["tip"]) & (tips["sample"] == row["sample"])
        _prepend(tips, own, f"the mean of two states: changed after {row['last_before']}, see barrier_steps.csv")
        either = (pairs["tip_a"] == row["tip"]) | (pairs["tip_b"] == row["tip"])
        either &= pairs["sample"] == row["sample"]
        pairs["verdict"] = pairs["verdict"].mask(either, CHANGED_PAIR)
        pairs["p_adjusted"] = pairs["p_adjusted"].mask(either)
    for row in found.each_run:
        own = (sites["tip"] == row["tip"]) & (sites["sample"] == row["sample"]) & (sites["site"] == row["site"])
        _prepend(sites, own, f"{RUNS_AWAY}: {row['first_eV']:.3g} to {row['last_eV']:.3g} eV in order of measurement")


def _prepend(table: pd.DataFrame, rows: pd.Series[bool], text: str) -> None:
    table.loc[rows, "note"] = [f"{text}; {note}".removesuffix("; ") for note in table.loc[rows, "note"].astype(str)]
