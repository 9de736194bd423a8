"""Figures of sweeps tell the kept from the left out, and the order."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from figures.drawings import BARRIER, HEIGHTS, TIMELINE, drawn

from sts import figures
from sts.figures.marks import MARK_POINTS, draw_line, draw_points, points_drawn
from sts.figures.style import MOST_SWEEPS
from sts.figures.sweeps import height_axis
from sts.sweeps import SweepSet, sweep_table


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


def test_sweeps_of_a_tip_are_coloured_by_site_and_those_left_out_are_dashed() -> None:
    tip = HEIGHTS.table["tip"].iloc[0]
    mine = (HEIGHTS.table["tip"] == tip).to_numpy()
    names = np.array(HEIGHTS.names, object)[mine]
    with figures.house_style():
        ax = figures.plot_tip_sweeps([HEIGHTS], [mine], used=set(names[1:]), ax=figures.new_figure()[0])
        table = figures.data_behind([ax])
        words = [t.get_text() for box in ax.figure.legends for t in box.get_texts()]
    sites = HEIGHTS.table["site"][mine].astype(str)
    assert set(table["series"]) == {
        f"left out: {names[0]}",
        *(f"{s}: {n}" for s, n in zip(sites[1:], names[1:], strict=True)),
    }
    assert len(words) == sites.nunique() + 1
    colours = {tuple(c.get_color()[0]) for c in ax.collections}
    assert len(colours) == sites.nunique() + 1


def test_a_map_shows_where_sites_lie_with_equal_lengths_on_both_axes() -> None:
    table = pd.DataFrame({"tip": ["a", "a", "b"], "site": ["1", "2", "1"], "x_m": [0.0, 2e-7, 1e-7], "y_m": [1e-7, 1e-7, 3e-7],
                          "barrier_eV": [4.0, 4.2, np.nan]})  # fmt: skip
    with figures.house_style():
        ax = figures.plot_site_map(table, ax=figures.new_figure()[0])
        shown = figures.data_behind([ax])
    assert ax.get_xlabel() == "x (nm)"
    assert sorted(shown["x"]) == [0.0, 100.0, 200.0]
    assert ax.get_aspect() == 1.0
    assert [t.get_text().strip() for t in ax.texts] == ["1: 4.00 eV", "2: 4.20 eV", "1"]


def test_of_many_sites_of_many_sweeps_each_shows_its_share_of_the_lines() -> None:
    """Three hundred of each site, they were thousands of lines, and a table of a hundred megabytes beside the figure."""
    sweeps = 1200
    site = np.arange(sweeps) % 30
    table = sweep_table([f"r{i}" for i in range(sweeps)], tip="heron", site=[f"s{i}" for i in site])
    many = SweepSet("iv", [-1.0, 0.0, 1.0], np.ones((sweeps, 1)) * [-1e-9, 0.0, 1e-9], table)
    with figures.house_style():
        ax = figures.plot_tip_sweeps([many], [np.ones(sweeps, bool)], ax=figures.new_figure()[0])
        table = figures.data_behind([ax])
        words = [text.get_text() for text in ax.figure.legends[0].get_texts()]
    assert 150 <= table["series"].nunique() <= MOST_SWEEPS + 30
    assert len({name.split(":")[0] for name in table["series"]}) == 30
    assert all("every 4th drawn" in text or "every 5th drawn" in text for text in words)


def test_a_mark_counts_for_more_than_a_point_of_a_line() -> None:
    """It is drawn by itself: a line of as many points needs an eighth of the bytes."""
    ax = figures.new_figure()[0]
    draw_line(ax, [0, 1], [0, 1], series="line")
    assert points_drawn([ax]) == 2
    draw_points(ax, [0, 1], [0, 1], series="marks")
    assert points_drawn([ax]) == 2 + 2 * MARK_POINTS
