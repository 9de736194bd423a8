"""Retract and approach: their mean, their difference, and sweeps that stand alone."""

from __future__ import annotations

import numpy as np
from barrier.examples import a_set
from numpy.testing import assert_allclose

from sts.barrier import fit_barrier, pair_directions, slopes_by_repeat
from sts.quantities import barrier_from_decay
from sts.simulate import Bench, HeightRamp, simulate_iz


def test_the_mean_of_the_directions_cancels_drift_and_the_difference_measures_it():
    """0.06 nm/s against 1 nm/s: 6 % in each slope (common practice, no source: kinematics of the ramp)."""
    made = simulate_iz(
        barrier_eV=4.4,
        height=(0, 0.4e-9, 150),
        sweeps=40,
        seed=9,
        tip="t",
        site="1",
        bench=Bench(white_A=1e-12, gap_noise=0.01, drift_m_per_s=6e-11),
        ramp=HeightRamp(duration_s=0.4, directions=("retract", "approach")),
    )
    fit = fit_barrier(made.sweeps)
    pairs, flags = pair_directions(fit.table)
    assert len(pairs) == 40
    assert_allclose(pairs["drift_pm_per_s"].mean(), 60, rtol=0.05)
    assert abs(barrier_from_decay(pairs["decay_per_nm"].mean() * 1e9) / 4.4 - 1) < 0.005
    assert (~pairs["agree"]).all()
    assert set(flags["flag"]) == {"directions disagree"}
    repeats = slopes_by_repeat(fit.table)
    assert_allclose(repeats["decay_per_nm"], pairs["decay_per_nm"])
    assert (repeats["sweeps"] == 2).all()
    assert list(repeats.columns)[:11] == [
        "sample", "tip", "day", "site", "repeat", "decay_per_nm", "decay_se_per_nm", "dof", "decay_common_per_nm", "sweeps",
        "flags",
    ]  # fmt: skip


def test_two_directions_share_uncertainty_and_degrees_of_freedom():
    """Of a mean of two slopes, by F. E. Satterthwaite, Biometrics Bull. 2, 110 (1946)."""
    made = simulate_iz(
        barrier_eV=4.4,
        height=(0, 0.4e-9, 150),
        sweeps=3,
        seed=5,
        tip="t",
        site="1",
        bench=Bench(white_A=1e-12, gap_noise=0.01),
        ramp=HeightRamp(duration_s=0.4, directions=("retract", "approach")),
    )
    table = fit_barrier(made.sweeps).table
    repeats = slopes_by_repeat(table)
    for number, found in repeats.set_index("repeat").iterrows():
        both = table[table["repeat"] == number]
        u2 = (both["decay_se_per_nm"].to_numpy(float) / 2) ** 2
        assert len(both) == 2
        assert_allclose(found["decay_se_per_nm"], np.sqrt(u2.sum()), rtol=1e-12)
        assert_allclose(found["dof"], u2.sum() ** 2 / (u2**2 / both["dof"]).sum(), rtol=1e-12)


def test_sweeps_of_unknown_repeat_stand_alone():
    z = np.linspace(0, 0.4e-9, 60)
    fit = fit_barrier(a_set(z, np.stack([1e-9 * np.exp(-20e9 * z)] * 3), tip="t", site="1"))
    assert len(slopes_by_repeat(fit.table)) == 3
    assert pair_directions(fit.table)[0].empty
