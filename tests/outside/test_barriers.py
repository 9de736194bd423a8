"""Exercises of textbooks, compliant gaps, planar junctions and height scales, through the barrier fit."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from outside.rows import each, value

from sts.barrier import fit_barrier
from sts.comparing.calibration import STEP_HEIGHTS, Calibration
from sts.quantities import barrier_from_decay, decay_from_barrier
from sts.simulate import planar_current_density
from sts.sweeps import SweepSet, sweep_table


def fitted(decay_per_m, *, height_factor=1.0):
    """What the fit makes of three decades without noise, on a height scale that is `height_factor` times the nominal one."""
    z = np.linspace(0, 6.9 / decay_per_m, 100)
    sweeps = SweepSet("iz", z * height_factor, 1e-9 * np.exp(-decay_per_m * z)[None], sweep_table(["s"]))
    return fit_barrier(sweeps).table["barrier_eV"][0]


@each("barrier_measurements", "libre_a", "up_a")
def test_textbook_ratio_of_currents(name, expected):
    """University Physics III and another: |ψ|² falls as exp(-2·10/nm·Δz) over 0.015 or 0.020 nm."""
    step = {"libre_a": 0.015e-9, "up_a": 0.020e-9}[name]
    decay = decay_from_barrier(fitted(2 * value("barrier_measurements", "libre_q") * 1e9))
    assert_allclose(np.exp(decay * step), expected, rtol=1e-9)


@each("barrier_measurements", "na_a")
def test_textbook_sodium(name, expected):
    decay = decay_from_barrier(value("barrier_measurements", "na_q"))
    assert_allclose(np.exp(-decay * 0.020e-9), expected, rtol=1e-9)


@each("barrier_measurements", "q25_a", "q25_b")
def test_retraction_that_lowers_the_current_by_a_quarter(name, expected):
    barrier = value("barrier_measurements", "q25_q") - (0.75 / 2 if name == "q25_b" else 0.0)
    assert_allclose(-np.log(0.75) / decay_from_barrier(barrier) * 1e10, expected, rtol=1e-9)


@each("barrier_measurements", "compliance_*")
def test_a_gap_that_opens_by_a_part_of_the_piezo_motion(name, expected):
    part = 1 / float(name.split("_")[1])
    decay = float(decay_from_barrier(4.6)) * part  # per metre of piezo motion
    assert_allclose(fitted(decay), expected, rtol=1e-8)
    assert_allclose(fitted(decay, height_factor=part), 4.6, rtol=1e-8)


@each("graphite_and_z_calibration", "zcal_0.*", "zcal_1.*")
def test_a_wrong_height_scale_enters_twice(name, expected):
    factor = float(name.split("_")[1])
    decay = float(decay_from_barrier(4.0))
    assert_allclose(fitted(decay, height_factor=factor) / fitted(decay), expected, rtol=1e-8)
    assert_allclose(Calibration(factor, 0.01, "").barrier(1.0), expected, rtol=1e-9)


@each("graphite_and_z_calibration", "zcal_sens")
def test_relative_error_of_the_barrier_per_relative_error_of_height(name, expected):
    assert_allclose(Calibration(1.0, 0.03, "").barrier_se(4.0) / 4.0, abs(expected) * 0.03, rtol=1e-12)


@each("graphite_and_z_calibration", "gr_d_mtu", "au_111", "si_111")
def test_known_steps_are_those_of_their_sources(name, expected):
    step = STEP_HEIGHTS[{"gr_d_mtu": "graphite", "au_111": "au111", "si_111": "si111"}[name]]
    assert_allclose(step.height_nm * 10, expected, rtol=3e-6)


@each("graphite_and_z_calibration", "gr_d_howe", "si_111_nist")
def test_other_published_steps_lie_within_the_uncertainty_of_ours(name, expected):
    step = STEP_HEIGHTS[{"gr_d_howe": "graphite", "si_111_nist": "si111"}[name]]
    assert abs(step.height_nm * 10 - expected) < 2 * np.hypot(step.se_nm * 10, {"gr_d_howe": 0.001}.get(name, 0.06))


@each("simmons", "g0exact_*")
def test_planar_conductance_at_zero_bias(name, expected):
    """Formula J4, S/cm²: the virtual junction computes with it."""
    barrier, gap = (float(part.rstrip("eVA")) for part in name.split("_")[1:])
    volt = 1e-4
    found = planar_current_density(volt, gap * 1e-10, barrier) / volt * 1e-4
    assert_allclose(found, expected, rtol=1e-6)


@each("simmons", "phiapp0_*")
def test_planar_junctions_do_not_give_their_barrier_back(name, expected):
    barrier, gap = (float(part.rstrip("eVA")) for part in name.split("_")[1:])
    z = np.array([-1e-14, 1e-14])
    slope = -np.diff(np.log(planar_current_density(1e-4, gap * 1e-10 + z, barrier)))[0] / 2e-14
    assert_allclose(barrier_from_decay(slope), expected, rtol=1e-5)
    assert expected > 1.1 * barrier


@each("simmons", "mean_*")
def test_planar_current_density_at_a_bias(name, expected):
    barrier, gap, bias = (float(part.rstrip("eVA")) for part in name.split("_")[1:])
    if bias / 2 >= barrier:
        pytest.skip("above the barrier")
    assert_allclose(planar_current_density(bias, gap * 1e-10, barrier) * 1e-4, expected, rtol=1e-6)
