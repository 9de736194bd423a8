"""Zero of bias and current: found where the data hold them, and not separable where they do not."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from sts.simulate import Bench, BiasRamp, simulate_iv
from sts.spectra.offsets import bias_offset_from_symmetry, find_offsets, fit_near_zero
from sts.sweeps import SweepSet, sweep_table

BENCH = Bench(white_A=2e-12, bias_offset_V=4e-3, current_offset_A=2e-12)  # as issue and METHODS: 4 mV, 2 pA


def one_tip(currents, bench=BENCH, sweeps=4, seed=0, density="flat"):
    return [
        simulate_iv(
            density=density,
            bench=bench,
            sweeps=sweeps,
            setpoint_current_A=i,
            seed=[seed, k],
            ramp=BiasRamp(setpoint_bias_V=1.0, names=f"set{k}"),
        ).sweeps
        for k, i in enumerate(currents)
    ]


def test_planted_offsets_come_back_from_three_set_points():
    found = find_offsets(one_tip([0.2e-9, 0.6e-9, 2e-9]))
    assert found.separable
    assert "3 set-points" in found.how
    assert found.bias_V == pytest.approx(4e-3, abs=max(4e-4, 2 * found.bias_se_V))
    assert found.current_A == pytest.approx(2e-12, abs=max(2e-13, 2 * found.current_se_A))


def test_offsets_cover_the_truth_as_often_as_they_say():
    """Student's t for 12 repeats less 2 parameters: 2.23 standard uncertainties hold 95 %."""
    rng = np.random.default_rng(8)
    bias = np.linspace(-1, 1, 201)
    conductance = np.repeat([0.2e-9, 0.6e-9, 2e-9], 4)[:, None]
    table = sweep_table([f"s{k}" for k in range(12)], setpoint_current_A=conductance[:, 0])
    hits = []
    for _ in range(150):
        scattered = conductance * np.exp(0.1 * rng.standard_normal((12, 1)))
        current = scattered * (bias - 4e-3) + 2e-12 + 2e-12 * rng.standard_normal((12, 201))
        found = find_offsets(SweepSet("iv", bias, current, table))
        hits.append(
            [
                abs(found.bias_V - 4e-3) < 2.23 * found.bias_se_V,
                abs(found.current_A - 2e-12) < 2.23 * found.current_se_A,
            ]
        )
    assert (np.mean(hits, axis=0) > 0.895).all()  # 150 trials of 95 %: three standard deviations are 5.4 %


def test_one_set_point_gives_the_zero_crossing_only_and_says_so():
    """V0 - I0/G with G = 1 nS: 4 mV - 2 mV."""
    found = find_offsets(one_tip([1e-9]))
    assert not found.separable
    assert "not separable" in found.how
    assert np.isnan(found.bias_V)
    assert np.isnan(found.current_A)
    assert found.zero_crossing_V == pytest.approx(2e-3, abs=4 * found.zero_crossing_se_V)


def test_a_retracted_trace_separates_them():
    live = one_tip([1e-9])[0]
    rng = np.random.default_rng(5)
    current = 2e-12 + 2e-12 * rng.standard_normal((4, live.axis.size))
    away = SweepSet("iv", live.axis, current, sweep_table([f"away{k}" for k in range(4)], setpoint_current_A=0.0))
    found = find_offsets([live, away])
    assert found.separable
    assert "retracted" in found.how
    assert found.current_A == pytest.approx(2e-12, abs=4 * found.current_se_A)
    assert found.bias_V == pytest.approx(4e-3, abs=4 * found.bias_se_V)
    alone = find_offsets(away)
    assert alone.current_A == pytest.approx(2e-12, abs=4 * alone.current_se_A)
    assert not alone.separable


def test_a_gap_shows_the_current_offset_and_hides_the_bias_offset():
    found = find_offsets(one_tip([1e-9], density="gapped"))
    assert found.current_A == pytest.approx(2e-12, abs=4 * found.current_se_A)
    assert np.isnan(found.bias_V)
    assert "gap" in found.how


def test_displacement_current_does_not_pass_for_an_offset():
    found = find_offsets(one_tip([0.2e-9, 0.6e-9, 2e-9], bench=replace(BENCH, capacitance_F=1e-12)))
    assert found.current_A == pytest.approx(2e-12, abs=max(2e-13, 3 * found.current_se_A))


@pytest.mark.parametrize(("bias", "text"), [((0.1, 1, 50), "runs through 0"), ((-1, 1, 7), "at least 9")])
def test_sweeps_that_cannot_show_an_offset_are_refused(bias, text):
    axis = np.linspace(*bias)
    with pytest.raises(ValueError, match=text):
        fit_near_zero(axis, axis[None])
    assert "no current around V = 0" in find_offsets(SweepSet("iv", axis, axis[None], sweep_table(["a"]))).how


def test_cubic_through_zero_is_exact_for_a_cubic():
    axis = np.sort(np.random.default_rng(1).uniform(-1, 1, 300))
    slope, value = fit_near_zero(axis, [1e-9 * (0.2 + 3 * axis - axis**2 + axis**3)])
    assert slope[0] == pytest.approx(3e-9, rel=1e-9)
    assert value[0] == pytest.approx(0.2e-9, rel=1e-9)
    nine = np.linspace(-1, 1, 9)  # as many as are needed, the outermost among them
    slope, value = fit_near_zero(nine, [1e-9 * (0.2 + 3 * nine - nine**2 + nine**3)])
    assert [slope[0], value[0]] == pytest.approx([3e-9, 0.2e-9], rel=1e-9)


@pytest.mark.parametrize(
    ("run", "field", "expected"), [("15", -0.014, 4.2e-5), ("16", 0.014, 4.2e-5), ("77", 0.012, 1.0e-5)]
)
def test_mirror_symmetry_finds_the_bias_offset_of_measured_superconductors(opendata: Path, run, field, expected):
    """Offsets written in the notebooks of the data's authors (arXiv:2404.17320): +0.042, +0.042, +0.010 mV."""
    data = pd.read_csv(opendata / "nis-eus-al-sample1" / f"{run}.dat", sep="\t")
    nearest = data["magnet_bpar"].to_numpy()[np.argmin(np.abs(data["magnet_bpar"] - field))]
    spectrum = data[data["magnet_bpar"] == nearest]
    offset = bias_offset_from_symmetry(spectrum["v_bias"], spectrum["lockin_6_CondX"])
    assert offset == pytest.approx(expected, abs=5e-6)


def test_mirror_symmetry_returns_a_planted_offset_between_the_points():
    axis = np.linspace(-1, 1, 201)
    assert bias_offset_from_symmetry(axis, np.abs(axis - 0.0373) + 0.1) == pytest.approx(0.0373, abs=1e-3)
    with pytest.raises(ValueError, match="too few"):
        bias_offset_from_symmetry(axis[:5], axis[:5])


def test_a_kink_beside_zero_bias_does_not_pull_the_offset():
    """A V-shaped spectrum shifted by 4 mV on a grid of 10 mV, without noise: the truth is what was put in."""
    bench = Bench(bias_offset_V=4e-3, current_offset_A=2e-12)
    sets = [
        simulate_iv(density="v_shaped", setpoint_current_A=current, sweeps=2, bench=bench, bias=(-1.0, 1.0, 201)).sweeps
        for current in (0.2e-9, 0.6e-9, 2e-9)
    ]
    found = find_offsets(sets)
    assert abs(found.bias_V - 4e-3) < 1e-4  # the window cannot be even about 4 mV on this grid
    assert abs(found.current_A - 2e-12) < 1e-14


def test_single_curve_without_slope_has_no_zero_crossing():
    """Rounded to the same value all around zero bias, as by a coarse converter: 0/0 is no bias."""
    v = np.linspace(-1, 1, 121)
    current = np.where(np.abs(v) < 0.6, 1.7e-10, 1e-9 * v)[None]
    found = find_offsets(SweepSet("iv", v, current, {"sweep": ["a"]}))
    assert np.isnan(found.zero_crossing_V)
    assert found.current_A == pytest.approx(1.7e-10)
