"""Sweeps of the virtual junction with the truth beside them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from ..quantities import decay_from_barrier
from ..sweeps import DIRECTIONS, SweepSet, sweep_table
from .bench import Bench, apply_bench, draw_setpoints
from .densities import Density, flat, make_density
from .junction import lockin_conductance, planar_current_density, tunnel_conductance, tunnel_current


@dataclass(frozen=True, eq=False)
class Simulated:
    """Sweeps, what is true of them (can be written as JSON), and the curves without any fault."""

    sweeps: SweepSet
    truth: dict[str, Any]
    clean: np.ndarray  # ideal current [A] on the axis: (n,) for I(V), one row a repeat (sweeps, n) for I(z)
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
    planar_gap_m: float | None = None,
    jumps: Mapping[str, float] | None = None,
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
        Repeats; each gives one sweep a direction. The feedback sets the gap once a repeat.
    bench : Bench, optional
    directions : sequence of str
        ``"retract"``, ``"approach"`` or both.
    duration_s : float
        Of one ramp [s].
    bias_V : float
        Held during the ramp [V].
    planar_gap_m : float, optional
        Width of the gap at height 0 [m]: the current is then that between planes (`planar_current_density`), whose
        apparent barrier height is *not* `barrier_eV`.
    jumps : mapping of str to float, optional
        Sweeps that jump by ``bench.jump_factor``: name, and where as a fraction of the sweep's time.
    seed : int or numpy.random.Generator
    names : str
        Start of the sweeps' names: ``iz_001_retract``.
    columns
        Further columns of the table (tip, site, sample ...): one value, or one a sweep.

    Returns
    -------
    Simulated
        With sweeps in the order of repeats, directions within.

    Raises
    ------
    ValueError
        If a direction is not known, a planted jump names no sweep, or lag is asked for on an uneven axis.
    """
    generator = np.random.default_rng(seed)
    bench = bench or Bench()
    z = _axis(height)
    true = np.broadcast_to(np.asarray(barrier_eV, float), (sweeps,))
    decay = decay_from_barrier(true)[:, None]

    def ideal(gap: np.ndarray) -> np.ndarray:
        if planar_gap_m is None:
            return np.asarray(current_A * np.exp(-decay * gap))
        at_zero = planar_current_density(bias_V, planar_gap_m, true[:, None])
        return np.asarray(current_A * planar_current_density(bias_V, planar_gap_m + gap, true[:, None]) / at_zero)

    label = _labels("iz", names, sweeps, directions)
    planted = _planted(jumps, label, z.size, len(directions))
    setpoint = draw_setpoints(generator, bench, sweeps)
    parts, found = [], []
    for number, direction in enumerate(directions):
        time, order = _times(z, duration_s, backwards=direction == "approach", bench=bench)
        current = ideal(z + bench.drift_m_per_s * (time - duration_s / 2))
        measured, jumped = apply_bench(
            current[:, order], bench, generator, time_step_s=duration_s / (z.size - 1), setpoint=setpoint,
            jump_at=planted[:, number],
        )  # fmt: skip
        parts.append(measured[:, order])
        found.append(jumped)
    table = sweep_table(
        label, direction=list(directions) * sweeps, repeat=np.repeat(np.arange(sweeps) + 1.0, len(directions)),
        bias_V=bias_V, duration_s=duration_s, full_scale_A=_known(bench.full_scale_A), **columns,
    )  # fmt: skip
    made = SweepSet("iz", z, _interleave(parts), table)
    truth = {
        "kind": "iz",
        "barrier_eV": true.tolist(),
        "decay_per_nm": (decay[:, 0] * 1e-9).tolist(),
        "planar_gap_nm": None if planar_gap_m is None else planar_gap_m * 1e9,
        **_common_truth(made, bench, seed, np.stack(found, axis=1).ravel()),
    }
    return Simulated(made, truth, np.broadcast_to(ideal(z), (sweeps, z.size)))


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
    gap_slope_m_per_V: float = 0.0,
    modulation_rms_V: float = 0.0,
    junction: dict[str, float] | None = None,
    jumps: Mapping[str, float] | None = None,
    seed: int | np.random.Generator = 0,
    names: str = "iv",
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
        Of both electrodes [K].
    setpoint_current_A, setpoint_bias_V : float
        The ideal current at that bias; the end of the axis if not given.
    sweeps : int
        Repeats; each gives one sweep a direction. The feedback sets the gap once a repeat.
    directions : sequence of str
        ``"up"``, ``"down"`` or both.
    duration_s : float
        Of one sweep in one direction [s].
    bench : Bench, optional
        Drift acts through `decay_per_m`.
    tip_density : Density, optional
        Flat if not given.
    decay_per_m : float
        |d ln I/dz| [1/m], for drift and a varying gap.
    gap_slope_m_per_V : float
        a in s = s0 + a|V| [m/V]: the tip is closest at V = 0, as in recordings of wide gaps. The currents recorded are
        then `clean` × exp(-2κ a |V|): the set-point holds for the clean current.
    modulation_rms_V : float
        Where above 0, a lock-in channel in siemens is recorded as well [V].
    junction : dict, optional
        `barrier_eV` and `gap_m` of `tunnel_current`.
    jumps, seed, names, columns
        As for `simulate_iz`.

    Returns
    -------
    Simulated
        `conductance` is the ideal dI/dV with the temperature in it, at constant gap.

    Raises
    ------
    ValueError
        As for `simulate_iz`, and if no current flows at the set-point.
    """
    generator = np.random.default_rng(seed)
    bench = bench or Bench()
    density = make_density(density) if isinstance(density, str) else density
    v = _axis(bias)
    at = float(v[-1]) if setpoint_bias_V is None else setpoint_bias_V
    options: dict[str, Any] = {"temperature_K": temperature_K, "tip_density": tip_density or flat(), **(junction or {})}
    unit = float(tunnel_current(np.array([at]), density, **options)[0])
    if not abs(unit) > 1e-12:
        raise ValueError(f"No current flows at the set-point bias of {at:g} V (inside a gap?); set it outside.")
    scale = setpoint_current_A / unit
    ideal = scale * tunnel_current(v, density, **options)
    conductance = scale * tunnel_conductance(v, density, **options)
    seen = v - bench.bias_offset_V  # what the junction sees
    recorded = ideal if not bench.bias_offset_V else scale * tunnel_current(seen, density, **options)
    recorded = recorded * np.exp(-decay_per_m * gap_slope_m_per_V * np.abs(v))
    ramp = (v[-1] - v[0]) / duration_s

    label = _labels("iv", names, sweeps, directions)
    planted = _planted(jumps, label, v.size, len(directions))
    setpoint = draw_setpoints(generator, bench, sweeps)
    parts, found = [], []
    for number, direction in enumerate(directions):
        time, order = _times(v, duration_s, backwards=direction == "down", bench=bench)
        moved = recorded * np.exp(-decay_per_m * bench.drift_m_per_s * (time - duration_s / 2))
        measured, jumped = apply_bench(
            np.broadcast_to(moved[order], (sweeps, v.size)), bench, generator, time_step_s=duration_s / (v.size - 1),
            ramp_V_per_s=ramp if direction == "up" else -ramp, setpoint=setpoint, jump_at=planted[:, number],
        )  # fmt: skip
        parts.append(measured[:, order])
        found.append(jumped)
    lockin = None
    if modulation_rms_V:
        lockin = scale * lockin_conductance(seen, density, modulation_rms_V=modulation_rms_V, **options)
        lockin = np.repeat(setpoint, len(directions))[:, None] * lockin
        lockin = lockin * np.exp(-decay_per_m * gap_slope_m_per_V * np.abs(v))
        lockin = bench.lockin_gain * lockin + bench.lockin_offset_S
        lockin = lockin + bench.lockin_noise_S * generator.standard_normal((sweeps * len(directions), v.size))
    table = sweep_table(
        label, direction=list(directions) * sweeps, repeat=np.repeat(np.arange(sweeps) + 1.0, len(directions)),
        temperature_K=temperature_K, setpoint_current_A=setpoint_current_A, setpoint_bias_V=at, duration_s=duration_s,
        full_scale_A=_known(bench.full_scale_A), modulation_V=modulation_rms_V or np.nan, **columns,
    )  # fmt: skip
    made = SweepSet("iv", v, _interleave(parts), table, lockin=lockin, lockin_unit="" if lockin is None else "S")
    truth = {
        "kind": "iv",
        "density": density.name,
        "bias_offset_mV": bench.bias_offset_V * 1e3,
        "current_offset_pA": bench.current_offset_A * 1e12,
        "displacement_fF": bench.capacitance_F * 1e15,
        "lag_ms": bench.lag_s * 1e3,
        "drift_per_s": decay_per_m * bench.drift_m_per_s,
        "decay_per_nm": decay_per_m * 1e-9,
        "gap_slope_A_per_V": gap_slope_m_per_V * 1e10,
        **_common_truth(made, bench, seed, np.stack(found, axis=1).ravel()),
    }
    return Simulated(made, truth, ideal, conductance)


def _axis(given: Any) -> np.ndarray:
    return np.linspace(given[0], given[1], int(given[2])) if isinstance(given, tuple) else np.asarray(given, float)


def _labels(kind: str, names: str, sweeps: int, directions: Sequence[str]) -> list[str]:
    if not directions or set(directions) - set(DIRECTIONS[kind]):
        raise ValueError(f"The directions are {list(directions)}; those of {kind} sweeps are {DIRECTIONS[kind]}.")
    return [f"{names}_{r + 1:03d}_{d}" for r in range(sweeps) for d in directions]


def _planted(jumps: Mapping[str, float] | None, label: list[str], points: int, directions: int) -> np.ndarray:
    """Sample at which each sweep (repeat, direction) has been told to jump, -1 for none."""
    unknown = sorted(set(jumps or {}) - set(label))
    if unknown:
        raise ValueError(f"No sweep is called '{unknown[0]}', so it cannot jump; names run {label[0]} ... {label[-1]}.")
    at = np.full(len(label), -1)
    for name, fraction in (jumps or {}).items():
        at[label.index(name)] = round(fraction * (points - 1))
    return at.reshape(-1, directions)


def _times(axis: np.ndarray, duration_s: float, *, backwards: bool, bench: Bench) -> tuple[np.ndarray, slice]:
    """Time of each point of the axis at a steady ramp, and the slice that puts the points in the order of time."""
    if bench.lag_s and not np.allclose(np.diff(axis), (axis[-1] - axis[0]) / (axis.size - 1), rtol=1e-6, atol=0):
        raise ValueError("Lag is simulated on axes of equal steps only; this axis is uneven. Set the lag to 0.")
    time = (axis - axis[0]) / (axis[-1] - axis[0]) * duration_s
    return (duration_s - time, slice(None, None, -1)) if backwards else (time, slice(None))


def _interleave(parts: list[np.ndarray]) -> np.ndarray:
    return np.stack(parts, axis=1).reshape(-1, parts[0].shape[1])


def _known(full_scale_A: float) -> float:
    return full_scale_A if np.isfinite(full_scale_A) else np.nan


def _common_truth(made: SweepSet, bench: Bench, seed: Any, jumped: np.ndarray) -> dict[str, Any]:
    limit = bench.full_scale_A - bench.converter_step_A / 2  # rounding may leave the limit just below
    saturated = (np.abs(made.current) >= limit).any(axis=1)
    return {
        "jumps": [made.names[i] for i in np.flatnonzero(jumped >= 0)],
        "jump_factor": bench.jump_factor,
        "saturated": [made.names[i] for i in np.flatnonzero(saturated)],
        "bench": {key: value for key, value in asdict(bench).items() if np.isfinite(value)},
        "seed": seed if isinstance(seed, int) else None,
    }
