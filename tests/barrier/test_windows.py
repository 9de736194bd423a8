"""The window matters for bent sweeps only."""

from __future__ import annotations

import numpy as np
import pytest
from barrier.examples import a_set

from sts.barrier import fit_barrier, window_sensitivity
from sts.barrier.windows import fit_window
from sts.simulate import Bench, simulate_iz


def test_the_window_does_not_matter_for_clean_data_and_does_for_a_bent_sweep():
    z = np.linspace(0, 0.4e-9, 150)
    straight, bent = 1e-9 * np.exp(-20e9 * z), 1e-9 * np.exp(-16e9 * z - 15e18 * z**2)
    fit = fit_barrier(a_set(z, np.stack([straight, bent])))
    window = window_sensitivity(fit)
    spread = window.groupby("sweep")["barrier_eV"].agg(lambda b: b.max() - b.min())
    assert spread["s0"] < 1e-6
    assert spread["s1"] > 0.1
    assert (window["lower_cut_nm"].min(), window["upper_cut_nm"].max()) == pytest.approx((0.0, 0.4))
    assert (window["lower_cut_nm"].max(), window["upper_cut_nm"].min()) == pytest.approx((0.1, 0.3))
    assert fit.table["choice_spread_eV"][1] > 100 * fit.table["choice_spread_eV"][0]


def test_one_sweep_fitted_over_other_samples_covers_the_truth_and_widens_as_samples_go():
    """Simulated: 95 % intervals of single sweeps must hold the truth in 95 of 100, here within 4 standard errors of 200."""
    made = simulate_iz(barrier_eV=4.4, height=(0, 0.4e-9, 120), sweeps=200, seed=5, tip="t",
                       bench=Bench(white_A=1e-12, gap_noise=0.01)).sweeps  # fmt: skip
    fit = fit_barrier(made)
    half = np.arange(120) < 60
    whole = [fit_window(fit, row, np.ones(120, bool)) for row in range(200)]
    parts = [fit_window(fit, row, half) for row in range(200)]
    for found in (whole, parts):
        held = np.mean([one.barrier_low_eV <= 4.4 <= one.barrier_high_eV for one in found])
        assert 0.89 <= held <= 1.0
    widths = [np.median([one.barrier_high_eV - one.barrier_low_eV for one in found]) for found in (whole, parts)]
    assert widths[1] > 1.5 * widths[0]
    np.testing.assert_allclose([one.barrier_eV for one in whole], fit.table["barrier_eV"], rtol=1e-3)
