"""The figure of single sweeps by site: every number that it was given is in it."""

from __future__ import annotations

import pytest
from figures.drawings import drawn, sweep_features

from sts import figures
from sts.figures.marks import data_behind


def test_every_sweep_site_and_average_is_drawn() -> None:
    sweeps, sites, averages = sweep_features()
    with figures.house_style():
        axes = drawn("sweep_features")
        behind = data_behind(axes)
    points = behind[behind["mark"] == "points"]
    assert sorted(points["x"]) == pytest.approx(sorted(sweeps["value_mV"]))
    means = behind[behind["series"].str.endswith(": mean")]
    assert sorted(means["x"]) == pytest.approx(sorted(sites["mean_mV"]))
    assert sorted(means["low"]) == pytest.approx(sorted(sites["low_mV"]))
    assert len(behind[behind["series"].str.endswith("average")]) == len(averages)
    assert [ax.get_xlabel() for ax in axes] == ["Gap (meV)", "Position of peak 1, bias (mV)"]


def test_sites_are_named_with_their_tips_and_counted() -> None:
    with figures.house_style():
        ax = drawn("sweep_features")[0]
        names = [label.get_text() for label in ax.get_yticklabels()]
    assert names == ["heron, s1", "heron, s2", "heron, average", "plover, s1", "plover, s2", "plover, average"]
    assert [text.get_text() for text in ax.texts if text.get_text()] == ["2 sweeps"] * 4


def test_a_single_tip_is_not_named_in_every_row() -> None:
    parts = [frame[frame["tip"] == "heron"] for frame in sweep_features()]
    with figures.house_style():
        ax = figures.plot_sweep_features(*parts)[0]
    assert [label.get_text() for label in ax.get_yticklabels()] == ["s1", "s2", "average"]
