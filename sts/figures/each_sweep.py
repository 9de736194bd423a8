"""Gap and peaks of each sweep, site by site."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from sts.figures.marks import Look, draw_interval, draw_points
from sts.figures.style import BLACK, COLOURS, MARKS, given_or_new_rows, place_words, rows_of
from sts.figures.styled import styled
from sts.figures.tips import named_rows
from sts.quantities import scale_for

_LABELS = {"gap": "Gap", "lower edge": "Lower edge of the gap, bias", "upper edge": "Upper edge of the gap, bias"}


@styled
def plot_sweep_features(
    sweeps: pd.DataFrame, sites: pd.DataFrame, averages: pd.DataFrame, *, confidence: float = 0.95,
    axes: Sequence[Axes] | None = None,
) -> list[Axes]:  # fmt: skip
    """Every sweep a small mark, each site's mean with its interval, the average of each tip below; one panel per feature.

    Parameters
    ----------
    sweeps : pandas.DataFrame
        With the columns of ``spectra_sweeps.csv``, of one or several tips.
    sites : pandas.DataFrame
        As `sts.comparing.differences.means_at_sites` makes it of them.
    averages : pandas.DataFrame
        `feature`, `tip`, `mean_mV`, `low_mV`, `high_mV`: what the averaged spectra say.
    confidence : float
        Level of the intervals, for the legend.
    axes : sequence of matplotlib.axes.Axes, optional
        One for each feature.
    """
    features = list(dict.fromkeys(sweeps["feature"]))
    places = sites[["tip", "day", "site"]].drop_duplicates()
    rows = len(places) + places["tip"].nunique()
    panels = given_or_new_rows(
        axes, (1.0,) * len(features), width="double", height_in=0.7 + 0.2 * rows * len(features), share=False
    )
    for ax, feature in zip(panels, features, strict=True):
        parts = (frame[frame["feature"] == feature] for frame in (sweeps, sites, averages))
        _draw_feature(ax, feature, *parts)
    panels[0].errorbar(
        [], [], xerr=[], fmt="o", color=BLACK, ms=3.5, capsize=2, label=f"mean of a site, {confidence * 100:g} %"
    )
    panels[0].errorbar([], [], xerr=[], fmt="D", color=BLACK, ms=3.5, capsize=2, label="of the averaged spectrum")
    panels[0].plot([], [], ls="none", marker=".", color=BLACK, alpha=0.6, label="a sweep")
    panels[0].legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=3, borderaxespad=0.0, columnspacing=1.0)
    return panels


def _draw_feature(ax: Axes, feature: str, sweeps: pd.DataFrame, sites: pd.DataFrame, averages: pd.DataFrame) -> None:
    """One panel: the sites of each tip, and under them its average."""
    factor, unit = scale_for(sites["mean_mV"], "mV" if feature != "gap" else "meV")
    names: list[str] = []
    notes: list[str] = []
    tips = list(dict.fromkeys(sites["tip"]))
    for number, tip in enumerate(tips):
        colour, mark = COLOURS[number % len(COLOURS)], MARKS[number % len(MARKS)]
        own = sites[sites["tip"] == tip]
        several = own["day"].nunique() > 1
        for row in rows_of(own):
            here = (sweeps["tip"] == tip) & (sweeps["day"] == row.day) & (sweeps["site"] == row.site)
            place = place_words(row.day if several else "", row.site) or "no site"
            name = f"{tip}, {place}" if len(tips) > 1 else place
            values = factor * sweeps.loc[here, "value_mV"].to_numpy(float)
            spread = 0.3 * (np.arange(values.size) + 0.5) / max(values.size, 1)
            draw_points(ax, values, len(names) + 0.08 + spread, series=f"{name}: sweeps",
                        look=Look(colour=colour, mark=".", alpha=0.6, size=3))  # fmt: skip
            draw_interval(ax, [factor * row.mean_mV], [len(names) - 0.15], ([factor * row.low_mV], [factor * row.high_mV]),
                          series=f"{name}: mean", lying=True, look=Look(colour=colour, mark=mark, size=2.8))  # fmt: skip
            names.append(name)
            notes.append(f"{values.size} sweep{'s' if values.size != 1 else ''}")
        for row in rows_of(averages[averages["tip"] == tip]):
            name = f"{tip}, average" if len(tips) > 1 else "average"
            draw_interval(ax, [factor * row.mean_mV], [len(names)], ([factor * row.low_mV], [factor * row.high_mV]),
                          series=name, lying=True, look=Look(colour=BLACK, mark="D", size=2.8))  # fmt: skip
            names.append(name)
            notes.append("")
    named_rows(ax, names, notes)
    ax.set_xlabel(f"{_LABELS.get(feature, f'Position of {feature}, bias')} ({unit})")
