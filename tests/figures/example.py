"""Invented results of an invented bench, written down from formulae: what figures and pages are tested with.

Nothing here was measured, and nothing here was computed by the toolkit: the numbers are put in by hand, so that a
figure or a sentence can be checked against what was put in.
"""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

import numpy as np
import pandas as pd

from sts.analysis import Analysis, BarrierAnalysis, SpectraAnalysis
from sts.barrier.bench_offset import Seen
from sts.barrier.fit import SWEEP_COLUMNS, BarrierFit
from sts.barrier.noise import PooledNoise
from sts.barrier.straightness import Shape
from sts.barrier.sweep_fits import Fits
from sts.comparing.paired import CHANGE_COLUMNS, STATE_COLUMNS
from sts.flags import COLUMNS as FLAG_COLUMNS
from sts.flags import join_flags
from sts.plan import Plan
from sts.provenance import Order
from sts.spectra.spectrum import Broadened, Offsets, Resolution, Spectrum
from sts.sweeps import SweepSet, sweep_table

CAPP = 0.9524996e-2  # hbar^2/8m [eV nm^2]: CODATA 2022, rounded
TIPS = {"heron": 4.40, "plover": 4.30, "curlew": 4.90, "sandpiper": 0.70}  # [eV], invented
MADE_BY = {"heron": "etched W", "plover": "etched W", "curlew": "etched Au", "sandpiper": "etched W"}
JUMPING = "plover_s2_r2_retract"
SATURATED = "heron_s1_r1_retract"
HEIGHT = np.linspace(0.0, 0.7e-9, 71)


def height_sweeps() -> SweepSet:
    """Four tips, three sites, two repeats, both directions: 48 invented I(z) sweeps."""
    rng = np.random.default_rng(1)
    names, columns, rows = [], {c: [] for c in ("tip", "site", "direction", "repeat", "made_by", "started")}, []
    start = pd.Timestamp("2026-03-05T13:00:00Z")
    for tip, barrier in TIPS.items():
        for site in range(1, 4):
            phi = barrier * (1 + 0.02 * (site - 2))
            for repeat in (1, 2):
                for direction in ("retract", "approach"):
                    current = 1e-9 * np.exp(-np.sqrt(phi / CAPP) * HEIGHT * 1e9) + 1e-12
                    current = current * (1 + 0.01 * rng.standard_normal(71)) + 1e-12 * rng.standard_normal(71)
                    name = f"{tip}_s{site}_r{repeat}_{direction}"
                    if name == JUMPING:
                        current[30:] *= 1.8
                    if name == SATURATED:
                        current = np.minimum(current, 0.8e-9)
                    names.append(name)
                    rows.append(current)
                    values = (
                        tip,
                        f"s{site}",
                        direction,
                        repeat,
                        MADE_BY[tip],
                        (start + pd.Timedelta(minutes=len(names))).isoformat(),
                    )
                    for column, value in zip(columns, values, strict=True):
                        columns[column].append(value)
    table = sweep_table(
        names,
        sample="gold film",
        bias_V=0.1,
        setpoint_current_A=1e-9,
        setpoint_bias_V=0.1,
        temperature_K=295.0,
        duration_s=0.7,
        full_scale_A=1e-8,
        **columns,
    )
    return SweepSet("iz", HEIGHT, np.array(rows), table)


def barrier_fit(sweeps: SweepSet) -> BarrierFit:
    """The invented sweeps with the curves they were made from as fits."""
    table = sweeps.table
    barrier = np.array(
        [TIPS[t] * (1 + 0.02 * (int(s[1:]) - 2)) for t, s in zip(table["tip"], table["site"], strict=True)]
    )
    barrier = barrier * (1 + 0.01 * np.random.default_rng(2).standard_normal(len(barrier)))
    decay = np.sqrt(barrier / CAPP)
    offset = np.full(len(barrier), 1e-12)
    fitted = 1e-9 * np.exp(-decay[:, None] * sweeps.axis * 1e9) + offset[:, None]
    noise = np.sqrt(1e-24 + (0.01 * fitted) ** 2)
    flags = flag_table(table)
    joined = {name: ";".join(flags.loc[flags["sweep"] == name, "flag"]) for name in table["sweep"]}
    columns = {
        "barrier_eV": barrier,
        "barrier_se_eV": 0.012 * barrier,
        "barrier_low_eV": 0.976 * barrier,
        "barrier_high_eV": 1.024 * barrier,
        "decay_per_nm": decay,
        "decades": decay * 0.7 / np.log(10),
        "offset_pA": 1.0,
        "noise_pA": 1.0,
        "points": 71,
        "from_nm": 0.0,
        "to_nm": 0.7,
        "reduced_chi2": 1.02,
        "barrier_log_eV": 0.96 * barrier,
        "flags": [joined[n] for n in table["sweep"]],
        "used": [n != JUMPING for n in table["sweep"]],
        "decay_se_per_nm": 0.006 * decay,
        "dof": 68,
        "shot_bandwidth_Hz": 0.0,
        "gap_percent": 1.0,
        "offset_se_pA": 0.05,
        "choice_spread_eV": 0.01 * barrier,
        "made_by": table["made_by"],
    }
    frame = pd.concat(
        [table.assign(day="")[["sweep", "sample", "tip", "day", "site", "direction", "repeat"]], pd.DataFrame(columns)],
        axis=1,
    ).assign(unassigned="")
    values: dict[str, Any] = {
        "height": sweeps.axis,
        "current": sweeps.current,
        "fitted": fitted,
        "residual": (sweeps.current - fitted) / noise,
        "used_points": np.ones(sweeps.current.shape, bool),
        "why_masked": np.zeros(sweeps.current.shape, np.uint8),
        "fits": fits_of(frame),
        "table": frame,
        "flags": flags,
        "noise": pd.DataFrame(
            {
                "sample": "gold film",
                "tip": list(TIPS),
                "electronics_pA": 1.0,
                "shot_bandwidth_Hz": 0.0,
                "gap_percent": 1.0,
            }
        ),
    }
    assert list(frame.columns[: len(SWEEP_COLUMNS)]) == list(SWEEP_COLUMNS)
    return BarrierFit(**{f.name: values[f.name] for f in fields(BarrierFit) if f.name in values})


def fits_of(table: pd.DataFrame) -> Fits:
    """The fits that the table shows, in SI; no sweep bends, steps or lags."""
    count = len(table)
    none, one = np.zeros(count), np.ones(count)
    decay = table["decay_per_nm"].to_numpy(float) * 1e9
    return Fits(
        good=one > 0, amplitude=1e-9 * one, decay=decay, decay_se=0.006 * decay, decay_common=none, decay_rounding=none,
        offset=1e-12 * one,

        offset_se=5e-14 * one, reduced_chi2=1.02 * one, points=71 + np.zeros(count, int), dof=68.0 + none, inflation=one,
        seen=Seen(none, 1e-12 * one, 5e-14 * one, one, one, one, one, one > 0, none, none, one),
        lowest=none, highest=0.7e-9 * one, decades=table["decades"].to_numpy(float), window_decay=decay[:, None],
        log_decay=np.sqrt(0.96) * decay, modulation_decay=np.nan * one, modulation_decay_se=np.nan * one,
        noise=PooledNoise(np.outer(one, [1e-24, 0.0, 1e-4]), 1e-9 * one, np.nan * one, none, none, none > 0),
        shape=Shape(one, np.nan * one, none, none, none, none, decay, decay), rounded=none,
    )  # fmt: skip


def flag_table(table: pd.DataFrame) -> pd.DataFrame:
    """What is wrong with the invented I(z) sweeps."""
    rows = [
        (JUMPING, "jump", "factor 1.8 at 0.30 nm"),
        (SATURATED, "saturated", "6 of 71 samples at the limit, masked"),
    ]
    rows += [
        (n, "low barrier", "0.70 eV") for n, t in zip(table["sweep"], table["tip"], strict=True) if t == "sandpiper"
    ]
    return pd.DataFrame(rows, columns=FLAG_COLUMNS[:3]).assign(times_limit=float("nan"))


def barrier_analysis(sweeps: SweepSet) -> BarrierAnalysis:
    """Invented barriers with their levels."""
    fit = barrier_fit(sweeps)
    used = fit.table[fit.table["used"]]

    def level(by: list[str]) -> pd.DataFrame:
        grouped = used.groupby(by, sort=False)
        mean = grouped["barrier_eV"].mean()
        half = 0.05 * mean
        frame = grouped["sweep"].size().rename("sweeps").to_frame()
        if "site" not in by:
            frame["sites"] = grouped["site"].nunique()
        for name, value in {
            "barrier_eV": mean,
            "barrier_se_eV": half / 2.2,
            "barrier_low_eV": mean - half,
            "barrier_high_eV": mean + half,
            "between_site_sd_eV": 0.02 * mean,
            "calibration_se_eV": np.nan,
            "total_se_eV": half / 2.2,
        }.items():
            frame[name] = value
        return frame.reset_index()

    sites, tips = level(["sample", "tip", "day", "site"]), level(["sample", "tip"])
    rows = []
    for i, a in enumerate(TIPS):
        for b in list(TIPS)[i + 1 :]:
            ratio = TIPS[b] / TIPS[a]
            low, high = ratio * 0.95, ratio * 1.05
            difference = TIPS[b] - TIPS[a]
            rows.append(
                (
                    b,
                    a,
                    ratio,
                    low,
                    high,
                    difference,
                    difference - 0.2,
                    difference + 0.2,
                    0.001 if low > 1 or high < 1 else 0.6,
                    "differ" if low > 1 or high < 1 else "no difference shown",
                )
            )
    pairs = pd.DataFrame(
        rows,
        columns=[
            "tip_a",
            "tip_b",
            "ratio",
            "ratio_low",
            "ratio_high",
            "difference_eV",
            "difference_low_eV",
            "difference_high_eV",
            "p_adjusted",
            "verdict",
        ],
    )
    empty = pd.DataFrame()
    components = pd.DataFrame(
        {
            "level": ["tip", "site", "repeat"],
            "sd_eV": [0.3, 0.08, 0.05],
            "share": [0.88, 0.08, 0.04],
            "dof": [3.0, 8.0, 12.0],
        }
    )
    budget = pd.DataFrame(
        {
            "tip": ["heron", "heron"],
            "component": ["scatter between sites", "image force"],
            "size_eV": [0.1, 1.1],
            "kind": ["random", "model"],
            "note": ["", "not applied"],
        }
    )
    advice = ("plover: 9 sites instead of 3 would halve the interval (now ±0.22 eV).",)
    return BarrierAnalysis(
        fits=(fit,),
        sweeps=fit.table,
        directions=empty,
        sites=sites,
        tips=tips,
        pairs=pairs,
        groups=empty,
        components=components,
        budget=budget,
        advice=advice,
        notes=("Groups of tips were not asked for.",),
    )


def bias_sweeps(setpoint_pA: float) -> SweepSet:
    """Eight invented I(V) sweeps of a gapped sample, one of them jumping."""
    rng = np.random.default_rng(int(setpoint_pA))
    bias = np.linspace(-1.5, 1.5, 121)
    edge = np.clip(np.abs(bias) - 0.575, 0, None)
    current = np.sign(bias) * edge**2 * 1e-12 * setpoint_pA / 0.86 + 1e-14 * bias
    rows = current * (1 + 0.03 * rng.standard_normal((8, 1))) + 2e-13 * rng.standard_normal((8, 121))
    names = [f"layer_{setpoint_pA:g}pA_{i:02d}" for i in range(1, 9)]
    table = sweep_table(
        names,
        sample="layered semiconductor",
        tip="heron",
        site="a",
        direction=["up", "down"] * 4,
        repeat=np.repeat(np.arange(1, 5), 2),
        temperature_K=77.0,
        duration_s=1.0,
        setpoint_current_A=setpoint_pA * 1e-12,
        setpoint_bias_V=1.5,
    )
    return SweepSet("iv", bias, rows, table)


def spectrum(sweeps: SweepSet) -> Spectrum:
    """An invented average of them, from the formula they were made with."""
    bias = sweeps.axis
    setpoint = float(sweeps.table["setpoint_current_A"].iloc[0])
    edge = np.clip(np.abs(bias) - 0.575, 0, None)
    current = np.sign(bias) * edge**2 * setpoint / 0.86 + 1e-14 * bias
    didv = 2 * edge * setpoint / 0.86 + 1e-14
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(bias == 0, 1.0, didv * bias / current)
    ratio = np.clip(ratio, 0, 30)
    se = 0.02 * didv + 2e-14
    gaps = pd.DataFrame(
        {
            "gap_method": ["log onset", "band edges"],
            "gap_meV": [1150.0, 1162.0],
            "gap_se_meV": [12.0, 15.0],
            "gap_low_meV": [1120.0, 1132.0],
            "gap_high_meV": [1210.0, 1192.0],
            "lower_edge_V": [-0.575, -0.581],
            "upper_edge_V": [0.575, 0.581],
            "floor": [1e-14, np.nan],
            "exponent": [np.nan, 1.0],
            "note": ["", ""],
        }
    )
    width = np.array([0.01, 0.02, 0.03, 0.05, 0.08, 0.12])
    return Spectrum(
        keys={"sample": "layered semiconductor", "setpoint_current_A": setpoint},
        bias=bias,
        sweeps=tuple(sweeps.names[:7]),
        omitted=tuple(sweeps.names[7:]),
        current=current,
        current_se=0.02 * np.abs(current),
        didv=didv,
        didv_se=se,
        didv_low=didv - 2.4 * se,
        didv_high=didv + 2.4 * se,
        normalised=ratio,
        normalised_se=0.03 * ratio,
        normalised_low=0.93 * ratio,
        normalised_high=1.07 * ratio,
        trusted=np.abs(bias) > 0.6,
        current_each=sweeps.current[:7],
        didv_each=didv * np.linspace(0.94, 1.06, 7)[:, None],
        offsets=Offsets(0.001, 0.0002, np.nan, np.nan, np.nan, np.nan, False, "one set-point: not separable"),
        resolution=Resolution(0.0234, np.nan, 0.02, np.nan, 0.031),
        smoothing="local polynomial, order 2, width 20 meV",
        half_difference=2.1e-13 + 2e-14 * np.random.default_rng(3).standard_normal(121),
        half_difference_fit=2.1e-13 * np.ones(121),
        directions={"displacement_fF": 70.0, "displacement_fF_se": 5.0, "lag_ms": 0.1, "drift_per_s": 0.001},
        criterion=pd.DataFrame({"width_V": width, "score": 1 + (np.log(width / 0.02)) ** 2, "chosen": width == 0.02}),
        gaps=gaps,
        broadened=Broadened(
            2.5 * didv / didv.max(),
            0.05 * np.ones(121),
            2.5 * didv / didv.max() - 0.1,
            2.5 * didv / didv.max() + 0.1,
            np.ones(121, bool),
            "exponential",
            0.6,
            "half of the stretch where I/V alone cannot be trusted",
        ),
        flags=pd.DataFrame([(sweeps.names[7], "jump", "factor 1.6 at 0.4 V")], columns=FLAG_COLUMNS[:3]),
    )


SUMMARY = (
    "sample",
    "setpoint_current_A",
    "sweeps_used",
    "sweeps_omitted",
    "temperature_K",
    "average",
    "smoothing",
    "thermal_meV",
    "modulation_meV",
    "smoothing_meV",
    "resolution_meV",
    "current_offset_pA",
    "bias_offset_mV",
    "displacement_fF",
    "gap_meV",
    "gap_se_meV",
    "gap_method",
    "flags",
)


def spectra_analysis(sets: list[SweepSet]) -> SpectraAnalysis:
    """Two invented spectra with their tables."""
    spectra = tuple(spectrum(s) for s in sets)
    rows, long = [], []
    for one in spectra:
        rows.append(
            (
                one.keys["sample"],
                one.keys["setpoint_current_A"],
                7,
                1,
                77.0,
                "mean",
                one.smoothing,
                23.4,
                np.nan,
                20.0,
                31.0,
                np.nan,
                1.0,
                70.0,
                1150.0,
                12.0,
                "band edges",
                "",
            )
        )
        arrays = {
            "bias_V": one.bias,
            "current_A": one.current,
            "current_se_A": one.current_se,
            "didv_S": one.didv,
            "didv_se_S": one.didv_se,
            "didv_low_S": one.didv_low,
            "didv_high_S": one.didv_high,
            "normalised": one.normalised,
            "normalised_se": one.normalised_se,
            "normalised_low": one.normalised_low,
            "normalised_high": one.normalised_high,
            "trusted": one.trusted,
        }
        long.append(pd.DataFrame({**one.keys, **arrays}))
    return SpectraAnalysis(spectra, pd.concat(long, ignore_index=True), pd.DataFrame(rows, columns=list(SUMMARY)), ())


def analysis(**changes: Any) -> Analysis:
    """The whole invented result; `changes` replace its parts."""
    heights = height_sweeps()
    biases = [bias_sweeps(100.0), bias_sweeps(300.0)]
    judged = []
    for sweeps in (*biases, heights):
        table = sweeps.table
        bad = {n: "jump" for n in table["sweep"] if n == JUMPING or n.endswith("_08")}
        flags = [
            bad.get(n, "saturated" if n == SATURATED else "low barrier" if n.startswith("sandpiper") else "")
            for n in table["sweep"]
        ]
        reasons = ["factor 1.8 at 0.30 nm" if f == "jump" else "" for f in flags]
        judged.append(
            table[["sweep", "sample", "tip", "site", "direction", "repeat"]].assign(
                day="",
                kind=sweeps.kind,
                unassigned="",
                flags=flags,
                reasons=reasons,
                used=[n not in bad for n in table["sweep"]],
                decided_by=["rule" if n in bad else "" for n in table["sweep"]],
            )
        )
    names = tuple(name for table in judged for name in table["sweep"])
    whole = pd.concat(judged, ignore_index=True)
    flagged = whole[whole["flags"] != ""]
    judged_flags = pd.DataFrame({"sweep": flagged["sweep"], "flag": flagged["flags"], "detail": flagged["reasons"]})
    barrier, spectra = barrier_analysis(heights), spectra_analysis(biases)
    groups = [
        s.flags.assign(sweep=[n or f"({s.label})" for n in s.flags["sweep"]])
        for s in spectra.spectra
        if s.flags is not None
    ]
    result = Analysis(
        order=Order(names, "started"),
        flags=join_flags([*(fit.flags for fit in barrier.fits), *groups, judged_flags]),
        session="invented.h5",
        plan=Plan(),
        sets=(*biases, heights),
        judged=whole,
        sources=pd.DataFrame(
            {
                "name": ["heron.csv", "layer.txt"],
                "sha256": ["ab" * 32, "cd" * 32],
                "size": [1234, 5678],
                "reader": ["text", "text"],
                "recipe": ["", ""],
                "imported": ["2026-03-05T17:00:00Z"] * 2,
            }
        ),
        decisions=pd.DataFrame(
            {
                "time": ["2026-03-05T18:00:00Z"],
                "sweep": [JUMPING],
                "action": ["omit"],
                "why": ["tip changed, seen on the screen"],
                "by": ["anna"],
            }
        ),
        calibrations=pd.DataFrame(columns=["kind", "factor", "factor_se", "measured", "known", "source", "time"]),
        barrier=barrier,
        spectra=spectra,
        versions={"sts": "0.1.0", "python": "3.11", "numpy": "2.4", "scipy": "1.17"},
    )
    return replace(result, **changes)


def changes_of(tips: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Barriers 4 and 4.4 eV of each tip, and one tip that has the first state only."""
    names = [f"tip {k}" for k in range(tips)]
    rows = [("gold", name, state, 6, 3, 4 + 0.4 * k, 0.1, 3.8 + 0.4 * k, 4.2 + 0.4 * k, 0.05, 0.0, 0.1)
            for name in names for k, state in enumerate(("before", "after"))]  # fmt: skip
    rows.append(("gold", "alone", "before", 6, 3, 3.0, 0.1, 2.8, 3.2, 0.05, 0.0, 0.1))
    changed = [("gold", tip, "before", "after", 1.1, 1.05, 1.15, 0.01, "differ", "3 sites revisited", 2.0, 4.0)
               for tip in [*names, "all tips"]]  # fmt: skip
    return pd.DataFrame(rows, columns=list(STATE_COLUMNS)), pd.DataFrame(changed, columns=list(CHANGE_COLUMNS))
