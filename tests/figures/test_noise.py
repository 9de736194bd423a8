"""The figure of noise names its unit and how many sweeps were averaged."""

from __future__ import annotations

import numpy as np
from numpy.testing import assert_allclose

from sts import figures
from sts.spectra.noise_spectrum import NoiseSpectrum


def test_the_density_stands_in_its_unit_with_its_interval() -> None:
    frequency = np.arange(1.0, 60.0)
    density = 2e-14 * np.ones(59)
    noise = NoiseSpectrum("all", frequency, density, 0.9 * density, 1.2 * density, 30, 4e-13)
    with figures.house_style():
        ax = figures.plot_noise_spectrum(noise, ax=figures.new_figure()[0])
        table = figures.data_behind([ax])
    assert ax.get_ylabel() == "Noise of the current (fA/√Hz)"
    assert ax.get_xlabel() == "Frequency (Hz)"
    line, band = (table[table["mark"] == mark] for mark in ("line", "band"))
    assert_allclose(line["y"], 20.0)
    assert_allclose(band["high"], 24.0)
    assert any("n = 30 sweeps, 400 fA rms" in t.get_text() for t in ax.get_legend().get_texts())
