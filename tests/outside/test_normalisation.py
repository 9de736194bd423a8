"""(dI/dV)/(I/V) of a featureless planar junction, broadened denominators, and the current that an approach adds."""

from __future__ import annotations

import numpy as np
from numpy.testing import assert_allclose
from outside.rows import each, value

from sts.curves import make_smoother
from sts.quantities import decay_from_barrier
from sts.spectra.normalised import broadening, normalise
from sts.spectra.varying_gap import Decay, to_constant_separation


def simmons(bias, barrier_eV, gap_A):
    """Formula J1 (Simmons 1963, closed form), written here anew: nothing of the tool in it; any unit."""

    def g(p):
        return p * np.exp(-value("constants", "K2") * gap_A * np.sqrt(p))

    return g(barrier_eV - bias / 2) - g(barrier_eV + bias / 2)


@each("normalisation", "simmons_*")
def test_a_featureless_metal_exceeds_1_at_volts(name, expected):
    """Through our own smoothing and derivative, on steps of 2 mV."""
    barrier, gap, at = (float(part.rstrip("eVA")) for part in name.split("_")[1:])
    bias = np.linspace(-2.2, 2.2, 2201)
    current = 1e-9 * simmons(bias, barrier, gap)
    smoother = make_smoother(bias, width_V=0.02, order=4)
    value_, _ = normalise(bias, smoother.apply(current), smoother.differentiate(current))
    assert_allclose(np.interp(at, bias, value_), expected, rtol=1e-6)


@each("normalisation", "expker_*")
def test_exponential_broadening_has_the_gain_of_the_closed_form(name, expected):
    width = float(name.split("_")[1])
    axis = np.linspace(-1, 1, 4001) * 14 / (1 / width - 1)  # as far as the tail of kernel times exponential counts
    gain = broadening(axis, width, "exponential")[2000] @ np.exp(-axis)
    assert_allclose(gain, expected, rtol=2e-4)


@each("normalisation", "gausker_*")
def test_gaussian_broadening_has_the_gain_of_the_closed_form(name, expected):
    axis = np.linspace(-10, 10, 2001)
    width = 2 * np.sqrt(2 * np.log(2)) * float(name.split("_")[1])
    assert_allclose(broadening(axis, width, "gaussian")[1000] @ np.exp(axis), expected, rtol=2e-4)


@each("normalisation", "vargap_4eV")
def test_current_factor_of_an_approach_by_an_angstrom_per_volt(name, expected):
    current, _ = to_constant_separation(
        [-1.0, 0.0, 1.0], np.ones(3), gap_slope_m_per_V=1e-10, decay=Decay(float(decay_from_barrier(4.0)))
    )
    assert_allclose(current, [expected, 1, expected], rtol=1e-9)
