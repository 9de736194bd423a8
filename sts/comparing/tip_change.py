"""Whether a tip changed within an afternoon: a step of its barrier in order of measurement, and sites whose repeats run away."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd

from sts.comparing.change_evidence import FEWEST, Evidence, Slopes, scatter_of_others
from sts.comparing.sites_and_tips import BARRIER_PER_NM2, TIP
from sts.quantities import decimals_for

# ln of the Bayes factors from which a change is told, and the least change of ln slope (10 % of a barrier): together they keep
# false alarms at or below 1 % of tips (scripts/studies/tip_changes.py).
STEP, RUN, LEAST = 2.0, 2.5, 0.05
STRAIGHT = 0.9  # share of a site's scatter that a run explains
MOST = 48  # repeats of a tip that are looked at one by one; of more, neighbours are averaged
SHARE = 0.95  # of the evidence that the likely places hold
CLOCK = "in order of measurement"  # what an order says that a clock tells
KEYS = (*TIP, "day")  # a change is looked for within one day of a tip
CHANGE_COLUMNS = (
    "sample", "tip", "last_before", "first_after", "before_eV", "before_low_eV", "before_high_eV", "after_eV", "after_low_eV",
    "after_high_eV", "ratio", "ratio_low", "ratio_high", "repeats_before", "repeats_after", "earliest", "latest",
    "places_may_differ", "evidence",
)  # fmt: skip
RUN_COLUMNS = ("sample", "tip", "site", "first_sweep", "last_sweep", "repeats", "first_eV", "last_eV", "evidence")


@dataclass(frozen=True, eq=False)
class TipChanges:
    """What changed in order of measurement.

    Attributes
    ----------
    changes : pandas.DataFrame
        `CHANGE_COLUMNS`: one row per tip (and day) that changed. `last_before` and `first_after` name sweeps; it happened
        between `earliest` and `latest` with 95 %; `places_may_differ` where whole sites lie before and after it, so that
        unlike places would look the same; `evidence` is ln of the Bayes factor against no change.
    runs : pandas.DataFrame
        `RUN_COLUMNS`: one row per stay at a site whose repeats run away.
    """

    changes: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=[*CHANGE_COLUMNS]))
    runs: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=[*RUN_COLUMNS]))

    @property
    def each_change(self) -> list[dict[str, Any]]:
        """The rows of `changes`."""
        return rows_of(self.changes)

    @property
    def each_run(self) -> list[dict[str, Any]]:
        """The rows of `runs`."""
        return rows_of(self.runs)


def rows_of(table: pd.DataFrame) -> list[dict[str, Any]]:
    """The rows of a table by the names of its columns.

    Parameters
    ----------
    table : pandas.DataFrame
    """
    return [{str(name): value for name, value in row.items()} for row in table.to_dict("records")]


def find_changes(repeats: pd.DataFrame, *, confidence: float = 0.95) -> TipChanges:
    """Look for one step of the barrier of each tip, and for stays at a site whose repeats run away.

    Parameters
    ----------
    repeats : pandas.DataFrame
        One row per repeat: `sample`, `tip`, `site`, `decay_per_nm` (|d ln I/dz|), `decay_se_per_nm`, `at` (its place in order of
        measurement), `first_sweep`, `last_sweep` (names); `day` if there are several.
    confidence : float
        Level of the intervals.

    Returns
    -------
    TipChanges
        Empty tables where nothing changed or the repeats are fewer than four.

    Raises
    ------
    KeyError
        If a column is missing.

    Notes
    -----
    A step is told where the slopes are exp(2) times likelier with it than without (Bayes factor over all places and sizes, see
    `sts.comparing.change_evidence`) and the barrier changed by a tenth or more: a drift of that size is usual. How much
    a tip's sites scatter is learned from the session's other tips. A run is told where the repeats of one stay rise or fall
    one after the other, all but straight, exp(2.5) times likelier so.
    """
    tips = [_Tip.of(rows) for rows in _tips(repeats)]
    changes, runs = [], []
    for tip, prior in zip(tips, scatter_of_others([tip.evidence for tip in tips]), strict=True):
        step, run, drift = tip.evidence.against_none(prior)
        if step >= STEP and step >= max(run, drift):
            changes += tip.step(prior, step, confidence)
        elif run >= RUN and run >= drift:
            runs += tip.run(prior, run)
    return TipChanges(
        pd.DataFrame(changes, columns=_with_day(CHANGE_COLUMNS, repeats)),
        pd.DataFrame(runs, columns=_with_day(RUN_COLUMNS, repeats)),
    )


def _with_day(columns: tuple[str, ...], repeats: pd.DataFrame) -> list[str]:
    return [*columns, *(["day"] if "day" in repeats else [])]


def _tips(repeats: pd.DataFrame) -> Iterator[pd.DataFrame]:
    """The repeats of each tip and day with a slope, in order of measurement, where there are enough."""
    there = repeats[repeats["decay_per_nm"].to_numpy(float) > 0].sort_values("at", kind="stable")
    for _, rows in there.groupby([key for key in KEYS if key in there], sort=False, dropna=False):
        if len(rows) >= 2 * FEWEST:
            yield rows.reset_index(drop=True)


@dataclass(frozen=True, eq=False)
class _Tip:
    """The repeats of one tip of one day, whole or neighbours averaged (`ends`: first repeat of each, and their number)."""

    rows: pd.DataFrame
    ends: np.ndarray
    log_slope: np.ndarray
    site: np.ndarray
    weight: np.ndarray
    evidence: Evidence

    @classmethod
    def of(cls, rows: pd.DataFrame, near: int | None = None) -> _Tip:
        """Look at the repeats of a tip, at those near one of them one by one."""
        log = np.log(rows["decay_per_nm"].to_numpy(float))
        site = pd.factorize(rows["site"])[0].astype(np.int64)
        ends = _chunks(len(site), near)
        count = np.diff(ends)
        y, weight = (
            np.add.reduceat(values, ends[:-1]) / count
            for values in (
                log,
                _weights(rows["decay_se_per_nm"].to_numpy(float) / rows["decay_per_nm"].to_numpy(float)),
            )
        )
        first = site[ends[:-1]]
        mixed = np.maximum.reduceat(site, ends[:-1]) != np.minimum.reduceat(site, ends[:-1])
        first = np.where(mixed, site.max() + 1 + np.arange(len(first)), first)
        weight = weight * count.max() / count
        return cls(rows, ends, y, first, weight, _evidence(y.tobytes(), first.tobytes(), weight.tobytes()))

    def step(self, prior: np.ndarray, evidence: float, confidence: float) -> list[dict[str, Any]]:
        """The row of the change; none where it is smaller than a usual drift."""
        shares = self.evidence.places(prior)
        if len(self.ends) <= len(self.rows):  # neighbours were averaged
            near = _Tip.of(self.rows, int(self.ends[int(np.argmax(shares)) + 1]))
            if len(near.ends) > len(self.ends):  # looked at once only
                return near.step(prior, evidence, confidence)
        found = Slopes(self.log_slope, self.site, self.weight).levels(shares, prior, confidence=confidence)
        if abs(found.change[0]) < LEAST:
            return []
        place, first, last = (int(self.ends[k + 1]) for k in (int(np.argmax(shares)), *_likely(shares)))
        site = self.rows["site"].to_numpy(object)
        levels = {
            f"{when}{end}_eV": BARRIER_PER_NM2 * np.exp(2 * value)
            for when, level in (("before", found.before), ("after", found.after))
            for end, value in zip(("", "_low", "_high"), level, strict=True)
        }
        ratio = {f"ratio{end}": np.exp(2 * v) for end, v in zip(("", "_low", "_high"), found.change, strict=True)}
        names = {
            "last_before": ("last_sweep", place - 1), "first_after": ("first_sweep", place),
            "earliest": ("last_sweep", first - 1), "latest": ("first_sweep", last),
        }  # fmt: skip
        return [{
            **self._who, **levels, **ratio, **{name: self.rows[column].iloc[at] for name, (column, at) in names.items()},
            "repeats_before": place, "repeats_after": len(site) - place,
            "places_may_differ": not set(site[:place]) & set(site[place:]), "evidence": evidence,
        }]  # fmt: skip

    def run(self, prior: np.ndarray, evidence: float) -> list[dict[str, Any]]:
        """The row of the stay that runs away; none where its repeats do not rise or fall one after the other."""
        stay = int(np.argmax(np.logaddexp.reduce(prior[:, None] + self.evidence.run, axis=0)))
        first, end = self.ends[self.evidence.stays[stay]]
        own = self.rows.iloc[first:end]
        y = np.log(own["decay_per_nm"].to_numpy(float))
        fit = np.polyval(np.polyfit(np.arange(len(y)), y, 1), np.arange(len(y)))
        steady = abs(np.sign(np.diff(y)).sum()) == len(y) - 1 and fit.var() >= STRAIGHT * y.var()
        if not steady or abs(fit[-1] - fit[0]) < LEAST:
            return []
        ends = {"first": own.iloc[0], "last": own.iloc[-1]}
        barriers = {f"{end}_eV": BARRIER_PER_NM2 * row["decay_per_nm"] ** 2 for end, row in ends.items()}
        return [{
            **self._who, "site": own["site"].iloc[0], "first_sweep": own["first_sweep"].iloc[0],
            "last_sweep": own["last_sweep"].iloc[-1], "repeats": len(own), **barriers, "evidence": evidence,
        }]  # fmt: skip

    @property
    def _who(self) -> dict[str, Any]:
        return {key: self.rows[key].iloc[0] for key in KEYS if key in self.rows}


@lru_cache(maxsize=256)
def _evidence(log_slope: bytes, site: bytes, weight: bytes) -> Evidence:
    """Kept: a decision changes one tip, and all are asked for."""
    return Slopes(np.frombuffer(log_slope), np.frombuffer(site, np.int64), np.frombuffer(weight)).evidence()


def _weights(relative_se: np.ndarray) -> np.ndarray:
    """Variance of each repeat over the usual one: what is known less well weighs less, nothing weighs more."""
    known = np.isfinite(relative_se) & (relative_se > 0)
    usual = np.median(relative_se[known]) if known.any() else 1.0
    return np.where(known, np.maximum(relative_se / usual, 1.0) ** 2, 1.0)


def _chunks(n: int, near: int | None) -> np.ndarray:
    """First repeat of each of `MOST` groups of neighbours, then their number; two groups around one repeat are not averaged."""
    ends = np.linspace(0, n, min(n, MOST) + 1).astype(int)
    if near is None:
        return ends
    reach = 2 * -(-n // MOST)
    return np.unique(np.r_[ends, np.arange(max(near - reach, 0), min(near + reach, n) + 1)])


def _likely(shares: np.ndarray) -> tuple[int, int]:
    """First and last of the places that hold `SHARE` of the evidence, the likeliest taken first."""
    order = np.argsort(-shares, kind="stable")
    held = order[: int(np.searchsorted(np.cumsum(shares[order]), SHARE)) + 1]
    return int(held.min()), int(held.max())


def step_words(change: dict[str, Any]) -> str:
    """A change in a line: ``wren changed after sweep wren_iz_07 (14:32): 4.40 eV (4.25 to 4.57) before, 1.00 eV ... after``.

    Parameters
    ----------
    change : dict
        A row of `TipChanges.changes`, with `time` where it is known.
    """
    before, after = (
        _level(*(change[f"{when}{end}_eV"] for end in ("", "_low", "_high"))) for when in ("before", "after")
    )
    time = f" ({change['time']})" if change.get("time") else ""
    return f"{change['tip'] or '(no tip)'} changed after sweep {change['last_before']}{time}: {before} before, {after} after"


def more_words(change: dict[str, Any]) -> list[str]:
    """What else is to be known of a change, in sentences: where it may have been, what it may be instead, on what order it rests.

    Parameters
    ----------
    change : dict
        As in `step_words`.
    """
    said = []
    if (change["earliest"], change["latest"]) != (change["last_before"], change["first_after"]):
        said.append(f"It may have been anywhere between {change['earliest']} and {change['latest']}.")
    if change["places_may_differ"]:
        said.append("Or its places differ: none was measured both before and after. Go back to an early one to tell.")
    if change.get("order", CLOCK) != CLOCK:
        said.append(f"This is {change['order']}.")
    return said


def _level(value: float, low: float, high: float) -> str:
    digits = decimals_for(max(high - value, value - low))
    return f"{value:.{digits}f} eV ({low:.{digits}f} to {high:.{digits}f})"
