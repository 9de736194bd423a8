"""The same model through lmfit, the certified exponentials through our engine, and the modulated height."""

from __future__ import annotations

import numpy as np
import pytest
from barrier.examples import NO_LOOP
from numpy.testing import assert_allclose

from sts.barrier import fit_barrier
from sts.barrier.one_sweep import fit_barrier_single, profile_sweep
from sts.simulate import Bench, simulate_iz


@pytest.fixture(scope="module")
def pair():
    bench = Bench(white_A=1e-12, gap_noise=0.01, current_offset_A=2e-12)
    made = simulate_iz(barrier_eV=4.4, height=(0, 0.36e-9, 150), sweeps=40, bench=bench, seed=21, tip="t").sweeps
    return made, fit_barrier(made, NO_LOOP)


@pytest.mark.parametrize("row", [0, 7, 31])
def test_the_batch_agrees_with_a_library_fitter_on_the_same_weights(pair, row):
    """lmfit (MINPACK) is the outside reference: parameters, and standard errors without what slow noise may add."""
    made, fit = pair
    deviation = (fit.current[row] - fit.fitted[row]) / fit.residual[row]
    single = fit_barrier_single(made.axis, made.current[row], deviation)
    assert_allclose(single.barrier_eV, fit.table["barrier_eV"][row], rtol=1e-5)
    white = fit.table["barrier_se_eV"][row] / np.sqrt(fit.fits.inflation[row])
    assert_allclose(single.barrier_se_eV, white, rtol=1e-3)
    assert 0.97 < fit.fits.inflation[row] < 1.1
    assert_allclose(single.offset_A, fit.offset[row], atol=1e-15)


def test_the_profile_interval_is_near_the_linear_one_for_a_good_sweep(pair):
    made, fit = pair
    deviation = (fit.current[0] - fit.fitted[0]) / fit.residual[0]
    low, high = fit_barrier_single(made.axis, made.current[0], deviation, profile=True).interval_eV
    assert_allclose([low, high], fit.table.loc[0, ["barrier_low_eV", "barrier_high_eV"]].to_numpy(float), rtol=2e-3)


def test_a_sweep_of_the_batch_is_profiled_by_name(pair):
    _, fit = pair
    name = fit.table["sweep"][3]
    found = profile_sweep([fit], name)
    assert_allclose(found.barrier_eV, fit.table["barrier_eV"][3], rtol=1e-4)
    assert_allclose(
        found.interval_eV, fit.table.loc[3, ["barrier_low_eV", "barrier_high_eV"]].to_numpy(float), rtol=3e-3
    )
    with pytest.raises(ValueError, match="no I\\(z\\) sweep 'nobody'"):
        profile_sweep([fit], "nobody")


def test_too_few_samples_are_refused():
    with pytest.raises(ValueError, match="at least 5"):
        fit_barrier_single([0, 1, 2, 3], [1, 1, 1, 1], [1, 1, 1, 1])


def test_samples_without_a_value_or_an_uncertainty_are_left_out(pair):
    made, fit = pair
    deviation = (fit.current[0] - fit.fitted[0]) / fit.residual[0]
    current = made.current[0].copy()
    current[[5, 60]] = np.nan, np.inf
    deviation[[7, 80]] = 0.0, np.nan
    rest = np.delete(np.arange(current.size), [5, 7, 60, 80])
    wanted = fit_barrier_single(made.axis[rest], current[rest], deviation[rest])
    found = fit_barrier_single(made.axis, current, deviation)
    assert_allclose([found.barrier_eV, found.barrier_se_eV], [wanted.barrier_eV, wanted.barrier_se_eV], rtol=1e-9)
    with pytest.raises(ValueError, match="4 usable samples"):
        fit_barrier_single(made.axis[2:8], current[2:8], deviation[2:8])  # six, less numbers 5 and 7
