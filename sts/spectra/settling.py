"""Samples of start transients masked, the sweeps flagged, and judged anew without them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sts.curves.replicates import direction_signs
from sts.flags import flag_rows, join_flags
from sts.plan import CheckPlan
from sts.spectra.judging import judge_iv
from sts.spectra.start_transient import Transient, find_start_transients
from sts.sweeps import SweepSet

NOTHING = ("dead channel", "all saturated", "too few points")  # flags of sweeps that hold nothing
EARLY = 1 / 3  # share of a sweep in which a jump may be the transient itself


def settled_and_judged(
    sets: Sequence[SweepSet], judged: Sequence[pd.DataFrame], plan: CheckPlan
) -> tuple[list[SweepSet], list[pd.DataFrame]]:
    """The sets without the samples that belong to start transients, judged anew where there are any.

    Parameters
    ----------
    sets : sequence of SweepSet
        Of kind ``"iv"``.
    judged : sequence of pandas.DataFrame
        What `judge_iv` said of each set; sweeps that jump or hold nothing are neither searched nor compared with, but a
        jump soon after the start may be the transient: such sweeps are searched when the others have been.
    plan : CheckPlan
    """
    nothing = {name for rows in judged for name in rows.loc[rows["flag"].isin(NOTHING), "sweep"]}
    jumps = {name for rows in judged for name in rows.loc[rows["flag"] == "jump", "sweep"]}
    early = {name for part, rows in zip(sets, judged, strict=True) for name in _early(part, rows)} - nothing
    found = find_start_transients(sets, frozenset(nothing | jumps))
    if early:
        again = find_start_transients(sets, frozenset(nothing | (jumps - early)), among=early)
        found += [one for one in again if one.how and sets[one.number].names[one.row] in early]
    parts, said = list(sets), list(judged)
    for number in sorted({one.number for one in found}):
        own = [one for one in found if one.number == number]
        current = parts[number].current.copy()
        for one in own:
            current[one.row, :: one.end][: one.samples] = np.nan
        parts[number] = replace(parts[number], current=current)
        said[number] = join_flags([judge_iv(parts[number], plan), _flags(parts[number], own)])
    return parts, said


def _early(part: SweepSet, judged: pd.DataFrame) -> list[str]:
    """Names of the sweeps that jump soon after their start, or near either end where the direction is unknown."""
    rows = judged[judged["flag"] == "jump"]
    share = (rows["first"].to_numpy(float) - part.axis[0]) / (part.axis[-1] - part.axis[0])
    signs = direction_signs(part.table, part.kind)[[part.names.index(name) for name in rows["sweep"]]]
    since = np.where(signs == 0, np.minimum(share, 1 - share), np.where(signs > 0, share, 1 - share))
    return list(rows["sweep"][since <= EARLY])


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
        time = f"{one.tau * step:.2g} s" if step > 0 else f"{one.tau:.2g} samples"
        start, end = part.axis[:: one.end][[0, one.samples - 1]]
        times[one.row], first[one.row], last[one.row] = one.times_limit, min(start, end), max(start, end)
        against = (
            one.how or "presumed: nothing else was at its first biases, and all sweeps that could be compared settle"
        )
        texts[one.row] = (
            f"{one.size_A * 1e12:.2g} pA at {start * 1e3:.4g} mV, relaxing with {time}; masked to {end * 1e3:.4g} mV "
            f"({one.samples / points:.0%} of the sweep; {'against ' if one.how else ''}{against})"
        )
    return flag_rows(part.names, mask, "settling", texts, times_limit=times, place=(first, last, np.nan))
