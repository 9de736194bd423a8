"""The figure of gap and peaks of each sweep, by tip and site, and what it shows in words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from sts.comparing.differences import means_at_sites
from sts.curves.distributions import NORMAL_95
from sts.figures.each_sweep import plot_sweep_features
from sts.figures.style import rows_of
from sts.report.captions import Picture
from sts.report.number_words import listed
from sts.report.spectra_words import difference_words
from sts.spectra.each_sweep import GAP, strongest_peaks
from sts.spectra.spectrum import Spectrum

MOST_PANELS = 3
MOST_ROWS = 24  # more sites than this are not drawn: their table is
_AVERAGE = ["feature", "tip", "mean_mV", "low_mV", "high_mV"]


def sweep_pictures(spectra: Sequence[Spectrum], level: float) -> list[Picture]:
    """One figure for each sample: of those spectra that differ in their tip only and have most sweeps with a gap or peak.

    Parameters
    ----------
    spectra : sequence of Spectrum
    level : float
        Confidence of the intervals.
    """
    groups: dict[str, dict[Any, list[Spectrum]]] = {}
    for one in own_sweeps(spectra):
        rest = tuple((key, repr(value)) for key, value in one.keys.items() if key != "tip")
        groups.setdefault(str(one.keys.get("sample", "")), {}).setdefault(rest, []).append(one)
    found = []
    for number, (sample, by_setting) in enumerate(groups.items(), 1):
        series = max(by_setting.values(), key=lambda some: sum(_with_feature(one) for one in some))
        if (picture := _picture(series, sample, number, level)) is not None:
            found.append(picture)
    return found


def own_sweeps(spectra: Sequence[Spectrum]) -> list[Spectrum]:
    """Spectra whose sweeps' gaps or peaks are known, without averages over tips: their sweeps are those of the tips.

    Parameters
    ----------
    spectra : sequence of Spectrum
    """
    known = [one for one in spectra if one.sweep_features is not None and len(one.sweep_features)]
    return [one for one in known if "tip" not in one.keys or one.keys["tip"] in _tips(one)]


def _tips(one: Spectrum) -> list[str]:
    """Of the sweeps that were averaged."""
    return [] if one.sweep_features is None else list(dict.fromkeys(one.sweep_features["tip"]))


def _with_feature(one: Spectrum) -> int:
    return 0 if one.sweep_features is None else int(one.sweep_features.groupby("feature").size().max())


def _picture(series: Sequence[Spectrum], sample: str, number: int, level: float) -> Picture | None:
    """None where fewer than two sweeps show a thing, or there are too many sites to draw."""
    sweeps = pd.concat([one.sweep_features for one in series if one.sweep_features is not None], ignore_index=True)
    features = [f for f in dict.fromkeys(sweeps["feature"]) if not f.endswith("edge")]
    features = [f for f in features if f == GAP or _one_peak(sweeps[sweeps["feature"] == f])][:MOST_PANELS]
    sweeps = sweeps[sweeps["feature"].isin(features)]
    if len(sweeps) < 2 * max(len(features), 1) or not features:
        return None
    sites = means_at_sites(sweeps, confidence=level)
    places = len(sites[["tip", "day", "site"]].drop_duplicates())
    if places > MOST_ROWS:
        return None
    averages = pd.DataFrame([row for one in series for row in _averages(one, features)], columns=_AVERAGE)
    label = sample or "all sweeps"
    words = difference_words(series) or [_alike(series)]
    rows = places + sites["tip"].nunique()
    return Picture(
        "each_sweep",
        f"each_sweep_{number}",
        f"{listed(features).capitalize()} of each sweep: {label}",
        f"{label}: {' '.join(words)}",
        partial(plot_sweep_features, sweeps, sites, averages, confidence=level),
        width="double",
        rows=(1.0,) * len(features),
        share=False,
        height_in=0.5 + len(features) * (0.45 + 0.22 * rows),
    )


def _alike(series: Sequence[Spectrum]) -> str:
    tested = [one for one in series if one.differences is not None and len(one.differences)]
    if not tested:
        return "its sweeps are of one site; whether others differ is not known."
    return "no difference between sites is shown beyond what repeats scatter by."


def _one_peak(own: pd.DataFrame) -> bool:
    """Whether a peak of the same rank is the same one for all tips: within the median width of each other."""
    middles = own.groupby("tip")["value_mV"].median()
    width = own["width_mV"].median() if "width_mV" in own else np.nan
    return not np.ptp(middles) > width if len(middles) > 1 else True


def _averages(one: Spectrum, features: Sequence[str]) -> list[tuple[Any, ...]]:
    """What the averaged spectrum says of the features, as rows of `_AVERAGE`."""
    tips = _tips(one)
    tip, found = (tips[0] if len(tips) == 1 else ""), []
    for row in rows_of(one.gaps) if one.gaps is not None and GAP in features else ():
        if math.isfinite(row.gap_meV) and row.gap_method != "log onset":
            found.append((GAP, tip, row.gap_meV, row.gap_low_meV, row.gap_high_meV))
    if one.peaks is not None:
        for number, row in enumerate(rows_of(strongest_peaks(one.peaks)), 1):
            if f"peak {number}" in features:
                at, half = 1e3 * row.position_V, 1e3 * NORMAL_95 * row.position_se_V
                found.append((f"peak {number}", tip, at, at - half, at + half))
    return found
