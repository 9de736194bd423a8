"""The zero of the current, found together: against a general optimiser, by coverage, and where nothing knows it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from barrier.examples import NO_LOOP
from numpy.testing import assert_allclose
from often import repeated
from scipy import integrate

from sts.barrier import fit_barrier
from sts.barrier.bench_offset import KnownOffset, pool_offsets
from sts.barrier.fit import fit_together
from sts.plan import BarrierPlan, Plan
from sts.quantities import decay_from_barrier
from sts.simulate import Bench, HeightRamp, simulate_iz
from sts.sweeps import SweepSet


def short(seed, *, sweeps=15, offset=1.2e-11, decades=1.0, names="iz"):
    """One decade in air: the offset takes the slope with it."""
    span = decades * np.log(10) / decay_from_barrier(0.4)
    return simulate_iz(
        barrier_eV=0.4, height=(0.0, span, 200), current_A=3e-10, sweeps=sweeps, seed=seed, tip="t", site="1",
        bench=Bench(white_A=4e-12, gap_noise=0.02, current_offset_A=offset), ramp=HeightRamp(names=names),
    ).sweeps  # fmt: skip


TRUE = decay_from_barrier(0.4) * 1e-9


def test_the_mean_agrees_with_integrals_over_the_scatter():
    """scipy's adaptive quadrature of the same posterior: a general routine."""
    generator = np.random.default_rng(2)
    variance = generator.uniform(0.5, 3.0, 9) ** 2
    offset = 4.0 + np.sqrt(variance + 1.5**2) * generator.standard_normal(9)

    def chance(tau, power):
        weight = 1 / (variance + tau**2)
        mean = np.sum(weight * offset) / weight.sum()
        log = 0.5 * np.log(weight).sum() - 0.5 * np.log(weight.sum()) - 0.5 * np.sum(weight * (offset - mean) ** 2)
        return np.exp(log + 20) * {"1": 1.0, "mean": mean, "tau": tau**2}[power]

    top = 3 * max(np.std(offset) / np.sqrt(np.median(variance)), 1.0) * np.sqrt(np.median(variance))
    norm, mean, tau = (integrate.quad(chance, 0, top, args=(power,))[0] for power in ("1", "mean", "tau"))
    found = pool_offsets(offset, variance)
    assert_allclose(found[0], mean / norm, rtol=1e-3)
    assert_allclose(found[2], np.sqrt(tau / norm), rtol=1e-2)


def test_what_is_known_elsewhere_counts_with_its_uncertainty():
    """Two equal statements: their mean, at 1/√2 of the uncertainty (weighted mean, GUM 4.2)."""
    value, u, _ = pool_offsets(np.array([]), np.array([]), [KnownOffset(2.0, 0.5, "a"), KnownOffset(4.0, 0.5, "b")])
    assert_allclose([value, u], [3.0, 0.5 / np.sqrt(2)])


@repeated(8, 30)
def test_a_shared_offset_comes_near_the_limit_of_a_known_one(repeats):
    errors = {"shared": [], "known": []}
    for seed in range(repeats):
        sweeps = short(seed)
        errors["shared"] += list(fit_barrier(sweeps, NO_LOOP).table["decay_per_nm"] / TRUE - 1)
        known = fit_together([sweeps], known=[KnownOffset(1.2e-11, 1e-14, "the truth")])[0]
        errors["known"] += list(known.table["decay_per_nm"] / TRUE - 1)
    shared, known = (np.sqrt(np.mean(np.square(e))) for e in errors.values())
    assert shared < 1.3 * known


@repeated(15, 60)
def test_intervals_with_a_shared_offset_hold_the_truth(repeats):
    """15 sweeps each."""
    inside = []
    for seed in range(repeats):
        table = fit_barrier(short(seed, offset=np.random.default_rng(seed).uniform(-2e-11, 2e-11)), NO_LOOP).table
        assert (table["decay_common_per_nm"] != 0).all()
        inside += list((table["barrier_low_eV"] < 0.4) & (table["barrier_high_eV"] > 0.4))
    assert 0.93 < np.mean(inside) < 0.99  # white noise: the room for slow noise too weak to be seen is not needed


def test_sets_of_other_heights_share_the_offset_of_their_bench():
    """Each sweep on heights of its own, as a bench that writes the piezo's position makes them: one zero for all."""
    sets = []
    for number in range(12):
        one = short(number, sweeps=1, names=f"n{number}")
        sets.append(SweepSet("iz", one.axis * (1 + 0.001 * number), one.current, one.table))
    fits = fit_together(sets)
    offsets = np.array([fit.offset[0] for fit in fits])
    alone = np.array([fit_barrier(one, NO_LOOP).offset[0] for one in sets])
    assert np.abs(offsets - 1.2e-11).max() < 6e-12
    assert np.ptp(offsets) < 0.6 * np.ptp(alone)


def test_other_amplifier_ranges_have_other_offsets():
    one, two = short(1, offset=-1.5e-11, names="a"), short(2, offset=1.5e-11, names="b")
    table = pd.concat([one.table.assign(full_scale_A=1e-8), two.table.assign(full_scale_A=1e-7)], ignore_index=True)
    fit = fit_barrier(SweepSet("iz", one.axis, np.concatenate([one.current, two.current]), table), NO_LOOP)
    low, high = np.median(fit.offset[:15]), np.median(fit.offset[15:])
    assert abs(low + 1.5e-11) < 5e-12
    assert abs(high - 1.5e-11) < 5e-12


def test_a_trace_with_the_tip_withdrawn_tells_the_zero():
    sweeps = short(4, sweeps=2)
    noise = 1.2e-11 + 4e-12 * np.random.default_rng(1).standard_normal(200)
    table = pd.concat([sweeps.table, sweeps.table.iloc[:1].assign(sweep="withdrawn", repeat=3.0)], ignore_index=True)
    fit = fit_barrier(SweepSet("iz", sweeps.axis, np.vstack([sweeps.current, noise]), table), NO_LOOP)
    assert np.all(np.abs(fit.offset[:2] - 1.2e-11) < 1.5e-12)
    assert not fit.table["used"][2]


def test_less_than_a_decade_and_nothing_that_knows_the_zero_has_no_interval():
    fit = fit_barrier(short(5, sweeps=2, decades=0.8), NO_LOOP)
    assert "offset unknown" in set(fit.flags["flag"])
    assert fit.table["barrier_low_eV"].isna().all()
    assert fit.table["barrier_eV"].notna().all()
    plan = Plan(barrier=BarrierPlan(offset_pA=12.0, offset_se_pA=1.0))
    told = fit_barrier(short(5, sweeps=2, decades=0.8), plan)
    assert "offset unknown" not in set(told.flags["flag"])
    assert told.table["barrier_low_eV"].notna().all()


def test_long_sweeps_keep_offsets_of_their_own():
    made = short(6, decades=3.0)
    assert (fit_barrier(made, NO_LOOP).table["decay_common_per_nm"] == 0).all()


@pytest.mark.parametrize("sign", [1, -1])
def test_the_zero_is_not_beyond_the_least_current(sign):
    made = short(7, decades=0.7)
    fit = fit_barrier(replace(made, current=sign * made.current), NO_LOOP)
    least = (sign * made.current * sign)[:, -10:].mean(axis=1).min()
    assert (sign * fit.offset <= least + 1e-12).all()


@pytest.mark.parametrize("drift_pA", [0.0, 5.0, 10.0, 20.0])
def test_a_zero_that_drifts_over_the_afternoon_is_covered_by_the_scatter_found(drift_pA: float):
    """No course is fitted: what the zero moves by is in the scatter, and so in the prior of every sweep."""
    rng, held = np.random.default_rng(4), []
    for _ in range(200):
        sweeps = int(rng.integers(7, 31))
        true = rng.uniform(-20, 20) + drift_pA * np.linspace(-0.5, 0.5, sweeps) + 2 * rng.standard_normal(sweeps)
        se = rng.uniform(2, 12, sweeps)  # [pA] that sweeps of one or two decades know of it
        value, u, scatter = pool_offsets(true + se * rng.standard_normal(sweeps), se**2)
        assert u < scatter + se.mean()
        held.append(np.mean(np.abs(true - value) <= 1.96 * np.hypot(u, scatter)))
    assert np.mean(held) >= 0.93
