"""Figures of spectra state their conventions and what is missing."""

from __future__ import annotations

from dataclasses import replace

from figures.drawings import SPECTRA, drawn

from sts import figures


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
