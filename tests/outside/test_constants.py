"""Constants, barrier ↔ decay, thermal energies and shot noise."""

from __future__ import annotations

import numpy as np
from numpy.testing import assert_allclose
from outside.rows import each, value

from sts import quantities
from sts.barrier.noise import Noise
from sts.quantities import BARRIER_PER_DECAY_SQUARED, BOLTZMANN_EV, barrier_from_decay, decay_from_barrier

PER_A = 1e10  # [1/m] in 1/Å


@each("constants", "e", "h", "kB", "me")
def test_constants_are_those_of_codata_2022(name, expected):
    ours = {"e": quantities.ELEMENTARY_CHARGE, "h": 2 * np.pi * quantities.HBAR, "kB": quantities.BOLTZMANN,
            "me": quantities.ELECTRON_MASS}  # fmt: skip
    assert_allclose(ours[name], expected, rtol=5e-10)


@each("constants", "Capp", "Capp_nm", "G0")
def test_derived_constants(name, expected):
    ours = {"Capp": BARRIER_PER_DECAY_SQUARED * 1e20, "Capp_nm": BARRIER_PER_DECAY_SQUARED * 1e18,
            "G0": quantities.CONDUCTANCE_QUANTUM}  # fmt: skip
    assert_allclose(ours[name], expected, rtol=5e-10)


@each("constants", "phi_*_2kappa")
def test_decay_of_a_barrier(name, expected):
    assert_allclose(decay_from_barrier(float(name.split("_")[1])), expected * PER_A, rtol=5e-10)


@each("constants", "phi_*_decades", "phi_*_A_per_decade", "phi_*_factor")
def test_decades_and_factors_per_angstrom(name, expected):
    _, barrier, what = name.split("_", 2)
    decay = decay_from_barrier(float(barrier)) / PER_A
    ours = {"decades": decay / np.log(10), "A_per_decade": np.log(10) / decay, "factor": np.exp(decay)}
    assert_allclose(ours[what], expected, rtol=1e-9)


@each("constants", "slope_*", "decslope_*")
def test_barrier_of_a_slope(name, expected):
    kind, slope = name.split("_")
    decay = float(slope) * PER_A * (np.log(10) if kind == "decslope" else 1)
    assert_allclose(barrier_from_decay(decay), expected, rtol=5e-10)


@each("constants", "kT_*")
def test_thermal_energies(name, expected):
    assert_allclose(BOLTZMANN_EV * float(name.split("_")[1]) * 1e3, expected, rtol=1e-9)


@each("constants", "shot_*")
def test_shot_noise_of_a_current(name, expected):
    """The noise model of the barrier fit with β = 2e·1 Hz and nothing else."""
    noise = Noise(np.array([[0.0, 2 * quantities.ELEMENTARY_CHARGE, 0.0]]))
    assert_allclose(np.sqrt(noise.variance(np.array([[float(name[5:])]]))), expected, rtol=1e-9)


@each("constants", "phi_4_factor")
def test_the_shared_table_and_the_formula_name_the_same_convention(name, expected):
    """2κ is the decay of the current: K2² · Capp = 1; κ itself would give a factor of 4 in the barrier."""
    assert_allclose(value("constants", "K2") ** 2 * value("constants", "Capp"), 1, rtol=1e-9)
    assert_allclose(np.exp(2 * value("constants", "K1") * 2), expected, rtol=1e-9)
