"""Figures draw what they are given, name every unit, and can be read by everybody."""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from figures import example
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.image import imread
from numpy.testing import assert_allclose

from sts import figures
from sts.barrier import local_barrier
from sts.figures import marks, style
from sts.figures.sweeps import height_axis

HEIGHTS = example.height_sweeps()
BARRIER = example.barrier_analysis(HEIGHTS)
SERIES = [example.bias_sweeps(100.0), example.bias_sweeps(300.0)]
SPECTRA = [example.spectrum(s) for s in SERIES]
TIMELINE = HEIGHTS.table.assign(kind="iz", used=BARRIER.sweeps["used"])

LOCAL = local_barrier(BARRIER.fits[0])

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
    "pairs": (lambda a: figures.plot_tip_pairs(BARRIER.pairs, ax=a[0]), {"width": "double"}),
    "trend": (lambda a: figures.plot_sweep_trend(BARRIER.sweeps, ax=a[0]), {}),
    "timeline": (lambda a: figures.plot_session_timeline(TIMELINE, ax=a[0]), {"height_in": 1.6}),
}
PICTURES = Path(__file__).parent / "baseline"
TOLERANCE = 0.02  # of full white: a pixel of blur passes, a curve that moved does not
BASELINE = ("spectrum", "normalised", "iz_fits", "by_tip", "pairs", "sweeps_iz")


def drawn(name: str) -> list[Axes]:
    function, shape = DRAWINGS[name]
    axes = figures.new_figure(**shape)
    function(axes)
    return axes


@pytest.mark.parametrize("name", DRAWINGS)
def test_every_axis_with_numbers_names_its_unit(name: str) -> None:
    with figures.house_style():
        for ax in drawn(name):
            shared_below = ax.get_xlabel() == "" and len(ax.figure.axes) > 1
            labels = [] if shared_below else [ax.get_xlabel()]
            if ax.get_ylabel() or not any(t.get_text() for t in ax.get_yticklabels()):
                labels.append(ax.get_ylabel())
            for label in labels:
                has_unit = re.search(r"\((V|nm|eV|meV|min|[afpnµm]?A|[afpnµm]?S|start times not recorded)\)", label)
                bare = re.search(r"no unit|number|/ noise|/ least error", label)
                assert has_unit or bare, f"{name}: '{label}' has no unit"


@pytest.mark.parametrize("name", [n for n in DRAWINGS if n != "timeline"])
def test_a_legend_or_the_rows_say_how_many_or_what_a_band_means(name: str) -> None:
    with figures.house_style():
        axes = drawn(name)
        figure = axes[0].figure
        legends = [legend for ax in axes if (legend := ax.get_legend())] + list(figure.legends)
        assert legends, name


@pytest.mark.parametrize("name", DRAWINGS)
def test_what_is_drawn_stands_in_the_table_behind_it(name: str) -> None:
    with figures.house_style():
        table = figures.data_behind(drawn(name))
    assert list(table.columns) == list(marks.DATA_COLUMNS)
    assert len(table) > 3
    assert np.isfinite(table["x"]).all()
    assert (table["x_axis"] != "").all()


def test_the_table_behind_a_spectrum_is_the_spectrum() -> None:
    with figures.house_style():
        table = figures.data_behind(drawn("spectrum"))
    mean = table[table["series"] == "mean"]
    assert mean["y_axis"].iloc[0] == "dI/dV (pS)"
    assert_allclose(mean["y"], SPECTRA[0].didv * 1e12, rtol=1e-12)
    band = table[table["mark"] == "band"]
    assert_allclose(band["low"], SPECTRA[0].didv_low * 1e12, rtol=1e-12)


def test_bias_axis_states_the_convention() -> None:
    with figures.house_style():
        for name in ("spectrum", "normalised", "sweeps_iv", "directions", "setpoints"):
            assert "sample relative to tip" in drawn(name)[0].get_xlabel()


def test_normalised_conductance_says_that_it_is_one_at_zero_by_construction() -> None:
    with figures.house_style():
        figure = drawn("normalised")[0].figure
        texts = [t.get_text() for legend in figure.legends for t in legend.get_texts()]
    assert any("limit at V = 0" in t for t in texts)
    assert any("not trusted" in t for t in texts)


def test_counts_of_sites_and_sweeps_are_written_beside_each_tip() -> None:
    with figures.house_style():
        texts = [t.get_text() for t in drawn("by_tip")[0].texts]
    tip = BARRIER.tips.iloc[0]
    number = f"{tip.barrier_eV:.2f} ({tip.barrier_low_eV:.2f} to {tip.barrier_high_eV:.2f}) eV"
    assert texts[0].split("\n")[0] == number  # two digits of an uncertainty of 0.10 eV
    assert [text.split("\n")[1] for text in texts] == [f"3 sites, {n} sweeps" for n in (12, 11, 12, 12)]


def test_a_lock_in_signal_without_a_unit_gets_none() -> None:
    with figures.house_style():
        ax = figures.plot_spectrum(replace(SPECTRA[0], didv_unit=""), ax=figures.new_figure()[0])
    assert "unit not recorded" in ax.get_ylabel()
    assert "S)" not in ax.get_ylabel()


def test_figures_without_their_data_say_what_is_missing() -> None:
    bare = replace(SPECTRA[0], criterion=None, half_difference=None)
    with pytest.raises(ValueError, match="not chosen from repeats"):
        figures.plot_smoothing_criterion(bare)
    with pytest.raises(ValueError, match="no pair of upward and downward"):
        figures.plot_direction_difference(bare)
    with pytest.raises(ValueError, match="'single' or 'double'"):
        figures.new_figure(width="triple")
    with pytest.raises(ValueError, match="1 axes were given; this figure needs 2"):
        figures.plot_iz_fits(BARRIER.fits[0], [0], axes=figures.new_figure())


def test_a_session_without_start_times_is_drawn_in_order_and_says_so() -> None:
    ax = figures.plot_session_timeline(TIMELINE.assign(started=""), ax=figures.new_figure()[0])
    assert "start times not recorded" in ax.get_xlabel()


def test_too_many_sweeps_are_thinned_and_the_legend_says_so() -> None:
    many = np.arange(1000)
    kept, words = style.thin_out(many)
    assert len(kept) <= style.MOST_SWEEPS
    assert words == ", every 4th drawn"
    assert style.thin_out(many[:10])[1] == ""


def test_left_out_sweeps_are_told_from_kept_ones_in_grey_too() -> None:
    with figures.house_style():
        lines = drawn("sweeps_iv")[0].figure.legends[0].get_lines()
    assert lines[0].get_linestyle() != lines[1].get_linestyle()


def test_a_figure_given_no_axes_makes_its_own() -> None:
    import matplotlib.pyplot as plt

    ax = figures.plot_tip_pairs(BARRIER.pairs)
    assert ax.get_xlabel().startswith("Ratio")
    upper, lower = figures.plot_iz_fits(BARRIER.fits[0], [0])
    assert upper.figure is lower.figure
    plt.close("all")


def test_sizes_are_those_of_journal_columns() -> None:
    for width, millimetres in (("single", 85), ("double", 178)):
        figure = figures.new_figure(width=width)[0].figure
        assert_allclose(figure.get_figwidth() * 25.4, millimetres)


@pytest.mark.parametrize(
    ("value", "factor", "unit"),
    [(2e-10, 1e12, "pA"), (3e-9, 1e9, "nA"), (5e-7, 1e9, "nA"), (1.5, 1.0, "A"), (4e-16, 1e18, "aA"), (0.0, 1.0, "A")],
)
def test_prefixes_make_the_largest_value_read_as_one_to_a_thousand(value: float, factor: float, unit: str) -> None:
    got, name = style.scale_for([0.0, -value, np.nan], "A")
    assert name == unit
    assert_allclose(got, factor)


def test_shaded_spans_cover_the_masked_points_and_half_a_step_more() -> None:
    x = np.linspace(-1, 1, 5)
    assert style.spans_where(x, np.abs(x) < 0.6) == [(-0.75, 0.75)]
    assert style.spans_where(x, x > 5) == []
    assert style.spans_where(x, x < -0.6) == [(-1.0, -0.75)]


# --- colours -------------------------------------------------------------------------------------------------------


def relative_luminance(colour: str) -> float:
    """WCAG 2.2, definition of relative luminance (W3C Recommendation)."""
    rgb = np.array(mpl.colors.to_rgb(colour))
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def contrast(a: str, b: str) -> float:
    """WCAG 2.2, definition of contrast ratio."""
    high, low = sorted((relative_luminance(a), relative_luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_formula_gives_the_known_extreme() -> None:
    """WCAG 2.2: contrast goes from 1:1 to 21:1, black on white."""
    assert_allclose(contrast("#000000", "#ffffff"), 21.0)


@pytest.mark.parametrize("colour", [*style.COLOURS, style.GREY])
def test_every_colour_stands_out_from_the_white_page(colour: str) -> None:
    """WCAG 2.2, 1.4.11: 3:1 for graphical objects."""
    assert contrast(colour, "#ffffff") >= 3.0


@pytest.mark.skipif("okabe_ito" not in mpl.colormaps, reason="this matplotlib has no table of the set")
def test_the_main_colours_are_those_of_okabe_and_ito() -> None:
    """matplotlib's own copy of the set is the reference."""
    published = {mpl.colors.to_hex(c) for c in mpl.colormaps["okabe_ito"].colors}  # type: ignore[attr-defined]
    assert {style.BLUE.lower(), style.VERMILLION.lower(), style.GREEN.lower(), style.BLACK} <= published


# --- pictures ------------------------------------------------------------------------------------------------------


def difference(name: str, figure: Figure, folder: Path) -> float:
    """Root mean square difference of a figure from the picture that was judged (0 to 1)."""
    figure.savefig(folder / "now.png", dpi=70, metadata={"Software": None})
    now, then = (imread(path)[..., :3] for path in (folder / "now.png", PICTURES / f"{name}.png"))
    assert now.shape == then.shape
    return float(np.sqrt(np.mean((blurred(now) - blurred(then)) ** 2)))


@pytest.mark.parametrize("name", BASELINE)
def test_figure_looks_as_it_did_when_it_was_judged(name: str, tmp_path: Path) -> None:
    """Tolerant: fonts are drawn a little differently by other versions. STS_WRITE_BASELINE=1 writes the pictures."""
    with figures.house_style():
        figure = drawn(name)[0].figure
        assert isinstance(figure, Figure)
        if os.environ.get("STS_WRITE_BASELINE"):
            figure.savefig(PICTURES / f"{name}.png", dpi=70, metadata={"Software": None})
        assert difference(name, figure, tmp_path) < TOLERANCE


@pytest.mark.parametrize("name", BASELINE)
def test_the_picture_test_notices_what_is_missing(name: str, tmp_path: Path) -> None:
    with figures.house_style():
        ax = drawn(name)[0]
        for artist in [*ax.lines, *ax.collections]:
            artist.remove()
        assert isinstance(ax.figure, Figure)
        assert difference(name, ax.figure, tmp_path) > TOLERANCE


@pytest.mark.parametrize("name", BASELINE)
def test_the_picture_test_notices_other_numbers(name: str, tmp_path: Path) -> None:
    with figures.house_style():
        ax = drawn(name)[0]
        low, high = ax.get_ylim()
        ax.set_ylim(low, low * (high / low) ** 1.3 if ax.get_yscale() == "log" else low + 1.3 * (high - low))
        assert isinstance(ax.figure, Figure)
        assert difference(name, ax.figure, tmp_path) > TOLERANCE


def blurred(image: np.ndarray) -> np.ndarray:
    """A picture at a third of its size: a pixel's shift of a letter does not count, a missing curve does."""
    h, w = image.shape[0] // 3 * 3, image.shape[1] // 3 * 3
    return image[:h, :w].reshape(h // 3, 3, w // 3, 3, 3).mean(axis=(1, 3))


def test_pandas_text_columns_of_either_kind_are_drawn() -> None:
    table = BARRIER.sweeps.assign(tip=pd.array(BARRIER.sweeps["tip"], dtype="str"))
    assert figures.plot_sweep_trend(table, ax=figures.new_figure()[0]).get_ylabel() == "Apparent barrier height (eV)"


def test_heights_count_from_the_near_end_and_the_axis_says_so() -> None:
    values, label = height_axis(np.array([-75.2e-9, -75.0e-9]))
    assert values == pytest.approx([0, 0.2])
    assert label == "Height from the sweep's near end (nm)"
    assert height_axis(np.array([0, 1e-9]))[1] == "Height, away from the surface (nm)"
