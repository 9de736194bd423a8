"""Figures for a paper keep to the Axes they are given: its colours, its legend, nothing beside it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import matplotlib as mpl
import matplotlib.pyplot as plt
import numpy as np
import pytest
from figures.drawings import BARRIER, SPECTRA
from matplotlib.axes import Axes
from matplotlib.colors import to_hex
from matplotlib.figure import Figure
from numpy.testing import assert_allclose

from sts import figures
from sts.analysis import BarrierAnalysis


def fresh(colours: tuple[str, ...] = ("#123456", "#654321", "#0a0b0c")) -> Axes:
    ax = Figure().subplots()
    ax.set_prop_cycle(color=colours)
    return ax


def words(ax: Axes) -> list[str]:
    box = ax.get_legend()
    assert box is not None
    return [t.get_text() for t in box.get_texts()]


def test_spectra_take_colours_and_legend_of_the_axes_and_nothing_stands_outside() -> None:
    ax = figures.plot_spectra(SPECTRA, labels=["one", "two"], ax=(given := fresh()))
    assert ax is given
    assert [to_hex(line.get_color()) for line in ax.get_lines()] == ["#123456", "#654321"]
    assert [to_hex(band.get_facecolor()[0]) for band in ax.collections] == ["#123456", "#654321"]  # type: ignore[index]
    assert words(ax) == ["one", "two"]
    assert ax.figure.legends == []
    assert ax.figure.axes == [ax]
    assert not ax.texts


def test_the_curves_drawn_are_the_numbers_in_the_unit_that_the_axis_names() -> None:
    one = SPECTRA[0]
    for quantity, values, label in (
        ("didv", one.didv * 1e12, "dI/dV (pS)"),
        ("current", one.current * 1e12, "Current (pA)"),
        ("normalised", np.where(one.trusted, one.normalised, np.nan), "(dI/dV)/(I/V), no unit"),
    ):
        ax = figures.plot_spectra(one, quantity=quantity, bands=False, ax=fresh())
        assert not ax.collections
        assert ax.get_ylabel() == label
        assert_allclose(ax.get_lines()[0].get_ydata(), values)
        assert_allclose(ax.get_lines()[0].get_xdata(), one.bias)


@pytest.mark.parametrize("quantity", ["didv", "normalised"])
def test_what_is_fitted_from_one_side_only_is_left_away(quantity: str) -> None:
    bias = SPECTRA[0].bias
    whole = np.ones(bias.size, bool)
    ended = replace(SPECTRA[0], one_sided=np.abs(bias) > 0.8 * bias.max(), trusted=whole)
    (line,) = figures.plot_spectra(ended, quantity=quantity, ax=fresh()).get_lines()
    assert np.isnan(np.asarray(line.get_ydata())[ended.ends]).all()
    assert np.isfinite(np.asarray(line.get_ydata())[~ended.ends & np.isfinite(ended.normalised)]).all()


def test_a_second_call_adds_in_the_same_units_and_goes_on_in_the_cycle() -> None:
    ax = figures.plot_spectra(SPECTRA[0], labels=["weak"], ax=fresh())
    strong = replace(
        SPECTRA[0], **{name: 1e4 * getattr(SPECTRA[0], name) for name in ("didv", "didv_low", "didv_high")}
    )
    figures.plot_spectra(strong, labels=["strong"], ax=ax)
    weak, tall = (np.asarray(line.get_ydata()) for line in ax.get_lines())
    assert_allclose(tall, 1e4 * weak)
    assert to_hex(ax.get_lines()[1].get_color()) == "#654321"
    assert words(ax) == ["weak", "strong"]
    with pytest.raises(ValueError, match="hold didv already; draw current on Axes of its own"):
        figures.plot_spectra(SPECTRA[0], quantity="current", ax=ax)


def test_a_range_of_millivolts_is_drawn_in_millivolts() -> None:
    narrow = replace(SPECTRA[0], bias=SPECTRA[0].bias * 4e-3)
    ax = figures.plot_spectra(narrow, ax=fresh())
    assert ax.get_xlabel().endswith("(mV)")
    assert_allclose(ax.get_lines()[0].get_xdata(), SPECTRA[0].bias * 4)


def test_a_band_that_is_wide_at_an_end_does_not_flatten_the_curve() -> None:
    one = SPECTRA[0]
    wide = replace(one, didv_high=one.didv_high + np.where(one.bias > 1.45, 1.0, 0.0))
    assert figures.plot_spectra(wide, ax=fresh()).get_ylim()[1] < 1.5 * one.didv_high.max() * 1e12


def test_the_band_of_the_current_is_as_many_uncertainties_wide_as_that_of_didv() -> None:
    one = SPECTRA[0]  # 2.4 standard uncertainties of dI/dV by construction
    low, high = one.current_band
    assert_allclose(high - one.current, 2.4 * one.current_se)
    assert_allclose(one.current - low, 2.4 * one.current_se)


def test_what_cannot_be_drawn_is_refused_in_words() -> None:
    with pytest.raises(ValueError, match="at least one"):
        figures.plot_spectra([])
    with pytest.raises(ValueError, match=r"1 labels for 2 spectra.*layered semiconductor, 100 pA; layered"):
        figures.plot_spectra(SPECTRA, labels=["a"])
    with pytest.raises(ValueError, match="one of didv, normalised, current"):
        figures.plot_spectra(SPECTRA, quantity="conductance", ax=fresh())
    with pytest.raises(ValueError, match=r"different units \(S, arb. units\)"):
        figures.plot_spectra([SPECTRA[0], replace(SPECTRA[1], didv_unit="arb. units")], ax=fresh())
    with pytest.raises(ValueError, match="Nothing of normalised"):
        figures.plot_spectra(replace(SPECTRA[0], trusted=np.zeros(121, bool)), quantity="normalised", ax=fresh())
    with pytest.raises(ValueError, match="2 analyses need 2 labels"):
        figures.plot_barriers([BARRIER, BARRIER])
    with pytest.raises(ValueError, match="no sweep with a tip was used"):
        figures.plot_barriers(replace(BARRIER, tips=BARRIER.tips.iloc[:0]))


def test_barriers_of_two_analyses_stand_side_by_side_at_their_tips() -> None:
    later: BarrierAnalysis = replace(BARRIER, tips=BARRIER.tips.iloc[1:].assign(barrier_eV=3.0))
    ax = figures.plot_barriers([BARRIER, later], labels=["before", "after"], sites=False, ax=fresh())
    assert words(ax) == ["before", "after"]
    assert [t.get_text() for t in ax.get_xticklabels()] == list(BARRIER.tips["tip"])
    first, second = (container[0] for container in ax.containers)
    assert_allclose(first.get_ydata(), BARRIER.tips["barrier_eV"])
    assert_allclose(np.round(np.asarray(second.get_xdata(), float)), [1, 2, 3])
    assert (np.asarray(second.get_xdata())[0] > np.asarray(first.get_xdata())[1]).all()
    assert [to_hex(line.get_markerfacecolor()) for line in (first, second)] == ["#123456", "#654321"]
    assert ax.figure.legends == []


def test_a_new_figure_is_as_wide_as_asked_and_saved_for_journals_whatever_the_user_has_set(tmp_path: Path) -> None:
    with mpl.rc_context({"pdf.fonttype": 3, "legend.fontsize": 20}):
        ax = figures.plot_spectra(SPECTRA, width_mm=60)
        assert_allclose(ax.figure.get_figwidth() * 25.4, 60)
        assert ax.get_legend().get_texts()[0].get_fontsize() == 6  # type: ignore[union-attr]
        path = figures.save_figure(ax, tmp_path / "new" / "figure.pdf")
    assert b"/FontFile2" in path.read_bytes()
    assert b"/Type3" not in path.read_bytes()
    assert [p.name for p in path.parent.iterdir()] == ["figure.pdf"]
    with pytest.raises(ValueError, match=r"ends with .pdf, .svg, .png, not with '.tiff'"):
        figures.save_figure(ax, tmp_path / "figure.tiff")
    plt.close("all")
