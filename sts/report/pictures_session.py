"""Figures of a session: sweeps as measured, and when each was taken."""

from __future__ import annotations

from functools import partial

import numpy as np

from sts.figures import plot_session_timeline, plot_sweeps
from sts.report.captions import Picture
from sts.report.lookup import axis_reach
from sts.report.number_words import count, listed, minus
from sts.report.summary import Summary
from sts.spectra.spectrum import told_apart
from sts.sweeps import KIND_WORDS, SweepSet

MOST_SETS = 3  # of each kind


def session_pictures(summary: Summary) -> list[Picture]:
    """The largest sets of each kind as measured, then the session in time.

    Parameters
    ----------
    summary : Summary
    """
    analysis, table = summary.analysis, summary.sweeps
    used = dict(zip(analysis.judged["sweep"], analysis.judged["used"].astype(bool), strict=True))
    pictures = []
    for kind in ("iv", "iz"):
        numbered = [(i, s) for i, s in enumerate(analysis.sets, 1) if s.kind == kind]
        largest = sorted(numbered, key=lambda entry: -len(entry[1]))[:MOST_SETS]
        shown = sorted(largest, key=lambda entry: entry[0])
        names = told_apart([(s.axis, _what(s)) for _, s in shown], reach=False)
        pictures += [_sweeps_picture(s, i, what, used) for (i, s), what in zip(shown, names, strict=True)]
    if len(table) and "started" in table:
        lanes = len(table[["tip", "kind"]].drop_duplicates())
        out = int((~table["used"].astype(bool)).sum())
        if lanes <= 25:
            pictures.append(
                Picture(
                    "timeline",
                    "session_timeline",
                    "The session in time" if analysis.order.told else f"The session, {analysis.order.words}",
                    f"{count(len(table), 'sweep')} in {count(lanes, 'row')} of tip and kind; {out} left out.",
                    partial(plot_session_timeline, table, order=analysis.order.words),
                    height_in=0.9 + 0.22 * lanes,
                )
            )
    return pictures


def _what(sweeps: SweepSet) -> str:
    """Kind, samples and range; heights from the end near the surface."""
    kind = KIND_WORDS[sweeps.kind]
    samples = listed(list(dict.fromkeys(str(v) for v in sweeps.table["sample"] if v))[:3])
    reach = minus(axis_reach(sweeps.axis, sweeps.kind))
    return ", ".join(part for part in (kind, samples, reach) if part)


def _sweeps_picture(sweeps: SweepSet, number: int, what: str, used: dict[str, bool]) -> Picture:
    mask = np.array([used.get(name, True) for name in sweeps.names], bool)
    out = [name for name in sweeps.names if not used.get(name, True)]
    finding = f"{what}: {mask.sum()} of {count(len(sweeps), 'sweep')} kept"
    finding += f"; left out: {listed(out[:4])}{f' and {len(out) - 4} more' if len(out) > 4 else ''}." if out else "."
    return Picture(
        "sweeps",
        f"sweeps_{number}_{sweeps.kind}",
        f"Sweeps as measured: {what}",
        finding,
        partial(plot_sweeps, sweeps, used=mask),
    )
