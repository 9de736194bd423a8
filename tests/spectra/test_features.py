"""Gap, peaks, lock-in calibration, varying gap: planted values come back, absent ones are not invented."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sts.simulate import Bench, BiasRamp, gapped, simulate_iv
from sts.spectra.gap import gap_edges
from sts.spectra.lock_in import calibrate_lockin
from sts.spectra.peaks import find_peaks

QUIET = Bench(white_A=5e-13, setpoint_scatter=0.05)


def slopes(made, window=7):
    """Derivative by an outside routine (scipy's Savitzky-Golay)."""
    from scipy.signal import savgol_filter

    step = float(np.diff(made.sweeps.axis).mean())
    return savgol_filter(made.sweeps.current, window, 2, deriv=1, delta=step, axis=1)


@pytest.mark.parametrize("exponent", [1.0, 0.5])
@pytest.mark.parametrize("temperature", [4.0, 77.0])
def test_extrapolation_returns_the_planted_gap(exponent, temperature):
    density = gapped(valence_eV=-0.5, conduction_eV=0.5, exponent=exponent)
    made = simulate_iv(
        density=density,
        bias=(-1.5, 1.5, 301),
        temperature_K=temperature,
        setpoint_current_A=4e-10,
        sweeps=12,
        bench=QUIET,
        seed=4,
        ramp=BiasRamp(directions=("up",)),
    )
    rows = gap_edges(made.sweeps.axis, slopes(made), temperature_K=temperature, exponent=exponent)
    line = rows[rows["gap_method"].str.startswith("extrapolation")].iloc[0]
    assert abs(line["gap_meV"] - 1000) < 4 * line["gap_se_meV"]
    assert 0 < line["gap_se_meV"] < 10
    onset = rows[rows["gap_method"] == "log onset"].iloc[0]
    assert abs(onset["gap_meV"] - 1000) < 60  # brought in by smoothing and tail, and said so
    assert ("thermal tail" in onset["note"]) == (temperature > 0)


def test_a_metal_has_no_gap_and_no_number():
    made = simulate_iv(density="flat", sweeps=5, bench=QUIET, seed=1)
    row = gap_edges(made.sweeps.axis, slopes(made)).iloc[0]
    assert np.isnan(row["gap_meV"])
    assert "no gap" in row["note"]


def test_a_one_sided_axis_is_said_so():
    assert "both sides" in gap_edges(np.linspace(0.1, 1, 50), np.ones((3, 50))).iloc[0]["note"]


def test_a_hole_makes_no_peak_and_moves_no_edge():
    """Masked samples (saturation, say) are no zeros: a step-free rise has no peak beside them."""
    rng = np.random.default_rng(2)
    v = np.linspace(-0.5, 0.5, 501)
    rows = 3 + v + 0.01 * rng.standard_normal((6, v.size))
    rows[:, 200:220] = np.nan  # in all sweeps
    rows[0, 400:] = np.nan  # in one
    assert len(find_peaks(v, rows, significance=12)) == 0
    made = simulate_iv(
        density=gapped(),
        bias=(-1.5, 1.5, 301),
        temperature_K=4.0,
        setpoint_current_A=4e-10,
        sweeps=12,
        bench=QUIET,
        seed=4,
        ramp=BiasRamp(directions=("up",)),
    )
    each = slopes(made)
    whole = gap_edges(made.sweeps.axis, each)
    each[0, -60:-20] = np.nan
    holed = gap_edges(made.sweeps.axis, each)
    assert_allclose(holed["gap_meV"], whole["gap_meV"], atol=5)
    assert_allclose(holed["gap_se_meV"], whole["gap_se_meV"], atol=3)


# --- lock-in ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("gain", "words"), [(1.0, "agrees"), (2**0.5, "rms"), (1.1, "off by 10")])
def test_a_planted_gain_is_found_and_named(gain, words):
    rng = np.random.default_rng(5)
    didv = 1e-9 * (1 + np.linspace(-1, 1, 300) ** 2)
    each = didv * (1 + 0.002 * rng.standard_normal((8, 300)))
    lockin = gain * didv * (1 + 0.002 * rng.standard_normal((8, 300))) + 2e-11
    found = calibrate_lockin(lockin, each)
    assert abs(found.gain - gain) < 0.01 * gain
    assert abs(found.intercept - 2e-11) < 1e-11
    assert words in found.verdict
    assert found.agrees == (gain == 1.0)


def test_a_channel_without_a_unit_is_not_judged():
    didv = 1e-9 * (1 + np.linspace(-1, 1, 300) ** 2)
    found = calibrate_lockin(3 * np.stack([didv] * 3), np.stack([didv] * 3), unit="")
    assert found.agrees is None
    assert "no stated unit" in found.verdict


def test_too_few_common_points_are_refused():
    with pytest.raises(ValueError, match="at least 8"):
        calibrate_lockin(np.full((3, 20), np.nan), np.ones((3, 20)))


# --- varying gap ------------------------------------------------------------------------------------------------------
