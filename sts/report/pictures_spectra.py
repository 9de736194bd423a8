"""Figures of averaged spectra: conductance, normalised conductance, directions, smoothing, set-points."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import numpy as np
import pandas as pd

from sts.analysis import SpectraAnalysis
from sts.figures import (
    plot_direction_difference,
    plot_lockin,
    plot_model_fit,
    plot_normalised,
    plot_setpoint_series,
    plot_smoothing_criterion,
    plot_spectrum,
)
from sts.figures.style import rows_of
from sts.quantities import with_prefix
from sts.report.captions import Picture
from sts.report.number_words import count, listed, value_with_uncertainty
from sts.report.pictures_sweeps import sweep_pictures
from sts.report.spectra_words import TWICE, broadened_words, gap_words, gaps_words, model_words, resolution_words
from sts.spectra import setpoint_trends
from sts.spectra.models import MODELS, Model
from sts.spectra.spectrum import Spectrum

LOCKIN = ", dI/dV of the lock-in channel, calibrated by the current"
MOST_SPECTRA = 8  # beyond this they are not drawn, and the page says so


def spectra_pictures(analysis: SpectraAnalysis, level: float) -> list[Picture]:
    """All figures of the group with most sweeps of each sample, the conductance of the others, then the set-points.

    Parameters
    ----------
    analysis : SpectraAnalysis
    level : float
        Confidence of the bands.
    """
    spectra = analysis.spectra
    pictures: list[Picture] = []
    by_sample: dict[str, list[Spectrum]] = {}
    for one in spectra:
        by_sample.setdefault(str(one.keys.get("sample", "")), []).append(one)
    fullest = [max(group, key=lambda s: len(s.sweeps)) for group in by_sample.values()]
    for number, one in enumerate(spectra[:MOST_SPECTRA], 1):
        whole = _spectrum_pictures(one, number, level)
        if any(one is main for main in fullest):
            pictures += [replace(whole[0], lead=True, height_in=1.9), *whole[1:]]
        else:
            pictures.append(replace(whole[0], folded=_drawn_together(by_sample[str(one.keys.get("sample", ""))])))
    for number, (sample, group) in enumerate(by_sample.items(), 1):
        if _drawn_together(group):
            series = [s for s in group if np.isfinite(s.normalised).any()]
            pictures.append(
                Picture(
                    "setpoints",
                    f"setpoint_series_{number}",
                    f"Spectra of {sample or 'the sample'} together",
                    _series_words(series),
                    partial(plot_setpoint_series, series, confidence=level),
                    rows=(2.0, 1.0) if _any_gap(series) else (1.0,),
                    share=False,
                    height_in=4.0 if _any_gap(series) else 3.0,
                    folded=not _any_gap(series),  # it has no gap to compare
                )
            )
    return pictures + sweep_pictures(spectra, level)


def _drawn_together(group: Sequence[Spectrum]) -> bool:
    """Whether one figure holds the normalised conductance of the whole group."""
    return 2 <= sum(bool(np.isfinite(s.normalised).any()) for s in group) <= MOST_SPECTRA


def _any_gap(series: Sequence[Spectrum]) -> bool:
    return any(s.gaps is not None and bool(np.isfinite(s.gaps["gap_meV"]).any()) for s in series)


def _spectrum_pictures(one: Spectrum, number: int, level: float) -> list[Picture]:
    label, n = one.label, count(len(one.sweeps), "sweep")
    average = (n if len(one.sweeps) == 1 else f"average of {n}") + (LOCKIN if one.from_lockin else "")
    pictures = [
        Picture(
            "didv",
            f"didv_{number}",
            f"dI/dV: {label}",
            f"{label}, {average}: {gap_words(one)}; energy {resolution_words([one])}.",
            partial(plot_spectrum, one, confidence=level),
            height_in=3.0,
        )
    ]
    if np.isfinite(one.normalised).any():
        trusted = np.abs(one.bias[one.trusted])
        reach = (
            f"plain I/V is trusted beyond ±{with_prefix(trusted.min() * 1e3, 'mV')}"
            if trusted.size
            else "plain I/V is nowhere trusted"
        )
        pictures.append(
            Picture(
                "normalised",
                f"normalised_{number}",
                f"(dI/dV)/(I/V): {label}",
                f"{label}, {n}: {reach}{broadened_words(one)}.",
                partial(plot_normalised, one, confidence=level),
                height_in=3.0,
            )
        )
    if one.lockin is not None and one.lockin.curve is not None:
        pictures.append(_lockin_picture(one, number))
    pictures += [_model_picture(one, number, model) for model in MODELS if model.key in one.fits]
    if one.half_difference is not None:
        pictures.append(
            Picture(
                "directions",
                f"directions_{number}",
                f"Upward and downward sweeps: {label}",
                f"{label}: {_direction_words(one)}.",
                partial(plot_direction_difference, one),
            )
        )
    if one.criterion is not None and len(one.criterion):
        pictures.append(
            Picture(
                "smoothing",
                f"smoothing_{number}",
                f"Strength of smoothing: {label}",
                f"{label}: {_smoothing_words(one.criterion)} from {n}.",
                partial(plot_smoothing_criterion, one),
            )
        )
    return pictures


def _lockin_picture(one: Spectrum, number: int) -> Picture:
    return Picture(
        "lockin",
        f"lockin_{number}",
        f"Lock-in and numerical dI/dV: {one.label}",
        f"{one.label}: {one.lockin.verdict}.",
        partial(plot_lockin, one),
        rows=(2.5, 1.0),
        height_in=3.6,
        folded=one.lockin.agrees is True,
    )


def _model_picture(one: Spectrum, number: int, model: Model) -> Picture:
    return Picture(
        "model",
        f"{model.key}_{number}",
        f"{model.title}: {one.label}",
        f"{one.label}: {model_words(model, one.fits[model.key])}.",
        partial(plot_model_fit, one, model),
        rows=(2.5, 1.0),
        height_in=3.6,
    )


def _smoothing_words(criterion: pd.DataFrame) -> str:
    chosen = criterion.loc[criterion["chosen"].astype(bool), "width_V"].to_numpy(float)
    if not chosen.size:
        return "no width was chosen"
    widest = chosen[0] >= criterion["width_V"].max()
    note = ", the widest tried (a curve without structure asks for no finer one)," if widest else ""
    return f"{with_prefix(chosen[0] * 1e3, 'meV')} was chosen{note}"


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


def _series_words(series: list[Spectrum]) -> str:
    words = f"{count(len(series), 'spectrum', 'spectra')}: {gaps_words(series)}"
    trends = setpoint_trends(series)
    for row in rows_of(trends):
        change = value_with_uncertainty(row.gap_change_meV_per_decade, 2 * row.gap_change_se_meV_per_decade, "meV")
        whose = f" of {row.tip}" if row.tip and trends["tip"].nunique() > 1 else ""
        words += f"; by {row.gap_method} the gap{whose} changes by {change} a decade of current: {'a' if row.trend else 'no'} trend"
    return f"{words}{TWICE}." if "±" in words else f"{words}."
