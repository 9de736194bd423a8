"""Figures of barriers draw the fits, residuals and cuts that they are given."""

from __future__ import annotations

import numpy as np
import pytest
from figures.drawings import BARRIER, LOCAL, drawn
from numpy.testing import assert_allclose

from sts import figures
from sts.figures import data_behind


def test_points_and_residuals_of_a_fit_are_those_of_the_fit() -> None:
    fit = BARRIER.fits[0]
    table = data_behind(drawn("iz_fits"))
    name = str(fit.table["sweep"].iloc[1])
    shown = table[(table["series"] == f"{name}: residual") & (table["panel"] == 2)]
    assert_allclose(shown["y"], fit.residual[1], equal_nan=True)
    assert_allclose(shown["x"], fit.height * 1e9, rtol=1e-12)


def test_lines_at_two_standard_deviations_help_to_judge_residuals() -> None:
    table = data_behind(drawn("iz_fits"))
    levels = table[table["series"].str.endswith("standard deviations")]
    assert sorted(set(levels["y"])) == [-2.0, 2.0]


def test_the_local_barrier_lies_within_its_band() -> None:
    table = data_behind(drawn("local"))
    name = LOCAL.sweeps[0]
    line, band = (table[table["series"] == s].reset_index() for s in (name, f"{name}: band"))
    there = np.isfinite(line["y"])
    assert there.any()
    assert (band["low"][there] <= line["y"][there]).all()
    assert (line["y"][there] <= band["high"][there]).all()


def test_the_line_of_window_cuts_is_the_median_of_the_sweeps() -> None:
    table = data_behind(drawn("window"))
    first = next(s for s in table["series"] if s.endswith(": median"))
    tip = first.removesuffix(": median")
    used = BARRIER.sweeps[(BARRIER.sweeps["tip"] == tip) & BARRIER.sweeps["used"].astype(bool)]["sweep"]
    rows = BARRIER.window[BARRIER.window["sweep"].isin(used)]
    rows = rows[np.isclose(rows["upper_cut_nm"], rows["upper_cut_nm"].max())]
    cut = rows["lower_cut_nm"].min()
    shown = table[(table["series"] == first) & (table["mark"] == "line")]
    assert_allclose(shown["y"].iloc[0], rows[rows["lower_cut_nm"] == cut]["barrier_eV"].median(), rtol=1e-12)


def test_one_panel_too_few_is_refused() -> None:
    with pytest.raises(ValueError, match="1 axes were given; this figure needs 2"):
        figures.plot_iz_fits(BARRIER.fits[0], [0], axes=figures.new_figure())


def test_all_tips_start_at_one_and_fall_as_their_barriers_say() -> None:
    """d ln I/dz = -2 sqrt(2 m phi)/hbar: 10.25 per nm for 1 eV (CODATA, by hand)."""
    table = figures.data_behind(drawn("iz_tips"))
    for name in table.loc[table["series"].str.endswith(": fit"), "series"].unique():
        line = table[(table["series"] == name) & table["y"].notna()]
        slope = np.polyfit(line["x"], np.log(line["y"]), 1)[0]
        sweep = name.split(", ")[1].removesuffix(": fit")
        barrier = BARRIER.sweeps.set_index("sweep").loc[sweep, "barrier_eV"]
        assert_allclose(line["y"].iloc[0], 1.0)
        assert_allclose((slope / 10.2463) ** 2, barrier, rtol=1e-3)


def test_cuts_of_the_window_count_from_the_near_end() -> None:
    """Where the piezo stood tells nothing, and moves from sweep to sweep."""
    far = BARRIER.window.assign(
        lower_cut_nm=BARRIER.window["lower_cut_nm"] - 75.0 - 0.01 * BARRIER.window["sweep"].map(hash).mod(7),
        upper_cut_nm=BARRIER.window["upper_cut_nm"] - 75.0,
    )
    with figures.house_style():
        plain, moved = (
            figures.data_behind([figures.plot_window_sensitivity(w, BARRIER.sweeps, ax=figures.new_figure()[0])])
            for w in (BARRIER.window, far)
        )
    assert plain["x"].min() == 0.0
    assert_allclose(moved["x"], plain["x"], atol=1e-9)
    assert_allclose(moved["y"], plain["y"])
