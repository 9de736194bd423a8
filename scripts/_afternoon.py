"""One afternoon in air, drawn by chance with its truth: what studies of such benches analyse. Invented, not measured."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sts.quantities import barrier_from_decay, decay_from_barrier
from sts.simulate import Bench, HeightRamp, simulate_iz
from sts.sweeps import SweepSet

POINTS = 256
TIP_SCATTER, SITE_SCATTER = (
    0.15,
    0.06,
)  # standard deviations of ln(decay) from tip to tip, and from site to site of a tip


@dataclass(frozen=True, eq=False)
class Afternoon:
    """I(z) sweeps in air and what is true of them; decays are |d ln I/dz| [1/nm]."""

    sweeps: SweepSet  # tips T1 ..., sites s1 ...; retract only
    sweep_decay: np.ndarray  # (m,) of each sweep, which is that of its site
    site_decay: dict[tuple[str, str], float]  # of each tip and site that was visited
    tip_decay: dict[str, float]  # of each tip, about which its sites scatter
    offset_A: np.ndarray  # (m,) of each sweep [A]
    settling: np.ndarray  # (m,) samples at the start still at the set-point
    hump: np.ndarray  # (m,) whether there is a hump
    decades: float  # range of the current on a mean tip
    bench: Bench  # all that was drawn of the bench


def afternoon(
    seed: int, *, tip_factors: tuple[float, ...] = (), sites: int = 0, bench: Bench | None = None
) -> Afternoon:
    """Draw one afternoon: 7 to 30 sweeps, 1 to 3 tips, 1 to 4 sites a tip, 0.7 to 2 decades, barriers of 0.1 to 0.9 eV.

    Parameters
    ----------
    seed : int
    tip_factors : tuple of float
        Factors on the decay of given tips (pure numbers) in place of tips drawn by chance: ``(1, 1.4**0.5)`` are two tips
        whose barriers differ by 40 %.
    sites : int
        Sites a tip; 0 draws 1 to 4.
    bench : Bench, optional
        Faults in place of those drawn by chance.

    Raises
    ------
    ValueError
        If a factor is not positive.

    Notes
    -----
    A tip's sweeps go round its sites in order; no tip has fewer sweeps than sites, as far as 7 sweeps reach. The bench:
    an offset within ±20 pA that nobody knows, humps in 30 % of the sweeps, in six of ten afternoons up to 5 samples at
    the set-point, ripple in four of ten, pink noise of the gap of 1 to 5 %, converter steps of 0.3, 3 or 9 pA.
    """
    if any(not factor > 0 for factor in tip_factors):
        raise ValueError(f"The factors of the tips are {tip_factors}; each must be above 0.")
    generator = np.random.default_rng(seed)
    count = int(generator.integers(7, 31))
    tips = len(tip_factors) or int(generator.integers(1, 4))
    sites = sites or int(generator.integers(1, 5))
    decades = generator.uniform(0.7, 2.0)
    decay = float(decay_from_barrier(np.exp(generator.uniform(np.log(0.1), np.log(0.9))))) * 1e-9
    by_tip = np.asarray(tip_factors or np.exp(TIP_SCATTER * generator.standard_normal(tips))) * decay
    by_site = by_tip[:, None] * np.exp(SITE_SCATTER * generator.standard_normal((tips, sites)))
    tip = np.arange(count) * tips // count
    site = (np.arange(count) - np.searchsorted(tip, tip)) % sites
    true = by_site[tip, site]
    drawn = draw_bench(generator)
    bench = drawn if bench is None else bench
    tip_names, site_names = [f"T{t + 1}" for t in tip], [f"s{s + 1}" for s in site]
    made = simulate_iz(
        barrier_eV=barrier_from_decay(true * 1e9),
        height=(0.0, decades * np.log(10) / decay * 1e-9, POINTS),
        current_A=10 ** generator.uniform(-10, -9),
        sweeps=count,
        bench=bench,
        ramp=HeightRamp(duration_s=POINTS * 1e-3, bias_V=0.05),
        seed=generator,
        sample="graphite",
        tip=tip_names,
        site=site_names,
    )
    names = made.sweeps.names
    return Afternoon(
        sweeps=made.sweeps,
        sweep_decay=true,
        site_decay={
            (t, s): float(value) for t, s, value in zip(tip_names, site_names, true, strict=True)
        },
        tip_decay={f"T{number + 1}": float(value) for number, value in enumerate(by_tip)},
        offset_A=np.array(made.truth["offsets_pA"]) * 1e-12,
        settling=np.array([made.truth["settling"].get(name, 0) for name in names]),
        hump=np.array([name in made.truth["humps"] for name in names]),
        decades=float(decades),
        bench=bench,
    )  # fmt: skip


def draw_bench(generator: np.random.Generator) -> Bench:
    """The faults of one afternoon in air.

    Parameters
    ----------
    generator : numpy.random.Generator
    """
    return Bench(
        white_A=generator.uniform(2e-12, 6e-12),
        gap_noise=generator.uniform(0.01, 0.05),
        gap_noise_slope=1.0,
        setpoint_scatter=0.1,
        current_offset_A=generator.uniform(-20e-12, 20e-12),
        offset_scatter_A=2e-12,
        full_scale_A=8.5e-9,
        converter_step_A=float(generator.choice([0.3e-12, 3e-12, 9e-12])),
        hump_share=0.3,
        hump_size=generator.uniform(0.1, 0.4),
        hump_width=generator.uniform(0.02, 0.06),
        settling_samples=5 if generator.random() < 0.6 else 0,
        settling_factor=generator.uniform(10, 30),
        ripple_A=generator.uniform(2e-12, 15e-12) if generator.random() < 0.4 else 0.0,
        ripple_period_s=generator.uniform(8e-3, 40e-3),
    )
