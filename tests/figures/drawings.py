"""Every kind of figure, drawn of the invented result."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
from figures import example
from matplotlib.axes import Axes

from sts import figures
from sts.barrier import local_barrier
from sts.comparing.differences import means_at_sites

HEIGHTS = example.height_sweeps()


BARRIER = example.barrier_analysis(HEIGHTS)


SERIES = [example.bias_sweeps(100.0), example.bias_sweeps(300.0)]


SPECTRA = [example.spectrum(s) for s in SERIES]


TIMELINE = HEIGHTS.table.assign(kind="iz", used=BARRIER.sweeps["used"])


LOCAL = local_barrier(BARRIER.fits[0])


PLACES = BARRIER.sites.assign(x_m=1e-7 * np.arange(len(BARRIER.sites)), y_m=5e-8)


DAYS = pd.DataFrame(
    {
        "day": ["2026-11-02", "2026-11-05", "2026-11-08", "a long name of a day"],
        "barrier_eV": [4.4, 4.5, 4.4, 3.3], "barrier_low_eV": [4.2, 4.3, 4.2, 3.1], "barrier_high_eV": [4.6, 4.7, 4.6, 3.5],
        "before_eV": [np.nan, 4.4, 4.45, 4.43], "limit_low_eV": [np.nan, 1e-9, 3.9, 4.0], "limit_high_eV": [np.nan, 1e9, 5.0, 4.9],
        "like_before": ["first day", "as before", "as before", "changed"],
    }
)  # fmt: skip


def sweep_features() -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Gap and one peak of eight sweeps of two tips at two sites each; invented."""
    rows = [
        {"feature": feature, "sweep": f"{tip}_{site}_{k}", "tip": tip, "day": "", "site": site, "repeat": 4 * i + 2 * j + k,
         "value_mV": value + 40 * j + 3 * k, "value_se_mV": 4.0}
        for feature, value in (("gap", 1150.0), ("peak 1", -300.0))
        for i, tip in enumerate(("heron", "plover"))
        for j, site in enumerate(("s1", "s2"))
        for k in range(2)
    ]  # fmt: skip
    sweeps = pd.DataFrame(rows)
    averages = pd.DataFrame(
        {"feature": "gap", "tip": ["heron", "plover"], "mean_mV": 1170.0, "low_mV": 1130.0, "high_mV": 1210.0}
    )
    return sweeps, means_at_sites(sweeps), averages


DRAWINGS: dict[str, tuple[Callable[[list[Axes]], Any], dict[str, Any]]] = {
    "sweeps_iv": (lambda a: figures.plot_sweeps(SERIES[0], used=np.arange(8) < 7, ax=a[0]), {}),
    "sweeps_iz": (lambda a: figures.plot_sweeps(HEIGHTS, ax=a[0]), {}),
    "spectrum": (lambda a: figures.plot_spectrum(SPECTRA[0], ax=a[0]), {"height_in": 3.0}),
    "normalised": (lambda a: figures.plot_normalised(SPECTRA[0], ax=a[0]), {"height_in": 3.0}),
    "criterion": (lambda a: figures.plot_smoothing_criterion(SPECTRA[0], ax=a[0]), {}),
    "directions": (lambda a: figures.plot_direction_difference(SPECTRA[0], ax=a[0]), {}),
    "setpoints": (
        lambda a: figures.plot_setpoint_series(SPECTRA, axes=a),
        {"rows": (2, 1), "share": False, "height_in": 4},
    ),
    "iz_fits": (lambda a: figures.plot_iz_fits(BARRIER.fits[0], [1, 5, 9], axes=a), {"rows": (2, 1), "height_in": 3.4}),
    "window": (lambda a: figures.plot_window_sensitivity(BARRIER.window, BARRIER.sweeps, ax=a[0]), {}),
    "local": (
        lambda a: figures.plot_local_barrier([(LOCAL, LOCAL.sweeps[i]) for i in (0, 12, 24)], axes=a),
        {"rows": (1, 1, 1), "share": False, "height_in": 3.8},
    ),
    "by_tip": (
        lambda a: figures.plot_barrier_by_tip(BARRIER.sweeps, BARRIER.sites, BARRIER.tips, ax=a[0]),
        {"width": "double"},
    ),
    "histogram": (
        lambda a: figures.plot_barrier_histogram(BARRIER.sweeps, axes=a),
        {"rows": (1,) * BARRIER.sweeps["tip"].nunique(), "share": False, "height_in": 4.4},
    ),
    "iz_tips": (
        lambda a: figures.plot_iz_tips([(f"tip {i}", BARRIER.fits[0], i) for i in (1, 14, 26)], ax=a[0]),
        {"height_in": 3.0},
    ),
    "tip_sweeps": (
        lambda a: figures.plot_tip_sweeps([HEIGHTS], [HEIGHTS.table["tip"] == HEIGHTS.table["tip"].iloc[0]], ax=a[0]),
        {},
    ),
    "site_map": (lambda a: figures.plot_site_map(PLACES, ax=a[0]), {"height_in": 3.4}),
    "pairs": (lambda a: figures.plot_tip_pairs(BARRIER.pairs, ax=a[0]), {"width": "double"}),
    "spectra": (lambda a: figures.plot_spectra(SPECTRA, ax=a[0]), {}),
    "barriers": (lambda a: figures.plot_barriers(BARRIER, ax=a[0]), {}),
    "sweep_features": (
        lambda a: figures.plot_sweep_features(*sweep_features(), axes=a),
        {"width": "double", "rows": (1, 1), "share": False, "height_in": 3.4},
    ),
    "trend": (lambda a: figures.plot_sweep_trend(BARRIER.sweeps, ax=a[0]), {}),
    "tip_days": (lambda a: figures.plot_tip_days(DAYS, ax=a[0]), {}),
    "timeline": (lambda a: figures.plot_session_timeline(TIMELINE, ax=a[0]), {"height_in": 1.6}),
}


def drawn(name: str) -> list[Axes]:
    function, shape = DRAWINGS[name]
    axes = figures.new_figure(**shape)
    function(axes)
    return axes
