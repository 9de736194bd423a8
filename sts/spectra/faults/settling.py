"""Samples of start transients masked, the sweeps flagged, and judged anew without them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sts.curves.averaging import GROUP, comparison_groups, group_codes
from sts.flags import flag_rows, join_flags
from sts.plan import CheckPlan
from sts.quantities import with_prefix
from sts.spectra.faults.judging import judge_iv
from sts.spectra.faults.start_transient import Transient, find_start_transients
from sts.sweeps import SweepSet

NOTHING = ("dead channel", "all saturated", "too few points")  # flags of sweeps that hold nothing
Rows = list[pd.DataFrame]


def settled_and_judged(
    sets: Sequence[SweepSet], judged: Sequence[pd.DataFrame], plan: CheckPlan
) -> tuple[list[SweepSet], Rows]:
    """The sets without the samples that belong to start transients, judged anew where there are any.

    Parameters
    ----------
    sets : sequence of SweepSet
        Of kind ``"iv"``.
    judged : sequence of pandas.DataFrame
        What `judge_iv` said of each set.
    plan : CheckPlan

    Notes
    -----
    Sweeps that jump or hold nothing are neither searched nor compared with. But a transient looks like a jump where it is
    steep, or where the current flows on both sides of a gap: sweeps that jump are searched when the others have been, and
    what is found is a transient where it explains the sweep better than any step does (`Transient.gradual`), and where the
    sweep no longer jumps without its samples. Sweeps that then jump no longer, because they only differed from those, are
    searched at last. What of a transient reaches beyond the samples masked is taken off, too, before sweeps are judged
    anew, though not from what is handed back.
    """
    nothing = frozenset(name for rows in judged for name in rows.loc[rows["flag"].isin(NOTHING), "sweep"])
    jumps = _jumping(judged)
    found = find_start_transients(sets, nothing | jumps)
    if jumps:
        rivals = [one for one in _among(sets, jumps, nothing) if one.gradual]
        still = _jumping(_judged_without(sets, judged, [*found, *rivals], plan))
        found += [one for one in rivals if sets[one.number].names[one.row] not in still]
        known = {sets[one.number].names[one.row] for one in found}
        said = _judged_without(sets, judged, found, plan)
        released = jumps - _jumping(said) - known
        found += _among(sets, released, nothing | _jumping(said)) if released else []
    said = _judged_without(sets, judged, found, plan)
    parts = list(sets)
    for number, own in _by_set(found).items():
        parts[number] = _settled(sets[number], own)
        said[number] = join_flags([said[number], _flags(sets[number], own)])
    return parts, said


def _among(sets: Sequence[SweepSet], names: frozenset[str], omitted: frozenset[str]) -> list[Transient]:
    """The transients of the sweeps of these names that a comparison shows."""
    found = find_start_transients(sets, omitted, among=names)
    return [one for one in found if one.how and sets[one.number].names[one.row] in names]


def _judged_without(
    sets: Sequence[SweepSet], judged: Sequence[pd.DataFrame], found: Sequence[Transient], plan: CheckPlan
) -> list[pd.DataFrame]:
    """What the rules say of the sets without these transients; as before where there are none."""
    said = list(judged)
    for number, own in _by_set(found).items():
        said[number] = _anew(_settled(sets[number], own, calm=True), judged[number], [one.row for one in own], plan)
    return said


def _anew(part: SweepSet, judged: pd.DataFrame, changed: list[int], plan: CheckPlan) -> pd.DataFrame:
    """What the rules say of a set of which some rows changed: of those that are compared with one of them, or run back at its
    site, anew; of the others as before."""
    site = group_codes(part.table, [c for c in GROUP if c in part.table and c != "direction"])
    touched, needed = np.isin(site, site[changed]), np.zeros(len(part), bool)
    groups = comparison_groups(part)
    for members, reference in groups:
        touched[members] |= np.isin(reference, changed).any()
    for members, reference in groups:
        needed[reference] |= touched[members[0]]
    needed |= np.isin(site, site[touched])
    if needed.all() or not np.isfinite(part.current[needed]).any():
        return judge_iv(part, plan)
    anew = judge_iv(part.select(needed), plan)
    others = [name for name, of in zip(part.names, touched, strict=True) if not of]
    return join_flags([judged[judged["sweep"].isin(others)], anew[~anew["sweep"].isin(others)]])


def _jumping(judged: Sequence[pd.DataFrame]) -> frozenset[str]:
    """Names of the sweeps that jump."""
    return frozenset(name for rows in judged for name in rows.loc[rows["flag"] == "jump", "sweep"])


def _by_set(found: Sequence[Transient]) -> dict[int, list[Transient]]:
    """Transients by the number of their set, in order."""
    return {n: [one for one in found if one.number == n] for n in sorted({one.number for one in found})}


def _settled(part: SweepSet, found: Sequence[Transient], *, calm: bool = False) -> SweepSet:
    """The set without the samples of these transients; `calm`: and with what reaches beyond them taken off."""
    current, time = part.current.copy(), np.arange(part.axis.size)
    for one in found:
        row = current[one.row, :: one.end]
        if calm:
            row -= one.size_A * np.exp(-time / one.tau)
        row[: one.samples] = np.nan
    return replace(part, current=current)


def settling_samples(sweeps: SweepSet, flags: pd.DataFrame) -> NDArray[np.bool_]:
    """Which samples (m, n) were masked as a start transient: those that are missing where the flag `settling` sits.

    Parameters
    ----------
    sweeps : SweepSet
        As `settled_and_judged` leaves them.
    flags : pandas.DataFrame
        With these sweeps' flags.
    """
    rows = flags[flags["flag"] == "settling"].set_index("sweep").reindex(sweeps.names)
    first, last = (rows[name].to_numpy(float)[:, None] for name in ("first", "last"))
    found: NDArray[np.bool_] = np.isnan(sweeps.current) & (sweeps.axis >= first) & (sweeps.axis <= last)
    return found


def _flags(part: SweepSet, found: Sequence[Transient]) -> pd.DataFrame:
    """The flag of each sweep that settles, with its time, size and end, and what it was compared with."""
    points = part.axis.size
    texts, mask = [""] * len(part), np.zeros(len(part), bool)
    times, first, last = np.full((3, len(part)), np.nan)
    for one in found:
        mask[one.row] = True
        step = float(part.table["duration_s"].iloc[one.row]) / (points - 1)
        time = with_prefix(one.tau * step, "s", 2) if step > 0 else f"{one.tau:.2g} samples"
        start, end = part.axis[:: one.end][[0, one.samples - 1]]
        times[one.row], first[one.row], last[one.row] = one.times_limit, min(start, end), max(start, end)
        against = (
            one.how or "presumed: nothing else was at its first biases, and all sweeps that could be compared settle"
        )
        texts[one.row] = (
            f"{with_prefix(one.size_A * 1e12, 'pA', 2)} at {with_prefix(start * 1e3, 'mV', 4)}, relaxing with {time}; "
            f"masked to {with_prefix(end * 1e3, 'mV', 4)} "
            f"({one.samples / points:.0%} of the sweep; {'against ' if one.how else ''}{against})"
        )
    return flag_rows(part.names, mask, "settling", texts, times_limit=times, place=(first, last, np.nan))
