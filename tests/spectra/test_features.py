"""Gap, peaks, lock-in calibration, varying gap: planted values come back, absent ones are not invented."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sts.simulate import Bench, BiasRamp, gapped, simulate_iv
from sts.spectra.gap import gap_edges
from sts.spectra.lock_in import calibrate_lockin
from sts.spectra.peaks import find_peaks
from sts.spectra.varying_gap import to_constant_separation

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


def test_two_planted_peaks_come_back():
    rng = np.random.default_rng(2)
    v = np.linspace(-0.5, 0.5, 501)
    clean = 1 + 2 * np.exp(-4 * np.log(2) * ((v + 0.1) / 0.06) ** 2) + np.exp(-4 * np.log(2) * ((v - 0.2) / 0.04) ** 2)
    peaks = find_peaks(v, clean + 0.01 * rng.standard_normal((10, v.size)), resolution_V=0.045, significance=12)
    assert len(peaks) == 2
    assert_allclose(peaks["position_V"], [-0.1, 0.2], atol=2e-3)
    assert_allclose(peaks["width_V"], [0.06, 0.04], rtol=0.1)
    assert list(peaks["flag"]) == ["", "no wider than the resolution"]


def test_position_width_and_area_of_peaks_lie_within_their_uncertainties():
    """Closed forms of a Gaussian: area within one width on either side erf(2 √ln 2) h w √(π/ln 2)/2; no multiple of a step."""
    v = np.linspace(-0.5, 0.5, 201)
    true = [(-0.1033, 0.06, 2.0), (0.2017, 0.043, 1.0)]
    clean = 1 + sum(h * np.exp(-4 * np.log(2) * ((v - c) / w) ** 2) for c, w, h in true)
    inside = []
    for seed in range(25):
        rows = clean + 0.02 * np.random.default_rng(seed).standard_normal((10, v.size))
        peaks = find_peaks(v, rows, significance=12)
        assert len(peaks) == 2
        for (c, w, h), row in zip(true, peaks.to_dict("records"), strict=True):
            area = math.erf(2 * math.log(2) ** 0.5) * h * w * math.sqrt(math.pi / math.log(2)) / 2
            for name, value in (("position_V", c), ("width_V", w), ("area", area)):
                error = row["area_se" if name == "area" else name.replace("_V", "_se_V")]
                inside.append((name, abs(row[name] - value) <= 2 * error))
    for name in ("position_V", "width_V", "area"):
        assert np.mean([hit for what, hit in inside if what == name]) >= 0.8


def test_noise_alone_has_no_peaks():
    rng = np.random.default_rng(2)
    noise = np.convolve(rng.standard_normal(900), np.ones(9) / 9, mode="valid")[:801]
    v = np.linspace(-1, 1, 801)
    rows = noise + 0.5 * rng.standard_normal((8, 801))
    assert len(find_peaks(v, rows, significance=12)) == 0


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


def test_a_varying_gap_is_brought_back_to_constant_separation():
    """A factor of 55 at 2 V for 1 Å/V and 2κ = 2 per Å (closed form)."""
    v = np.linspace(-2, 2, 101)
    at_constant = 1e-12 * v
    measured = at_constant * np.exp(-2e10 * 1e-10 * np.abs(v))
    assert_allclose(at_constant[-1] / measured[-1], 54.6, rtol=1e-3)
    current, relative = to_constant_separation(
        v, measured, gap_slope_m_per_V=1e-10, decay_per_m=2e10, decay_se_per_m=2e9
    )
    assert_allclose(current, at_constant, rtol=1e-12)
    assert_allclose(relative[-1], 0.4)
    _, unknown = to_constant_separation(v, measured, gap_slope_m_per_V=1e-10, decay_per_m=2e10)
    assert_allclose(unknown, 0.0)


def test_without_a_decay_the_step_is_refused():
    with pytest.raises(ValueError, match="no decay of the current is known"):
        to_constant_separation([1.0], [1e-9], gap_slope_m_per_V=1e-10, decay_per_m=float("nan"))
