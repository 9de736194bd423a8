"""Ready virtual benches, and plans in TOML: sweeps as text files with the truth beside them."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from ..sweeps import SweepSet
from .bench import Bench
from .densities import make_density
from .sweeps import Simulated, simulate_iv, simulate_iz


class SimulatePlan(BaseModel):
    """A virtual session: strict, unknown keys refused. SI units, barriers in eV."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)

    kind: Literal["iv", "iz"] = Field(description="bias sweeps or height sweeps")
    description: str = Field("", description="what it shows")
    seed: int = Field(1, ge=0, description="seed of the noise")
    sweeps: int = Field(10, ge=1, le=100_000, description="repeats")
    directions: list[Literal["up", "down", "retract", "approach"]] = Field([], description="both if not given")
    points: int = Field(200, ge=3, le=100_000, description="samples a sweep")
    current_A: float = Field(1e-9, description="set-point current, or current at height 0")
    duration_s: float = Field(0.4, gt=0, description="of one sweep in one direction")
    barrier_eV: float = Field(4.4, gt=0, description="true barrier (iz)")
    range_m: float = Field(0.4e-9, gt=0, description="range of heights (iz)")
    bias_V: float = Field(0.1, description="bias of the ramp (iz), or the largest bias (iv)")
    temperature_K: float = Field(295.0, gt=0, description="of both electrodes (iv)")
    density: str = Field("flat", description="density of states of the sample (iv)")
    density_options: dict[str, float] = Field({}, description="its parameters")
    bench: dict[str, float] = Field({}, description="faults of the bench, keys of sts.simulate.Bench")


_IZ: dict[str, Any] = {"kind": "iz", "directions": ["retract", "approach"]}
_PRESETS: dict[str, dict[str, Any]] = {
    "clean-vacuum": _IZ
    | {
        "description": "I(z) at 4.4 eV, 1 pA white noise, 1 % gap noise",
        "bench": {"white_A": 1e-12, "gap_noise": 0.01},
    },
    "offset": _IZ
    | {
        "description": "I(z) with an offset of 10 pA and converter steps of 0.3 pA",
        "bench": {"white_A": 1e-12, "gap_noise": 0.01, "current_offset_A": 1e-11, "converter_step_A": 3e-13},
    },
    "ambient": _IZ
    | {
        "description": "I(z) in air: 0.7 eV, 6 pA white noise, 3 % gap noise",
        "barrier_eV": 0.7,
        "range_m": 0.8e-9,
        "bench": {"white_A": 6e-12, "gap_noise": 0.03},
    },
    "deep": _IZ
    | {
        "description": "I(z) over more than four decades",
        "range_m": 0.5e-9,
        "current_A": 1e-8,
        "bench": {"white_A": 2e-13, "gap_noise": 0.01},
    },
    "saturated": _IZ
    | {
        "description": "I(z) that starts at the 10 nA limit of the amplifier",
        "current_A": 3e-8,
        "bench": {"white_A": 1e-12, "gap_noise": 0.01, "full_scale_A": 1e-8},
    },
    "drift": _IZ
    | {
        "description": "I(z) at 1 nm/s while the gap drifts by 0.06 nm/s",
        "bench": {"white_A": 1e-12, "gap_noise": 0.01, "drift_m_per_s": 6e-11},
    },
    "slow-noise": _IZ
    | {
        "description": "I(z) with 3 % gap noise of 1/f spectrum",
        "bench": {"white_A": 1e-12, "gap_noise": 0.03, "gap_noise_slope": 1.0},
    },
    "jumps": _IZ
    | {
        "description": "I(z) of which 10 % jump by a factor of 1.5",
        "bench": {"white_A": 1e-12, "gap_noise": 0.01, "jump_factor": 1.5, "jump_share": 0.1},
    },
    "short": _IZ | {"description": "I(z) of 40 points", "points": 40, "bench": {"white_A": 1e-12, "gap_noise": 0.01}},
    "ohmic": {
        "kind": "iv",
        "description": "I(V) of a metal: (dI/dV)/(I/V) is 1",
        "bench": {"white_A": 2e-12, "setpoint_scatter": 0.05},
    },
    "semiconductor": {
        "kind": "iv",
        "description": "I(V) of a semiconductor with a gap of 1 eV at 77 K",
        "density": "gapped",
        "temperature_K": 77.0,
        "bias_V": 1.5,
        "bench": {"white_A": 1e-12, "setpoint_scatter": 0.1, "gap_noise": 0.01, "gap_noise_slope": 1.0},
    },
    "superconductor": {
        "kind": "iv",
        "description": "I(V) of a superconductor with a gap of 1.35 meV at 1.8 K",
        "density": "superconductor",
        "density_options": {"broadening_eV": 2e-5},
        "temperature_K": 1.8,
        "bias_V": 8e-3,
        "bench": {"white_A": 5e-13, "gap_noise": 0.002},
    },
}
PRESETS: dict[str, str] = {name: values["description"] for name, values in _PRESETS.items()}


def read_simulate_plan(source: str | Path) -> SimulatePlan:
    """A ready bench by its name, or a plan from a TOML file.

    Raises
    ------
    ValueError
        If there is no such bench or file, or a key is wrong (with its name and what is allowed).
    """
    if isinstance(source, str) and source in _PRESETS:
        return SimulatePlan.model_validate(_PRESETS[source])
    path = Path(source)
    if not path.is_file():
        known = ", ".join(PRESETS)
        raise ValueError(f"There is no virtual bench or file '{source}'. Benches: {known}.")
    try:
        return SimulatePlan.model_validate(tomllib.loads(path.read_text(encoding="utf-8-sig")))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ValueError(f"{path.name}: not valid TOML: {error}.") from error
    except ValidationError as error:
        lines = [f"{path.name}: {'.'.join(map(str, p['loc']))}: {p['msg']}" for p in error.errors()]
        allowed = ", ".join(SimulatePlan.model_fields)
        raise ValueError("; ".join(lines) + f". Keys: {allowed}.") from error


def simulate(plan: SimulatePlan) -> Simulated:
    """Run a plan.

    Raises
    ------
    ValueError
        If a fault of the bench or the density of states is not known.
    """
    try:
        bench = Bench(**plan.bench)
    except TypeError as error:
        known = ", ".join(Bench.__dataclass_fields__)
        raise ValueError(f"bench: {error}. Known faults: {known}.") from error
    common: dict[str, Any] = {
        "sweeps": plan.sweeps, "bench": bench, "duration_s": plan.duration_s, "seed": plan.seed, "tip": "virtual",
        "sample": "virtual", "site": "1", "names": plan.kind,
    }  # fmt: skip
    if plan.kind == "iz":
        return simulate_iz(
            barrier_eV=plan.barrier_eV, height=(0.0, plan.range_m, plan.points), current_A=plan.current_A,
            bias_V=plan.bias_V, directions=plan.directions or ["retract", "approach"], **common,
        )  # fmt: skip
    return simulate_iv(
        density=make_density(plan.density, **plan.density_options), bias=(-plan.bias_V, plan.bias_V, plan.points),
        temperature_K=plan.temperature_K, setpoint_current_A=plan.current_A,
        directions=plan.directions or ["up", "down"], **common,
    )  # fmt: skip


def simulate_plan(source: str | Path, out: str | Path, *, force: bool = False) -> list[Path]:
    """Write the sweeps of a virtual bench as text files, one a repeat, and what is true of them.

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
    note = {"note": "invented by a virtual junction; not measured", "plan": plan.model_dump(), **made.truth}
    truth.write_text(json.dumps(note, indent=1) + "\n", encoding="utf-8", newline="\n")
    for repeat in range(1, plan.sweeps + 1):
        rows = np.flatnonzero(made.sweeps.table["repeat"].to_numpy(float) == repeat)
        path = folder / f"{plan.kind}_{repeat:05d}.csv"
        path.write_text(sweep_text(made.sweeps.select(rows)), encoding="utf-8", newline="\n")
        written.append(path)
    return written


def sweep_text(sweeps: SweepSet) -> str:
    """The sweeps of one repeat as a text file: header of ``key: value``, then one column a direction."""
    row = sweeps.table.iloc[0]
    axis, factor = ("V (mV)", 1e3) if sweeps.kind == "iv" else ("z (nm)", 1e9)
    header = ["# invented by a virtual junction; not measured"]
    header += [f"# {key}: {row[key]}" for key in ("sample", "tip", "site") if row[key]]
    header += [f"# repeat: {row['repeat']:.0f}"]
    for key, name, unit, scale in (
        ("temperature_K", "temperature", "K", 1.0), ("setpoint_current_A", "set-point current", "pA", 1e12),
        ("setpoint_bias_V", "set-point bias", "mV", 1e3), ("bias_V", "bias", "mV", 1e3),
        ("duration_s", "duration", "s", 1.0), ("full_scale_A", "full scale", "nA", 1e9),
    ):  # fmt: skip
        if np.isfinite(row[key]):
            header.append(f"# {name}: {row[key] * scale:.10g} {unit}")
    names = [axis, *(f"I (nA) {direction}" for direction in sweeps.table["direction"])]
    columns = [sweeps.axis * factor, *(sweeps.current * 1e9)]
    lines = [",".join(f"{value:.9g}" for value in values) for values in zip(*columns, strict=True)]
    return "\n".join([*header, ",".join(names), *lines]) + "\n"
