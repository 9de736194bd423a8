"""Quick invented sweeps: ideal curves computed once, faults of the bench added afresh."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np

from sts.simulate import Bench, Simulated, apply_bench, simulate_iv
from sts.sweeps import SweepSet, sweep_table


@cache
def ideal(
    density: str = "v_shaped", sweeps: int = 5, bias: tuple = (-1.0, 1.0, 201), temperature_K: float = 295.0
) -> Simulated:
    """Repeats up and down without any fault."""
    return simulate_iv(density=density, sweeps=sweeps, bias=bias, temperature_K=temperature_K)


def measured(
    seed: Any, *, density: str = "v_shaped", sweeps: int = 5, bench: Bench, **options: Any
) -> tuple[SweepSet, list[str]]:
    """The repeats with the faults of a bench (not lag, drift and displacement), and the names of those that jump."""
    base = ideal(density, sweeps, **options)
    current, jumped = apply_bench(base.sweeps.current, bench, np.random.default_rng(seed), time_step_s=2.5e-3)
    table = base.sweeps.table.assign(full_scale_A=bench.full_scale_A if np.isfinite(bench.full_scale_A) else np.nan)
    return replace(base.sweeps, current=current, table=table), [
        base.sweeps.names[i] for i in np.flatnonzero(jumped >= 0)
    ]


def sometimes(generator: np.random.Generator, share: float, low: float, high: float, otherwise: float = 0.0) -> float:
    """A size between low and high, even in its logarithm, in a share of the cases."""
    drawn = float(np.exp(generator.uniform(np.log(low), np.log(high))))
    return drawn if generator.random() < share else otherwise


def one_is_noisy(sweeps: int = 8, loud: float = 13.0) -> SweepSet:
    """Curves alike but for noise; the third has `loud` times that of the others."""
    v = np.linspace(-1, 1, 201)
    noise = 2e-12 * np.where(np.arange(sweeps) == 2, loud, 1.0)[:, None]
    current = 1e-9 * (v + v**3) / 2 + noise * np.random.default_rng(3).standard_normal((sweeps, v.size))
    return SweepSet("iv", v, current, sweep_table([f"s{k}" for k in range(sweeps)], direction="up"))
