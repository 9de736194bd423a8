"""One sweep is seen through the operator of its group: what the average holds of it comes out again."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from spectra.two_channels import measured as measured_twice
from spectra.two_channels import spectrum as spectrum_of

import sts
from sts.plan import Plan
from sts.spectra import average_spectrum
from sts.spectra.single import single_spectrum


@pytest.fixture(scope="module")
def group():
    made = sts.simulate_iv(density="flat", bias=(-0.5, 0.5, 101), sweeps=6, temperature_K=77.0, seed=4)
    return made.sweeps


@pytest.mark.parametrize("method", ["local polynomial", "gaussian", "penalised"])
def test_a_used_sweep_has_the_derivative_that_the_average_was_made_of(group, method):
    plan = Plan.model_validate({"spectra": {"smoothing": method}})
    spectrum = average_spectrum(group, plan, used=group.names)
    for row in (0, 5):
        own = single_spectrum(group.one(row), spectrum, plan.spectra)
        assert_allclose(own.didv, spectrum.didv_each[row], rtol=1e-9)


def test_a_sweep_left_out_that_is_twice_another_has_twice_its_derivative(group):
    """The operator is linear; the zero of the current is that of the group."""
    double = replace(group, current=group.current.copy())
    plan = Plan.model_validate({"spectra": {"offsets": "keep"}})
    double.current[3] = 2 * double.current[2]
    spectrum = average_spectrum(double, plan, used=[name for i, name in enumerate(double.names) if i != 3])
    two, three = (single_spectrum(double.one(row), spectrum, plan.spectra) for row in (2, 3))
    assert_allclose(three.didv, 2 * two.didv, rtol=1e-12)
    assert_allclose(three.normalised, two.normalised, rtol=1e-9)


def test_what_was_not_measured_has_no_derivative(group):
    holed = replace(group, current=group.current.copy())
    holed.current[1, 40:44] = np.nan
    spectrum = average_spectrum(holed, used=holed.names)
    own = single_spectrum(holed.one(1), spectrum, Plan().spectra)
    assert np.flatnonzero(np.isnan(own.didv)).tolist() == [40, 41, 42, 43]
    assert_allclose(own.didv[60:], spectrum.didv_each[1][60:], rtol=1e-9)


def test_a_sweep_on_another_axis_is_refused(group):
    other = sts.SweepSet("iv", group.axis[:-1], group.current[:1, :-1], sts.sweep_table(["x"]))
    with pytest.raises(ValueError, match=r"One sweep of 101 points is needed"):
        single_spectrum(other, average_spectrum(group, used=group.names), Plan().spectra)


def test_one_sweep_of_a_lock_in_spectrum_is_its_own_channel_calibrated_alike():
    """Directions are not balanced in one sweep: what they differ by is noise here, some 0.3 % of dI/dV."""
    sweeps = measured_twice(np.random.default_rng(0), 4, gain=0.8)
    found = spectrum_of(sweeps)
    assert found.from_lockin
    one = single_spectrum(sweeps.select(np.arange(8) == 2), found, Plan().spectra)
    assert_allclose(one.didv, found.didv_each[2], atol=0.01 * np.nanmax(found.didv))
