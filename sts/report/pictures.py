"""Which figures an analysis has, and what each says in words: title, finding, how to read it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from sts.analysis import Analysis, BarrierAnalysis
from sts.barrier import LocalBarrier, local_barrier
from sts.barrier.fit import BarrierFit
from sts.figures import (
    plot_barrier_by_tip,
    plot_direction_difference,
    plot_iz_fits,
    plot_local_barrier,
    plot_model_fit,
    plot_normalised,
    plot_session_timeline,
    plot_setpoint_series,
    plot_smoothing_criterion,
    plot_spectrum,
    plot_sweep_trend,
    plot_sweeps,
    plot_tip_pairs,
    plot_window_sensitivity,
)
from sts.figures.style import rows_of
from sts.report.answers import TWICE, answers, gap_words, gaps_words, model_words, resolution_words, tip_name
from sts.report.captions import READING, Reading
from sts.report.lookup import all_sweeps
from sts.report.number_words import count, listed, minus, value_with_uncertainty
from sts.spectra import setpoint_trends
from sts.spectra.models import MODELS, Model
from sts.spectra.spectrum import Spectrum
from sts.sweeps import SweepSet

MOST_TIPS = 8  # figures of single tips and spectra beyond this are not drawn, and the page says so
MOST_SPECTRA = 8
MOST_SETS = 3  # of each kind


@dataclass(frozen=True, eq=False)
class Picture:
    """One figure of the report."""

    name: str  # of its files
    section: str  # "session", "barrier", "tips", "spectra"
    title: str
    finding: str  # one sentence: the alternative text
    reading: Reading
    draw: Callable[[list[Axes]], object]
    width: str = ""  # the plan's, if empty
    height_in: float = 2.6
    rows: tuple[float, ...] = (1.0,)
    share: bool = True


def gallery(analysis: Analysis) -> list[Picture]:
    """Every figure these results have, in the order of the page."""
    pictures: list[Picture] = []
    if analysis.barrier is not None and len(analysis.barrier.tips):
        pictures += _tip_pictures(analysis, analysis.barrier)
        pictures += _barrier_pictures(analysis, analysis.barrier)
    if analysis.spectra is not None:
        pictures += _spectra_pictures(analysis)
    return [*pictures, *_session_pictures(analysis)]


def _tip_pictures(analysis: Analysis, barrier: BarrierAnalysis) -> list[Picture]:
    level = analysis.plan.compare.confidence
    said = {a.question: a for a in answers(analysis)}
    first = said["What are the barriers?"]
    pictures = [
        Picture(
            "barrier_by_tip",
            "tips",
            "Apparent barrier height by tip",
            f"{first.sentence} {first.warning}".strip(),
            READING["barrier_by_tip"],
            lambda axes: plot_barrier_by_tip(barrier.sweeps, barrier.sites, barrier.tips, confidence=level, ax=axes[0]),
            width="double",
            height_in=0.9 + 0.42 * len(barrier.tips),
        )
    ]
    if len(barrier.pairs) and np.isfinite(barrier.pairs["ratio"].to_numpy(float)).any():
        pictures.append(
            Picture(
                "tip_pairs",
                "tips",
                "Pairs of tips",
                said["Do the tips differ?"].sentence,
                READING["tip_pairs"],
                lambda axes: plot_tip_pairs(barrier.pairs, confidence=level, ax=axes[0]),
                width="double",
                height_in=0.95 + 0.25 * len(barrier.pairs),
            )
        )
    return pictures


def typical_rows(fit: BarrierFit, sample: str, tip: str, most: int = 3) -> list[int]:
    """One used sweep a site of a tip: that with the middle barrier; at most `most`."""
    table = fit.table.reset_index(drop=True)
    mine = table[(table["sample"] == sample) & (table["tip"] == tip) & table["used"].astype(bool)]
    rows = []
    for _, group in mine.groupby("site", sort=False):
        ordered = group["barrier_eV"].sort_values(kind="stable")
        rows.append(int(ordered.index[len(ordered) // 2]))
    return rows[:most]


def _barrier_pictures(analysis: Analysis, barrier: BarrierAnalysis) -> list[Picture]:
    pictures = []
    for number, tip in enumerate(list(rows_of(barrier.tips))[:MOST_TIPS], 1):
        for fit in barrier.fits:
            rows = typical_rows(fit, tip.sample, tip.tip)
            if rows:
                name = tip_name(tip.sample, tip.tip, barrier.tips)
                pictures.append(_fit_picture(fit, rows, f"iz_fits_{number}_{tip.tip}", name))
                break
    if len(barrier.window):
        pictures.append(
            Picture(
                "window_sensitivity",
                "barrier",
                "The barrier and the window of the fit",
                _window_words(barrier),
                READING["window"],
                lambda axes: plot_window_sensitivity(barrier.window, _named(barrier.sweeps), ax=axes[0]),
            )
        )
    pictures += _local_picture(barrier)
    order = analysis.judged[analysis.judged["kind"] == "iz"][["sweep"]]
    order = order.merge(_named(barrier.sweeps), on="sweep", how="inner")
    words = analysis.order.words
    if len(order) > 2:
        pictures.append(
            Picture(
                "barrier_trend",
                "barrier",
                f"The barrier {words}",
                _trend_words(order, words, told=analysis.order.told),
                READING["trend"],
                lambda axes: plot_sweep_trend(
                    _against_median(order),
                    value="percent",
                    label="Barrier − median of the tip (%)",
                    order=words,
                    ax=axes[0],
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
        name,
        "barrier",
        f"I(z) with fits: {tip}",
        f"{tip}: {listed(words)}; reduced chi-squared {_range_words(chi2)}.",
        READING["iz_fits"],
        lambda axes: plot_iz_fits(fit, rows, axes=axes),
        rows=(2.2, 1.0),
        height_in=3.4,
    )


def _range_words(values: np.ndarray) -> str:
    low, high = f"{np.nanmin(values):.2g}", f"{np.nanmax(values):.2g}"
    return low if low == high else f"{low} to {high}"


def _local_picture(barrier: BarrierAnalysis) -> list[Picture]:
    """One panel a tip, whichever set its sweeps are in; a set is computed only where a sweep of it is drawn."""
    chosen: list[tuple[BarrierFit, str]] = []
    for tip in list(rows_of(barrier.tips))[:MOST_TIPS]:
        for fit in barrier.fits:
            if rows := typical_rows(fit, tip.sample, tip.tip, 1):
                chosen.append((fit, str(fit.table["sweep"].iloc[rows[0]])))
                break
    if not chosen:
        return []
    local = {id(fit): local_barrier(fit) for fit, _ in {id(fit): (fit, name) for fit, name in chosen}.values()}
    parts = [(local[id(fit)], name) for fit, name in chosen]
    return [
        Picture(
            "local_barrier",
            "barrier",
            "Local barrier against height",
            f"Local apparent barrier height φ(z): {listed([_local_words(*part) for part in parts])}.",
            READING["local_barrier"],
            lambda axes: plot_local_barrier(parts, axes=axes),
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
    return f"{name} {seen.min():.2f} to {seen.max():.2f} eV up to {local.height[good].max() * 1e9:.2f} nm"


def _window_words(barrier: BarrierAnalysis) -> str:
    named = _named(barrier.sweeps)
    used = named.loc[named["used"].astype(bool), ["sweep", "tip"]]
    table = barrier.window.merge(used, on="sweep", how="inner")
    parts = []
    for tip, rows in table.groupby(table["tip"].astype(str), sort=False):
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


def _against_median(order: pd.DataFrame) -> pd.DataFrame:
    """Barriers as deviation from the median of the used sweeps of their tip: a drift shows beside any barrier."""
    used = order[order["used"].astype(bool)]
    middle = order["tip"].map(used.groupby("tip")["barrier_eV"].median())
    named = [f"{tip or 'all'}, {m:.2f} eV" for tip, m in zip(order["tip"], middle, strict=True)]
    return order.assign(percent=100 * (order["barrier_eV"] / middle - 1), tip=named)


def _trend_words(order: pd.DataFrame, words: str, *, told: bool) -> str:
    """How far barriers moved from the first to the second half; nothing of it where only names tell an order."""
    if not told:
        return f"The barrier of each sweep {words}: no start times are recorded, so nothing is said of a trend."
    used = order[order["used"].astype(bool) & np.isfinite(order["barrier_eV"])]
    parts = []
    for tip, rows in used.groupby(used["tip"].astype(str), sort=False):
        y = rows["barrier_eV"].to_numpy(float)
        if len(y) > 3:
            half = len(y) // 2
            change = 100 * (np.median(y[half:]) / np.median(y[:half]) - 1)
            parts.append(f"{tip or 'tip'} {minus(f'{change:+.1f}')} %")
    if not parts:
        return f"The barrier of each sweep {words}."
    return f"From the first to the second half of each tip's sweeps the median barrier moved by {listed(parts[:8])}."


def _spectra_pictures(analysis: Analysis) -> list[Picture]:
    assert analysis.spectra is not None
    spectra = analysis.spectra.spectra
    level = analysis.plan.compare.confidence
    pictures: list[Picture] = []
    by_sample: dict[str, list[Spectrum]] = {}
    for one in spectra:
        by_sample.setdefault(str(one.keys.get("sample", "")), []).append(one)
    fullest = [max(group, key=lambda s: len(s.sweeps)) for group in by_sample.values()]
    for number, one in enumerate(spectra[:MOST_SPECTRA], 1):
        # All figures of the group with most sweeps of each sample; the conductance of the others.
        whole = _spectrum_pictures(one, number, level)
        pictures += whole if any(one is main for main in fullest) else whole[:1]
    for number, (sample, group) in enumerate(by_sample.items(), 1):
        series = [s for s in group if np.isfinite(s.normalised).any()]
        if 2 <= len(series) <= MOST_SPECTRA:
            pictures.append(
                Picture(
                    f"setpoint_series_{number}",
                    "spectra",
                    f"Spectra of {sample or 'the sample'} together",
                    _series_words(series),
                    READING["setpoints"],
                    partial(_draw_series, series, level),
                    rows=(2.0, 1.0),
                    share=False,
                    height_in=4.0,
                )
            )
    return pictures


def _series_words(series: list[Spectrum]) -> str:
    words = "; ".join(f"{s.label}: {gaps_words([s])}" for s in series)
    trends = setpoint_trends(series)
    for row in rows_of(trends):
        change = value_with_uncertainty(row.gap_change_meV_per_decade, 2 * row.gap_change_se_meV_per_decade, "meV")
        whose = f" of {row.tip}" if row.tip and trends["tip"].nunique() > 1 else ""
        words += f"; by {row.gap_method} the gap{whose} changes by {change} a decade of current: {'a' if row.trend else 'no'} trend"
    return f"{words}{TWICE}." if "±" in words else f"{words}."


def _draw_series(series: list[Spectrum], level: float, axes: list[Axes]) -> list[Axes]:
    return plot_setpoint_series(series, confidence=level, axes=axes)


def _spectrum_pictures(one: Spectrum, number: int, level: float) -> list[Picture]:
    label, n = one.label, count(len(one.sweeps), "sweep")
    pictures = [
        Picture(
            f"didv_{number}",
            "spectra",
            f"dI/dV: {label}",
            f"{label}, mean of {n}: {gap_words(one)}; energy {resolution_words([one])}.",
            READING["didv"],
            lambda axes: plot_spectrum(one, confidence=level, ax=axes[0]),
            height_in=3.0,
        )
    ]
    if np.isfinite(one.normalised).any():
        trusted = np.abs(one.bias[one.trusted])
        reach = f"trusted beyond ±{trusted.min() * 1e3:.3g} mV" if trusted.size else "nowhere trusted"
        pictures.append(
            Picture(
                f"normalised_{number}",
                "spectra",
                f"(dI/dV)/(I/V): {label}",
                f"{label}, {n}: {gap_words(one)}; {reach}.",
                READING["normalised"],
                lambda axes: plot_normalised(one, confidence=level, ax=axes[0]),
                height_in=3.0,
            )
        )
    pictures += [_model_picture(one, model, number) for model in MODELS if model.key in one.fits]
    if one.half_difference is not None:
        pictures.append(
            Picture(
                f"directions_{number}",
                "spectra",
                f"Upward and downward sweeps: {label}",
                f"{label}: {_direction_words(one)}.",
                READING["directions"],
                lambda axes: plot_direction_difference(one, ax=axes[0]),
            )
        )
    if one.criterion is not None and len(one.criterion):
        chosen = one.criterion.loc[one.criterion["chosen"].astype(bool), "width_V"].to_numpy(float)
        found = f"{chosen[0] * 1e3:.3g} meV was chosen" if chosen.size else "no width was chosen"
        if chosen.size and chosen[0] >= one.criterion["width_V"].max():
            found += ", the widest tried (a curve without structure asks for no finer one),"
        pictures.append(
            Picture(
                f"smoothing_{number}",
                "spectra",
                f"Strength of smoothing: {label}",
                f"{label}: {found} from {n}.",
                READING["smoothing"],
                lambda axes: plot_smoothing_criterion(one, ax=axes[0]),
            )
        )
    return pictures


def _model_picture(one: Spectrum, model: Model, number: int) -> Picture:
    return Picture(
        f"{model.key}_{number}",
        "spectra",
        f"{model.title}: {one.label}",
        f"{one.label}: {model_words(model, one.fits[model.key])}.",
        READING["model"],
        lambda axes: plot_model_fit(one, model, axes=axes),
        rows=(2.5, 1.0),
        height_in=3.6,
    )


def _direction_words(one: Spectrum) -> str:
    parts = []
    for key, word, unit in (
        ("displacement_fF", "displacement capacitance", "fF"),
        ("lag_ms", "lag", "ms"),
        ("drift_per_s", "drift of ln I", "per s"),
    ):
        value, se = one.directions.get(key, np.nan), one.directions.get(f"{key}_se", np.nan)
        if np.isfinite(value):
            parts.append(
                f"{word} {value_with_uncertainty(value, se, unit) if np.isfinite(se) else f'{value:.3g} {unit}'}"
            )
    return listed(parts) or "the sizes of its causes need the duration of the sweeps, which is not recorded"


def _session_pictures(analysis: Analysis) -> list[Picture]:
    used = dict(zip(analysis.judged["sweep"], analysis.judged["used"].astype(bool), strict=True))
    pictures = []
    for kind in ("iv", "iz"):
        numbered = [(i, s) for i, s in enumerate(analysis.sets, 1) if s.kind == kind]
        largest = sorted(numbered, key=lambda entry: -len(entry[1]))[:MOST_SETS]
        pictures += [_sweeps_picture(s, i, used) for i, s in sorted(largest, key=lambda entry: entry[0])]
    table = all_sweeps(analysis)
    if len(table) and "started" in table:
        lanes = len(table[["tip", "kind"]].drop_duplicates())
        out = int((~table["used"].astype(bool)).sum())
        if lanes <= 25:
            pictures.append(
                Picture(
                    "session_timeline",
                    "session",
                    "The session in time",
                    f"{count(len(table), 'sweep')} in {count(lanes, 'row')} of tip and kind; {out} left out.",
                    READING["timeline"],
                    lambda axes: plot_session_timeline(table, order=analysis.order.words, ax=axes[0]),
                    height_in=0.9 + 0.22 * lanes,
                )
            )
    return pictures


def _sweeps_picture(sweeps: SweepSet, number: int, used: dict[str, bool]) -> Picture:
    mask = np.array([used.get(name, True) for name in sweeps.names], bool)
    kind = "I(V)" if sweeps.kind == "iv" else "I(z)"
    samples = listed(list(dict.fromkeys(str(v) for v in sweeps.table["sample"] if v))[:3])
    scale, unit = (1e9, "nm") if sweeps.kind == "iz" else (1.0, "V")
    reach = minus(f"{sweeps.axis[0] * scale:.3g} to {sweeps.axis[-1] * scale:.3g} {unit}")
    what = ", ".join(part for part in (kind, samples, reach) if part)
    out = [name for name in sweeps.names if not used.get(name, True)]
    finding = f"{what}: {mask.sum()} of {count(len(sweeps), 'sweep')} kept"
    finding += f"; left out: {listed(out[:4])}{f' and {len(out) - 4} more' if len(out) > 4 else ''}." if out else "."
    return Picture(
        f"sweeps_{number}_{sweeps.kind}",
        "session",
        f"Sweeps as measured: {what}",
        finding,
        READING["sweeps"],
        lambda axes: plot_sweeps(sweeps, used=mask, ax=axes[0]),
    )
