"""Figures of apparent barrier heights: tips, pairs, fits, window, local barrier, trend."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np
import pandas as pd

from sts.analysis import Analysis, BarrierAnalysis
from sts.barrier import LocalBarrier, local_barrier
from sts.barrier.fit import BarrierFit
from sts.figures import (
    plot_barrier_by_tip,
    plot_barrier_histogram,
    plot_changes,
    plot_iz_fits,
    plot_iz_tips,
    plot_local_barrier,
    plot_sweep_trend,
    plot_tip_pairs,
    plot_window_sensitivity,
)
from sts.figures.changes import ROWS as CHANGE_ROWS
from sts.figures.changes import changes_height
from sts.figures.style import rows_of
from sts.figures.tips import MOST_ROWS
from sts.report.answers import BARRIERS, DIFFER, tip_name
from sts.report.captions import Picture
from sts.report.number_words import listed, minus, value_with_uncertainty
from sts.report.state_words import STATES
from sts.report.summary import Summary

MOST_OPEN = 3  # fits of so many tips stand open, a row of the page; those of more are folded
FEWEST_OF_HISTOGRAM = 8  # sweeps
MOST_TIPS = 8  # figures of single tips beyond this are not drawn, and the page says so


def barrier_pictures(summary: Summary, barrier: BarrierAnalysis) -> list[Picture]:
    """Figures of the tips, then those of fits and sweeps.

    Parameters
    ----------
    summary : Summary
    barrier : BarrierAnalysis
        That of the analysis; has at least one tip.
    """
    return [*_tip_pictures(summary, barrier), *_fit_pictures(summary.analysis, barrier)]


def _tip_pictures(summary: Summary, barrier: BarrierAnalysis) -> list[Picture]:
    level = summary.analysis.plan.compare.confidence
    said = {a.question: a for a in summary.answers}
    first = said[BARRIERS]
    pictures = [
        Picture(
            "barrier_by_tip",
            "barrier_by_tip",
            "Apparent barrier height by tip",
            f"{first.sentence} {first.warning}".strip(),
            partial(
                plot_barrier_by_tip, barrier.sweeps, barrier.sites, barrier.tips, confidence=level, steps=barrier.steps
            ),
            height_in=0.9 + (0.34 if len(barrier.tips) <= MOST_ROWS else 0.2) * len(barrier.tips),
            lead=True,
            beside="",
        )
    ]
    if len(barrier.pairs) and np.isfinite(barrier.pairs["ratio"].to_numpy(float)).any():
        pictures.append(
            Picture(
                "tip_pairs",
                "tip_pairs",
                "Pairs of tips",
                said[DIFFER].sentence,
                partial(plot_tip_pairs, barrier.pairs, confidence=level),
                height_in=1.05 + 0.28 * len(barrier.pairs),
            )
        )
    if len(barrier.changes):
        pictures.append(
            Picture(
                "changes",
                "changes",
                "Tips before and after",
                said[STATES].sentence,
                partial(plot_changes, barrier.states, barrier.changes, confidence=level),
                rows=CHANGE_ROWS,
                share=False,
                height_in=changes_height(len(barrier.changes)),
            )
        )
    return pictures


def typical_rows(fit: BarrierFit, sample: str, tip: str, most: int = 3) -> list[int]:
    """One used sweep a site of a tip: that with the middle barrier; at most `most`.

    Parameters
    ----------
    fit : BarrierFit
    sample : str
    tip : str
    most : int
        How many at most.
    """
    table = fit.table.reset_index(drop=True)
    mine = table[(table["sample"] == sample) & (table["tip"] == tip) & table["used"].astype(bool)]
    rows = []
    for _, group in mine.groupby(["day", "site"], sort=False):
        ordered = group["barrier_eV"].sort_values(kind="stable")
        rows.append(int(ordered.index[len(ordered) // 2]))
    return rows[:most]


def middle_sweep(barrier: BarrierAnalysis, sample: str, tip: str) -> tuple[BarrierFit, int] | None:
    """Of all used sweeps of a tip that with the middle barrier: its fit and position there; None where there is none.

    Parameters
    ----------
    barrier : BarrierAnalysis
    sample : str
    tip : str
    """
    found = [
        (float(row.barrier_eV), number, place)
        for number, fit in enumerate(barrier.fits)
        for place, row in enumerate(rows_of(fit.table))
        if row.sample == sample and row.tip == tip and row.used and np.isfinite(row.barrier_eV)
    ]
    if not found:
        return None
    _, number, place = sorted(found)[len(found) // 2]
    return barrier.fits[number], place


def _fit_pictures(analysis: Analysis, barrier: BarrierAnalysis) -> list[Picture]:
    pictures = _together(barrier)
    for number, tip in enumerate(list(rows_of(barrier.tips))[:MOST_TIPS], 1):
        for fit in barrier.fits:
            rows = typical_rows(fit, tip.sample, tip.tip)
            if rows:
                name = tip_name(tip.sample, tip.tip, barrier.tips)
                picture = _fit_picture(fit, rows, f"iz_fits_{number}_{tip.tip}", name)
                pictures.append(replace(picture, folded=len(barrier.tips) > 1 or number > MOST_OPEN))
                break
    if len(barrier.window):
        pictures.append(
            Picture(
                "window",
                "window_sensitivity",
                "The barrier and the window of the fit",
                _window_words(barrier),
                partial(plot_window_sensitivity, barrier.window, _named(barrier.sweeps)),
            )
        )
    pictures += _local_picture(barrier)
    order = analysis.judged[analysis.judged["kind"] == "iz"][["sweep"]]
    order = order.merge(_named(barrier.sweeps), on="sweep", how="inner")
    words = analysis.order.words
    if len(order) > 2:
        pictures.append(
            Picture(
                "trend",
                "barrier_trend",
                f"The barrier {words}",
                _trend_words(order, words, told=analysis.order.told),
                partial(
                    plot_sweep_trend,
                    _against_median(order),
                    value="percent",
                    label="Barrier − median of the tip (%)",
                    order=words,
                ),
            )
        )
    return pictures


def _fit_picture(fit: BarrierFit, rows: list[int], name: str, tip: str) -> Picture:
    chi2 = fit.table["reduced_chi2"].to_numpy(float)[rows]
    words = [
        f"{r.sweep} {value_with_uncertainty(r.barrier_eV, r.barrier_se_eV, 'eV')}"
        for r in rows_of(fit.table.iloc[rows])
    ]
    return Picture(
        "iz_fits",
        name,
        f"I(z) with fits: {tip}",
        f"{tip}: {listed(words)}; reduced chi-squared {_range_words(chi2)}.",
        partial(plot_iz_fits, fit, rows),
        rows=(2.2, 1.0),
        height_in=3.4,
    )


def _together(barrier: BarrierAnalysis) -> list[Picture]:
    """I(z) of all tips in one figure, and the histograms of their sweeps by site."""
    parts = [
        (tip_name(tip.sample, tip.tip, barrier.tips), *found)
        for tip in list(rows_of(barrier.tips))[:MOST_TIPS]
        if (found := middle_sweep(barrier, tip.sample, tip.tip))
    ]
    pictures = []
    if len(parts) > 1:
        words = [f"{name} {fit.table.iloc[row].barrier_eV:.2f} eV" for name, fit, row in parts]
        pictures.append(
            Picture(
                "iz_tips",
                "iz_tips",
                "I(z) of all tips together",
                f"One sweep of each tip, from its near end: {listed(words)}.",
                partial(plot_iz_tips, parts),
                height_in=3.0,
            )
        )
    named = _named(barrier.sweeps)
    used = named[named["used"].astype(bool) & np.isfinite(named["barrier_eV"])]
    shown = list(dict.fromkeys(zip(used["sample"], used["tip"], strict=True)))[:MOST_TIPS]
    if len(used) >= FEWEST_OF_HISTOGRAM and shown:
        mine = used[[pair in shown for pair in zip(used["sample"], used["tip"], strict=True)]]
        spread = [
            f"{tip_name(str(sample), str(tip), barrier.tips)} {100 * rows['barrier_eV'].std() / rows['barrier_eV'].mean():.1f} %"
            for (sample, tip), rows in mine.groupby(["sample", "tip"], sort=False)
            if len(rows) > 1
        ]
        pictures.append(
            Picture(
                "histogram",
                "barrier_histogram",
                "Barriers of the sweeps by site",
                f"Standard deviation of the sweeps: {listed(spread)}." if spread else "One sweep of each tip.",
                partial(plot_barrier_histogram, mine),
                rows=(1.0,) * len(shown),
                share=False,
                height_in=0.5 + 1.25 * len(shown),
            )
        )
    return pictures


def _range_words(values: np.ndarray) -> str:
    low, high = f"{np.nanmin(values):.2g}", f"{np.nanmax(values):.2g}"
    return low if low == high else f"{low} to {high}"


def _local_picture(barrier: BarrierAnalysis) -> list[Picture]:
    """One panel per tip, whichever set its sweeps are in; a set is computed only where a sweep of it is drawn."""
    chosen = [
        (found[0], str(found[0].table["sweep"].iloc[found[1]]))
        for tip in list(rows_of(barrier.tips))[:MOST_TIPS]
        if (found := middle_sweep(barrier, tip.sample, tip.tip))
    ]
    if not chosen:
        return []
    local = {id(fit): local_barrier(fit) for fit, _ in {id(fit): (fit, name) for fit, name in chosen}.values()}
    parts = [(local[id(fit)], name) for fit, name in chosen]
    return [
        Picture(
            "local_barrier",
            "local_barrier",
            "Local barrier against height",
            f"Local apparent barrier height φ(z): {listed([_local_words(*part) for part in parts])}.",
            partial(plot_local_barrier, parts),
            rows=(1.0,) * len(parts),
            share=False,
            height_in=0.5 + 1.1 * len(parts),
        )
    ]


def _local_words(local: LocalBarrier, name: str) -> str:
    """Where the bands are narrower than a fifth: from which to which barrier the sweep goes."""
    row = local.sweeps.index(name)
    good = local.high_eV[row] - local.low_eV[row] < 0.2 * local.barrier_eV[row]
    seen = local.barrier_eV[row][good]
    if not seen.size:
        return f"{name} nowhere within 10 %"
    return f"{name} {seen.min():.2f} to {seen.max():.2f} eV up to {(local.height[good].max() - local.height[0]) * 1e9:.2f} nm"


def _window_words(barrier: BarrierAnalysis) -> str:
    named = _named(barrier.sweeps)
    used = named.loc[named["used"].astype(bool), ["sweep", "sample", "tip"]]
    table = barrier.window.merge(used, on="sweep", how="inner")
    parts = []
    for tip, rows in table.groupby(_whose(table), sort=False):
        medians = rows.groupby("lower_cut_nm")["barrier_eV"].median().to_numpy(float)
        medians = medians[np.isfinite(medians)]
        if medians.size > 1:
            parts.append(f"{tip or 'tip'} {abs(medians[-1] / medians[0] - 1) * 100:.1f} %")
    if not parts:
        return "How the barrier moves with the lower cut of the fit window."
    return f"Cutting away the near part moves the median barrier by {listed(parts[:8])}."


def _named(sweeps: pd.DataFrame) -> pd.DataFrame:
    """The sweeps that have a tip."""
    rows: pd.DataFrame = sweeps[sweeps["unassigned"] == ""]
    return rows


def _whose(sweeps: pd.DataFrame) -> list[str]:
    """Name of the tip of each sweep, with the sample where there are several: on another sample it is another series."""
    return [tip_name(str(s), str(t), sweeps) if t else "" for s, t in zip(sweeps["sample"], sweeps["tip"], strict=True)]


def _against_median(order: pd.DataFrame) -> pd.DataFrame:
    """Barriers as deviation from the median of the used sweeps of their tip: a drift shows beside any barrier."""
    order = order.assign(tip=_whose(order))
    used = order[order["used"].astype(bool)]
    middle = order["tip"].map(used.groupby("tip")["barrier_eV"].median())
    named = [f"{tip or 'all'}, {m:.2f} eV" for tip, m in zip(order["tip"], middle, strict=True)]
    return order.assign(percent=100 * (order["barrier_eV"] / middle - 1), tip=named)


def _trend_words(order: pd.DataFrame, words: str, *, told: bool) -> str:
    """How far barriers moved from the first to the second half; nothing of it where only names tell an order."""
    if not told:
        return f"The barrier of each sweep {words}: no clock tells their order, so nothing is said of a trend."
    used = order[order["used"].astype(bool) & np.isfinite(order["barrier_eV"])]
    parts = []
    for tip, rows in used.groupby(_whose(used), sort=False):
        y = rows["barrier_eV"].to_numpy(float)
        if len(y) > 3:
            half = len(y) // 2
            change = 100 * (np.median(y[half:]) / np.median(y[:half]) - 1)
            parts.append(f"{tip or 'tip'} {minus(f'{change:+.1f}')} %")
    if not parts:
        return f"The barrier of each sweep {words}."
    return f"From the first to the second half of each tip's sweeps the median barrier moved by {listed(parts[:8])}."
