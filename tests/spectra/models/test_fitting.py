"""What models share: the data they take, the blur of a line, the uncertainties under correlated noise."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import integrate, special

from sts.curves.smoothing import make_smoother
from sts.spectra.models.fitting import Measured, blurred, straight_starts
from sts.spectra.resolution import modulation_kernel, thermal_kernel

V = np.linspace(-0.04, 0.04, 161)


def bump(v, p):
    return 1 + p["height"] * np.exp(-((v / 5e-3) ** 2))


def test_the_blur_is_that_of_temperature_and_modulation():
    """Against adaptive quadrature of the double integral at three points."""
    measured = Measured(V, V, V + 1, 4.2, modulation_rms_V=1e-3)
    seen = blurred(measured, bump, temperature_K=4.2)({"height": 1.0})
    peak = np.sqrt(2) * 1e-3

    def thermal(v):
        return integrate.quad(lambda e: bump(v + e, {"height": 1.0}) * thermal_kernel(e, 4.2), -0.01, 0.01)[0]

    for i in (60, 80, 97):
        expected = integrate.quad(lambda m, i=i: thermal(V[i] + m) * modulation_kernel(m, peak), -peak, peak)[0]
        assert_allclose(seen[i], expected, rtol=2e-4)


def test_the_blur_goes_through_the_smoother():
    """The smoother differentiates the current, here known in closed form."""
    smoother = make_smoother(V, width_V=4e-3)
    current = V + np.sqrt(np.pi) / 2 * 5e-3 * special.erf(V / 5e-3)
    seen = blurred(Measured(V, V, V + 1, 0.0, smoother=smoother), bump, temperature_K=0.0)({"height": 1.0})
    assert_allclose(seen, smoother.differentiate(current), rtol=1e-6)


def test_factors_of_shapes_come_out_exactly():
    def shapes(v, centre):
        return [np.exp(-(((v - centre) / 5e-3) ** 2)), np.ones(v.size)]

    measured = Measured(V, 3 * shapes(V, 0.01)[0] + 2, np.ones(V.size), 4.2)
    point, factors = straight_starts(measured, shapes, [(c,) for c in (-0.01, 0.0, 0.01, 0.02)])
    assert point == (0.01,)
    assert_allclose(factors, [3, 2], rtol=1e-10)


def test_what_cannot_be_fitted_is_said():
    assert Measured(V, V, V + 1, float("nan")).refusal() == "the temperature is not recorded"
    few = Measured(V, np.where(V < -0.038, 1.0, np.nan), np.ones(V.size), 4.2)
    assert "4 usable points are too few, at least 10" in few.refusal()
    assert Measured(V, V, V + 1, 4.2).refusal() == ""


def test_a_smoother_or_covariance_on_other_points_is_refused():
    with pytest.raises(ValueError, match="make it on the axis of the bias"):
        Measured(V[1:], V[1:], V[1:], 4.2, smoother=make_smoother(V, width_V=4e-3))
    with pytest.raises(ValueError, match="160 points need"):
        Measured(V[1:], V[1:], V[1:], 4.2, covariance=np.eye(161))
