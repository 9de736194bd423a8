"""The window matters for bent sweeps only."""

from __future__ import annotations

import numpy as np
import pytest
from barrier.examples import a_set

from sts.barrier import fit_barrier, window_sensitivity


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
