"""Spectra as rows of the tables that leave the analysis, with the columns of their contracts."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from sts.flags import no_flags
from sts.plan import Plan
from sts.quantities import thermal_width
from sts.spectra import bias_offset_from_symmetry
from sts.spectra.didv_source import DidvSource
from sts.spectra.gaps.gap import BANDS
from sts.spectra.lockin.comparison import LockinCalibration
from sts.spectra.models import MODELS
from sts.spectra.spectrum import Spectrum

SPECTRA_COLUMNS = (
    "bias_V", "current_A", "current_se_A", "didv_S", "didv_se_S", "didv_low_S", "didv_high_S", "normalised",
    "normalised_se", "normalised_low", "normalised_high", "trusted",
)  # fmt: skip
BROADENED_COLUMNS = ("broadened", "broadened_se", "broadened_low", "broadened_high", "broadened_trusted")
UNSMOOTHED_COLUMNS = ("didv_unsmoothed_low_S", "didv_unsmoothed_high_S")
SUMMARY_COLUMNS = (
    "sweeps_used", "sweeps_omitted", "temperature_K", "average", "smoothing", "thermal_meV", "modulation_meV",
    "smoothing_meV", "resolution_meV", "current_offset_pA", "bias_offset_mV", "displacement_fF", "gap_meV", "gap_se_meV",
    "gap_method", "flags",
)  # fmt: skip


def spectra_tables(spectra: Sequence[Spectrum], plan: Plan) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The tables spectra.csv and spectra_summary.csv; without spectra no rows, but the columns of the contract.

    Parameters
    ----------
    spectra : sequence of Spectrum
    plan : Plan
    """
    if not spectra:
        table, summary = (
            pd.DataFrame(columns=[*plan.spectra.by, *c])
            for c in ((*SPECTRA_COLUMNS, *BROADENED_COLUMNS, *UNSMOOTHED_COLUMNS), SUMMARY_COLUMNS)
        )
        return table, summary
    return pd.concat([_long(s) for s in spectra], ignore_index=True), pd.DataFrame([_summary(s, plan) for s in spectra])


def _long(spectrum: Spectrum) -> pd.DataFrame:
    """A spectrum as rows of spectra.csv."""
    n = spectrum.bias.size
    s = spectrum
    values = (s.bias, s.current, s.current_se, s.didv, s.didv_se, s.didv_low, s.didv_high, s.normalised, s.normalised_se,
              s.normalised_low, s.normalised_high, s.trusted)  # fmt: skip
    columns = dict(zip(SPECTRA_COLUMNS, values, strict=True)) | _broadened(s)
    unsmoothed = (np.full(n, np.nan) if part is None else part for part in (s.unsmoothed_low, s.unsmoothed_high))
    columns |= dict(zip(UNSMOOTHED_COLUMNS, unsmoothed, strict=True))
    if spectrum.didv_unit != "S":  # no invented siemens: the columns of the contract stay empty
        unknown = np.full(n, np.nan)
        for name in ("didv", "didv_se", "didv_low", "didv_high"):
            columns[f"{name}_S"] = unknown
            columns[f"{name}_lockin"] = getattr(spectrum, name)
    return pd.DataFrame({**{k: [v] * n for k, v in spectrum.keys.items()}, **columns})


def _broadened(spectrum: Spectrum) -> dict[str, Any]:
    """The columns of the form with broadened I/V; empty where there is none."""
    one, n = spectrum.broadened, spectrum.bias.size
    if one is None:
        return dict.fromkeys(BROADENED_COLUMNS[:-1], np.full(n, np.nan)) | {BROADENED_COLUMNS[-1]: np.zeros(n, bool)}
    return dict(zip(BROADENED_COLUMNS, (one.value, one.se, one.low, one.high, one.trusted), strict=True))


def _summary(spectrum: Spectrum, plan: Plan) -> dict[str, Any]:
    """A spectrum as a row of spectra_summary.csv."""
    r, o = spectrum.resolution, spectrum.offsets
    gap = _main_gap(spectrum.gaps)
    group_flags = spectrum.flags[spectrum.flags["sweep"] == ""] if spectrum.flags is not None else no_flags()
    directions = spectrum.directions
    row = {
        **spectrum.keys,
        "sweeps_used": len(spectrum.sweeps),
        "sweeps_omitted": len(spectrum.omitted),
        "temperature_K": r.thermal_V / float(thermal_width(1.0)),
        "average": plan.spectra.average,
        "smoothing": spectrum.smoothing,
        "thermal_meV": r.thermal_V * 1e3,
        "modulation_meV": r.modulation_V * 1e3,
        "smoothing_meV": r.smoothing_V * 1e3,
        "resolution_meV": r.total_V * 1e3,
        "current_offset_pA": o.current_A * 1e12,
        "bias_offset_mV": o.bias_V * 1e3,
        "displacement_fF": directions.get("displacement_fF", float("nan")),
        "gap_meV": gap.get("gap_meV", float("nan")),
        "gap_se_meV": gap.get("gap_se_meV", float("nan")),
        "gap_method": gap.get("gap_method", ""),
        "flags": ";".join(group_flags["flag"]),
        "zero_crossing_mV": o.zero_crossing_V * 1e3,
        "offsets": o.how,
        "lag_ms": directions.get("lag_ms", float("nan")),
        "drift_per_s": directions.get("drift_per_s", float("nan")),
        "lag_meV": r.lag_V * 1e3,
        "reasons": "; ".join(group_flags["detail"]),
        "didv_unit": spectrum.didv_unit,
    }
    if not np.isfinite(spectrum.current).any() and np.isfinite(spectrum.didv).sum() >= 8:
        # Without a current only the mirror symmetry of an even spectrum tells the zero of the bias.
        row["symmetry_offset_mV"] = 1e3 * bias_offset_from_symmetry(spectrum.bias, spectrum.didv)
    if np.isfinite(r.electron_temperature_K):
        row |= {"resolution_se_meV": r.total_se_V * 1e3, "electron_temperature_K": r.electron_temperature_K}
        row |= {"electron_temperature_se_K": r.electron_temperature_se_K, "bath_temperature_K": r.bath_temperature_K}
    if np.isfinite(r.axis_V):
        row["axis_meV"] = r.axis_V * 1e3
    if spectrum.broadened is not None:
        row |= {"broadened_by": spectrum.broadened.kind, "broadening_meV": spectrum.broadened.width_V * 1e3}
        row["broadening_from"] = spectrum.broadened.why
    if spectrum.lockin is not None:
        row |= lockin_columns(spectrum.lockin)
    if spectrum.source is not None:
        row |= source_columns(spectrum.source)
    for model in MODELS:
        if model.key in spectrum.fits:
            row |= model.row(spectrum.fits[model.key], plan.compare.confidence)
        elif model.key in spectrum.untried:
            row[model.key] = f"not tried: {spectrum.untried[model.key]}"
    return row


def source_columns(source: DidvSource) -> dict[str, Any]:
    """Which channel dI/dV comes from and how it was calibrated, by column.

    Parameters
    ----------
    source : DidvSource
    """
    row = {"didv_from": source.channel, "didv_from_why": source.why}
    return row | {f"didv_{name}": getattr(source, name) for name in ("gain", "gain_se", "zero_S", "zero_se_S")}


def lockin_columns(found: LockinCalibration) -> dict[str, Any]:
    """What the comparison of the lock-in channel says, by column.

    Parameters
    ----------
    found : LockinCalibration
    """
    names = ("gain", "gain_se", "gain_low", "gain_high", "intercept", "intercept_se")
    row = {f"lockin_{name}": getattr(found, name) for name in names}
    if found.end_to_end is not None:
        ends = found.end_to_end
        row |= {"lockin_integral": ends.value, "lockin_integral_se": ends.se, "lockin_integral_low": ends.low}
        row["lockin_integral_high"] = ends.high
    return {**row, "lockin_sweeps": found.sweeps, "lockin": found.verdict}


def _main_gap(gaps: pd.DataFrame | None) -> dict[Any, Any]:
    """The gap of the summary: between its bands where there is one, else what there is."""
    if gaps is None or gaps.empty:
        return {}
    rows = [row for row in gaps.to_dict("records") if np.isfinite(row["gap_meV"])]
    named = [row for row in rows if str(row["gap_method"]).startswith(BANDS)]
    return (named or rows or [{}])[0]
