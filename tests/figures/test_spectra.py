"""Figures of spectra state their conventions and what is missing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from figures.drawings import SPECTRA, drawn

from sts import figures
from sts.figures import spectra
from sts.spectra.spectrum import Spectrum


def test_normalised_conductance_says_that_it_is_one_at_zero_by_construction() -> None:
    with figures.house_style():
        figure = drawn("normalised")[0].figure
        texts = [t.get_text() for legend in figure.legends for t in legend.get_texts()]
    assert any("limit at V = 0" in t for t in texts)
    assert any("not trusted" in t for t in texts)


def test_a_lock_in_signal_without_a_unit_gets_none() -> None:
    with figures.house_style():
        ax = figures.plot_spectrum(replace(SPECTRA[0], didv_unit=""), ax=figures.new_figure()[0])
    assert "unit not recorded" in ax.get_ylabel()
    assert "S)" not in ax.get_ylabel()


def ended() -> Spectrum:
    bias = SPECTRA[0].bias
    return replace(SPECTRA[0], one_sided=np.abs(bias) > 0.9 * bias.max())


@pytest.mark.parametrize("plot", [figures.plot_spectrum, figures.plot_normalised])
def test_the_outer_half_window_is_dotted_and_has_no_band(plot: Callable[..., Any]) -> None:
    spectrum = ended()
    with figures.house_style():
        ax = plot(spectrum, ax=figures.new_figure()[0])
        table = figures.data_behind([ax])
        words = [t.get_text() for box in ax.figure.legends for t in box.get_texts()]
    edge = 0.9 * spectrum.bias.max()
    outer = table["x"].abs() > 1.0001 * edge
    shown = table[outer & (np.isfinite(table["y"]) | np.isfinite(table["low"])) & (table["series"] != "ohmic")]
    assert len(shown)
    assert shown["series"].str.endswith("one side only").all()
    assert any("one side" in word for word in words)
    dotted = [line for line in ax.lines if np.size(line.get_xdata()) > 2 and line.get_linestyle() not in ("-", "None")]
    assert dotted


def test_several_curves_end_before_the_outer_half_window() -> None:
    with figures.house_style():
        axes = figures.new_figure(rows=(2, 1), share=False)
        figures.plot_setpoint_series([ended(), ended()], axes=axes)
        table = figures.data_behind(axes[:1])
    seen = table[np.isfinite(table["y"]) | np.isfinite(table["low"])]
    assert seen["x"].abs().max() <= 0.9 * ended().bias.max()


def test_the_form_through_the_gap_has_a_line_style_and_a_name_of_its_own() -> None:
    with figures.house_style():
        ax = figures.plot_normalised(SPECTRA[0], ax=figures.new_figure()[0])
        lines = {line.get_label(): line for line in ax.lines}
        plain, broadened = lines["plain I/V: n = 7 sweeps"], lines["I/V broadened by 600 mV"]
        without = figures.plot_normalised(replace(SPECTRA[0], broadened=None), ax=figures.new_figure()[0])
    assert plain.get_linestyle() != broadened.get_linestyle()
    x, y = broadened.get_xdata(), broadened.get_ydata()
    assert np.isfinite(y[np.abs(x) < 0.5]).all()
    assert np.isnan(plain.get_ydata()[np.abs(x) < 0.5]).all()
    assert not any("broadened" in str(line.get_label()) for line in without.lines)


def test_sizes_of_the_causes_have_the_digits_that_their_uncertainty_allows() -> None:
    """As in the caption below: the legend said −0.0456 ms where the caption says −46 ± 30 µs."""
    assert spectra._rounded(-0.0456, 0.030, "ms") == "−46 µs"
    assert spectra._rounded(78.61, 2.04, "fF") == "78.6 fF"
    assert spectra._rounded(-0.00341, 0.0037, "1/s") == "−0.0034 1/s"
    assert spectra._rounded(0.1, np.nan, "ms") == "100 µs"
