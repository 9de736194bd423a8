"""Invented sessions, each with another way of measuring: what the page says must be true of all of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

import sts
from sts.analysis import Analysis
from sts.comparing.calibration import Calibration
from sts.plan import Plan
from sts.simulate import Bench, BiasRamp, HeightRamp
from sts.sweeps import SweepSet

QUIET = Bench(white_A=1e-12, gap_noise=0.005, setpoint_scatter=0.02)
BOTH = HeightRamp(directions=("retract", "approach"))
OUT = HeightRamp(directions=("retract",))
KNOWN = {"sample": "gold", "started": ""}


def heights(
    tip: str,
    *,
    sites: int = 3,
    barrier_eV: float = 4.4,
    repeats: int = 2,
    ramp: HeightRamp = BOTH,
    bench: Bench = QUIET,
    reach_m: float = 0.5e-9,
    **columns: Any,
) -> list[SweepSet]:
    """I(z) sweeps of one tip at some sites; the sites differ by 2 %."""
    made = []
    for number in range(sites):
        ramp_here = HeightRamp(directions=ramp.directions, names=f"{tip or 'x'}_z{number + 1}")
        given = {**KNOWN, "tip": tip, "site": f"s{number + 1}", "setpoint_current_A": 1e-9, **columns}
        made.append(
            sts.simulate_iz(
                barrier_eV=barrier_eV * (1 + 0.02 * (number - 1)),
                height=(0.0, reach_m, 60),
                sweeps=repeats,
                bench=bench,
                ramp=ramp_here,
                seed=sum(map(ord, tip)) + number,
                **given,
            ).sweeps
        )
    return made


def spectra(
    tip: str,
    *,
    currents_A: Sequence[float] = (1e-10,),
    sites: int = 1,
    repeats: int = 6,
    density: str = "flat",
    directions: Sequence[str] = ("up", "down"),
    bench: Bench = QUIET,
    modulation_V: float = 0.0,
    **columns: Any,
) -> list[SweepSet]:
    """I(V) sweeps of one tip at some set-points and sites."""
    made = []
    for number, current in enumerate(currents_A):
        for site in range(sites):
            ramp = BiasRamp(directions=directions, names=f"{tip or 'x'}_v{number}{site}", modulation_rms_V=modulation_V)
            given = {**KNOWN, "tip": tip, "site": f"s{site + 1}", **columns}
            made.append(
                sts.simulate_iv(
                    density=density,
                    bias=(-0.8, 0.8, 65),
                    setpoint_current_A=current,
                    sweeps=repeats,
                    bench=bench,
                    ramp=ramp,
                    seed=10 * number + site,
                    **given,
                ).sweeps
            )
    return made


def without(sets: Sequence[SweepSet], *columns: str, **given: Any) -> list[SweepSet]:
    """The same sweeps with some columns not recorded, others put in."""
    return [s.with_table(s.table.drop(columns=list(columns), errors="ignore").assign(**given)) for s in sets]


def one_direction() -> dict[str, Any]:
    return {
        "sets": [
            *heights("heron", ramp=OUT),
            *heights("stork", ramp=OUT, barrier_eV=3.5),
            *spectra("heron", directions=("up",)),
        ]
    }


def one_site() -> dict[str, Any]:
    return {"sets": [*heights("heron", sites=1, repeats=4), *heights("stork", sites=1, repeats=4), *spectra("heron")]}


def no_tips() -> dict[str, Any]:
    return {"sets": [*heights("", sites=2), *spectra("", sites=1)]}


def one_setpoint() -> dict[str, Any]:
    sets = [*heights("heron"), *spectra("heron", sites=3, repeats=4, density="gapped")]
    return {"sets": sets}


def lock_in_only() -> dict[str, Any]:
    made = spectra(
        "heron", modulation_V=0.01, density="v_shaped", bench=Bench(setpoint_scatter=0.02, lockin_noise_S=1e-13)
    )
    bare = [
        SweepSet("iv", s.axis, np.full_like(s.current, np.nan), s.table, lockin=s.lockin, lockin_unit="S") for s in made
    ]
    return {"sets": without(bare, "modulation_V")}


def several_days() -> dict[str, Any]:
    sets = []
    for day, tip in ((3, "heron"), (4, "stork"), (9, "heron")):
        made = heights(tip, sites=2, sample=f"gold {'abc'[[3, 4, 9].index(day)]}")
        for number, s in enumerate(made):
            started = [f"2026-03-{day:02d}T1{number}:{i:02d}:00+00:00" for i in range(len(s))]
            names = [f"day{day}_{name}" for name in s.names]
            sets.append(s.with_table(s.table.assign(started=started, sweep=names)))
    return {"sets": sets}


def only_bias() -> dict[str, Any]:
    return {"sets": spectra("heron", currents_A=(1e-10, 3e-10, 1e-9), repeats=5, density="gapped")}


def only_heights() -> dict[str, Any]:
    return {"sets": [*heights("heron"), *heights("stork", barrier_eV=3.4), *heights("egret", barrier_eV=0.6)]}


def air_unknown_offset() -> dict[str, Any]:
    bench = Bench(white_A=2e-12, current_offset_A=6e-12)
    made = heights("heron", sites=2, repeats=1, barrier_eV=0.3, bench=bench, ramp=OUT, reach_m=0.3e-9)
    return {"sets": [replace(s, axis=s.axis - 75e-9) for s in made]}


def all_left_out() -> dict[str, Any]:
    sets = [*heights("heron", sites=2), *spectra("heron")]
    return {"sets": sets, "omit": [name for s in sets for name in s.names]}


def decided_by_hand() -> dict[str, Any]:
    sets = [*heights("heron", repeats=4), *heights("stork", barrier_eV=3.5, repeats=4)]
    return {
        "sets": sets,
        "omit": [name for name in sets[0].names if "002" in name or "003" in name],
        "keep": sets[1].names[:1],
    }


def calibrated() -> dict[str, Any]:
    return {"sets": [*heights("heron"), *heights("stork", barrier_eV=3.5, sites=2)], "calibrated": True}


def cold() -> dict[str, Any]:
    """A superconductor at 12 mK: sweeps of ±6 mV, a resolution of microvolts."""
    lead = sts.simulate.densities.superconductor(gap_eV=1.2e-3, broadening_eV=2e-5)
    given = {**KNOWN, "tip": "ibis", "site": "s1"}
    quiet, ramp = Bench(white_A=1e-13), BiasRamp(directions=("up", "down"), names="ibis_v")
    made = sts.simulate_iv(density=lead, bias=(-6e-3, 6e-3, 121), temperature_K=0.012, setpoint_current_A=1e-10, sweeps=6,
                           bench=quiet, ramp=ramp, seed=3, **given).sweeps  # fmt: skip
    return {"sets": [made, *heights("ibis", temperature_K=0.012)]}


def window_in_plan() -> dict[str, Any]:
    return {
        "sets": [*heights("heron"), *heights("stork", barrier_eV=3.5)],
        "plan": {"barrier": {"fit_from_nm": 0.05, "fit_to_nm": 0.3}},
    }


SESSIONS: dict[str, Callable[[], dict[str, Any]]] = {
    "one direction": one_direction,
    "one site": one_site,
    "no tips": no_tips,
    "one set-point": one_setpoint,
    "lock-in only": lock_in_only,
    "several days": several_days,
    "only I(V)": only_bias,
    "only I(z)": only_heights,
    "air, offset unknown": air_unknown_offset,
    "all left out": all_left_out,
    "decided by hand": decided_by_hand,
    "calibrated": calibrated,
    "window in the plan": window_in_plan,
    "cold": cold,
}


def analysed(name: str, folder: Path) -> tuple[Analysis, dict[str, Any]]:
    """One of the sessions, written and analysed; and what was put into it."""
    recipe = SESSIONS[name]()
    session = sts.Session.create(folder / f"{name.replace(' ', '_')}.h5")
    session.add([sts.loaders.LoadedFile("a.npz", name.encode(), "npy", "", tuple(recipe["sets"]))])
    for action in ("omit", "keep"):
        if recipe.get(action):
            session.mark(recipe[action], action, "the tip was cleaned after this")
    if recipe.get("calibrated"):
        session.add_calibration("height", Calibration(1.02, 0.01, "graphite step", measured=0.3288, known=0.335376))
    return sts.analyse(session.path, Plan.model_validate(recipe.get("plan", {}))), recipe
