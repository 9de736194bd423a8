"""The lock-in channel calibrated by the current of the same sweeps: its band holds dI/dV, seen through the stated smoothing.

Truth: closed-form dI/dV (a V-shaped and a broadened step-like one), their exact integrals, noise by numpy; smoothing of the exact
integral by the same operator. No simulation of the package is used.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from spectra.two_channels import V, conductance, current, measured, spectrum

from sts.curves.smoothing import make_smoother
from sts.spectra.lockin.calibrated import integrals, running_integral


@pytest.mark.parametrize("repeats", [1, 3, 8])
def test_the_band_of_the_calibrated_channel_holds_what_smoothing_makes_of_dI_dV(repeats):
    """95 % bands by simulation: 60 trials of some 140 points, of which neighbours go together."""
    rng, inside, whole = np.random.default_rng(repeats), [], []
    for _ in range(60):
        one = spectrum(measured(rng, repeats, gain=0.93, zero=3e-11))
        if not one.from_lockin:
            continue
        asked = one.smoothed_as
        smoother = make_smoother(one.bias, width_V=asked.width_V, method=asked.method, order=asked.order)
        truth = smoother.differentiate(current(V))
        inner = ~one.ends
        inside.append(((one.didv_low <= truth) & (truth <= one.didv_high))[inner].mean())
        whole.append(((one.unsmoothed_low <= conductance(V)) & (conductance(V) <= one.unsmoothed_high))[inner].mean())
    assert len(inside) >= 55
    assert 0.925 <= np.mean(inside) <= 0.98  # 100 trials of other curves: 93.9 to 97.4 %
    assert 0.92 <= np.mean(whole) <= 0.985


def test_gain_and_zero_are_those_that_the_channel_has():
    one = spectrum(measured(np.random.default_rng(0), 8, gain=0.8, zero=5e-11, level=0.03))
    assert one.from_lockin
    source = one.source
    assert abs(source.gain - 1 / 0.8) < 4 * source.gain_se < 0.02
    assert abs(source.zero_S + 5e-11 / 0.8) < 4 * source.zero_se_S < 2e-11


def test_a_channel_in_volts_gives_siemens():
    one = spectrum(measured(np.random.default_rng(1), 6, gain=1e8, lockin=1e-3, unit="V"))
    assert one.from_lockin
    assert one.didv_unit == "S"
    inner = ~one.ends
    assert_allclose(one.didv[inner], conductance(V)[inner], atol=0.02 * 2.5e-9)


def test_the_normalised_conductance_has_dI_dV_of_the_channel_over_the_current():
    one = spectrum(measured(np.random.default_rng(6), 8))
    there = one.trusted & ~one.ends & (np.abs(V) > 0.15)
    truth = conductance(V[there]) / (current(V[there]) / V[there])
    assert_allclose(one.normalised[there], truth, atol=0.02)
    assert (one.normalised_se[there] < 0.01).all()


def test_running_integral_is_of_fourth_order():
    """Against the closed form: halving the step makes the error some 16 times less; trapezia alone, 4 times."""
    errors = []
    for points in (41, 81):
        v = np.linspace(-0.4, 0.4, points)
        errors.append(
            np.abs(running_integral(v, conductance(v)) - (current(v) - current(v[0])))[points // 8 : -points // 8].max()
        )
    assert errors[0] / errors[1] > 8


def holed(sweeps, *where):
    lockin = sweeps.lockin.copy()
    lockin[where] = np.nan
    return replace(sweeps, lockin=lockin)


@pytest.mark.parametrize(("change", "why"), [
    (lambda s: replace(s, lockin=None), "no lock-in channel"),
    (lambda s: holed(s, ...), "no lock-in channel"),
    (lambda s: replace(s, lockin_unit="ohm"), "the lock-in channel is a resistance, dV/dI"),
    (lambda s: holed(s, 1), "the lock-in channel has holes, or is not in every sweep"),
    (lambda s: holed(s, slice(None), 7), "the lock-in channel has holes, or is not in every sweep"),
])  # fmt: skip
def test_a_channel_that_cannot_be_integrated_is_refused_and_why(change, why):
    sweeps = change(measured(np.random.default_rng(3), 2))
    assert integrals(V, sweeps, np.ones(V.size, bool), np.repeat([0, 1], 2), "repeat") == why
