"""A broken axis keeps ratios within a stretch, cuts only what is empty, and comes back from place to value."""

from __future__ import annotations

import numpy as np
from numpy.testing import assert_allclose

from sts import figures
from sts.figures.broken_axis import EMPTY, axis_words, break_axis, stretches

BARRIERS = np.array([0.68, 0.70, 0.72, 4.2, 4.3, 4.9])


def test_values_that_do_not_differ_by_a_factor_or_are_not_above_zero_stay_linear() -> None:
    assert stretches([4.0, 4.5, 5.0]) is None
    assert stretches([-0.1, 0.5, 5.0]) is None
    assert stretches([4.0]) is None
    assert stretches([np.nan, 4.0, 4.1]) is None


def test_one_bad_tip_leaves_the_others_most_of_the_axis() -> None:
    found = stretches(BARRIERS)
    assert found is not None
    place = found.place(BARRIERS)
    whole = np.ptp(found.places)
    assert np.ptp(place[3:]) / whole > 0.3
    logs = np.log10(BARRIERS)
    assert np.ptp(logs[3:]) / np.ptp(logs) < 0.1  # of a plain logarithmic axis


def test_equal_ratios_are_equally_long_within_any_stretch() -> None:
    found = stretches(BARRIERS)
    low, high = (np.diff(found.place(np.array([x, 1.02 * x])))[0] for x in (0.69, 4.5))
    assert_allclose(low, high, rtol=1e-9)
    assert_allclose(low, np.log10(1.02), rtol=1e-9)


def test_places_rise_with_values_and_lead_back_to_them() -> None:
    found = stretches(BARRIERS)
    values = np.geomspace(0.3, 9, 200)
    assert (np.diff(found.place(values)) > 0).all()
    assert_allclose(found.value(found.place(values)), values, rtol=1e-9)


def test_without_an_empty_stretch_nothing_is_cut() -> None:
    values = 10 ** np.arange(-0.5, 0.8, 0.9 * EMPTY)
    found = stretches(values)
    assert found.places.size == 2
    assert_allclose(np.diff(found.place(values)), np.diff(np.log10(values)), rtol=1e-9)


def test_each_stretch_has_a_tick_and_each_cut_a_mark() -> None:
    with figures.house_style():
        ax = figures.new_figure()[0]
        ax.plot(BARRIERS, np.arange(6))
        break_axis(ax, stretches(BARRIERS))
        ticks = ax.get_xticks()
        ax.figure.canvas.draw()
    assert ((ticks > 0.6) & (ticks < 0.8)).any()
    assert ((ticks > 4) & (ticks < 5)).sum() >= 1
    assert sum(line.get_transform() == ax.transAxes for line in ax.lines) == 2  # one cut: //


def test_a_cut_is_named_only_where_there_is_one() -> None:
    whole, cut = stretches(np.geomspace(0.2, 0.8, 12)), stretches(BARRIERS)
    assert whole is not None
    assert cut is not None
    assert axis_words(whole) == "logarithmic"
    assert axis_words(cut) == "logarithmic, // empty stretch cut"
