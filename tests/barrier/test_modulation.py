"""Barrier heights from a modulated height, against Fourier sums of the exponential itself."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

import sts
from sts.barrier import fit_barrier
from sts.barrier.modulation import decay_from_modulation
from sts.plan import BarrierPlan, Plan
from sts.quantities import barrier_from_decay, decay_from_barrier
from sts.sweeps import SweepSet, sweep_table

Z = np.linspace(0, 0.36e-9, 120)


def lockin(current, barrier_eV, amplitude_m):
    """Mean over a period, and rms of the first harmonic, of current × exp(-2κ dz cos): independent of Bessel functions."""
    phase = 2 * np.pi * np.arange(256) / 256
    factor = np.exp(-decay_from_barrier(barrier_eV) * amplitude_m * np.cos(phase))
    return current * factor.mean(), current * abs(2 * np.mean(factor * np.cos(phase))) / np.sqrt(2)


@pytest.mark.parametrize("amplitude", [1e-13, 1e-12, 3e-11, 2e-10])
@pytest.mark.parametrize("barrier", [0.5, 4.0])
def test_a_modulated_height_gives_the_barrier_at_any_amplitude(barrier, amplitude):
    mean, harmonic = lockin(1e-9, barrier, amplitude)
    found = decay_from_modulation(harmonic / mean, amplitude / np.sqrt(2))
    assert_allclose(barrier_from_decay(found), barrier, rtol=1e-7)


def test_a_modulation_without_amplitude_is_refused():
    with pytest.raises(ValueError, match="must be positive"):
        decay_from_modulation(1.0, 0.0)


def test_a_harmonic_larger_than_any_modulation_gives_is_no_number():
    assert np.isnan(decay_from_modulation(1.5, 1e-12))


def modulated(unit, *, seed=1, sweeps=400, lockin_noise=0.01):
    rng = np.random.default_rng(seed)
    clean = 1e-9 * np.exp(-decay_from_barrier(4.4) * Z)
    mean, harmonic = lockin(clean, 4.4, 2e-12)
    channel = harmonic if unit == "A" else -decay_from_barrier(4.4) * mean
    shape = (sweeps, Z.size)
    current = mean * (1 + 0.01 * rng.standard_normal(shape)) + 1e-12 * rng.standard_normal(shape) + 3e-12
    channel = channel * (1 + lockin_noise * rng.standard_normal(shape)) + 1e-3 * channel[0]  # pick-up
    table = sweep_table([f"z{i}" for i in range(sweeps)], direction="retract", tip="t", site="1", bias_V=0.1)
    return SweepSet("iz", Z, current, table, lockin=channel, lockin_unit=unit)


@pytest.mark.parametrize(("unit", "plan"), [
    ("A/m", Plan()), ("A", Plan(barrier=BarrierPlan(height_modulation_pm=2 / np.sqrt(2))))])  # fmt: skip
def test_a_lockin_channel_beside_the_current_gives_the_same_barrier_with_an_honest_error(unit, plan):
    table = fit_barrier(modulated(unit), plan).table
    found, se = (table[name].to_numpy() for name in ("barrier_modulation_eV", "barrier_modulation_se_eV"))
    assert_allclose(np.median(found), 4.4, rtol=2e-3)
    inside = np.mean(np.abs(found - 4.4) < 1.96 * se)
    assert 0.90 < inside < 0.98  # 400 sweeps: 95 % ± 2.2 at two standard deviations


def test_a_lockin_channel_of_unknown_amplitude_or_unit_gives_none():
    for unit in ("A", "", "V"):
        made = modulated("A", sweeps=3)
        other = SweepSet("iz", Z, made.current, made.table, lockin=made.lockin, lockin_unit=unit)
        assert fit_barrier(other).table["barrier_modulation_eV"].isna().all()


def test_a_column_di_dz_is_read_from_a_text_file(tmp_path):
    mean, _ = lockin(1e-9 * np.exp(-decay_from_barrier(4.4) * Z), 4.4, 1e-13)
    slope = decay_from_barrier(4.4) * mean
    rows = [f"{z * 1e9:.5f}\t{i * 1e12:.6f}\t{s * 1e12 / 1e9:.6f}" for z, i, s in zip(Z, mean, slope, strict=True)]
    (tmp_path / "ramp.txt").write_text("\n".join(["z (nm)\tI (pA)\tdI/dz (pA/nm)", *rows]), encoding="utf-8")
    [made] = sts.read_file(tmp_path / "ramp.txt").sets
    assert made.lockin_unit == "A/m"
    assert_allclose(fit_barrier(made).table["barrier_modulation_eV"], 4.4, rtol=1e-3)
