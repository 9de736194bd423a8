"""Figures of sweeps tell the kept from the left out, and the order."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from figures.drawings import BARRIER, TIMELINE, drawn

from sts import figures
from sts.figures.sweeps import height_axis


def test_a_session_without_start_times_is_drawn_in_order_and_says_so() -> None:
    ax = figures.plot_session_timeline(TIMELINE.assign(started=""), ax=figures.new_figure()[0])
    assert "start times not recorded" in ax.get_xlabel()


def test_left_out_sweeps_are_told_from_kept_ones_in_grey_too() -> None:
    with figures.house_style():
        lines = drawn("sweeps_iv")[0].figure.legends[0].get_lines()
    assert lines[0].get_linestyle() != lines[1].get_linestyle()


def test_pandas_text_columns_of_either_kind_are_drawn() -> None:
    table = BARRIER.sweeps.assign(tip=pd.array(BARRIER.sweeps["tip"], dtype="str"))
    assert figures.plot_sweep_trend(table, ax=figures.new_figure()[0]).get_ylabel() == "Apparent barrier height (eV)"


def test_heights_count_from_the_near_end_and_the_axis_says_so() -> None:
    values, label = height_axis(np.array([-75.2e-9, -75.0e-9]))
    assert values == pytest.approx([0, 0.2])
    assert label == "Height from the sweep's near end (nm)"
    assert height_axis(np.array([0, 1e-9]))[1] == "Height, away from the surface (nm)"
