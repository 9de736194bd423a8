"""The whole way from sweeps to a spectrum: bands that hold, words that are true, input that is refused."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from often import repeated
from spectra.bench import ideal, measured

from sts.curves import make_smoother
from sts.plan import ComparePlan, Plan, SpectraPlan
from sts.simulate import Bench
from sts.spectra import average_spectrum, find_offsets
from sts.spectra.spectrum import Offsets, Spectrum
from sts.sweeps import SweepSet, sweep_table

WHITE = Bench(white_A=2e-12, setpoint_scatter=0.05)
SLOW = Bench(white_A=1e-12, gap_noise=0.03, gap_noise_slope=1, setpoint_scatter=0.05)


def coverage(bench: Bench, sweeps: int, trials: int, plan: Plan, density: str = "v_shaped") -> tuple[float, float]:
    """Share of bias points (trusted, smoothing bias below a third of the band) at which 95 % bands hold the truth."""
    base = ideal(density, sweeps)
    held, ratio_held = [], []
    level = np.exp(bench.setpoint_scatter**2 / 2)  # mean of the log-normal set-point
    for seed in range(trials):
        spectrum = average_spectrum(measured([7, seed], density=density, sweeps=sweeps, bench=bench)[0], plan)
        smoother = make_smoother(spectrum.bias, width_V=spectrum.resolution.smoothing_V)
        smoothed = smoother.differentiate(base.clean)
        small = np.abs(smoothed - base.conductance) * level < (spectrum.didv_high - spectrum.didv_low) / 6
        truth = base.conductance * level
        held.append(((spectrum.didv_low < truth) & (truth < spectrum.didv_high))[small].mean())
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = smoothed / (smoother.apply(base.clean) / spectrum.bias)
        use = spectrum.trusted & small
        ratio_held.append(((spectrum.normalised_low < ratio) & (ratio < spectrum.normalised_high))[use].mean())
    return float(np.mean(held)), float(np.mean(ratio_held))


@pytest.mark.parametrize("bench", [WHITE, SLOW], ids=["white", "1/f"])
@repeated(20, 200)
def test_bands_hold_the_truth_as_often_as_they_say(bench: Bench, repeats: int):
    """95 % bands of dI/dV and of (dI/dV)/(I/V), 8 repeats, fixed width; the study has 5, 20, 100 and chosen widths.

    Some thirty points of each spectrum are independent: the share of 20 spectra is known to 1 %.
    """
    plan = Plan(spectra=SpectraPlan(smoothing_width_V=0.04))
    didv, ratio = coverage(bench, 8, repeats, plan)
    assert 0.92 < didv < 0.98
    assert 0.92 < ratio < 0.98


@pytest.mark.parametrize("kind", ["exponential", "gaussian", "root"])
@repeated(20, 200)
def test_band_of_every_denominator_is_the_spread_of_repeated_afternoons(kind: str, repeats: int):
    plan = Plan(spectra=SpectraPlan(smoothing_width_V=0.06, normalise=kind, broadening_V=0.3, floor_S=1e-10))
    results = [average_spectrum(measured([9, s], sweeps=8, bench=SLOW)[0], plan) for s in range(repeats)]
    spread = np.std([r.normalised for r in results], axis=0)
    stated = np.sqrt(np.mean([r.normalised_se**2 for r in results], axis=0))
    use = results[0].trusted
    assert use.sum() > 100
    assert np.median(stated[use] / spread[use]) == pytest.approx(1, abs=0.15)


@pytest.mark.parametrize("average", ["mean", "median", "geometric"])
@repeated(15, 150)
def test_every_average_gives_the_curve_and_its_spread(average: str, repeats: int):
    plan = Plan(spectra=SpectraPlan(smoothing_width_V=0.06, average=average))
    results = [average_spectrum(measured([3, s], sweeps=9, bench=WHITE)[0], plan) for s in range(repeats)]
    spread = np.std([r.didv for r in results], axis=0)
    stated = np.sqrt(np.mean([r.didv_se**2 for r in results], axis=0))
    assert np.median(stated / spread) == pytest.approx(1, abs=0.2)
    assert_allclose(np.mean([r.current for r in results], axis=0)[-1], ideal("v_shaped", 9).clean[-1], rtol=0.05)


def test_confidence_of_the_plan_sets_the_band():
    sweeps, _ = measured(1, bench=WHITE)
    narrow, wide = (average_spectrum(sweeps, Plan(compare=ComparePlan(confidence=c))) for c in (0.68, 0.99))
    assert ((wide.didv_high - wide.didv_low) > 2 * (narrow.didv_high - narrow.didv_low)).all()
    assert_allclose(wide.didv_se, narrow.didv_se)


def test_lockin_and_numerical_derivative_of_one_measured_sweep_agree(opendata: Path):
    """Junction array with current and lock-in in one sweep: the data's notes give 1.0045 for the first array.

    For the second they give 0.968, from the straight-line slope of the whole sweep over the mean lock-in signal; that
    figure is returned here too. Point by point, at one resolution, the ratio is 0.975: a lock-in 2.5 % off.
    """
    for name in ("d475", "d489"):
        table = pd.read_csv(opendata / "cbt-array-calibration" / f"{name}.csv")
        bias = table["bias_mV"].to_numpy() * 1e-3
        for array, expected, tolerance in (("Cu", 1.0045, 0.004), ("In", 0.975, 0.003)):
            current = table[[f"I_{array}_A_s{k}" for k in range(1, 5)]].to_numpy().T
            lockin = table[[f"g_{array}_S_s{k}" for k in range(1, 5)]].to_numpy().T
            sweeps = SweepSet("iv", bias, current, sweep_table(list("abcd"), direction="up"), lockin, "S")
            spectrum = average_spectrum(sweeps)
            smooth = make_smoother(bias, width_V=spectrum.resolution.smoothing_V).apply(lockin.mean(axis=0))
            inner = slice(25, -25)
            assert np.mean(spectrum.didv[inner] / smooth[inner]) == pytest.approx(expected, abs=tolerance)
            if array == "In":
                good = np.isfinite(current).all(axis=0)
                straight = np.polyfit(bias[good], current[:, good].mean(axis=0), 1)[0]
                assert straight / lockin.mean() == pytest.approx(0.968, abs=0.006)
            holes = np.isnan(current).any(axis=0)
            assert not spectrum.trusted[holes].any()
            assert np.isfinite(spectrum.didv).all()


def test_lockin_without_a_unit_gets_none(opendata: Path):
    """Seven spectra on NbS2: only a lock-in channel, unit not stated."""
    table = np.loadtxt(opendata / "sts-nbs2-line" / "figure3b_sts.txt", skiprows=1)[::-1]
    lockin = table[:, 1:].T
    sweeps = SweepSet(
        "iv",
        table[:, 0] * 1e-3,
        np.full(lockin.shape, np.nan),
        sweep_table(list("abcdefg"), site=list("1234567"), temperature_K=0.35),
        lockin,
    )
    spectrum = average_spectrum(sweeps)
    assert spectrum.didv_unit == ""
    assert_allclose(spectrum.didv, lockin.mean(axis=0))
    assert np.isnan(spectrum.normalised).all()
    assert (spectrum.didv_high > spectrum.didv).all()
    assert "lock-in" in spectrum.smoothing
    one = average_spectrum(sweeps.select([2]))
    assert one.flags is not None
    assert "no band" in set(one.flags["flag"])
    assert_allclose(one.didv_se.mean(), 1.7e-13, rtol=0.5)  # the data's notes: point noise 1.1e-13 to 2.3e-13


def notes(spectrum: Spectrum) -> dict[str, str]:
    assert spectrum.flags is not None
    return {str(r.flag): str(r.detail) for r in spectrum.flags[spectrum.flags["sweep"] == ""].itertuples()}


def test_sweeps_are_left_out_by_rule_unless_those_to_use_are_named():
    sweeps, _ = measured(2, sweeps=8, bench=WHITE)
    sweeps.current[5] *= 3
    bad = sweeps.names[5]
    assert average_spectrum(sweeps).omitted == (bad,)
    assert bad in average_spectrum(sweeps, used=sweeps.names).sweeps
    assert average_spectrum(sweeps, used=sweeps.names[1:]).omitted == (sweeps.names[0],)
    with pytest.raises(ValueError, match="No sweep is left: all 16 are left out"):
        average_spectrum(sweeps, used=[])


def test_one_sweep_has_a_band_from_its_residuals_and_says_so():
    sweeps, _ = measured(3, bench=Bench(white_A=2e-12))
    single = average_spectrum(sweeps.select([0]))
    assert "residuals" in notes(single)["no band"]
    assert "few repeats" in notes(single)
    assert single.criterion is None
    z = (single.didv - ideal().conductance) / single.didv_se
    assert np.sqrt(np.mean(z[20:-20] ** 2)) == pytest.approx(1, abs=0.5)


def test_samples_missing_everywhere_stay_missing_and_untrusted():
    sweeps, _ = measured(4, bench=WHITE)
    plan = Plan(spectra=SpectraPlan(smoothing_width_V=0.05))
    whole = average_spectrum(sweeps, plan)
    sweeps.current[:, 30:34] = np.nan
    sweeps.current[1, 60:70] = np.nan
    holed = average_spectrum(sweeps, plan)
    assert np.isnan(holed.didv[30:34]).all()
    assert np.isfinite(holed.didv[60:70]).all()
    assert not holed.trusted[30:34].any()
    assert not holed.trusted[60:70].any()
    assert "4 of 201 points" in notes(holed)["holes"]
    far = np.r_[0:20, 120:201]
    assert_allclose(holed.didv[far], whole.didv[far], rtol=0.02)
    assert_allclose(holed.bias, whole.bias)


def test_saturated_samples_do_not_bend_the_derivative():
    bench = replace(WHITE, full_scale_A=0.7e-9)
    spectrum = average_spectrum(
        measured(5, density="flat", bench=bench)[0], Plan(spectra=SpectraPlan(smoothing_width_V=0.05))
    )
    inside = np.abs(spectrum.bias) < 0.6
    assert_allclose(spectrum.didv[inside], 1e-9, rtol=0.15)
    assert not spectrum.trusted[np.abs(spectrum.bias) > 0.75].any()
    assert np.isnan(spectrum.didv[np.abs(spectrum.bias) > 0.9]).all()


def test_offsets_from_several_set_points_are_removed_exactly():
    bias = np.linspace(-1, 1, 201)
    rng = np.random.default_rng(0)
    sets = [
        SweepSet(
            "iv", bias, g * (bias - 4e-3) + 2e-12 + 1e-13 * rng.standard_normal((4, 201)),
            sweep_table([f"{g}_{k}" for k in range(4)], setpoint_current_A=g, temperature_K=295.0),
        )
        for g in (0.2e-9, 0.6e-9, 2e-9)
    ]  # fmt: skip
    offsets = find_offsets(sets)
    spectrum = average_spectrum(sets[2], offsets=offsets)
    assert_allclose(spectrum.bias, bias - offsets.bias_V)
    assert abs(np.interp(0, spectrum.bias, spectrum.current)) < 1e-13
    assert_allclose(spectrum.normalised[spectrum.trusted], 1, atol=2e-3)
    reach = 10 * (abs(offsets.current_A) / 2e-9 + abs(offsets.bias_V))
    assert np.abs(spectrum.bias[spectrum.trusted]).min() == pytest.approx(reach, abs=0.011)
    kept = average_spectrum(sets[2], Plan(spectra=SpectraPlan(offsets="keep")), offsets=offsets)
    assert_allclose(kept.bias, bias)
    assert np.interp(0, kept.bias, kept.current) == pytest.approx(2e-12 - 8e-12, abs=2e-13)


def test_one_set_point_says_that_its_offsets_are_not_separable():
    spectrum = average_spectrum(measured(6, density="flat", bench=replace(WHITE, current_offset_A=5e-12))[0])
    assert "not separable" in notes(spectrum)["offsets not separable"]
    assert np.interp(0, spectrum.bias, spectrum.current) == pytest.approx(
        0, abs=2e-12
    )  # the raw mean; smoothed it is 0


def test_sites_are_the_replicates_where_there_are_three():
    parts = [measured(s, sweeps=4, bench=Bench(white_A=1e-12))[0] for s in range(4)]
    current = np.concatenate([p.current * f for p, f in zip(parts, (0.8, 0.95, 1.05, 1.2), strict=True)])
    table = pd.concat([p.table.assign(site=f"{k}", sweep=p.table["sweep"] + f"_{k}") for k, p in enumerate(parts)])
    sweeps = SweepSet("iv", parts[0].axis, current, table.reset_index(drop=True))
    by_site = average_spectrum(sweeps)
    by_repeat = average_spectrum(sweeps, Plan(spectra=SpectraPlan(replicates="repeat")))
    # means 0.8 ... 1.2: standard deviation 0.169, over √4
    assert by_site.current_se[-1] / by_site.current[-1] == pytest.approx(0.0845, rel=0.05)
    assert by_repeat.current_se[-1] < 0.6 * by_site.current_se[-1]
    two = average_spectrum(sweeps.select(np.arange(16)))
    assert "two sites" in notes(two)["few sites"]
    with pytest.raises(ValueError, match="between tips, but there is only one"):
        average_spectrum(sweeps, Plan(spectra=SpectraPlan(replicates="tip")))


def test_scaling_to_the_set_point_removes_its_scatter():
    sweeps, _ = measured(7, sweeps=6, bench=Bench(white_A=1e-13, setpoint_scatter=0.3))
    plan = Plan(spectra=SpectraPlan(scale_to_setpoint=True))
    scaled = average_spectrum(sweeps, plan)
    assert scaled.current[-3] == pytest.approx(ideal("v_shaped", 6).clean[-3], rel=0.03)
    assert scaled.current_se[100:].max() < 0.1 * average_spectrum(sweeps).current_se[100:].max()
    unknown = replace(sweeps, table=sweeps.table.assign(setpoint_bias_V=np.nan))
    with pytest.raises(ValueError, match="Fill them in with a logbook"):
        average_spectrum(unknown, plan)


def test_a_sweep_that_ends_at_the_set_point_can_be_scaled_whatever_the_offset():
    """With an offset of 4 mV taken off, the corrected axis ends short of the set-point that the bench counted."""
    sweeps, _ = measured(7, sweeps=6, bench=Bench(white_A=1e-13, setpoint_scatter=0.3))
    at_end = replace(sweeps, table=sweeps.table.assign(setpoint_bias_V=sweeps.axis[-1]))
    offsets = Offsets(4e-3, 1e-4, 4e-3, 1e-4, 0.0, 1e-14, True, "planted")
    scaled = average_spectrum(at_end, Plan(spectra=SpectraPlan(scale_to_setpoint=True)), offsets=offsets)
    assert np.allclose(scaled.current[-1], at_end.table["setpoint_current_A"].iloc[0], rtol=0.01)


def test_group_doubts_are_written_down():
    sweeps, _ = measured(8, sweeps=30, bench=Bench(white_A=1e-13, setpoint_scatter=1.0))
    assert "mean/median" in notes(average_spectrum(sweeps, used=sweeps.names))["skewed"]
    drifting, _ = measured(9, sweeps=30, bench=Bench(white_A=1e-12, setpoint_scatter=0.01))
    drifting.current[:] *= np.repeat(1.01 ** np.arange(30), 2)[:, None]
    assert "% of current from repeat to repeat" in notes(average_spectrum(drifting, used=drifting.names))["trend"]
    alone = measured(10, bench=WHITE)[0]
    assert (
        notes(average_spectrum(alone.select(alone.table["direction"] == "up")))["one direction"]
        == "all sweeps run up only"
    )


def test_the_derivative_integrates_back_to_the_current():
    spectrum = average_spectrum(measured(11, bench=WHITE)[0])
    steps = np.diff(spectrum.bias)
    integral = np.concatenate([[0], np.cumsum((spectrum.didv[1:] + spectrum.didv[:-1]) / 2 * steps)])
    offset = np.mean(integral - spectrum.current)
    assert np.abs(integral - spectrum.current - offset).max() < 0.02 * np.ptp(spectrum.current)


def test_gain_and_sign_do_not_matter():
    sweeps, _ = measured(12, bench=WHITE)
    plain = average_spectrum(sweeps)
    turned = average_spectrum(replace(sweeps, current=-1e3 * sweeps.current))
    assert_allclose(turned.didv, -1e3 * plain.didv, rtol=1e-9)
    assert_allclose(turned.normalised, plain.normalised, rtol=1e-6)


def test_same_sweeps_and_plan_give_the_same_numbers():
    sweeps, _ = measured(13, sweeps=6, bench=WHITE)
    plan = Plan(spectra=SpectraPlan(average="median"))
    assert_allclose(average_spectrum(sweeps, plan).didv_se, average_spectrum(sweeps, plan).didv_se, rtol=0)


def test_nothing_to_average_is_said():
    axis = np.linspace(-1, 1, 50)
    empty = SweepSet("iv", axis, np.full((2, 50), np.nan), sweep_table(["a", "b"]))
    with pytest.raises(ValueError, match="No sweep is left: all 2 are left out \\(too few points\\)"):
        average_spectrum(empty)
    with pytest.raises(ValueError, match="neither a current nor a lock-in"):
        average_spectrum(empty, used=["a", "b"])
    with pytest.raises(ValueError, match="averaged from I\\(V\\) sweeps"):
        average_spectrum(SweepSet("iz", axis, np.zeros((1, 50)), sweep_table(["a"])))
    short = SweepSet("iv", [-0.1, 0.0, 0.1], np.array([[-1e-9, 0, 1.2e-9]]), sweep_table(["a"]))
    with pytest.raises(ValueError, match="3 points; smoothing of order 2 needs at least 4"):
        average_spectrum(short, used=["a"])


def test_what_was_filled_in_is_no_repeat_in_the_band():
    """Three of four sweeps miss 35 points: one repeat is left there, and no band; with two left it is wide, and holds."""
    held = []
    for seed in range(20):
        bias, clean = np.linspace(-1, 1, 201), 1e-9 * np.linspace(-1, 1, 201)
        rng = np.random.default_rng(seed)
        current = clean + 2e-12 * rng.standard_normal((6, 201))
        current[:4, 120:155] = np.nan
        table = sweep_table([f"s{i}" for i in range(6)], repeat=np.arange(6.0))
        found = average_spectrum(
            SweepSet("iv", bias, current, table), Plan(spectra=SpectraPlan(smoothing_width_V=0.05))
        )
        assert "holes" in set(found.flags["flag"])
        held.append((found.didv_low < 1e-9) & (found.didv_high > 1e-9))
    inside = np.array(held)[:, 125:150].mean()
    assert inside > 0.93
    current[4] = np.where(np.isnan(current[0]), np.nan, current[4])
    one = average_spectrum(SweepSet("iv", bias, current, table), Plan(spectra=SpectraPlan(smoothing_width_V=0.05)))
    assert np.isnan(one.didv_low[125:150]).all()
    assert np.isfinite(one.didv_low[20:110]).all()


def test_a_varying_gap_is_not_overlooked():
    bias = np.linspace(-1, 1, 201)
    sweeps = SweepSet("iv", bias, 1e-9 * bias[None], sweep_table(["a"]))
    with pytest.raises(ValueError, match="gap varied"):
        average_spectrum(sweeps, Plan(spectra=SpectraPlan(gap_slope_A_per_V=1.0)))


def test_the_sweeps_of_a_spectrum_average_to_it():
    """Current and derivative of each sweep as drawn behind their mean: offsets taken off, the same zero."""
    spectrum = average_spectrum(measured([8, 1], bench=replace(WHITE, current_offset_A=2e-11))[0])
    assert_allclose(spectrum.current_each.mean(axis=0), spectrum.current, atol=1e-15)
    assert_allclose(spectrum.didv_each.mean(axis=0), spectrum.didv, atol=1e-15)
