"""What models are fitted to: the noise of a mean is the scatter of the repeats, and so is how its points are tied together."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

import sts
from sts.plan import Plan
from sts.simulate import Bench
from sts.spectra.fit_data import fit_data, repeat_means, scatter_data, with_temperature_error
from sts.spectra.junction_temperature import JunctionTemperature
from sts.spectra.models import LineFit, Measured
from sts.spectra.models.superconductor import fit_gap, superconducting_conductance

PLAN = Plan()


def test_the_scatter_is_that_of_the_means_of_repeats() -> None:
    bench = Bench(white_A=1e-12)
    sweeps = sts.simulate_iv(
        density="flat", bias=(-6e-3, 6e-3, 61), temperature_K=2.0, sweeps=8, bench=bench, seed=2
    ).sweeps
    spectrum = sts.average_spectrum(sweeps)
    measured, dof = scatter_data(spectrum, sweeps, PLAN)
    assert dof == 7
    each, _ = repeat_means(spectrum, sweeps)
    level = (
        each @ each.mean(axis=0) / np.sum(each.mean(axis=0) ** 2)
    )  # least squares; the level of a repeat is no noise
    expected = np.cov(each / level[:, None], rowvar=False) / 8  # of the mean, by a general library
    assert_allclose(measured.covariance, expected, rtol=1e-6, atol=1e-9 * expected.max())
    as_fitted, good = fit_data(spectrum, (each, np.arange(8)), sweeps, PLAN)
    assert good.all()
    assert_allclose(as_fitted.didv, spectrum.didv)


def test_the_uncertainty_of_the_temperature_is_in_that_of_the_fit() -> None:
    """Outside check: the scatter of fits over the temperatures, by Gauss-Hermite quadrature (numpy)."""
    bias, gap = np.linspace(-5e-3, 5e-3, 61), 1.35e-3
    didv = superconducting_conductance(bias, gap, 0.1 * gap, temperature_K=1.2)
    measured = Measured(bias, didv, np.full(61, 0.003), 1.2)

    def at(kelvin: float) -> LineFit:
        return fit_gap(replace(measured, temperature_K=kelvin))

    alone = at(1.2)
    found = with_temperature_error(fit_gap, measured, JunctionTemperature(1.2, 0.1, 1.0, measured=True))
    nodes, weights = np.polynomial.hermite_e.hermegauss(3)
    fits = [at(1.2 + 0.1 * node) for node in nodes]
    for name in ("gap", "broadening"):
        scatter = np.sqrt(np.cov([fit.values[name] for fit in fits], aweights=weights, ddof=0))
        assert_allclose(found.errors[name], np.hypot(alone.errors[name], scatter), rtol=0.1)
        assert found.errors[name] > 1.5 * alone.errors[name]
    assert np.abs(found.correlation).max() <= 1 + 1e-9
    not_stated = JunctionTemperature(1.2, float("nan"), 1.0, measured=True)
    assert with_temperature_error(fit_gap, measured, not_stated).errors == alone.errors


def test_two_repeats_have_no_scatter_to_speak_of() -> None:
    sweeps = sts.simulate_iv(density="flat", bias=(-6e-3, 6e-3, 61), temperature_K=2.0, sweeps=2, seed=2).sweeps
    with pytest.raises(ValueError, match="2 of the three repeats"):
        scatter_data(sts.average_spectrum(sweeps), sweeps, PLAN)
