"""Density of states and conductance of a superconductor against values integrated at 25 digits, as the fit takes them."""

from __future__ import annotations

import re

import numpy as np
import pytest
from numpy.testing import assert_allclose
from outside.rows import each

from sts.spectra.models.superconductor import dynes_density, superconducting_conductance


def said(name: str) -> dict[str, float]:
    """The numbers of a row's name: ``nisdyn_D1.35_G0.05_T4.2_V0.7``; meV, K, mV."""
    return {letter: float(number) for letter, number in re.findall(r"_([A-Z])([\d.]+)", name)}


@each("superconductivity", "dynes_E*")
def test_broadened_density_of_states(name, expected):
    at = said(name)
    assert_allclose(dynes_density(at["E"], at["D"], at["G"]), expected, rtol=1e-10)  # digits of the table


@each("superconductivity", "nis_*", "nisdyn_*")
def test_conductance_that_is_fitted(name, expected):
    at = said(name)
    bias = 1e-3 * np.array([0.0, at["V"], 6.0])
    found = superconducting_conductance(bias, 1e-3 * at["D"], 1e-3 * at.get("G", 0.0), temperature_K=at["T"])
    assert_allclose(found[1], expected, rtol=1e-4)  # as the docstring promises


@each("superconductivity", "peak_D*")
def test_the_coherence_peak_stands_outside_of_the_gap(name, expected):
    """Half the separation of the peaks is no gap: 1.43 Δ at 4.2 K for 1.35 meV."""
    at = said(name)
    bias = 1e-3 * np.linspace(0.9, 1.1, 2001) * expected
    found = superconducting_conductance(bias, 1e-3 * at["D"], 0.0, temperature_K=at["T"])
    assert 1e3 * bias[np.argmax(found)] == pytest.approx(expected, rel=2e-4)  # steps of 1e-4
    assert expected > at["D"]
