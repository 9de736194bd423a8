"""Sweeps of the virtual junction with the truth beside them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..quantities import decay_from_barrier
from ..sweeps import SweepSet, sweep_table
from .bench import Bench, apply_bench
from .densities import Density, flat, make_density
from .junction import tunnel_conductance, tunnel_current


@dataclass(frozen=True, eq=False)
class Simulated:
    """Sweeps, what is true of them, and the curves without any fault."""

    sweeps: SweepSet
    truth: dict[str, Any]
    clean: np.ndarray  # (n,) ideal current [A] on the axis
    conductance: np.ndarray | None = None  # (n,) ideal dI/dV [S], for I(V)


def simulate_iz(
    *,
    barrier_eV: Any,
    height: Any = (0.0, 0.4e-9, 150),
    current_A: float = 1e-9,
    sweeps: int = 1,
    bench: Bench | None = None,
    directions: Sequence[str] = ("retract",),
    duration_s: float = 0.4,
    bias_V: float = 0.1,
    seed: int | np.random.Generator = 0,
    names: str = "iz",
    **columns: Any,
) -> Simulated:
    """I(z) sweeps I = I0 exp(-2κz), with the faults of a bench.

    Parameters
    ----------
    barrier_eV : float or array_like, shape (sweeps,)
        True apparent barrier height of each repeat [eV].
    height : (start, stop, points) or array_like, shape (n,)
        Height [m].
    current_A : float
        Current at height 0 [A].
    sweeps : int
        Repeats; each gives one sweep a direction.
    bench : Bench, optional
    directions : sequence of str
        ``"retract"``, ``"approach"`` or both.
    duration_s : float
        Of one ramp [s].
    seed : int or numpy.random.Generator
    names : str
        Start of the sweeps' names.
    columns
        Further columns of the table (tip, site, sample ...).

    Returns
    -------
    Simulated
        With sweeps in the order of repeats, directions within.
    """
    generator = np.random.default_rng(seed)
    bench = bench or Bench()
    z = np.linspace(height[0], height[1], int(height[2])) if isinstance(height, tuple) else np.asarray(height, float)
    true = np.broadcast_to(np.asarray(barrier_eV, float), (sweeps,))
    decay = decay_from_barrier(true)[:, None]
    step = duration_s / (z.size - 1)
    parts, jumps = [], []
    for direction in directions:
        time = (z - z[0]) / (z[-1] - z[0]) * duration_s
        if direction == "approach":
            time = duration_s - time
        gap = z + bench.drift_m_per_s * (time - duration_s / 2)
        ideal = current_A * np.exp(-decay * gap)
        order = slice(None) if direction == "retract" else slice(None, None, -1)
        measured, jumped = apply_bench(ideal[:, order], bench, generator, time_step_s=step)
        parts.append(measured[:, order])
        jumps.append(jumped)
    current = np.stack(parts, axis=1).reshape(-1, z.size)
    label = [f"{names}_{r + 1:03d}_{d}" for r in range(sweeps) for d in directions]
    table = sweep_table(
        label, direction=list(directions) * sweeps, repeat=np.repeat(np.arange(sweeps) + 1.0, len(directions)),
        bias_V=bias_V, duration_s=duration_s,
        full_scale_A=bench.full_scale_A if np.isfinite(bench.full_scale_A) else np.nan, **columns,
    )  # fmt: skip
    jumped = np.stack(jumps, axis=1).reshape(-1)
    truth = {
        "barrier_eV": true.tolist(),
        "decay_per_nm": (decay[:, 0] * 1e-9).tolist(),
        "jumps": [label[i] for i in np.flatnonzero(jumped >= 0)],
    }
    return Simulated(SweepSet("iz", z, current, table), truth, current_A * np.exp(-decay[0] * z))


def simulate_iv(
    *,
    density: Density | str = "flat",
    bias: Any = (-1.0, 1.0, 201),
    temperature_K: float = 295.0,
    setpoint_current_A: float = 1e-9,
    setpoint_bias_V: float | None = None,
    sweeps: int = 1,
    directions: Sequence[str] = ("up", "down"),
    duration_s: float = 0.5,
    bench: Bench | None = None,
    tip_density: Density | None = None,
    decay_per_m: float = 2.1e10,
    seed: int | np.random.Generator = 0,
    names: str = "iv",
    junction: dict[str, float] | None = None,
    **columns: Any,
) -> Simulated:
    """I(V) sweeps of a density of states, set to a current at a bias, with the faults of a bench.

    Parameters
    ----------
    density : Density or str
        Of the sample; a name of `DENSITIES` for its defaults.
    bias : (start, stop, points) or array_like, shape (n,)
        Bias of the sample relative to the tip [V], ascending.
    temperature_K : float
    setpoint_current_A, setpoint_bias_V : float
        The ideal current at that bias; the end of the axis if not given.
    sweeps : int
        Repeats; each gives one sweep a direction.
    directions : sequence of str
        ``"up"``, ``"down"`` or both.
    duration_s : float
        Of one sweep in one direction [s].
    bench : Bench, optional
        Drift acts through `decay_per_m`.
    decay_per_m : float
        |d ln I/dz| [1/m], for drift.
    junction : dict, optional
        `barrier_eV` and `gap_m` of `tunnel_current`.

    Returns
    -------
    Simulated
        `conductance` is the ideal dI/dV with the temperature in it.
    """
    generator = np.random.default_rng(seed)
    bench = bench or Bench()
    density = make_density(density) if isinstance(density, str) else density
    v = np.linspace(bias[0], bias[1], int(bias[2])) if isinstance(bias, tuple) else np.asarray(bias, float)
    at = v[-1] if setpoint_bias_V is None else setpoint_bias_V
    options: dict[str, Any] = {"temperature_K": temperature_K, "tip_density": tip_density or flat(), **(junction or {})}
    scale = setpoint_current_A / float(tunnel_current(np.array([at]), density, **options)[0])
    ideal = scale * tunnel_current(v, density, **options)
    conductance = scale * tunnel_conductance(v, density, **options)
    shifted = ideal if not bench.bias_offset_V else scale * tunnel_current(v - bench.bias_offset_V, density, **options)
    ramp = (v[-1] - v[0]) / duration_s
    step = duration_s / (v.size - 1)
    parts, jumps = [], []
    for direction in directions:
        up = direction == "up"
        time = (v - v[0]) / (v[-1] - v[0]) * duration_s
        time = time if up else duration_s - time
        moved = shifted * np.exp(-decay_per_m * bench.drift_m_per_s * (time - duration_s / 2))
        order = slice(None) if up else slice(None, None, -1)
        rows = np.broadcast_to(moved[order], (sweeps, v.size))
        measured, jumped = apply_bench(
            rows, bench, generator, time_step_s=step, ramp_V_per_s=ramp if up else -ramp
        )  # fmt: skip
        parts.append(measured[:, order])
        jumps.append(jumped)
    current = np.stack(parts, axis=1).reshape(-1, v.size)
    label = [f"{names}_{r + 1:03d}_{d}" for r in range(sweeps) for d in directions]
    table = sweep_table(
        label, direction=list(directions) * sweeps, repeat=np.repeat(np.arange(sweeps) + 1.0, len(directions)),
        temperature_K=temperature_K, setpoint_current_A=setpoint_current_A, setpoint_bias_V=at, duration_s=duration_s,
        full_scale_A=bench.full_scale_A if np.isfinite(bench.full_scale_A) else np.nan, **columns,
    )  # fmt: skip
    jumped = np.stack(jumps, axis=1).reshape(-1)
    truth = {
        "density": density.name,
        "bias_offset_mV": bench.bias_offset_V * 1e3,
        "current_offset_pA": bench.current_offset_A * 1e12,
        "displacement_fF": bench.capacitance_F * 1e15,
        "lag_ms": bench.lag_s * 1e3,
        "drift_per_s": decay_per_m * bench.drift_m_per_s,
        "jumps": [label[i] for i in np.flatnonzero(jumped >= 0)],
    }
    return Simulated(SweepSet("iv", v, current, table), truth, ideal, conductance)
