"""Numbers and decisions of this layer on invented sweeps of every kind, faults on both sides of every threshold.

See `keeping`: what is kept proves nothing about being right, and lets no change pass unnoticed. The cases were chosen out
of up to 120 of each kind: every flag and every wording is among them, and so are the smallest and largest
sizes that a rule gave.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from keeping import line
from spectra.bench import ideal, sometimes

from sts.curves import find_saturation, find_step, make_smoother, noise_level
from sts.curves.averaging import average_units, fill_missing, mean_to_median
from sts.curves.smoothing import narrowest_width
from sts.flags import COLUMNS
from sts.plan import CheckPlan, Plan
from sts.simulate import Bench, apply_bench, simulate_iv
from sts.spectra import (
    average_spectrum,
    bias_offset_from_symmetry,
    broadening,
    choose_smoother,
    find_offsets,
    judge_iv,
    normalise,
    setpoint_trends,
    spectra_of_grid,
    trusted_bias,
)
from sts.spectra.faults.judging import level_trend
from sts.spectra.faults.steps import own_steps
from sts.spectra.gaps.gap import gap_edges
from sts.spectra.gaps.soft_gap import dip_width, soft_gap_width
from sts.spectra.gaps.steepness import steepest_rise
from sts.spectra.half_difference import fit_half_difference
from sts.spectra.lockin.comparison import calibrate_lockin
from sts.spectra.offsets import fit_near_zero
from sts.spectra.peaks import find_peaks
from sts.spectra.resolution import modulation_kernel, resolution
from sts.spectra.smoothing_width import default_width
from sts.spectra.varying_gap import Decay, to_constant_separation
from sts.sweeps import SweepSet

JUDGED = (1, 4, 8, 20, 27, 37, 38, 53, 56, 57, 59, 61, 70, 74, 78, 79, 84, 87, 88)
CLIPPED = (0, 4, 8, 10, 11, 30, 31, 32, 33, 41, 43, 44, 47, 52, 56)
JUMPS = (0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 17, 18, 67, 72)
GROUPS = (1, 12, 18, 21, 24, 30, 31, 32)
GAPS = (
    0,
    2,
    4,
    10,
    11,
    13,
    15,
    23,
    24,
    25,
    28,
    32,
    35,
    38,
    42,
    45,
    46,
    51,
    54,
    59,
    63,
    71,
    79,
    84,
    85,
    92,
    108,
    115,
    117,
    118,
)
DIPS = (0, 1, 2, 3, 4, 5, 6, 7, 13, 23, 33, 53, 54, 58, 59)
PEAKS = (1, 2, 3, 4, 5, 13, 21, 24, 28, 39, 40, 45, 55)
STRENGTHS = (3, 4, 6, 7, 27, 28, 29)
BENCHES = (0, 2, 14, 18, 19, 23, 28, 36, 37, 38)
UNITS = (0, 1, 2, 3, 5)
HALVES = (4, 5, 7, 10, 11, 15, 22)
CHANNELS = (1, 5, 6, 10, 22, 25, 27, 31, 33, 39)
SETS = (0, 5, 11)

SHAPES = ("flat", "v_shaped", "gapped", "two_peaks")


def any_sweeps(generator: np.random.Generator) -> SweepSet:
    """Some repeats on any bench, with faults of every size, from none that matter to many that do."""
    density, points = str(generator.choice(SHAPES)), int(generator.choice([61, 120]))
    made = ideal(density, 12, bias=(-1.0, 1.0, points)).sweeps.select(np.arange(2 * generator.integers(2, 13)))
    bench = Bench(
        white_A=sometimes(generator, 1.0, 1e-14, 1e-11),
        gap_noise=sometimes(generator, 0.6, 1e-3, 0.1),
        gap_noise_slope=float(generator.choice([0.0, 1.0])),
        setpoint_scatter=sometimes(generator, 0.8, 1e-3, 0.2),
        current_offset_A=sometimes(generator, 0.3, 1e-12, 3e-10),
        full_scale_A=sometimes(generator, 0.4, 3e-10, 3e-9, np.inf),
        converter_step_A=sometimes(generator, 0.4, 1e-13, 3e-11),
        jump_factor=float(np.exp(generator.uniform(-0.6, 0.6))),
        jump_share=sometimes(generator, 0.5, 0.05, 0.5),
    )  # fmt: skip
    current, _ = apply_bench(made.current, bench, generator, time_step_s=2.5e-3)
    m, n = current.shape
    level = np.ones(m)
    if generator.random() < 0.4:  # the tip changed between two sweeps
        level[int(generator.integers(m)) :] *= np.exp(generator.uniform(-0.5, 0.5))
    if generator.random() < 0.4:
        level[int(generator.integers(m))] *= np.exp(generator.uniform(-1, 1))
    if generator.random() < 0.3:
        level *= np.exp(np.linspace(0, generator.uniform(-0.3, 0.3), m))
    current = current * level[:, None]
    if generator.random() < 0.4:  # one bends apart from the others
        row = int(generator.integers(m))
        current[row] += sometimes(generator, 1.0, 0.01, 1.0) * current[row] ** 2 / 1e-9
    if generator.random() < 0.4:
        for row in generator.integers(m, size=3):
            current[row, int(generator.integers(n)) :] = np.nan
    if generator.random() < 0.2:
        current[int(generator.integers(m)), int(generator.integers(0, 25)) :] = np.nan
    table = made.table.assign(
        full_scale_A=bench.full_scale_A if generator.random() < 0.5 and np.isfinite(bench.full_scale_A) else np.nan,
        setpoint_bias_V=float(generator.choice([1.0, 0.5, -1.0, 1.004, 1.02, np.nan])),
        site=generator.choice(["a", "b", "c"], m) if generator.random() < 0.3 else "",
    )  # fmt: skip
    if generator.random() < 0.3:
        table["repeat"] = np.nan
    sweeps = replace(made, current=current, table=table)
    return sweeps.select(table["direction"] == "up") if generator.random() < 0.2 else sweeps


def test_judging(unchanged):
    """Flags, and what they say, of groups."""
    lines = []
    for case in JUDGED:
        generator = np.random.default_rng([case, 1])
        sweeps = any_sweeps(generator)
        plan = CheckPlan(
            outlier_cut=float(generator.choice([3.0, 5.0])), jump_factor=float(generator.choice([1.2, 1.1]))
        )
        lines += line(f"group {case}", flags=judge_iv(sweeps, plan)[COLUMNS], noise=noise_level(sweeps.current))
    unchanged(lines)


def test_quality(unchanged):
    """Limits, steps and noise of curves that are clipped, rounded and noisy by little and by much."""
    lines = []
    for case in CLIPPED:
        generator = np.random.default_rng([case, 2])
        current = any_sweeps(generator).current
        limits = np.exp(generator.uniform(-0.2, 0.2, len(current))) * np.nanmax(np.abs(current), axis=1, initial=0.0)
        known = find_saturation(current, full_scale=limits)
        lines += line(
            f"set {case}", railed=find_saturation(current).sum(axis=1), known=known.sum(axis=1), step=find_step(current)
        )
    unchanged(lines)


def test_jumps_alone(unchanged):
    """Single sweeps that jump by 5 to 50 %, at once or over two samples, some of them with a spike."""
    lines, axis = [], np.linspace(-1, 1, 120)
    for case in JUMPS:
        generator = np.random.default_rng([case, 3])
        clean = 1e-9 * (axis + 0.5 * axis**3)
        at, size = int(generator.integers(2, 118)), np.exp(generator.uniform(-0.5, 0.5))
        current = np.where(np.arange(120) >= at, clean * size, clean)
        if generator.random() < 0.3:
            current[at] = clean[at] * np.sqrt(size)
        if generator.random() < 0.3:
            current[int(generator.integers(5, 115))] *= 1.5
        noise = sometimes(generator, 1.0, 1e-13, 3e-11)
        current = (current + noise * generator.standard_normal(120))[None]
        where, factor = own_steps(axis, current, np.array([noise]), factor=1.1)
        trend = np.array(level_trend(np.log(np.abs(current[0, at:]))))
        lines += line(f"sweep {case}", place=where[0], factor=factor[0], trend=trend)
    unchanged(lines)


PLANS: tuple[dict[str, Any], ...] = (
    {}, {"average": "median"}, {"average": "geometric"}, {"smoothing": "gaussian"}, {"smoothing": "penalised"},
    {"order": 1}, {"order": 3}, {"order": 4}, {"smoothing_width_V": 0.05}, {"offsets": "keep"}, {"replicates": "site"},
    {"normalise": "exponential", "broadening_V": 0.3}, {"normalise": "gaussian", "broadening_V": 0.3},
    {"normalise": "root", "floor_S": 1e-10}, {"scale_to_setpoint": True},
)  # fmt: skip


def test_spectra(unchanged):
    """Averages of three groups, each setting of the plan tried on one of them."""
    lines = []
    bench = Bench(white_A=1e-12, gap_noise=0.01, gap_noise_slope=1.0, setpoint_scatter=0.05, current_offset_A=3e-12,
                  bias_offset_V=4e-3, capacitance_F=2e-14, lag_s=5e-4, drift_m_per_s=2e-12, full_scale_A=1.02e-9)  # fmt: skip
    made = [
        simulate_iv(density=shape, sweeps=count, bias=(-1.0, 1.0, 121), temperature_K=77.0, bench=bench, seed=7).sweeps
        for shape, count in (("v_shaped", 7), ("two_peaks", 3), ("gapped", 1))
    ]
    trusting = {"omit": ["all saturated", "too few points"]}
    for number, settings in enumerate(PLANS):
        plan = Plan.model_validate({"spectra": settings, "check": trusting})
        for sweeps in made if settings == {} else made[number % 3 :][:1]:
            sites = sweeps.table.assign(site=np.where(np.arange(len(sweeps)) // 2 % 3, "a", "b"))
            case = f"{settings}, {len(sweeps)} sweeps"
            try:
                spectrum = average_spectrum(replace(sweeps, table=sites), plan)
            except ValueError as error:
                lines += line(case, refused=str(error))
                continue
            lines += line(
                case, current=spectrum.current, current_se=spectrum.current_se, didv=spectrum.didv, didv_se=spectrum.didv_se,
                normalised=spectrum.normalised, normalised_se=spectrum.normalised_se, low=spectrum.normalised_low,
                trusted=int(spectrum.trusted.sum()), each=spectrum.didv_each,
                current_each=spectrum.current_each, offsets=vars(spectrum.offsets),
                resolution=vars(spectrum.resolution), smoothing=spectrum.smoothing, flags=spectrum.flags[COLUMNS],
                directions=spectrum.directions,
            )  # fmt: skip
            if settings == {}:
                lines += line(case, half=spectrum.half_difference, half_fit=spectrum.half_difference_fit)
                lines += line(case, criterion=spectrum.criterion if spectrum.criterion is not None else "none")
    unchanged(lines)


def test_spectra_of_any_sweeps(unchanged):
    """The groups of `test_judging` that can be averaged, with what is said about each."""
    lines = []
    for case in GROUPS:
        sweeps = any_sweeps(np.random.default_rng([case, 4]))
        try:
            spectrum = average_spectrum(sweeps)
        except ValueError as error:
            lines += line(f"group {case}", refused=str(error))
            continue
        lines += line(
            f"group {case}", used=len(spectrum.sweeps), current=spectrum.current, didv=spectrum.didv, didv_se=spectrum.didv_se,
            normalised_se=spectrum.normalised_se, trusted=int(spectrum.trusted.sum()),
            flags=spectrum.flags[COLUMNS], smoothing=spectrum.smoothing, directions=spectrum.directions,
        )  # fmt: skip
        if spectrum.offsets.zero_crossing_se_V > 1e-12:  # coarse steps may leave nothing but rounding
            lines += line(f"group {case}", offsets=vars(spectrum.offsets))
    unchanged(lines)


def edges(v: np.ndarray, lower: float, upper: float, exponent: float, floor: float, blur: float) -> np.ndarray:
    """dI/dV of two bands beside a gap, rounded over `blur`."""

    def band(x: np.ndarray) -> np.ndarray:
        return (0.5 * (x + np.sqrt(x**2 + blur**2))) ** exponent

    return floor + band(v - upper) + band(lower - v)


def test_gap_edges(unchanged):
    """Gaps of all widths, floors, exponents and noises; Vs and parabolas, which have none; single sweeps."""
    lines = []
    for case in GAPS:
        generator = np.random.default_rng([case, 5])
        v = np.linspace(-1.5, generator.uniform(1.0, 1.5), int(generator.choice([101, 301])))
        exponent = float(generator.choice([0.5, 1.0, 1.0, 2.0]))
        lower, upper = -generator.uniform(0.05, 0.8), generator.uniform(0.05, 0.8)
        didv = edges(
            v, lower, upper, exponent, sometimes(generator, 0.5, 1e-3, 0.3), sometimes(generator, 1.0, 1e-3, 0.1)
        )
        if generator.random() < 0.2:
            didv = 0.02 + np.abs(v) ** float(generator.choice([1.0, 2.0, 4.0]))
        repeats = int(generator.choice([1, 2, 3, 5, 12]))
        noise = sometimes(generator, 1.0, 1e-4, 0.03)
        smoother = make_smoother(v, width_V=0.03)
        each = smoother.apply(didv + noise * generator.standard_normal((repeats, v.size)))
        if generator.random() < 0.2:
            each[0, :10] = np.nan
        found = gap_edges(
            v, each, temperature_K=float(generator.choice([4.0, 77.0, 295.0, np.nan])), exponent=exponent,
            resolution_V=float(generator.choice([np.nan, 0.03])),
        )  # fmt: skip
        mean = np.nan_to_num(each).mean(axis=0)
        lines += line(
            f"curve {case}", gaps=found, soft=np.array(soft_gap_width(v, mean)), dip=np.array(dip_width(v, mean)),
            rise=np.array(steepest_rise(v, mean, np.full(v.size, noise))),
        )  # fmt: skip
    unchanged(lines)


def test_dips(unchanged):
    """Dips of all depths and widths that reach no floor, with shoulders and without."""
    lines = []
    for case in DIPS:
        generator = np.random.default_rng([case, 6])
        v = np.linspace(-1, generator.uniform(0.6, 1.2), int(generator.choice([81, 201])))
        width, depth = generator.uniform(0.03, 0.6), generator.uniform(0.02, 0.98)
        didv = (
            1
            - depth * np.exp(-((v - generator.uniform(-0.1, 0.1)) ** 2) / width**2)
            + generator.uniform(0, 0.6) * np.abs(v)
        )
        didv += 0.2 * generator.random() * np.exp(-((np.abs(v) - width) ** 2) / 0.05**2)
        didv += sometimes(generator, 0.7, 1e-4, 0.05) * generator.standard_normal(v.size)
        lines += line(f"dip {case}", soft=np.array(soft_gap_width(v, didv)), dip=np.array(dip_width(v, didv)),
                      gap=gap_edges(v, didv), rise=np.array(steepest_rise(v, didv, np.full(v.size, 0.01))))  # fmt: skip
    unchanged(lines)


def test_peaks(unchanged):
    """Peaks of all heights and widths on a slope, in noise."""
    lines = []
    for case in PEAKS:
        generator = np.random.default_rng([case, 7])
        v = np.linspace(-0.5, 0.5, 151)
        didv = 1 + generator.uniform(-1, 1) * v
        for _ in range(int(generator.integers(1, 4))):
            width = sometimes(generator, 1.0, 0.01, 0.1)
            didv = didv + generator.uniform(0.05, 1) * np.exp(
                -((v - generator.uniform(-0.5, 0.5)) ** 2) / (2 * width**2)
            )
        repeats = int(generator.choice([1, 2, 4, 10]))
        each = didv + sometimes(generator, 1.0, 1e-3, 0.1) * generator.standard_normal((repeats, v.size))
        resolution_V, significance = float(generator.choice([np.nan, 0.02, 0.06])), float(generator.choice([3.0, 6.0]))
        peaks = find_peaks(v, each, resolution_V=resolution_V, significance=significance)
        lines += line(f"curve {case}", peaks=peaks)
    unchanged(lines)


def test_smoothers(unchanged):
    """Operators, kernels and widths on even and uneven axes, from the narrowest to nearly the whole axis."""
    lines = []
    generator = np.random.default_rng(8)
    axes = {"even": np.linspace(-1, 1, 80), "uneven": np.sort(np.r_[-1, 1, generator.uniform(-1, 1, 68)])}
    for name, axis in axes.items():
        for method, order in (*(("local polynomial", k) for k in (1, 2, 3, 4)), ("gaussian", 2), ("penalised", 2)):
            widest = 0.4 if method == "penalised" else 1.5  # its system is stiff beyond
            for width in (0.01, 0.2) if name == "uneven" else (0.06, widest):
                made = make_smoother(axis, width_V=width, method=method, order=order)
                density = made.kernel(5)[1]
                lines += line(f"{name}, {method} {order}, {width} V", smooth=made.smooth[::7], slope=made.derivative[::7],
                              widths=made.widths, words=made.words, gain=made.noise_gain, kernel=density)  # fmt: skip
        lines += line(name, narrowest=[narrowest_width(axis, order=k) for k in (1, 2, 3, 4)])
    unchanged(lines)


def test_strength(unchanged):
    """Choice of the smoothing for curves with structure of all widths, in white and in slow noise."""
    lines = []
    for case in STRENGTHS:
        generator = np.random.default_rng([case, 9])
        v = np.linspace(-1, 1, int(generator.choice([61, 151])))
        curve = v + sometimes(generator, 0.8, 0.01, 0.3) * np.tanh(v / sometimes(generator, 1.0, 0.01, 1.0))
        noise = sometimes(generator, 1.0, 1e-5, 0.1)
        repeats = curve + noise * generator.standard_normal((int(generator.integers(1, 12)), v.size))
        if generator.random() < 0.5:
            repeats = repeats + noise * np.cumsum(generator.standard_normal(repeats.shape), axis=1) / 5
        repeats = repeats * np.exp(0.1 * generator.standard_normal(len(repeats)))[:, None]
        method = str(generator.choice(["local polynomial", "gaussian", "penalised"]))
        made, criterion, note = choose_smoother(v, repeats, method=method, order=int(generator.integers(1, 5)),
                                                temperature_K=float(generator.choice([4.0, 295.0, np.nan])))  # fmt: skip
        lines += line(
            f"curves {case}", words=made.words, note=note, score=[] if criterion is None else criterion["score"]
        )
        lines += line(
            f"curves {case}", default=default_width(v * float(generator.choice([1e-3, 1.0])), np.nan, 1e-4)[1]
        )
    unchanged(lines)


def test_offsets(unchanged):
    """Offsets from one to three set-points, of curves with a common crossing and without."""
    lines = []
    shapes = (
        lambda v: v,
        lambda v: v + v**3,
        lambda v: v * np.abs(v),
        lambda v: np.maximum(v - 0.3, 0.0) - np.maximum(-0.2 - v, 0.0),
    )
    for case in BENCHES:
        generator = np.random.default_rng([case, 10])
        shape = shapes[int(generator.integers(4))]
        count, repeats = int(generator.integers(1, 4)), int(generator.choice([2, 4, 10]))
        shift, zero = 5e-3 * generator.uniform(-1, 1), 1e-11 * generator.uniform(-1, 1)
        noise = sometimes(generator, 1.0, 1e-14, 3e-11)
        sets = []
        for k in range(count):
            v = np.linspace(-0.5 - 0.2 * k, 0.8, 81)
            level = 1e-10 * 3.0**k * np.exp(0.03 * generator.standard_normal(repeats))[:, None]
            current = level * shape(v - shift) + zero + noise * generator.standard_normal((repeats, v.size))
            table = {"sweep": [f"{k}-{i}" for i in range(repeats)], "direction": ["up", "down"] * (repeats // 2),
                     "repeat": np.arange(repeats) // 2 + 1.0, "setpoint_current_A": np.full(repeats, 1e-10 * 3.0**k)}  # fmt: skip
            sets.append(SweepSet("iv", v, current, table))
        found = find_offsets(sets if count > 1 else sets[0])
        symmetry = bias_offset_from_symmetry(sets[0].axis, np.gradient(sets[0].current[0], sets[0].axis))
        fit, covariance = fit_near_zero(sets[0].axis, sets[0].current[0], 0.01)
        lines += line(f"bench {case}", offsets=vars(found), symmetry=symmetry, fit=fit, covariance=covariance)
    unchanged(lines)


def test_averages(unchanged):
    """Three kinds of average with their influences, holes and outliers in the units."""
    lines = []
    for case in UNITS:
        generator = np.random.default_rng([case, 11])
        v = np.linspace(-1, 1, 40)
        units = 1e-9 * v * np.exp(0.2 * generator.standard_normal(int(generator.integers(1, 10))))[:, None]
        units = units + sometimes(generator, 1.0, 1e-13, 1e-10) * generator.standard_normal(units.shape)
        for kind in ("mean", "median", "geometric"):
            made = average_units(units, kind, seed=3)
            lines += line(f"units {case}, {kind}", current=made.current, influence=made.influence)
        holes = np.where(generator.random(units.shape) < generator.uniform(0, 0.5), np.nan, units)
        filled = fill_missing(holes)
        lines += line(f"units {case}", points=int(filled.points.sum()), whole=int(filled.whole.sum()), filled=filled.current,
                      away=mean_to_median(units))  # fmt: skip
    unchanged(lines)


def test_directions(unchanged):
    """Displacement, lag and drift out of half-differences, alone and together."""
    lines = []
    v = np.linspace(-1, 1, 90)
    current, didv = 1e-9 * (v + v**3), 1e-9 * (1 + 3 * v**2)
    for case in HALVES:
        generator = np.random.default_rng([case, 12])
        half = sometimes(generator, 0.6, 1e-13, 1e-11) + sometimes(generator, 0.6, 1e-4, 1e-2) * didv
        half = half + generator.uniform(-1, 1) * 0.01 * current * (v + 1)
        repeats = int(generator.choice([1, 2, 3, 8]))
        halves = half + sometimes(generator, 1.0, 1e-14, 1e-11) * generator.standard_normal((repeats, v.size))
        fit = fit_half_difference(v, halves, current, didv, duration_s=0.4)
        lines += line(f"halves {case}", values=fit.values, fitted=fit.fitted, half=fit.half_difference, note=fit.note)
    unchanged(lines)


def test_lockin(unchanged):
    """Gains and intercepts of lock-in channels of all qualities."""
    lines = []
    v = np.linspace(-1, 1, 70)
    for case in CHANNELS:
        generator = np.random.default_rng([case, 13])
        repeats = int(generator.choice([1, 2, 3, 10]))
        didv = 1e-9 * (0.2 + v**2) * np.exp(0.05 * generator.standard_normal(repeats))[:, None]
        gain, pickup = (
            np.exp(generator.uniform(-0.5, 0.5) * generator.integers(2)),
            sometimes(generator, 0.4, 1e-13, 1e-10),
        )
        noise = sometimes(generator, 1.0, 1e-13, 1e-10)
        lockin = gain * didv + pickup + noise * generator.standard_normal(didv.shape)
        slopes = didv + noise * generator.standard_normal(didv.shape)
        try:
            found = vars(calibrate_lockin(lockin, slopes, unit=str(generator.choice(["S", "V"]))))
        except ValueError as error:
            found = {"refused": str(error)}
        lines += line(f"channel {case}", found=found)
    unchanged(lines)


def test_resolution_and_normalisation(unchanged):
    """Widths of kernels together, normalised conductance in its four forms, trust around zero, constant separation."""
    lines = []
    v = np.linspace(-0.6, 0.6, 61)
    smoother = make_smoother(v, width_V=0.05)
    for temperature in (np.nan, 4.0, 295.0):
        for modulation in (np.nan, 1e-3, 0.05):
            for lag in (np.nan, 0.01):
                for harmonic in (1, 2):
                    for kernel in (None, smoother.kernel()):
                        if harmonic == 2 and kernel is not None:
                            continue
                        try:
                            found = vars(resolution(temperature_K=temperature, modulation_rms_V=modulation, lag_V=lag,
                                                    smoothing_kernel=kernel, harmonic=harmonic))  # fmt: skip
                        except ValueError as error:
                            found = {"refused": str(error)}
                        lines += line(
                            f"{temperature} K, {modulation} V, {lag} V, {harmonic}, {kernel is not None}", found=found
                        )
    lines += line("modulation", kernel=modulation_kernel(v, 0.3), second=modulation_kernel(v, 0.3, harmonic=2))
    current, didv = 1e-9 * (v + v**3) + 2e-12, 1e-9 * (1 + 3 * v**2)
    for kind in ("plain", "exponential", "gaussian", "root"):
        ratio, below = normalise(v, current, didv, kind=kind, broadening_V=0.2, floor_S=1e-10)
        lines += line(kind, ratio=ratio, below=below)
        grid = spectra_of_grid(
            np.stack([current, 2 * current + 1e-11]), smoother, kind=kind, broadening_V=0.2, floor_S=1e-10
        )
        lines += line(kind, grid_didv=grid[0], grid_ratio=grid[1])
    lines += line("broadening", exponential=broadening(v, 0.2, "exponential"), gaussian=broadening(v, 0.2, "gaussian"))
    for offset in (0.0, 1e-12, 1e-11, np.nan):
        for shift in (0.0, 1e-3, 0.03, np.nan):
            lines += line(
                f"{offset} A, {shift} V", trusted=trusted_bias(v, didv, current_offset_A=offset, bias_offset_V=shift)
            )
    constant, spread = to_constant_separation(v, current, gap_slope_m_per_V=1e-10, decay=Decay(2e10, 1e9))
    lines += line("constant separation", current=constant, relative=spread)
    unchanged(lines)


def test_setpoints(unchanged):
    """Gaps that move with the set-point by more and by less than their scatter."""
    lines, v = [], np.linspace(-1, 1, 201)
    gaps = gap_edges(v, np.stack([edges(v, -0.4, 0.4, 1.0, 0.0, 0.01)] * 3))
    plain = average_spectrum(ideal("flat", 5).sweeps)
    for case in SETS:
        generator = np.random.default_rng([case, 14])
        spectra = []
        for k, setpoint in enumerate((1e-10, 3e-10, 1e-9, 3e-9)[: 2 + case % 3]):
            gap, se = 800 + case * k + 4 * generator.standard_normal(), generator.uniform(2, 6)
            moved = gaps.assign(gap_meV=gap, gap_se_meV=se)
            spectra.append(replace(plain, keys={"sample": "s", "setpoint_current_A": setpoint}, gaps=moved))
        lines += line(f"set {case}", trends=setpoint_trends(spectra))
    unchanged(lines)
