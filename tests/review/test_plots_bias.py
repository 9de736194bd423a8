"""An I(V) sweep on the review page."""

from __future__ import annotations

import pytest

pytest.importorskip("bokeh", reason="needs bokeh (the extra 'review')")

from numpy.testing import assert_allclose

from sts.analysis.sweep_view import curves_of
from sts.review import Desk
from sts.review.plots_bias import BiasPlots


def sweeps(desk: Desk) -> list[str]:
    rows = desk.worklist
    return rows.loc[rows["kind"] == "iv", "sweep"].tolist()


def test_the_sweep_stands_over_its_group(looked_at: Desk) -> None:
    plots, view = BiasPlots(), looked_at.view(sweeps(looked_at)[0])
    plots.show(view, curves_of(looked_at.measured, view.beside))
    assert_allclose(plots.samples.data["y"], view.current_A * 1e12)
    _, spectrum = looked_at.spectrum(view.sweep)
    assert_allclose(plots.group.data["y"], spectrum.didv * 1e9)
    assert_allclose(plots.group.data["low"], spectrum.didv_low * 1e9)
    assert_allclose(plots.own.data["n"], view.normalised)
    assert len(plots.others.data["sweep"]) == len(view.beside)


def test_the_lock_in_channel_is_there_where_it_was_recorded(looked_at: Desk) -> None:
    plots, seen = BiasPlots(), set()
    for sweep in sweeps(looked_at)[::7]:
        view = looked_at.view(sweep)
        plots.show(view, ())
        assert plots.lockin.visible == (view.lockin is not None)
        seen.add(plots.lockin.visible)
    assert False in seen
