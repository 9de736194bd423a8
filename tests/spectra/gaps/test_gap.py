"""Gaps are found where they are, and none where dI/dV only falls as a V or a parabola; uncertainties hold."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import curve_fit
from spectra.bench import measured

from sts.plan import Plan
from sts.simulate import Bench, BiasRamp, flat, gapped, simulate_iv, v_shaped
from sts.simulate.densities import Density
from sts.spectra import average_spectrum
from sts.spectra.features import with_features
from sts.spectra.gaps.gap import gap_edges
from sts.spectra.peaks import find_peaks

PLAN = Plan.model_validate({"features": {"peaks": False}})
AXIS = np.linspace(-1.0, 1.0, 201)


def parabola(floor=0.02):
    return Density("parabola", lambda energy: floor + 2 * energy**2, (0.0,))


def found(density, white_A, seed, temperature_K=77.0):
    sweeps, _ = measured([3, seed], density=density, sweeps=10, bench=Bench(white_A=white_A, setpoint_scatter=0.05),
                         temperature_K=temperature_K)  # fmt: skip
    return with_features(average_spectrum(sweeps, PLAN), sweeps, PLAN).gaps


SHAPES = {"V": v_shaped(), "V to zero": v_shaped(floor=0.0), "parabola": parabola(), "metal": flat()}


@pytest.mark.parametrize("white_A", [1e-13, 2e-12, 2e-11])
@pytest.mark.parametrize("shape", SHAPES)
def test_no_gap_is_invented(shape, white_A):
    for seed in range(2):
        gaps = found(SHAPES[shape], white_A, seed)
        assert gaps["gap_meV"].isna().all()
        assert gaps["note"].str.startswith(("no gap", "cannot tell")).all()


@pytest.mark.parametrize("width", [0.4, 0.8])
@pytest.mark.parametrize("exponent", [1.0, 0.5])
def test_true_gaps_are_kept(width, exponent):
    density = gapped(valence_eV=-width / 2, conduction_eV=width / 2, exponent=exponent)
    for white_A in (1e-13, 5e-13):
        assert found(density, white_A, 0)["gap_method"].iloc[0] == "log onset"


def test_where_noise_hides_the_floor_it_is_said():
    density = gapped(valence_eV=-0.2, conduction_eV=0.2)
    notes = [found(density, 5e-11, seed)["note"].iloc[0] for seed in range(4)]
    assert any(note.startswith("cannot tell whether there is a gap: noise hides") for note in notes)


def linear(seed, *, noise, repeats=10, exponent=1.0, gap_V=0.8):
    """Independent noise on a band (|V| - edge)^p, no smoothing and no temperature: closed form."""
    rng = np.random.default_rng(seed)
    beyond = np.abs(AXIS) - gap_V / 2
    clean = np.where(beyond > 0, np.maximum(beyond, 1e-12) ** exponent, 0.0)
    return clean + noise * rng.standard_normal((repeats, AXIS.size))


@pytest.mark.parametrize("known", [True, False])
@pytest.mark.parametrize("exponent", [0.0, 0.5, 1.0, 2.0])
def test_the_gap_between_bands_lies_within_its_uncertainty(exponent, known):
    inside = []
    for seed in range(8):
        each = linear(seed, noise=0.005, exponent=exponent, gap_V=0.806)
        row = gap_edges(AXIS, each, exponent=exponent if known else None).iloc[-1]
        inside.append(abs(row["gap_meV"] - 806) < 2 * row["gap_se_meV"])
        assert row["gap_se_meV"] < 40
        assert row["exponent"] == exponent
    assert np.mean(inside) >= 0.85


def test_sites_that_differ_make_the_uncertainty_and_not_their_repeats():
    """Edges of four sites that scatter by 20 meV: the interval holds 800 meV with Student's t, and not by the repeats alone."""
    inside = []
    for seed in range(12):
        rng = np.random.default_rng([seed, 3])
        places = 0.4 + 0.02 * rng.standard_normal((4, 1, 1))
        clean = np.maximum(np.abs(AXIS) - places, 0.0)
        each = (clean + 0.003 * rng.standard_normal((4, 4, AXIS.size))).reshape(16, -1)
        by_site, by_repeat = (gap_edges(AXIS, each, units=u).iloc[-1] for u in (np.repeat(range(4), 4), None))
        inside.append([abs(row["gap_meV"] - 800) < 2 * row["gap_se_meV"] for row in (by_site, by_repeat)])
    site, repeat = np.mean(inside, axis=0)
    assert site >= 0.8
    assert repeat < site


def test_single_sweeps_have_a_distribution_of_their_own():
    """Against scipy's curve_fit of a straight band and its floor on every sweep."""
    each = linear(1, noise=0.005, repeats=40)
    row = gap_edges(AXIS, each, exponent=1.0).iloc[-1]
    assert row["each_found"] == 40
    gaps = np.zeros(40)
    for sign in (1, -1):
        use = sign * AXIS > 0
        for i, one in enumerate(each):
            band = curve_fit(lambda x, c, a, e: c + a * np.maximum(x - e, 0), sign * AXIS[use], one[use], [0, 1, 0.4])
            gaps[i] += band[0][2]
    low, middle, high = np.quantile(1e3 * gaps, [0.16, 0.5, 0.84])
    assert row["each_median_meV"] == pytest.approx(middle, abs=3)
    assert row["each_high_meV"] - row["each_low_meV"] == pytest.approx(high - low, rel=0.3)


@pytest.mark.parametrize("seed", range(5))
def test_one_sweep_gives_a_gap_with_the_noise_of_its_points_but_no_false_one(seed):
    row = gap_edges(AXIS, linear(seed, noise=0.001, repeats=1)).iloc[-1]
    assert abs(row["gap_meV"] - 800) < 4 * row["gap_se_meV"] < 40
    assert "1 repeat: uncertainty from the noise of the points only" in row["note"]
    v = np.abs(AXIS) + 0.01 * np.random.default_rng(seed).standard_normal(AXIS.size)
    assert np.isnan(gap_edges(AXIS, v).iloc[0]["gap_meV"])


def test_the_onset_is_an_interval_that_counts_the_tail_and_the_smoothing():
    each = linear(2, noise=0.003)
    cold, warm = (gap_edges(AXIS, each, temperature_K=t, resolution_V=0.05).iloc[0] for t in (4.0, 295.0))
    assert warm["gap_high_meV"] > cold["gap_high_meV"] > cold["gap_meV"] + 2 * 25
    assert cold["gap_low_meV"] == pytest.approx(warm["gap_low_meV"])
    assert cold["gap_low_meV"] < 800 < cold["gap_high_meV"]
    assert "thermal tail and smoothing" in warm["note"]


def test_each_edge_of_a_gap_that_is_not_about_zero_is_found_on_its_side():
    rng = np.random.default_rng(5)
    clean = np.clip(-0.3 - AXIS, 0, None) + np.clip(AXIS - 0.5, 0, None)
    rows = gap_edges(AXIS, clean + 1e-3 * rng.standard_normal((6, AXIS.size)), exponent=1.0)
    assert list(rows["gap_method"].str[:4]) == ["log ", "band"]
    assert_allclose(rows["lower_edge_V"], -0.3, atol=0.03)
    assert_allclose(rows["upper_edge_V"], 0.5, atol=0.03)
    assert_allclose(rows["each_median_meV"], 800, atol=40)


def test_a_state_in_the_gap_does_not_break_it():
    state = 0.2 * np.exp(-(((AXIS - 0.1) / 0.03) ** 2))
    row = gap_edges(AXIS, linear(3, noise=0.002) + state).iloc[-1]
    assert abs(row["gap_meV"] - 800) < 3 * row["gap_se_meV"]


def test_gap_where_every_sweep_reached_the_limit():
    """Clipped at both ends, as wide gaps are recorded: what is missing there is no part of the curve."""
    density = gapped(valence_eV=-0.4, conduction_eV=0.4)
    sweeps, _ = measured(
        [3, 0], density=density, sweeps=10, bench=Bench(white_A=1e-13, full_scale_A=6e-10), temperature_K=77.0
    )
    spectrum = average_spectrum(sweeps, PLAN)
    assert 20 < np.isnan(spectrum.didv).sum() < 60
    gap = with_features(spectrum, sweeps, PLAN).gaps.iloc[-1]
    assert gap["gap_meV"] == pytest.approx(800, abs=2 * gap["gap_se_meV"])


def test_dip_where_every_sweep_reached_the_limit():
    """The shoulders of a dip are those of the part that was measured."""
    density = Density("dip", lambda energy: 1 - 0.7 * np.exp(-((energy / 0.1) ** 2)))
    sweeps, _ = measured(
        [3, 0], density=density, sweeps=10, bench=Bench(white_A=1e-13, full_scale_A=4e-10), temperature_K=77.0
    )
    spectrum = average_spectrum(sweeps, PLAN)
    assert np.isnan(spectrum.didv[np.abs(spectrum.bias) > 0.5]).all()
    gap = with_features(spectrum, sweeps, PLAN).gaps.iloc[0]
    assert gap["gap_method"] == "soft gap, width at half depth"
    assert gap["gap_meV"] == pytest.approx(2 * 100 * np.log(2) ** 0.5, rel=0.1)
    assert 0.28 < gap["floor_to_edge"] < 0.36


def test_the_thermal_tail_counts_below_a_kelvin_too():
    each = np.maximum(np.abs(AXIS) - 0.4, 0.0) + 1e-4 * np.random.default_rng(1).standard_normal((5, AXIS.size))
    notes = {t: gap_edges(AXIS, each, temperature_K=t)["note"].iloc[0] for t in (0.4, np.nan)}
    assert "thermal tail" in notes[0.4]
    assert "thermal tail" not in notes[np.nan]


@pytest.mark.parametrize("axis", [np.linspace(-0.005, 1, 101), np.linspace(-1, 0.004, 100), np.linspace(0.1, 1, 50)])
def test_an_axis_that_barely_passes_zero_is_refused(axis):
    note = gap_edges(axis, np.tile(np.abs(axis), (3, 1)))["note"].iloc[0]
    assert note == "the axis does not reach to both sides of zero bias"


@pytest.mark.parametrize("exponent", [1.0, 0.5])
@pytest.mark.parametrize("temperature", [4.0, 77.0])
def test_the_fit_of_bands_returns_the_planted_gap(exponent, temperature):
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
    line = rows[rows["gap_method"].str.startswith("band edges")].iloc[0]
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


QUIET = Bench(white_A=5e-13, setpoint_scatter=0.05)


def slopes(made, window=7):
    """Derivative by an outside routine (scipy's Savitzky-Golay)."""
    from scipy.signal import savgol_filter

    step = float(np.diff(made.sweeps.axis).mean())
    return savgol_filter(made.sweeps.current, window, 2, deriv=1, delta=step, axis=1)


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
