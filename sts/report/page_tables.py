"""Tables of the page as cells of text: heading, column, and the decimals or the uncertainty that sets them."""

from __future__ import annotations

import math
import re
from typing import Any

import numpy as np
import pandas as pd

from sts.analysis import Analysis
from sts.figures.style import rows_of
from sts.quantities import decimals_for, scale_for
from sts.report.answers import tip_name
from sts.report.intervals import components_with_intervals, spectra_with_uncertainties
from sts.report.number_words import count
from sts.report.state_words import ON_PAGE
from sts.report.step_words import tips_of_one_state
from sts.report.summary import Summary
from sts.spectra.models import MODELS, Model
from sts.sweeps import KIND_WORDS

MOST_ROWS = 1500  # sweeps listed on the page; flagged ones come first, all stand in the CSV
MOST_LISTED = 400  # rows of any other table of the page: the whole of it lies beside the page
NOISE_SWEEPS = 6  # so many of unlike noise have an interval
VERDICT_HEADS = ("Tip", "Verdict", "φ (eV)", "Sites; sweeps used, left out", "Jumps", "Noise (pA)",
                 "Scatter between, within sites (%)", "Drift (pm/s)", "Directions agree")  # fmt: skip

_TIP_COLUMNS = (
    ("Sample", "sample", None),
    ("Tip", "tip", None),
    ("Sites", "sites", 0),
    ("Sweeps", "sweeps", 0),
    ("φ (eV)", "barrier_eV", "barrier_se_eV"),
    ("u without the height scale (eV)", "barrier_se_eV", "barrier_se_eV"),
    ("from (eV)", "barrier_low_eV", "barrier_se_eV"),
    ("to (eV)", "barrier_high_eV", "barrier_se_eV"),
    ("Between sites (eV)", "between_site_sd_eV", "barrier_se_eV"),
    ("u of calibration (eV)", "calibration_se_eV", "barrier_se_eV"),
    ("u in total (eV)", "total_se_eV", "barrier_se_eV"),
    ("in total from (eV)", "total_low_eV", "barrier_se_eV"),
    ("to (eV)", "total_high_eV", "barrier_se_eV"),
)
_UNASSIGNED_COLUMNS = (
    ("Series (# is a number)", "unassigned", None), ("Sample", "sample", None), ("Sweeps", "sweeps", 0), ("Used", "used", 0),
    ("Median φ (eV)", "median_eV", 2), ("lowest (eV)", "lowest_eV", 2), ("highest (eV)", "highest_eV", 2),
)  # fmt: skip
_SITE_COLUMNS = tuple(
    c if c[1] != "sites" else ("Site", "site", None)
    for c in _TIP_COLUMNS
    if c[1] not in ("between_site_sd_eV", "total_low_eV", "total_high_eV")
)
_STATE_COLUMNS = (*_TIP_COLUMNS[:2], ("State", "state", None), *_TIP_COLUMNS[2:8])
_PAIR_COLUMNS = (
    ("Tip", "tip_a", None),
    ("against", "tip_b", None),
    ("Ratio", "ratio", 3),
    ("from", "ratio_low", 3),
    ("to", "ratio_high", 3),
    ("Difference (eV)", "difference_eV", 2),
    ("from (eV)", "difference_low_eV", 2),
    ("to (eV)", "difference_high_eV", 2),
    ("p, adjusted", "p_adjusted", "p"),
    ("Verdict", "verdict", None),
)
_SPECTRA_COLUMNS = (
    ("Used", "sweeps_used", 0),
    ("Left out", "sweeps_omitted", 0),
    ("Gap (meV)", "gap_meV", "gap_se_meV"),
    ("u (meV)", "gap_se_meV", "gap_se_meV"),
    ("Gap by", "gap_method", None),
    ("T (K)", "temperature_K", 1),
    ("Thermal (meV)", "thermal_meV", 1),
    ("Modulation (meV)", "modulation_meV", 1),
    ("Smoothing (meV)", "smoothing_meV", 1),
    ("Resolution (meV)", "resolution_meV", 1),
    ("dI/dV from", "didv_from", None),
    ("Flags", "flags", None),
)
_LOCKIN_COLUMNS = (
    ("Spectrum", "label", None),
    ("Lock-in / numerical dI/dV", "lockin_gain", "lockin_gain_se"),
    ("from", "lockin_gain_low", "lockin_gain_se"),
    ("to", "lockin_gain_high", "lockin_gain_se"),
    ("∫lock-in dV / ΔI", "lockin_integral", "lockin_integral_se"),
    ("from", "lockin_integral_low", "lockin_integral_se"),
    ("to", "lockin_integral_high", "lockin_integral_se"),
    ("Sweeps", "lockin_sweeps", 0),
    ("Verdict", "lockin", None),
)
_ZERO_COLUMNS = (
    ("Spectrum", "label", None),
    ("Zero of bias (mV)", "bias_offset_mV", "bias_offset_se_mV"),
    ("u (mV)", "bias_offset_se_mV", "bias_offset_se_mV"),
    ("Zero of current (pA)", "current_offset_pA", "current_offset_se_pA"),
    ("u (pA)", "current_offset_se_pA", "current_offset_se_pA"),
    ("Zeros from", "zeros_from", None),
    ("Displacement (fF)", "displacement_fF", "displacement_se_fF"),
    ("u (fF)", "displacement_se_fF", "displacement_se_fF"),
)
_BUDGET_COLUMNS = (
    ("Sample", "sample", None), ("Tip", "tip", None), ("Component", "component", None), ("Size (eV)", "size_eV", 3),
    ("Kind", "kind", None), ("Note", "note", None),
)  # fmt: skip
_COMPONENT_COLUMNS = (
    ("Between", "level", None),
    ("Standard deviation (eV)", "sd_eV", 3),
    ("interval (eV)", "interval", None),
    ("(%)", "sd_percent", 1),
    ("Share of variance", "share", 2),
    ("Units", "units", 0),
    ("Intraclass correlation", "icc", 2),
    ("Curves worth one", "design_effect", 1),
    ("Note", "note", None),
)


def page_tables(analysis: Analysis) -> dict[str, list[dict[str, Any]]]:
    """The tables of each section: caption, head, rows, file, and whether it is folded.

    Parameters
    ----------
    analysis : Analysis
    """
    barrier, spectra = analysis.barrier, analysis.spectra
    found: dict[str, list[dict[str, Any]]] = {"tips": [], "barrier": [], "spectra": []}

    def add(section: str, caption: str, frame: pd.DataFrame, columns: Any, file: str, *, folded: bool = False) -> None:
        if len(frame):
            if len(frame) > MOST_LISTED:
                file, folded = f"the first {MOST_LISTED} of {len(frame)} rows; all stand in {file}", True
            head, rows = _cells(frame.head(MOST_LISTED), columns)
            found[section].append({"caption": caption, "head": head, "rows": rows, "file": file, "folded": folded})

    if barrier is not None:
        tips = tips_of_one_state(barrier)
        add("tips", "Apparent barrier height φ by tip", tips, _TIP_COLUMNS, "barrier_tips.csv", folded=True)
        add(
            "tips",
            "Sweeps that stand for no tip, by series",
            barrier.unassigned,
            _UNASSIGNED_COLUMNS,
            "barrier_unassigned.csv",
        )
        add("tips", "Pairs of tips", barrier.pairs, _PAIR_COLUMNS, "barrier_pairs.csv", folded=len(barrier.pairs) > 3)
        add("tips", "Changes of tips from state to state", barrier.changes, ON_PAGE, "barrier_changes.csv")
        add("tips", "φ by tip and state", barrier.states, _STATE_COLUMNS, "barrier_states.csv", folded=True)
        for caption, frame, file in (
            ("Groups of tips (a tip is one replicate)", barrier.groups, "barrier_groups.csv"),
            ("Tests between groups of tips", barrier.group_tests, "barrier_group_tests.csv"),
        ):
            add("tips", caption, frame, _all_columns(frame), file)
        several = "day" in barrier.sites and barrier.sites["day"].nunique() > 1
        columns = (("Day", "day", None), *_SITE_COLUMNS) if several else _SITE_COLUMNS
        add("barrier", "Apparent barrier height φ by site", barrier.sites, columns, "barrier_sites.csv", folded=True)
        components = components_with_intervals(barrier.components, analysis.plan.compare.confidence)
        add(
            "barrier",
            "Where the scatter comes from",
            components,
            _COMPONENT_COLUMNS,
            "barrier_components.csv",
            folded=True,
        )
        add("barrier", "Budget of uncertainty", barrier.budget, _BUDGET_COLUMNS, "barrier_budget.csv", folded=True)
    if spectra is not None and len(spectra.summary):
        shown = spectra_with_uncertainties(spectra)
        columns = (("Spectrum", "label", None), *_SPECTRA_COLUMNS)
        add("spectra", "Spectra", *_suited(shown, columns), "spectra_summary.csv", folded=len(shown) > 3)
        add("spectra", "Zeros and displacement", *_suited(shown, _ZERO_COLUMNS), "spectra_summary.csv", folded=True)
        if "lockin" in shown:
            with_lockin = shown[shown["lockin"].notna()]
            add("spectra", "Lock-in against numerical dI/dV", with_lockin, _LOCKIN_COLUMNS, "spectra_summary.csv")
        for model in MODELS:
            if model.key in shown.columns:
                table = _with_intervals(shown[shown[model.key].notna()], model)
                add("spectra", model.title, table, _model_columns(model), "spectra_summary.csv")
    return found


_UNIT = re.compile(r"\((K|meV|mV|pA|fF)\)$")


def _suited(frame: pd.DataFrame, columns: Any) -> tuple[pd.DataFrame, Any]:
    """The frame and its columns with the prefix that suits each; an uncertainty u follows the value before it."""
    suited, heads, factor, unit = {}, [], 1.0, ""
    for head, name, digits in columns:
        if (found := _UNIT.search(head)) and name in frame.columns:
            values = frame[name].to_numpy(float)
            if not head.startswith("u "):
                factor, unit = scale_for(values, found[1])
            suited[name] = values * factor
            largest = np.nanmax(np.abs(suited[name]), initial=0.0)
            if isinstance(digits, int) and largest > 0:  # three digits of the largest
                digits = min(max(2 - math.floor(math.log10(largest)), 0), 2)
            head = head.replace(found[0], f"({unit})")
        heads.append((head, name, digits))
    return frame.assign(**suited), tuple(heads)


def _cells(frame: pd.DataFrame, columns: Any) -> tuple[list[tuple[str, bool]], list[list[str]]]:
    present = [(head, name, digits) for head, name, digits in columns if name in frame.columns and _known(frame[name])]
    head = [(h, pd.api.types.is_numeric_dtype(frame[name])) for h, name, _ in present]
    rows = []
    for record in frame.to_dict(orient="records"):
        rows.append([cell(record[name], record.get(d, d)) for _, name, d in present])
    return head, rows


def _with_intervals(shown: pd.DataFrame, model: Model) -> pd.DataFrame:
    """The table with the interval of each parameter of a model as text."""
    texts: dict[str, list[str]] = {}
    for parameter in model.parameters:
        value, error = model.columns(parameter)
        if value in shown:
            ends = shown[[error, *model.ends(parameter)]].to_numpy(float)
            texts[f"{value} interval"] = [
                f"{cell(low, u)} to {cell(high, u)}" if math.isfinite(u) else "" for u, low, high in ends
            ]
    return shown.assign(**texts)


def _model_columns(model: Model) -> list[tuple[str, str, Any]]:
    """Parameters with their uncertainties, then how good the fit is."""
    columns: list[tuple[str, str, Any]] = [("Spectrum", "label", None)]
    for parameter in model.parameters:
        value, error = model.columns(parameter)
        columns += [(parameter.heading, value, error), (f"u{parameter.heading[len(parameter.symbol) :]}", error, error)]
        columns.append(("from, to", f"{value} interval", None))
    return [*columns, ("Reduced chi²", f"{model.stem}_reduced_chi2", 2), ("Verdict", model.key, None)]


def _all_columns(frame: pd.DataFrame) -> tuple[tuple[str, str, int], ...]:
    """Every column under its own name, fractions with three decimals."""
    whole = {str(c) for c in frame.columns if pd.api.types.is_integer_dtype(frame[c])}
    return tuple((str(c).replace("_", " "), str(c), 0 if str(c) in whole else 3) for c in frame.columns)


def _known(column: pd.Series) -> bool:
    return bool(column.notna().any()) and not bool((column.astype(str) == "").all())


def cell(value: Any, digits: Any) -> str:
    """A value as text; unknown is a dash.

    Parameters
    ----------
    value : object
    digits : int, float or str
        Decimals, the uncertainty that sets them, or ``"p"`` for a p value.
    """
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (int, float)):
        if not math.isfinite(value):
            return "–"
        if digits == "p":
            return f"{value:.4f}" if value >= 1e-4 else "< 0.0001"
        places = digits if isinstance(digits, int) else decimals_for(float(digits)) if digits is not None else None
        return (f"{value:.{places}f}" if places is not None else f"{value:g}").replace("-", "−")
    return "" if value is None else str(value)


def sweep_rows(summary: Summary) -> list[dict[str, Any]]:
    """The rows of the table of sweeps; of very many those with a flag or left out come first.

    Parameters
    ----------
    summary : Summary
    """
    table, barrier = summary.sweeps, summary.analysis.barrier
    if barrier is not None:
        table = table.merge(barrier.sweeps[["sweep", "barrier_eV", "barrier_se_eV"]], on="sweep", how="left")
    flagged = (table["flags"] != "") | ~table["used"].astype(bool)
    table = table.assign(number=range(1, len(table) + 1), flagged=flagged)
    if len(table) > MOST_ROWS:
        table = table.sort_values("flagged", ascending=False, kind="stable").head(MOST_ROWS)
    rows = []
    for record in table.to_dict(orient="records"):
        barrier = record.get("barrier_eV", math.nan)
        rows.append(
            {
                **{str(k): v for k, v in record.items()},
                "kind": KIND_WORDS[record["kind"]],
                "barrier": cell(barrier, decimals_for(float(record.get("barrier_se_eV", math.nan)))),
                "used": bool(record["used"]),
                "repeat": cell(record["repeat"], None),
            }
        )
    return rows


def _ends(value: float, low: float, high: float, why: str) -> str:
    """An interval as text, or why there is none; nothing where there is no value."""
    if not math.isfinite(value):
        return ""
    places = min(max(decimals_for((high - low) / 2), 1), 3)
    return f"{low:.{places}f} to {high:.{places}f}" if math.isfinite(low) else f"no interval: {why}"


def verdict_rows(analysis: Analysis) -> list[dict[str, Any]]:
    """Which tip was good: the cells of each tip's row as text.

    Parameters
    ----------
    analysis : Analysis
    """
    table = analysis.verdicts
    rows = []
    for row in rows_of(table):
        barrier, low, high = row.barrier_eV, row.barrier_low_eV, row.barrier_high_eV
        places = decimals_for((high - low) / 2) if math.isfinite(high - low) else 2
        interval = f"{low:.{places}f} to {high:.{places}f}" if math.isfinite(low) else "no interval"
        cells = [
            (row.sites, f"{row.sweeps}, {row.lost}"),
            (row.jumps, ""),
            (
                cell(row.noise_pA, 1) + (f" ({row.noise_ratio:.1f} ×)" if math.isfinite(row.noise_ratio) else ""),
                _ends(row.noise_pA, row.noise_low_pA, row.noise_high_pA,
                      "one for all" if row.noise_sweeps >= NOISE_SWEEPS else f"{cell(row.noise_sweeps, 0)} sweeps"),
            ),
            (
                f"{cell(row.between_sites_percent, 1)}, {cell(row.within_sites_percent, 1)}",
                "; ".join(filter(None, (
                    _ends(row.between_sites_percent, row.between_sites_low_percent, row.between_sites_high_percent,
                          count(row.sites, "site")),
                    _ends(row.within_sites_percent, row.within_sites_low_percent, row.within_sites_high_percent, "no repeats"),
                ))),
            ),
            (
                cell(row.drift_pm_per_s, 1),
                _ends(row.drift_pm_per_s, row.drift_low_pm_per_s, row.drift_high_pm_per_s,
                      count(int(row.pairs_of_directions) if row.pairs_of_directions > 0 else 0, "pair")),
            ),
            (f"{int(row.pairs_agree)} of {int(row.pairs_of_directions)}" if row.pairs_of_directions > 0 else "–", ""),
        ]  # fmt: skip
        rows.append(
            {
                "tip": tip_name(row.sample, row.tip, table),
                "verdict": row.verdict,
                "why": row.reasons,
                "barrier": cell(barrier, places),
                "interval": interval if math.isfinite(barrier) else "",
                "cells": cells,
            }
        )
    return rows
