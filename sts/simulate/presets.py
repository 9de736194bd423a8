"""Ready virtual benches, and plans in TOML: sweeps as text files with the truth beside them."""

from __future__ import annotations

import json
import tomllib
from dataclasses import replace
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal

import numpy as np
from pydantic import Field

from ..quantities import decay_from_barrier
from ..settings import PlanError, Section, read_toml
from ..sweeps import SweepSet
from .bench import Bench
from .densities import make_density
from .simulated import Simulated
from .sweeps import BiasRamp, HeightRamp, simulate_iv, simulate_iz


class SimulatePlan(Section):
    """A virtual session: strict, unknown keys refused. SI units, barriers in eV."""

    kind: Literal["iv", "iz"] = Field(description="bias sweeps or height sweeps")
    description: str = Field("", description="what it shows")
    seed: int = Field(1, ge=0, description="seed of the noise")
    sweeps: int = Field(12, ge=1, le=100_000, description="repeats (of every set-point)")
    directions: list[Literal["up", "down", "retract", "approach"]] = Field([], description="both if not given")
    points: int = Field(200, ge=3, le=100_000, description="samples per sweep")
    current_A: float = Field(1e-9, gt=0, description="set-point current, or current at height 0 [A]")
    further_setpoints_A: list[float] = Field([], description="more set-point currents (iv) [A]")
    duration_s: float = Field(0.4, gt=0, description="of one sweep in one direction [s]")
    barrier_eV: float = Field(
        4.4, gt=0, description="true barrier (iz), or the one drift and a varying gap act through"
    )
    sites: int = Field(1, ge=1, description="sites the repeats are spread over (iz)")
    site_scatter: float = Field(0.0, ge=0, description="standard deviation of ln(barrier) from site to site (iz)")
    range_m: float = Field(0.4e-9, gt=0, description="range of heights (iz) [m]")
    planar_gap_m: float | None = Field(None, gt=0, description="gap at height 0 of a junction between planes (iz) [m]")
    bias_V: float = Field(0.1, gt=0, description="bias during the ramp (iz), or the largest bias (iv) [V]")
    temperature_K: float = Field(295.0, gt=0, description="of both electrodes (iv) [K]")
    density: str = Field("flat", description="density of states of the sample (iv)")
    density_options: dict[str, float] = Field({}, description="its parameters")
    gap_slope_m_per_V: float = Field(0.0, ge=0, description="the gap widens by this per volt of |bias| (iv) [m/V]")
    modulation_rms_V: float = Field(0.0, ge=0, description="where above 0, a lock-in channel is recorded (iv) [V]")
    bench: dict[str, float] = Field({}, description="faults of the bench, keys of sts.simulate.Bench")


_PRESETS: dict[str, dict[str, Any]] = tomllib.loads(
    (files("sts.simulate") / "presets.toml").read_text(encoding="utf-8")
)
PRESETS: dict[str, str] = {name: values["description"] for name, values in _PRESETS.items()}


def read_simulate_plan(source: str | Path) -> SimulatePlan:
    """A ready bench by its name, or a plan from a TOML file.

    Parameters
    ----------
    source : str or path
        Name in `PRESETS`, or a TOML file.

    Raises
    ------
    PlanError
        If there is no such bench or file, or a key is wrong (with its line and what is allowed).
    """
    if isinstance(source, str) and source in _PRESETS:
        return SimulatePlan.model_validate(_PRESETS[source])
    path = Path(source)
    if not path.is_file():
        known = ", ".join(PRESETS)
        raise PlanError(f"There is no virtual bench or file '{source}'. Benches: {known}.")
    plan: SimulatePlan = read_toml(SimulatePlan, path, "plan")
    return plan


def simulate(plan: SimulatePlan) -> list[Simulated]:
    """Run a plan; one result for height sweeps, one per set-point for bias sweeps.

    Parameters
    ----------
    plan : SimulatePlan

    Raises
    ------
    ValueError
        If a fault of the bench or the density of states is not known, or what is asked for makes no sense.
    """
    try:
        bench = Bench(**plan.bench)
    except TypeError as error:
        known = ", ".join(Bench.__dataclass_fields__)
        raise ValueError(f"bench: {error}. Known faults: {known}.") from error
    rng = np.random.default_rng(plan.seed)
    common: dict[str, Any] = {"sweeps": plan.sweeps, "bench": bench, "tip": "virtual", "sample": "virtual"}
    if plan.kind == "iz":
        heights = HeightRamp(
            directions=plan.directions or ["retract", "approach"], duration_s=plan.duration_s, bias_V=plan.bias_V,
            planar_gap_m=plan.planar_gap_m,
        )  # fmt: skip
        site = np.arange(plan.sweeps) * plan.sites // plan.sweeps  # repeats of a site follow each other
        barrier = plan.barrier_eV * np.exp(plan.site_scatter * rng.standard_normal(plan.sites))
        made = simulate_iz(
            barrier_eV=barrier[site], height=(0.0, plan.range_m, plan.points), current_A=plan.current_A, ramp=heights,
            seed=rng, site=[str(s + 1) for s in np.repeat(site, len(heights.directions))], **common,
        )  # fmt: skip
        return [made]
    biases = BiasRamp(
        directions=plan.directions or ["up", "down"], duration_s=plan.duration_s,
        decay_per_m=float(decay_from_barrier(plan.barrier_eV)), gap_slope_m_per_V=plan.gap_slope_m_per_V,
        modulation_rms_V=plan.modulation_rms_V,
    )  # fmt: skip
    density = make_density(plan.density, **plan.density_options)
    return [
        simulate_iv(
            density=density, bias=(-plan.bias_V, plan.bias_V, plan.points), temperature_K=plan.temperature_K,
            setpoint_current_A=setpoint, ramp=replace(biases, names=f"iv_{setpoint * 1e12:.4g}pA"), seed=rng, site="1",
            **common,
        )
        for setpoint in (plan.current_A, *plan.further_setpoints_A)
    ]  # fmt: skip


def simulate_plan(source: str | Path, out: str | Path, *, force: bool = False) -> list[Path]:
    """Write the sweeps of a virtual bench as text files, one per repeat, and what is true of them.

    Parameters
    ----------
    source : str or path
        Name in `PRESETS`, or a TOML file.
    out : path
        Folder; made if it is not there.
    force : bool
        Whether files that are there may be overwritten.

    Returns
    -------
    list of path
        ``truth.json`` and the files of the sweeps.

    Raises
    ------
    ValueError
        If the plan is wrong or the folder holds such files already.
    """
    plan = read_simulate_plan(source)
    made = simulate(plan)
    folder = Path(out)
    truth = folder / "truth.json"
    if truth.exists() and not force:
        raise ValueError(f"{folder} holds a simulation already. Choose another folder, or use --force.")
    folder.mkdir(parents=True, exist_ok=True)
    written = [truth]
    note = {"note": "invented by a virtual junction; not measured", "plan": plan.model_dump(), **made[0].truth}
    for key in ("jumps", "saturated", "offsets_pA"):
        note[key] = [value for part in made for value in part.truth[key]]
    for key in ("settling", "humps"):
        note[key] = {name: value for part in made for name, value in part.truth[key].items()}
    truth.write_text(json.dumps(note, indent=1, ensure_ascii=False) + "\n", encoding="utf-8", newline="\n")
    for part in made:
        for rows in np.arange(len(part.sweeps)).reshape(plan.sweeps, -1):
            name = part.sweeps.names[rows[0]]
            if len(rows) > 1:  # a file of one sweep gives it its name; one of both directions has that of the repeat
                name = name.rpartition("_")[0]
            path = folder / f"{name}.csv"
            path.write_text(sweep_text(part.sweeps.select(rows)), encoding="utf-8", newline="\n")
            written.append(path)
    return written


def sweep_text(sweeps: SweepSet) -> str:
    """The sweeps of one repeat as a text file: header of ``key: value``, then one column per direction.

    Parameters
    ----------
    sweeps : SweepSet
        Of one repeat.
    """
    row = sweeps.table.iloc[0]
    axis, factor = ("V (mV)", 1e3) if sweeps.kind == "iv" else ("z (nm)", 1e9)
    header = ["# invented by a virtual junction; not measured"]
    header += [f"# {key}: {row[key]}" for key in ("sample", "tip", "site") if row[key]]
    header += [f"# repeat: {row['repeat']:.0f}"]
    for key, name, unit, scale in (
        ("temperature_K", "temperature", "K", 1.0), ("setpoint_current_A", "set-point current", "pA", 1e12),
        ("setpoint_bias_V", "set-point bias", "mV", 1e3), ("bias_V", "bias", "mV", 1e3),
        ("duration_s", "duration", "s", 1.0), ("full_scale_A", "full scale", "nA", 1e9),
        ("modulation_V", "modulation rms", "mV", 1e3),
    ):  # fmt: skip
        if np.isfinite(row[key]):
            header.append(f"# {name}: {row[key] * scale:.10g} {unit}")
    names = [axis, *(f"I (nA) {direction}" for direction in sweeps.table["direction"])]
    columns = [sweeps.axis * factor, *(sweeps.current * 1e9)]
    if sweeps.lockin is not None:
        names += [f"dI/dV (nS) {direction}" for direction in sweeps.table["direction"]]
        columns += list(sweeps.lockin * 1e9)
    lines = [",".join(f"{value:.9g}" for value in values) for values in zip(*columns, strict=True)]
    return "\n".join([*header, ",".join(names), *lines]) + "\n"
