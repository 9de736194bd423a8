"""An I(V) sweep on the review page."""

from __future__ import annotations

from dataclasses import replace

import pytest

pytest.importorskip("bokeh", reason="needs bokeh (the extra 'review')")

import numpy as np
from numpy.testing import assert_allclose

from sts.analysis.sweep_view import curves_of
from sts.review import Desk
from sts.review.plots_bias import BiasPlots


def sweeps(desk: Desk) -> list[str]:
    rows = desk.worklist
    return rows.loc[rows["kind"] == "iv", "sweep"].tolist()


def scale_of(plots: BiasPlots) -> float:
    """What the axis of dI/dV says of its unit."""
    return {"pS": 1e12, "nS": 1e9}[plots.slope.yaxis.axis_label.partition("(")[2].rstrip(")")]


def test_a_bias_of_millivolts_is_drawn_in_millivolts(looked_at: Desk) -> None:
    plots, view = BiasPlots(), looked_at.view(sweeps(looked_at)[0])
    small = replace(view, bias_V=view.bias_V / 1000, shifted_V=view.shifted_V / 1000)
    plots.show(small, ())
    assert plots.normalised.xaxis.axis_label == "bias (mV)"
    assert_allclose(plots.samples.data["x"], view.bias_V)
    assert_allclose(plots.own.data["x"], view.shifted_V)


def test_the_sweep_stands_over_its_group(looked_at: Desk) -> None:
    plots, view = BiasPlots(), looked_at.view(sweeps(looked_at)[0])
    plots.show(view, curves_of(looked_at.measured, view.beside))
    assert_allclose(plots.samples.data["y"], view.current_A * 1e12)
    _, spectrum = looked_at.spectrum(view.sweep)
    middle, read = ~spectrum.ends, spectrum.trusted & ~spectrum.ends
    scale = scale_of(plots)
    assert_allclose(plots.group.data["y"], np.where(middle, spectrum.didv * scale, np.nan))
    assert_allclose(plots.group.data["low"], np.where(middle, spectrum.didv_low * scale, np.nan))
    assert_allclose(plots.own.data["n"], np.where(read, view.normalised, np.nan))
    assert len(plots.others.data["sweep"]) == len(view.beside)


def test_ends_are_dotted_and_nothing_stands_where_the_quotient_is_not_to_be_trusted(looked_at: Desk) -> None:
    plots, view = BiasPlots(), looked_at.view(sweeps(looked_at)[0])
    plots.show(view, ())
    ends, trusted = view.one_sided, view.trusted
    assert ends.any()
    assert (~trusted).any()
    for data, columns in ((plots.own.data, "yn"), (plots.group.data, ("y", "low", "high"))):
        assert all(np.isnan(np.asarray(data[column])[ends]).all() for column in columns)
    assert all(np.isnan(plots.ratio.data[column][ends | ~trusted]).all() for column in ("y", "low", "high"))
    assert np.isnan(plots.own.data["n"][~trusted]).all()
    assert_allclose(plots.ends.data["own"][ends], view.didv[ends] * scale_of(plots))
    assert np.isnan(plots.ends.data["own_n"][~trusted]).all()


def test_the_lock_in_channel_is_there_where_it_was_recorded(looked_at: Desk) -> None:
    plots, seen = BiasPlots(), set()
    for sweep in sweeps(looked_at)[::7]:
        view = looked_at.view(sweep)
        plots.show(view, ())
        assert plots.lockin.visible == (view.lockin is not None)
        seen.add(plots.lockin.visible)
    assert False in seen
