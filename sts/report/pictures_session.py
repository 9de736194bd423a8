"""Figures of a session: sweeps as measured, and when each was taken."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np

from sts.figures import plot_noise_spectrum, plot_session_timeline, plot_site_map, plot_tip_sweeps
from sts.quantities import with_prefix
from sts.report.captions import Picture
from sts.report.lookup import axis_reach
from sts.report.number_words import count, listed, minus
from sts.report.summary import Summary
from sts.spectra.noise_spectrum import noise_spectrum
from sts.sweeps import KIND_WORDS, SweepSet

MOST_TIPS = 4  # of each kind, on a sample: their sweeps are drawn


def session_pictures(summary: Summary) -> list[Picture]:
    """The sweeps of each tip as measured, noise and places where they are known, then the session in time.

    Parameters
    ----------
    summary : Summary
    """
    analysis, table = summary.analysis, summary.sweeps
    used = dict(zip(analysis.judged["sweep"], analysis.judged["used"].astype(bool), strict=True))
    pictures = [*_tip_pictures(analysis.sets, used), *_noise_pictures(analysis.sets, used), *_map_pictures(summary)]
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


def tips_with_sweeps(sets: Sequence[SweepSet], kind: str) -> list[tuple[str, str, list[tuple[SweepSet, np.ndarray]]]]:
    """Tip, sample and sweeps (set, which of it (m,)) of each that has some of a kind, those with most first.

    Parameters
    ----------
    sets : sequence of SweepSet
    kind : str
        ``"iv"`` or ``"iz"``.
    """
    groups: dict[tuple[str, str, bool], list[tuple[SweepSet, np.ndarray]]] = {}
    for one in sets:
        if one.kind == kind:
            tips, samples = one.table["tip"].astype(str).to_numpy(), one.table["sample"].astype(str).to_numpy()
            for tip, sample in dict.fromkeys(zip(tips, samples, strict=True)):
                groups.setdefault((tip, sample, one.has_current), []).append((one, (tips == tip) & (samples == sample)))
    largest = sorted(groups.items(), key=lambda entry: -sum(mask.sum() for _, mask in entry[1]))
    return [(tip, sample, parts) for (tip, sample, _), parts in largest]


def _tip_pictures(sets: Sequence[SweepSet], used: dict[str, bool]) -> list[Picture]:
    return [
        _tip_picture(parts, f"sweeps_{number}_{kind}", tip, sample, used)
        for kind in ("iv", "iz")
        for number, (tip, sample, parts) in enumerate(tips_with_sweeps(sets, kind)[:MOST_TIPS], 1)
    ]


def _tip_picture(
    parts: Sequence[tuple[SweepSet, np.ndarray]], name: str, tip: str, sample: str, used: dict[str, bool]
) -> Picture:
    names = [sweep for part, mask in parts for sweep in np.array(part.names, object)[mask]]
    out = [sweep for sweep in names if not used.get(sweep, True)]
    reach = listed(list(dict.fromkeys(minus(axis_reach(part.axis, part.kind)) for part, _ in parts))[:3])
    what = ", ".join(word for word in (KIND_WORDS[parts[0][0].kind], tip or "no tip", sample, reach) if word)
    finding = f"{what}: {len(names) - len(out)} of {count(len(names), 'sweep')} kept"
    finding += f"; left out: {listed(out[:4])}{f' and {len(out) - 4} more' if len(out) > 4 else ''}." if out else "."
    kept = frozenset(sweep for sweep in names if used.get(sweep, True))
    sets, rows = zip(*parts, strict=True)
    return Picture(
        "sweeps", name, f"Sweeps as measured: {what}", finding, partial(plot_tip_sweeps, sets, rows, used=kept)
    )


def _noise_pictures(sets: Sequence[SweepSet], used: dict[str, bool]) -> list[Picture]:
    noise = noise_spectrum(sets, used={name for name, kept in used.items() if kept})
    if noise is None:
        return []
    loudest = noise.frequency_Hz[np.argmax(noise.density)]
    size = with_prefix(noise.rms_A, "A", 2)
    words = f"Noise of the current in {count(noise.sweeps, 'I(V) sweep')}: {size} rms; most at {loudest:.3g} Hz."
    return [Picture("noise", "noise_spectrum", "Noise of the current", words, partial(plot_noise_spectrum, noise))]


def _map_pictures(summary: Summary) -> list[Picture]:
    """A map of each sample of which two places or more are known."""
    table, barrier = summary.sweeps, summary.analysis.barrier
    if not {"x_m", "y_m", "site"} <= set(table.columns):
        return []
    known = table[np.isfinite(table["x_m"].to_numpy(float)) & np.isfinite(table["y_m"].to_numpy(float))]
    pictures = []
    for number, (sample, rows) in enumerate(known.groupby("sample", sort=False), 1):
        sites = rows.groupby(["tip", "day", "site"], sort=False)[["x_m", "y_m"]].mean().reset_index()
        if len(sites[["x_m", "y_m"]].drop_duplicates()) < 2:
            continue
        if barrier is not None and len(barrier.sites):
            own = barrier.sites[barrier.sites["sample"] == sample][["tip", "day", "site", "barrier_eV"]]
            sites = sites.merge(own, on=["tip", "day", "site"], how="left")
        words = f"{count(len(sites), 'site')} of {count(sites['tip'].nunique(), 'tip')} on {sample or 'the sample'}."
        pictures.append(Picture("map", f"site_map_{number}", f"Places: {sample or 'sites'}", words,
                                partial(plot_site_map, sites), height_in=3.4))  # fmt: skip
    return pictures
