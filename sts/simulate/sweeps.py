"""Sweeps of the virtual junction with the truth beside them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from ..quantities import decay_from_barrier
from ..sweeps import DIRECTIONS, SweepSet, sweep_table
from .bench import Bench, Drawn, apply_bench, draw_faults, draw_setpoints, piezo_error
from .densities import Density, make_density
from .junction import Junction, lockin_conductance, planar_current_density, tunnel_conductance, tunnel_current
from .simulated import Simulated


@dataclass(frozen=True, kw_only=True)
class HeightRamp:
    """How I(z) sweeps are recorded."""

    directions: Sequence[str] = ("retract",)  # or "approach", or both
    duration_s: float = 0.4  # of one sweep in one direction
    bias_V: float = 0.1  # held during the ramp
    planar_gap_m: float | None = None  # gap at height 0 of a junction between planes (`planar_current_density`)
    names: str = "iz"  # start of the sweeps' names: iz_001_retract
    jumps: Mapping[str, float] | None = None  # sweep: where it jumps by the bench's factor, as a fraction of its time
    bend: Callable[[np.ndarray], np.ndarray] | None = (
        None  # what a gap that is no one exponential adds to ln I at height [m]
    )


@dataclass(frozen=True, kw_only=True)
class BiasRamp:
    """How I(V) sweeps are recorded."""

    directions: Sequence[str] = ("up", "down")  # or one of them
    duration_s: float = 0.5  # of one sweep in one direction
    setpoint_bias_V: float | None = None  # where the feedback sets the current; the end of the axis if not given
    modulation_rms_V: float = 0.0  # where above 0, a lock-in channel in siemens is recorded as well
    decay_per_m: float = 2.1e10  # |d ln I/dz|, through which drift and a varying gap act
    gap_slope_m_per_V: float = 0.0  # a in s = s0 + a|V|: the tip is closest at V = 0, as in recordings of wide gaps
    names: str = "iv"  # start of the sweeps' names: iv_001_up
    jumps: Mapping[str, float] | None = None  # as for heights


def simulate_iz(
    *,
    barrier_eV: Any,
    height: Any = (0.0, 0.4e-9, 150),
    current_A: float = 1e-9,
    sweeps: int = 1,
    bench: Bench | None = None,
    ramp: HeightRamp | None = None,
    seed: int | np.random.Generator = 0,
    **columns: Any,
) -> Simulated:
    """I(z) sweeps I = I0 exp(-2κz), with the faults of a bench.

    Parameters
    ----------
    barrier_eV : float or array_like, shape (sweeps,)
        True apparent barrier height of each repeat [eV]; with a planar gap, the barrier between the planes, whose
        apparent height is *not* this.
    height : (start, stop, points) or array_like, shape (n,)
        Height [m].
    current_A : float
        Current at height 0 [A].
    sweeps : int
        Repeats; each gives one sweep per direction. The feedback sets the gap once per repeat.
    bench : Bench, optional
        Its faults; none if not given.
    ramp : HeightRamp, optional
        Directions, duration, bias, names, planted jumps; 0.4 s out from the surface at 0.1 V if not given.
    seed : int or numpy.random.Generator
    columns
        Further columns of the table (tip, site, sample ...): one value, or one per sweep.

    Returns
    -------
    Simulated
        With sweeps in the order of repeats, directions within.

    Raises
    ------
    ValueError
        If a direction is not known, a planted jump names no sweep, or lag is asked for on an uneven axis.

    Examples
    --------
    >>> made = sts.simulate_iz(barrier_eV=4.4, sweeps=3, tip="heron")
    >>> made.sweeps.current.shape
    (3, 150)
    >>> slope = np.polyfit(made.sweeps.axis, np.log(made.sweeps.current[0]), 1)[0]
    >>> round(float(sts.barrier_from_decay(-slope)), 3)
    4.4
    """
    bench, ramp = bench or Bench(), ramp or HeightRamp()
    z = _axis(height)
    true = np.broadcast_to(np.asarray(barrier_eV, float), (sweeps,))
    decay = decay_from_barrier(true)[:, None]

    def ideal(gap: np.ndarray) -> np.ndarray:
        if ramp.planar_gap_m is None:
            more = 0.0 if ramp.bend is None else ramp.bend(gap)
            return np.asarray(current_A * np.exp(more - decay * gap))
        at_zero = planar_current_density(ramp.bias_V, ramp.planar_gap_m, true[:, None])
        return np.asarray(
            current_A * planar_current_density(ramp.bias_V, ramp.planar_gap_m + gap, true[:, None]) / at_zero
        )

    def moved(time: np.ndarray) -> np.ndarray:
        """Where the tip is at these times, which grow with the axis on retract."""
        error = (z[-1] - z[0]) * (1.0 if time[-1] > time[0] else -1.0) * piezo_error(time / ramp.duration_s, bench)
        return np.asarray(z + error + bench.drift_m_per_s * (time - ramp.duration_s / 2))

    run = _Run("iz", z, sweeps, ramp, bench, np.random.default_rng(seed))
    current = run.record(lambda time: ideal(moved(time)))
    made = SweepSet("iz", z, current, run.table(bias_V=ramp.bias_V, **columns))
    truth = {
        "kind": "iz",
        "barrier_eV": true.tolist(),
        "decay_per_nm": (decay[:, 0] * 1e-9).tolist(),
        "planar_gap_nm": None if ramp.planar_gap_m is None else ramp.planar_gap_m * 1e9,
        **run.truth(made, seed),
    }
    return Simulated(made, truth, np.broadcast_to(ideal(z), (sweeps, z.size)))


def simulate_iv(
    *,
    density: Density | Junction | str = "flat",
    bias: Any = (-1.0, 1.0, 201),
    temperature_K: float = 295.0,
    setpoint_current_A: float = 1e-9,
    sweeps: int = 1,
    bench: Bench | None = None,
    ramp: BiasRamp | None = None,
    seed: int | np.random.Generator = 0,
    **columns: Any,
) -> Simulated:
    """I(V) sweeps of a density of states, set to a current at a bias, with the faults of a bench.

    Parameters
    ----------
    density : Density, Junction or str
        Of the sample, before a flat tip; a name of `DENSITIES` for its defaults. A `Junction` says more: the tip's
        own density, and a transmission that depends on energy.
    bias : (start, stop, points) or array_like, shape (n,)
        Bias of the sample relative to the tip [V], ascending.
    temperature_K : float
        Of both electrodes [K].
    setpoint_current_A : float
        The ideal current at the set-point [A].
    sweeps : int
        Repeats; each gives one sweep per direction. The feedback sets the gap once per repeat.
    bench : Bench, optional
        Its faults; none if not given.
    ramp : BiasRamp, optional
        Directions, duration, bias of the set-point, modulation, varying gap, names, planted jumps; 0.5 s up and down
        if not given. With a varying gap the currents recorded are `clean` × exp(-2κ a |V|): the set-point holds for
        the clean current.
    seed, columns
        As for `simulate_iz`.

    Returns
    -------
    Simulated
        `conductance` is the ideal dI/dV with the temperature in it, at constant gap.

    Raises
    ------
    ValueError
        As for `simulate_iz`, and if no current flows at the set-point.

    Examples
    --------
    >>> made = sts.simulate_iv(density="flat", bias=(-1.0, 1.0, 5), setpoint_current_A=2e-9)
    >>> made.sweeps.names
    ['iv_001_up', 'iv_001_down']
    >>> (made.clean * 1e9).round(6).tolist()
    [-2.0, -1.0, 0.0, 1.0, 2.0]
    """
    bench, ramp = bench or Bench(), ramp or BiasRamp()
    density = make_density(density) if isinstance(density, str) else density
    junction = density if isinstance(density, Junction) else Junction(density)
    v = _axis(bias)
    at = float(v[-1]) if ramp.setpoint_bias_V is None else ramp.setpoint_bias_V
    unit = float(tunnel_current(np.array([at]), junction, temperature_K=temperature_K)[0])
    if not abs(unit) > 1e-12:
        raise ValueError(f"No current flows at the set-point bias of {at:g} V (inside a gap?); set it outside.")
    scale = setpoint_current_A / unit
    ideal = scale * tunnel_current(v, junction, temperature_K=temperature_K)
    seen = v - bench.bias_offset_V  # what the junction sees
    dimmed = np.exp(-ramp.decay_per_m * ramp.gap_slope_m_per_V * np.abs(v))
    recorded = (
        ideal if not bench.bias_offset_V else scale * tunnel_current(seen, junction, temperature_K=temperature_K)
    ) * dimmed
    drift_per_s = ramp.decay_per_m * bench.drift_m_per_s

    run = _Run("iv", v, sweeps, ramp, bench, np.random.default_rng(seed))
    current = run.record(
        lambda time: recorded * np.exp(-drift_per_s * (time - ramp.duration_s / 2)), (v[-1] - v[0]) / ramp.duration_s
    )
    lockin = None
    if ramp.modulation_rms_V:
        wave = scale * lockin_conductance(
            seen, junction, temperature_K=temperature_K, modulation_rms_V=ramp.modulation_rms_V
        )
        lockin = bench.lockin_gain * (run.setpoints[:, None] * wave * dimmed) + bench.lockin_offset_S
        lockin = lockin + bench.lockin_noise_S * run.generator.standard_normal(lockin.shape)
    table = run.table(
        temperature_K=temperature_K, setpoint_current_A=setpoint_current_A, setpoint_bias_V=at,
        modulation_V=ramp.modulation_rms_V or np.nan, **columns,
    )  # fmt: skip
    made = SweepSet("iv", v, current, table, lockin=lockin, lockin_unit="" if lockin is None else "S")
    truth = {
        "kind": "iv",
        "density": junction.density.name,
        "bias_offset_mV": bench.bias_offset_V * 1e3,
        "current_offset_pA": bench.current_offset_A * 1e12,
        "displacement_fF": bench.capacitance_F * 1e15,
        "lag_ms": bench.lag_s * 1e3,
        "drift_per_s": drift_per_s,
        "decay_per_nm": ramp.decay_per_m * 1e-9,
        "gap_slope_A_per_V": ramp.gap_slope_m_per_V * 1e10,
        **run.truth(made, seed),
    }
    return Simulated(made, truth, ideal, lambda: scale * tunnel_conductance(v, junction, temperature_K=temperature_K))


def _axis(given: Any) -> np.ndarray:
    return np.linspace(given[0], given[1], int(given[2])) if isinstance(given, tuple) else np.asarray(given, float)


class _Run:
    """Repeats on one axis, in the directions of a ramp: what both kinds of sweep share."""

    def __init__(
        self, kind: str, axis: np.ndarray, sweeps: int, ramp: HeightRamp | BiasRamp, bench: Bench,
        generator: np.random.Generator,
    ) -> None:  # fmt: skip
        backwards = DIRECTIONS[kind][1]
        if not ramp.directions or set(ramp.directions) - set(DIRECTIONS[kind]):
            raise ValueError(
                f"The directions are {list(ramp.directions)}; those of {kind} sweeps are {DIRECTIONS[kind]}."
            )
        if bench.lag_s and not np.allclose(np.diff(axis), (axis[-1] - axis[0]) / (axis.size - 1), rtol=1e-6, atol=0):
            raise ValueError("Lag is simulated on axes of equal steps only; this axis is uneven. Set the lag to 0.")
        self.axis, self.sweeps, self.ramp, self.bench, self.generator = axis, sweeps, ramp, bench, generator
        self._steps = [(-1 if direction == backwards else 1) for direction in ramp.directions]
        self._names = [f"{ramp.names}_{repeat + 1:03d}_{d}" for repeat in range(sweeps) for d in ramp.directions]
        self._planted_at = self._planted()
        self._drawn: list[Drawn] = []  # one for each direction
        self._factors = draw_setpoints(generator, bench, sweeps)

    def _planted(self) -> np.ndarray:
        """Sample at which each sweep (repeat, direction) has been told to jump, -1 for none."""
        jumps = self.ramp.jumps or {}
        at = np.full(len(self._names), -1)
        for name, fraction in sorted(jumps.items()):
            if name not in self._names:
                raise ValueError(
                    f"No sweep is called '{name}', so it cannot jump; names run {self._names[0]} ... {self._names[-1]}."
                )
            at[self._names.index(name)] = round(fraction * (self.axis.size - 1))
        return at.reshape(self.sweeps, -1)

    @property
    def setpoints(self) -> np.ndarray:
        """Factor by which the feedback missed the set-point, for each sweep (m,)."""
        return np.repeat(self._factors, len(self._steps))

    def record(self, ideal: Callable[[np.ndarray], np.ndarray], speed: float = 0.0) -> np.ndarray:
        """Currents (m, n) as the bench records them, in the order of repeats, directions within.

        `ideal` gives the current [A], (n,) or (sweeps, n), on the axis passed at these times [s]; `speed` is dV/dt.
        """
        points, duration = self.axis.size, self.ramp.duration_s
        time = (self.axis - self.axis[0]) / (self.axis[-1] - self.axis[0]) * duration
        parts = []
        for number, step in enumerate(self._steps):
            current = ideal(time if step > 0 else duration - time)[..., ::step]
            drawn = draw_faults(self.generator, self.bench, self.sweeps, points, jump_at=self._planted_at[:, number])
            self._drawn.append(drawn)
            measured, _ = apply_bench(
                np.broadcast_to(current, (self.sweeps, points)), self.bench, self.generator,
                time_step_s=duration / (points - 1), ramp_V_per_s=step * speed, setpoint=self._factors, drawn=drawn,
            )  # fmt: skip
            parts.append(measured[:, ::step])
        return np.stack(parts, axis=1).reshape(-1, points)

    def table(self, **columns: Any) -> Any:
        """The table of the sweeps, with these columns beside what the run knows itself."""
        limit = self.bench.full_scale_A
        return sweep_table(
            self._names, direction=list(self.ramp.directions) * self.sweeps,
            repeat=np.repeat(np.arange(self.sweeps) + 1.0, len(self._steps)), duration_s=self.ramp.duration_s,
            full_scale_A=limit if np.isfinite(limit) else np.nan, **columns,
        )  # fmt: skip

    def truth(self, made: SweepSet, seed: Any) -> dict[str, Any]:
        """What is true of the sweeps of either kind; the places of humps are shares of a sweep's time."""
        bench = self.bench
        limit = bench.full_scale_A - bench.converter_step_A / 2  # rounding may leave the limit just below
        saturated = (np.abs(made.current) >= limit).any(axis=1)
        jump_at, settling, hump_at, hump_ln, offset_A = (
            np.stack([getattr(drawn, name) for drawn in self._drawn], axis=1).ravel()
            for name in ("jump_at", "settling", "hump_at", "hump_ln", "offset_A")
        )
        return {
            "jumps": [made.names[i] for i in np.flatnonzero(jump_at >= 0)],
            "jump_factor": bench.jump_factor,
            "saturated": [made.names[i] for i in np.flatnonzero(saturated)],
            "settling": {made.names[i]: int(settling[i]) for i in np.flatnonzero(settling)},
            "humps": {
                made.names[i]: {"at": float(hump_at[i]), "ln": float(hump_ln[i])} for i in np.flatnonzero(hump_ln)
            },
            "offsets_pA": (offset_A * 1e12).tolist(),
            "bench": {key: value for key, value in asdict(bench).items() if np.isfinite(value)},
            "seed": seed if isinstance(seed, int) else None,
        }
