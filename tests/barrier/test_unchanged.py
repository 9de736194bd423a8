"""Numbers and decisions of this layer on invented sweeps of every kind, faults on both sides of every threshold.

See `keeping`: what is kept proves nothing about being right, and lets no change pass unnoticed. The cases were chosen out
of a hundred or so of each kind: every flag and every wording at least twice where it came twice, and of each threshold the
cases that lie nearest to it on both sides.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from keeping import line
from spectra.bench import ideal, sometimes

from sts.barrier import fit_barrier, local_barrier, pair_directions, slopes_by_repeat, window_sensitivity
from sts.barrier.lag import Logarithms, find_lag
from sts.barrier.modulation import fit_modulation
from sts.barrier.one_sweep import fit_barrier_single, profile_sweep
from sts.curves import make_smoother
from sts.flags import COLUMNS
from sts.plan import Plan
from sts.simulate import Bench, HeightRamp, apply_bench, simulate_iz
from sts.spectra import average_spectrum
from sts.spectra.features import with_features
from sts.spectra.models import Measured, fit_superconducting_gap, gap_ratio
from sts.spectra.models.goodness_of_fit import run_test, verdict
from sts.spectra.models.inelastic import fit_inelastic_step, inelastic_step
from sts.spectra.models.resonance import fano, fit_fano
from sts.spectra.models.superconductor import dynes_density, dynes_second_integral, superconducting_conductance
from sts.sweeps import SweepSet

NUMBERS = (
    "barrier_eV", "barrier_se_eV", "barrier_low_eV", "barrier_high_eV", "decay_se_per_nm", "decades", "offset_pA",
    "offset_se_pA", "noise_pA", "points", "from_nm", "to_nm", "reduced_chi2", "barrier_log_eV",
    "slow_correlation", "lag_nm", "lag_se_ms", "barrier_modulation_eV", "barrier_modulation_se_eV",
)  # fmt: skip

SETS = (0, 1, 4, 9, 11, 12, 16, 21, 28, 32, 33, 40, 48, 50, 52, 55, 64, 66, 74, 90)
SHAPES = (1, 3, 5, 9, 12, 15, 21, 30, 33, 39, 44, 45, 51, 54, 61, 71, 80, 86, 96, 99)
LAGS = (0, 1, 2, 3, 5, 8, 13, 17, 21, 25, 29, 34, 38, 44, 50, 55)
RESIDUALS = (0, 1, 3, 5, 9, 19, 25, 26, 27, 29, 30, 31, 40, 42, 43, 46, 53, 55, 69, 73)
GAPS = (0, 1, 6, 8, 10, 13, 17)
LINES = (0, 1, 2, 10, 16, 19)
GROUPS = (4, 6, 12, 15, 16, 20, 22)


def any_sweeps(generator: np.random.Generator) -> SweepSet:
    """Some retract and approach sweeps on any bench, with faults of every size."""
    repeats = int(generator.integers(1, 9))
    both = bool(generator.random() < 0.6)
    points = int(generator.choice([40, 90, 150]))
    bench = Bench(
        white_A=sometimes(generator, 1.0, 1e-14, 1e-11),
        shot_bandwidth_Hz=sometimes(generator, 0.3, 1e2, 1e5),
        gap_noise=sometimes(generator, 0.7, 1e-3, 0.1),
        gap_noise_slope=float(generator.choice([0.0, 1.0])),
        setpoint_scatter=sometimes(generator, 0.6, 1e-3, 0.2),
        current_offset_A=sometimes(generator, 0.5, 1e-13, 3e-11),
        lag_s=sometimes(generator, 0.3, 1e-4, 0.3),
        drift_m_per_s=sometimes(generator, 0.3, 1e-12, 5e-11),
        full_scale_A=sometimes(generator, 0.3, 5e-10, 3e-9, np.inf),
        converter_step_A=sometimes(generator, 0.3, 1e-13, 1e-11),
        jump_factor=float(np.exp(generator.uniform(-0.6, 0.6))),
        jump_share=sometimes(generator, 0.3, 0.05, 0.5),
    )  # fmt: skip
    made = simulate_iz(
        barrier_eV=generator.uniform(0.5, 6.5),
        height=(5e-11, 5e-11 + generator.uniform(0.1, 0.6) * 1e-9, points),
        current_A=sometimes(generator, 1.0, 5e-11, 5e-9),
        sweeps=repeats,
        bench=bench,
        seed=generator,
        tip="t",
        site="a",
        ramp=HeightRamp(
            bias_V=float(generator.choice([0.05, 0.1, 0.19, 0.3])),
            directions=("retract", "approach") if both else ("retract",),
        ),
    ).sweeps
    current, height = made.current.copy(), made.axis / 1e-9
    if generator.random() < 0.3:  # bent, by a compliant gap or a lower barrier further out
        current *= np.exp(generator.uniform(-8, 8) * height**2)
    if generator.random() < 0.2:
        current *= np.exp(generator.uniform(-8, 8) * np.maximum(height - 0.5 * height[-1], 0))
    if generator.random() < 0.15:  # near contact
        current *= sometimes(generator, 1.0, 10, 3000)
    if generator.random() < 0.1:
        current *= -1
    if generator.random() < 0.1:
        current = current[:, ::-1]
    if generator.random() < 0.3:
        current[int(generator.integers(len(current))), int(generator.choice([0, 1, 2, 4, 5, 6, points // 2])) :] = (
            np.nan
        )
    lockin, unit = None, ""
    if generator.random() < 0.3:
        slope, unit = np.gradient(current, made.axis, axis=1), "A/m"
        lockin = -slope * (1 + 0.02 * generator.standard_normal(slope.shape))
    return replace(made, current=current, lockin=lockin, lockin_unit=unit)


def test_barriers(unchanged):
    """Barriers, uncertainties, noise and flags of sets, and what is made of them."""
    lines = []
    for case in SETS:
        generator = np.random.default_rng([case, 21])
        sweeps = any_sweeps(generator)
        plan = Plan.model_validate({"barrier": {"settling_points": int(generator.choice([0, 0, 3]))}})
        sweeps = replace(sweeps, axis=sweeps.axis * float(generator.choice([1.0, 1.1])))
        fit = fit_barrier(sweeps, plan, confidence=float(generator.choice([0.95, 0.68])))
        firm = fit.table["barrier_se_eV"] < 0.2 * fit.table["barrier_eV"]  # the others depend on rounding
        lines += line(f"set {case}", spread=fit.table["choice_spread_eV"].where(firm))
        lines += line(f"set {case}", **{name: fit.table[name] for name in NUMBERS}, used=int(fit.table["used"].sum()),
                      masked=(~fit.used_points).sum(axis=1), noise=fit.noise, flags=fit.flags[COLUMNS])  # fmt: skip
        if case % 4:
            continue
        near = local_barrier(fit)
        pairs, flags = pair_directions(fit.table)
        lines += line(f"set {case}", local=near.barrier_eV, local_se=near.barrier_se_eV, high=near.high_eV,
                      pairs_flags=flags[COLUMNS],
                      windows=window_sensitivity(fit).iloc[:, 1:].to_numpy(float))  # fmt: skip
        shown = pairs[["decay_per_nm", "decay_se_per_nm", "difference_percent", "drift_pm_per_s", "drift_se_pm_per_s"]]
        means = slopes_by_repeat(fit.table)[["decay_per_nm", "decay_se_per_nm", "dof"]]
        lines += line(f"set {case}", pairs=shown.to_numpy(float), repeats=means.to_numpy(float))
    unchanged(lines)


def test_shapes_of_sweeps(unchanged):
    """What is said of sweeps that jump, bend or break by little and by much."""
    lines = []
    for case in SHAPES:
        generator = np.random.default_rng([case, 29])
        points = int(generator.choice([30, 60, 120]))
        bench = Bench(white_A=sometimes(generator, 1.0, 1e-14, 1e-12), gap_noise=sometimes(generator, 1.0, 2e-3, 0.05),
                      gap_noise_slope=float(generator.choice([0.0, 1.0])), jump_share=0.7 * float(case % 3 == 0),
                      jump_factor=float(np.exp(generator.choice([-1, 1]) * generator.uniform(0.1, 0.5))))  # fmt: skip
        made = simulate_iz(
            barrier_eV=generator.uniform(2, 6),
            height=(2e-10, 6e-10, points),
            current_A=4e-8,
            sweeps=3,
            bench=bench,
            seed=generator,
        ).sweeps
        u = np.linspace(0, 1, points)
        bend = [
            0.0,
            generator.uniform(-2, 2) * u**2,
            generator.uniform(-3, 3) * np.maximum(u - generator.uniform(0.1, 0.8), 0),
        ]
        fit = fit_barrier(replace(made, current=made.current * np.exp(bend[case % 3])))
        lines += line(f"set {case}", flags=fit.flags[COLUMNS])
    unchanged(lines)


def test_single_sweeps(unchanged):
    """One sweep at a time by iteration, with and without its profile."""
    lines = []
    z = np.linspace(0, 4e-10, 60)
    for case in range(4):
        generator = np.random.default_rng([case, 22])
        sd = np.hypot(1e-12, 0.02e-9 * np.exp(-20 * z * 1e9))
        current = 1e-9 * np.exp(-20e9 * z) + 2e-12 + sd * generator.standard_normal(z.size)
        found = fit_barrier_single(z, current, sd, profile=case < 3)
        shown = {name: value for name, value in vars(found).items() if name not in ("fit", "interval_eV")}
        interval = "none" if found.interval_eV is None else np.array(found.interval_eV)
        lines += line(f"sweep {case}", found=shown, interval=interval)
    fit = fit_barrier(simulate_iz(barrier_eV=4.2, sweeps=3, bench=Bench(white_A=1e-12, gap_noise=0.02), seed=1).sweeps)
    profile = profile_sweep([fit], "iz_002_retract")
    lines += line("profile", barrier=profile.barrier_eV, interval=np.array(profile.interval_eV))
    unchanged(lines)


def test_lag(unchanged):
    """Transients of all lengths in pairs and in retract alone, unequal weights, some sweeps strange."""
    lines = []
    u = np.linspace(0, 1, 120)
    for case in LAGS:
        generator = np.random.default_rng([case, 23])
        p, decay = int(generator.choice([1, 2, 4, 20])), generator.uniform(3, 9)
        length = sometimes(generator, 0.9, 0.003, 1.5)
        k, x = decay * length, decay * u
        late = np.log1p(k * np.expm1(np.minimum(x * (1 - 1 / k), 500)) / (k - 1)) if k else 0 * u
        noise = sometimes(generator, 1.0, 1e-4, 0.05) * np.exp(0.5 * x)
        weight = np.broadcast_to(1 / noise**2, (p, u.size)).copy()
        weight[:, noise > 0.3] = 0.0
        value = -x + late + noise * generator.standard_normal((p, u.size))
        value[:1, 60:] += sometimes(generator, 0.2, 0.1, 1.0)
        back = -1.02 * x + noise * generator.standard_normal((p, u.size))
        about = decay * generator.uniform(0.5, 1.0) * np.ones(p)
        one = Logarithms(value, weight, about, np.full(p, 1e-3))
        two = Logarithms(back, weight * generator.uniform(0.2, 1), np.full(p, decay), np.full(p, 1e-3))
        for name, found in (("pairs", find_lag(u, one, two)), ("alone", find_lag(u, one, None))):
            if found is None:
                lines += line(f"case {case}", **{name: "none"})
                continue
            spoilt = [int(found.spoils(u, approach=back).sum()) for back in (False, True)]
            lines += line(f"case {case}", **{name: vars(found), "too long": found.too_long, "spoilt": np.array(spoilt)})
    unchanged(lines)


def test_modulated_heights(unchanged):
    """Slopes out of a lock-in channel in A/m and in A, with an offset, masked samples and unequal weights."""
    lines = []
    z = np.linspace(0, 4e-10, 50)
    for case in range(6):
        generator = np.random.default_rng([case, 24])
        signal = 1e-9 * np.exp(-2e10 * z) * np.ones((3, 1))
        current = signal + 3e-12 + 1e-12 * generator.standard_normal(signal.shape)
        lockin = 2e10 * signal * (1 if case % 2 else 3e-12) * (1 + 0.01 * generator.standard_normal(signal.shape))
        lockin[0, : case + 1] = np.nan
        weight = np.where(generator.random(signal.shape) < 0.1, 0.0, 1 / (1e-12**2 + (0.02 * signal) ** 2))
        weight[2, 2 if case % 3 else 4 :] = 0.0
        found = fit_modulation(lockin, current, signal, weight, modulation_height_rms_m=np.nan if case % 2 else 3e-12)
        lines += line(f"channel {case}", decay=found[0], error=found[1])
    unchanged(lines)


def test_superconducting_gaps(unchanged):
    """Gaps, broadenings and temperatures with every option, good fits and poor, and what is refused."""
    lines = []
    v = np.linspace(-6e-3, 6e-3, 121)
    smoother = make_smoother(v, width_V=4e-4)
    for case in GAPS:
        generator = np.random.default_rng([case, 25])
        gap, broadening = generator.uniform(0.3, 2.5) * 1e-3, sometimes(generator, 1.0, 0.005, 0.9) * 1e-3
        temperature = float(generator.choice([1.8, 4.2, 8.0]))
        modulation = float(generator.choice([np.nan, 0.0, 1e-4, 4e-4]))
        used = smoother if generator.random() < 0.4 else None
        didv = superconducting_conductance(
            v, gap, broadening, temperature_K=temperature, modulation_rms_V=np.nan_to_num(modulation), smoother=used
        )
        didv = didv + sometimes(generator, 0.4, 3e-3, 0.1) * np.cos(v / 4e-4) + generator.uniform(-0.1, 0.1) * v / 6e-3
        noise = sometimes(generator, 1.0, 1e-3, 0.05)
        covariance = noise**2 * np.eye(v.size) if generator.random() < 0.3 else None
        found = fit_superconducting_gap(
            v, didv + noise * generator.standard_normal(v.size), np.full(v.size, noise), temperature_K=temperature,
            modulation_rms_V=modulation, smoother=used, covariance=covariance, fit_temperature=bool(generator.random() < 0.2),
        )  # fmt: skip
        lines += line(f"gap {case}", found=vars(found))
    lines += line("ratio", gap=gap_ratio(np.linspace(0, 1.1, 12)))
    unchanged(lines)


def test_resonances(unchanged):
    """Fano lines and inelastic steps from noise to all but certain, also where they are not there."""
    lines = []
    v = np.linspace(-0.04, 0.04, 121)
    for case in LINES:
        generator = np.random.default_rng([case, 26])
        noise = sometimes(generator, 1.0, 1e-3, 0.1)
        q, width, centre = (
            generator.uniform(-3, 3),
            sometimes(generator, 1.0, 2e-3, 2e-2),
            generator.uniform(-0.01, 0.01),
        )
        line_shape = fano(v, centre, width, q, 0.3, 1.0)
        step = inelastic_step(
            v,
            generator.uniform(5e-3, 3e-2),
            sometimes(generator, 1.0, 0.01, 0.3),
            1.0,
            temperature_K=8.0,
            asymmetry=0.1,
        )
        step = step + generator.uniform(-0.1, 0.1) * v / 0.04
        modulation = float(generator.choice([0.0, 2e-3]))
        extra = sometimes(generator, 0.3, 1e-3, 0.1) * np.cos(v / 3e-3)
        for name, fit, clean in (("fano", fit_fano, line_shape), ("step", fit_inelastic_step, step)):
            didv = clean + extra + noise * generator.standard_normal(v.size)
            found: Any = fit(Measured(v, didv, np.full(v.size, noise), temperature_K=8.0, modulation_rms_V=modulation))
            lines += line(f"{name} {case}", words=found.verdict)
            if "at the end" not in found.verdict:  # else rounding decides
                both = [list(column.values()) for column in (found.values, found.errors)]
                lines += line(f"{name} {case}", values=both[0], errors=both[1], chi2=found.reduced_chi2, p=found.run_test_p,
                              fitted=found.fitted)  # fmt: skip
    unchanged(lines)


def test_goodness(unchanged):
    """Verdicts on residuals that are too large, too small, tied together, and of small and large scale."""
    lines = []
    for case in RESIDUALS:
        generator = np.random.default_rng([case, 27])
        residual = generator.standard_normal(int(generator.choice([6, 30, 150]))) * np.exp(generator.uniform(-0.7, 0.7))
        if generator.random() < 0.5:
            residual = residual + sometimes(generator, 1.0, 0.1, 3) * np.sin(np.arange(residual.size) / 8)
        words = verdict(
            residual, 3, independent=float(generator.choice([1.0, 0.3])), scale=sometimes(generator, 1.0, 1e-3, 0.3)
        )
        lines += line(f"residuals {case}", verdict=words[0], numbers=np.array(words[1:]), runs=run_test(residual))
    unchanged(lines)


def test_line_shapes(unchanged):
    """Every closed form on a grid, its tails with it."""
    v, e = np.linspace(-0.1, 0.1, 41), np.linspace(-5e-3, 5e-3, 41)
    lines = line("fano", shape=fano(v, 0.01, 0.02, 1.5, 2.0, 0.5))
    for temperature in (0.5, 8.0, 295.0):
        seen = inelastic_step(v, 0.02, 0.3, 1.0, temperature_K=temperature, asymmetry=0.4)
        lines += line(f"{temperature} K", inelastic=seen)
    for broadening in (0.0, 1e-5, 5e-4):
        lines += line(
            f"{broadening} eV",
            density=dynes_density(e + 1e-6, 1.3e-3, broadening),
            integral=dynes_second_integral(e, 1.3e-3, broadening),
        )
        for modulation in (0.0, 3e-4):
            lines += line(f"{broadening} eV, {modulation} V", seen=superconducting_conductance(
                e, 1.3e-3, broadening, temperature_K=2.0, modulation_rms_V=modulation))  # fmt: skip
    unchanged(lines)


def test_features(unchanged):
    """Features of averaged groups: gaps, dips, peaks, lock-in channels, steep rises, superconducting gaps."""
    lines = []
    for case in GROUPS:
        generator = np.random.default_rng([case, 28])
        density = str(generator.choice(["v_shaped", "gapped", "two_peaks", "flat"]))
        made = ideal(density, 12, bias=(-1.0, 1.0, 120)).sweeps.select(np.arange(2 * generator.integers(1, 9)))
        bench = Bench(white_A=sometimes(generator, 1.0, 1e-14, 3e-11), gap_noise=sometimes(generator, 0.5, 1e-3, 0.03),
                      full_scale_A=sometimes(generator, 0.3, 5e-10, 1.2e-9, np.inf))  # fmt: skip
        current, _ = apply_bench(made.current, bench, generator, time_step_s=2e-3)
        dip = 1 - sometimes(generator, 0.5, 0.02, 0.9) * np.exp(
            -(made.axis**2) / sometimes(generator, 1.0, 0.05, 0.5) ** 2
        )
        current = current * dip
        lockin = (
            np.gradient(current, made.axis, axis=1) * float(generator.choice([1.0, 1.05]))
            if generator.random() < 0.5
            else None
        )
        table = made.table.assign(temperature_K=float(generator.choice([4.0, 295.0])))
        sweeps = replace(made, current=current, table=table, lockin=lockin, lockin_unit="" if lockin is None else "S")
        plan = Plan.model_validate(
            {"features": {"superconductor": bool(case % 4 == 0)}, "check": {"omit": ["all saturated"]}}
        )
        found = with_features(average_spectrum(sweeps, plan), sweeps, plan)
        lines += line(f"group {case}", gaps=found.gaps, peaks=found.peaks, flags=found.flags[COLUMNS])
        if found.lockin is not None:
            told = {k: v for k, v in vars(found.lockin).items() if k not in ("end_to_end", "curve")}
            ends = found.lockin.end_to_end
            lines += line(
                f"group {case}", lockin=told, curve=found.lockin.curve, ends={} if ends is None else vars(ends)
            )
        for name, fit in found.fits.items():
            lines += line(f"group {case}", **{name: {"verdict": fit.verdict, **fit.values, "fitted": fit.fitted}})
    unchanged(lines)
