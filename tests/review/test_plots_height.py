"""An I(z) sweep on the review page."""

from __future__ import annotations

import pytest

pytest.importorskip("bokeh", reason="needs bokeh (the extra 'review')")

import numpy as np
from numpy.testing import assert_allclose

from sts.analysis.sweep_view import curves_of
from sts.review import Desk
from sts.review.plots_height import HeightPlots

SATURATED = "curlew_s2_r2_retract"  # of the demo, planted


def shown(desk: Desk, sweep: str) -> tuple[HeightPlots, object, str]:
    plots, view = HeightPlots(), desk.view(sweep)
    return plots, view, plots.show(view, curves_of(desk.measured, view.beside))


def test_what_is_drawn_is_what_was_measured(looked_at: Desk) -> None:
    plots, view, _ = shown(looked_at, SATURATED)
    together = np.concatenate([plots.samples.data["x"], plots.masked.data["x"]])
    positive = view.current_A > 0
    assert_allclose(np.sort(together), view.height_m[positive] * 1e9)
    assert set(plots.masked.data["why"]) == {"saturated"}
    assert len(plots.masked.data["x"]) == 9
    assert plots.offset.location == pytest.approx(view.offset_A * 1e12)
    assert len(plots.others.data["sweep"]) == len(view.beside)


def test_a_flag_is_drawn_where_it_sits(looked_at: Desk) -> None:
    plots, view, _ = shown(looked_at, SATURATED)
    assert plots.spans.data["words"] == ["saturated: 9 of 140 samples at the limit, masked"]
    masked = view.height_m[view.masked["saturated"]] * 1e9
    assert_allclose([plots.spans.data["x0"][0], plots.spans.data["x1"][0]], [masked[0], masked[-1]])


def test_samples_that_a_logarithmic_axis_cannot_show_are_counted(looked_at: Desk) -> None:
    rows = looked_at.worklist
    for sweep in rows.loc[rows["kind"] == "iz", "sweep"]:
        view = looked_at.view(sweep)
        below = int((~(view.current_A > 0)).sum())
        if below:
            break
    assert below
    assert shown(looked_at, sweep)[2].startswith(f"{below} of {view.current_A.size} samples are zero or below")


def test_another_fit_is_drawn_within_its_samples(looked_at: Desk) -> None:
    plots, view, _ = shown(looked_at, SATURATED)
    used = np.zeros(view.height_m.size, bool)
    used[20:60] = True
    plots.show_fit(np.full(used.size, 2e-12), used)
    assert_allclose(plots.fit.data["y"], np.full(40, 2.0))
