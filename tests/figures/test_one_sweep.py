"""The picture of one sweep holds its numbers, in the unit of its axes, and marks each flag where it sits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sts.analysis import BiasView, Curve, HeightView, Place
from sts.figures import data_behind
from sts.figures.one_sweep import draw_sweeps, plot_one_sweep
from sts.figures.style import house_style

Z = np.linspace(0, 5e-10, 101)
V = np.linspace(-0.5, 0.5, 51)
ABOUT = {"sweep": "a$b$", "labels": {"tip": "heron"}, "used": False, "decided_by": "person", "decision": "omit: touched",
         "by": "anna", "beside": ("other",)}  # fmt: skip


@pytest.fixture(autouse=True)
def style():
    with house_style():
        yield


def height(**changes):
    current = 1e-9 * np.exp(-2e10 * Z) + 1e-12
    none = np.zeros(Z.size, bool)
    settled = none.copy()
    settled[:3] = True
    fields = {
        "places": (Place("jump", "current × 2", "point", 2e-10, 2e-10), Place("settling", "3 samples", "span", 0.0, 1e-11),
                   Place("coarse steps", "step 3 pA", "level", size=3e-12)),
        "height_m": Z, "current_A": current, "fitted_A": current, "masked": {"settling": settled}, "window_m": (1.5e-11, 5e-10),
        "offset_A": 1e-12, "offset_se_A": 1e-14, "noise_A": 2e-13, "residual": np.sin(np.arange(101.0)), "local_height_m": Z,
        "local_eV": np.full(101, 4.0), "local_se_eV": np.full(101, 0.1), "local_one_sided": none,
        "barrier_eV": 4.0, "barrier_low_eV": 3.9, "barrier_high_eV": 4.1,
    }  # fmt: skip
    return HeightView(**ABOUT, **(fields | changes))


def bias(**changes):
    ones = np.ones(V.size)
    fields = {
        "places": (Place("jump", "by 1.5 at 200 mV", "point", 0.2, 0.2),), "bias_V": V, "current_A": 1e-9 * V, "masked": {},
        "lockin": None, "lockin_unit": "", "setpoint": (0.5, 5e-10), "shifted_V": V - 0.01, "didv": 1e-9 * ones,
        "normalised": ones, "didv_unit": "S", "group": "all", "in_group": True, "no_group": "", "group_didv": 1.1e-9 * ones,
        "group_didv_low": 1e-9 * ones, "group_didv_high": 1.2e-9 * ones, "group_normalised": ones,
        "group_normalised_low": 0.9 * ones, "group_normalised_high": 1.1 * ones, "trusted": np.abs(V) > 0.05, "smoothing": "",
        "one_sided": np.zeros(V.size, bool),
    }  # fmt: skip
    return BiasView(**ABOUT, **(fields | changes))


def series(axes, name):
    table = data_behind(axes)
    return table[table["series"] == name]


def labels(ax):
    return ax.get_legend_handles_labels()[1]


def test_the_current_without_its_offset_is_drawn_and_what_is_masked_apart():
    axes = plot_one_sweep(height(), [Curve("other", Z, 1e-9 * np.exp(-1e10 * Z))])
    used = series(axes, "used")
    assert_allclose(used["y"], np.exp(-20 * used["x"]), rtol=1e-9)  # nA over nm, offset off
    assert len(used) == 98
    assert len(series(axes, "masked: settling")) == 3
    assert len(series(axes, "beside: other")) == 101
    assert axes[0].get_yscale() == "log"
    assert len(series(axes, "residual")) == 101
    assert {"jump", "settling", "coarse steps: one step"} <= set(labels(axes[0]))


def test_each_flag_is_drawn_where_it_sits():
    (upper, *_) = plot_one_sweep(height())
    lines = {line.get_label(): line for line in upper.get_lines()}
    assert lines["jump"].get_xdata()[0] == pytest.approx(0.2)
    assert lines["coarse steps: one step"].get_ydata()[0] == pytest.approx(3e-3)
    (span,) = [patch for patch in upper.patches if patch.get_label() == "settling"]
    assert span.get_extents().width > 0


def test_the_heading_says_who_decided_and_why_and_takes_nothing_for_a_formula():
    (upper, *_) = plot_one_sweep(height())
    said = upper.get_title(loc="left")
    assert r"a\$b\$" in said
    assert "left out by a person (omit: touched)" in said
    assert "jump: current × 2" in said


def test_a_sweep_without_a_fit_is_drawn_all_the_same():
    none = np.full(101, np.nan)
    axes = plot_one_sweep(height(fitted_A=none, residual=none, local_eV=none, local_se_eV=none, barrier_eV=np.nan,
                                 offset_A=np.nan, window_m=(np.nan, np.nan), noise_A=np.nan))  # fmt: skip
    assert "no fit" in [text.get_text() for text in axes[1].texts]
    assert len(series(axes, "used")) == 98


def test_a_bias_sweep_lies_over_its_group_with_the_lockin_beside():
    axes = plot_one_sweep(bias(lockin=np.full(V.size, 1.05e-9), lockin_unit="S"))
    assert_allclose(series(axes, "this sweep")["y"].iloc[: V.size], 1.0)
    assert_allclose(series(axes, "group")["y"].iloc[: V.size], 1.1)
    assert_allclose(series(axes, "lock-in")["y"], 1.05)
    assert axes[1].get_ylabel() == "dI/dV (nS)"
    assert "jump" in labels(axes[0])


def test_where_there_is_no_group_the_picture_says_why():
    none = np.full(V.size, np.nan)
    axes = plot_one_sweep(
        bias(didv=none, normalised=none, group_didv=none, group_normalised=none, no_group="nothing is used")
    )
    assert [text.get_text() for text in axes[1].texts] == ["nothing is used"]


def test_several_sweeps_stand_in_one_picture():
    figure = draw_sweeps([(height(), ()), (bias(), ()), (replace(height(), sweep="c"), ()), (bias(), ())])
    assert len(figure.axes) == 12


@pytest.mark.parametrize("view", [height(local_one_sided=Z > 4e-10), bias(one_sided=np.abs(V) > 0.4)])
def test_slopes_fitted_from_one_side_are_dotted_without_a_band(view):
    table = data_behind(plot_one_sweep(view))
    slopes = table[table["series"].str.match("local b|group|this sweep") & (table["panel"] > 1)]
    bands, lines = slopes[slopes["mark"] == "band"], slopes[slopes["mark"] == "line"]
    height_view = isinstance(view, HeightView)
    outer = bands["x"] > 0.4 if height_view else (bands["x"] + 0.01).abs() > 0.4001
    assert outer.any()
    assert bands["low"].notna()[~outer].any()
    assert bands["low"].isna()[outer].all()
    solid = lines[~lines["series"].str.endswith("one side only") & lines["y"].notna()]
    assert (solid["x"] < 0.4001).all() if height_view else ((solid["x"] + 0.01).abs() < 0.4001).all()
    assert lines.loc[lines["series"].str.endswith("one side only"), "y"].notna().any()
