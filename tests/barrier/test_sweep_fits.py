"""The fits in SI: beside a general library, and the same as the table says in other units."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy import stats

from sts.barrier import fit_barrier, window_sensitivity
from sts.barrier.sweep_fits import WINDOWS
from sts.quantities import barrier_from_decay, decay_from_barrier
from sts.simulate import Bench, simulate_iz
from sts.sweeps import SweepSet


@pytest.fixture(scope="module")
def pair():
    """Sweeps that start 0.05 nm out, one of them dead, some samples missing."""
    made = simulate_iz(barrier_eV=4.4, height=(5e-11, 3.5e-10, 120), sweeps=30, seed=4, tip="t",
                       bench=Bench(white_A=1e-13, gap_noise=0.01)).sweeps  # fmt: skip
    current = made.current.copy()
    current[3], current[5, :7], current[5, 100:] = np.nan, np.nan, np.nan
    sweeps = SweepSet("iz", made.axis, current, made.table)
    return sweeps, fit_barrier(sweeps, confidence=0.9)


def test_the_plain_log_fit_is_that_of_numpy(pair):
    sweeps, fit = pair
    for row in (0, 5, 17):
        positive = sweeps.current[row] > 0  # NaN fails
        slope = np.polyfit(sweeps.axis[positive], np.log(sweeps.current[row][positive]), 1)[0]
        assert_allclose(fit.fits.log_decay[row], -slope, rtol=1e-8)


def test_the_heights_and_decades_are_those_of_the_samples_used(pair):
    sweeps, fit = pair
    assert_allclose([fit.fits.lowest[5], fit.fits.highest[5]], sweeps.axis[[7, 99]], rtol=1e-12)
    assert fit.fits.points[5] == 93
    step = (sweeps.axis[99] - sweeps.axis[7]) * fit.fits.decay[5] / np.log(10)
    assert_allclose(fit.fits.decades[5], step, rtol=1e-9)  # far above the noise: the decay over the range


def test_the_interval_is_that_of_student(pair):
    _, fit = pair
    for row in (0, 5):
        half = stats.t.interval(0.9, fit.fits.dof[row], scale=fit.fits.decay_se[row])[1]
        assert_allclose(fit.fits.reach(0.9)[row], half, rtol=1e-9)
        high = barrier_from_decay(fit.fits.decay[row] + half)
        assert_allclose(fit.table["barrier_high_eV"][row], high, rtol=1e-12)


def test_a_sweep_without_samples_has_no_numbers_and_the_table_says_the_same_in_other_units(pair):
    _, fit = pair
    fits = fit.fits
    assert_array_equal(fits.good, np.arange(30) != 3)
    for values in (
        fits.amplitude,
        fits.decay,
        fits.decay_se,
        fits.offset,
        fits.reduced_chi2,
        fits.decades,
        fits.lowest,
    ):
        assert_array_equal(np.isfinite(values), fits.good)
    for column, values in (("decay_per_nm", fits.decay * 1e-9), ("offset_pA", fits.offset * 1e12),
                           ("amplitude_pA", fits.amplitude * 1e12), ("from_nm", fits.lowest * 1e9),
                           ("barrier_eV", barrier_from_decay(fits.decay))):  # fmt: skip
        assert_allclose(fit.table[column], values, rtol=1e-12)


def test_one_step_to_a_window_is_nearly_the_fit_in_that_window(pair):
    """Beside the windows that are fitted to the end (`window_sensitivity`), within a third of the standard error."""
    sweeps, fit = pair
    fits, fitted = fit.fits, window_sensitivity(fit)
    span = np.ptp(sweeps.axis)
    for place, (lower, upper) in enumerate(WINDOWS):
        cut = [sweeps.axis[0] * 1e9 + share * span * 1e9 for share in (lower, upper)]
        there = np.isclose(fitted["lower_cut_nm"], cut[0]) & np.isclose(fitted["upper_cut_nm"], cut[1])
        wanted = decay_from_barrier(fitted.loc[there, "barrier_eV"].to_numpy())
        apart = (fits.window_decay[:, place] - wanted) / fits.decay_se
        assert np.isfinite(apart[fits.good]).all()
        assert np.median(np.abs(apart[fits.good])) < 0.33
