"""Lag of the amplifier against drift of the gap, in I(z)."""

import re

import numpy as np
import pytest
from numpy.testing import assert_allclose
from often import repeated
from scipy.signal import TransferFunction, lsim

from sts.barrier import fit_barrier, pair_directions, slopes_by_repeat
from sts.barrier.lag import _transient
from sts.quantities import barrier_from_decay, decay_from_barrier
from sts.simulate import Bench, HeightRamp, simulate_iz
from sts.sweeps import SweepSet, sweep_table

BOTH = ("retract", "approach")


def ramps(*, directions=BOTH, sweeps=12, duration_s=0.1, seed=1, **bench):
    bench = Bench(**({"white_A": 1e-12, "gap_noise": 0.01} | bench))
    return simulate_iz(
        barrier_eV=4.4,
        height=(0, 0.4e-9, 150),
        sweeps=sweeps,
        bench=bench,
        seed=seed,
        tip="t",
        site="1",
        ramp=HeightRamp(duration_s=duration_s, directions=directions),
    ).sweeps


@pytest.mark.parametrize("k", [0.1, 0.5, 2.0])
def test_the_transient_is_that_of_a_single_pole(k):
    """Against the response of a first-order system by a general library (scipy.signal.lsim)."""
    decay = 6.0
    u = np.linspace(0, 1, 4001)
    pole = TransferFunction([1], [k / decay, 1])
    retract = lsim(pole, np.exp(-decay * u), u, X0=[k / decay])[1]  # at rest: y = state/(time constant)
    approach = lsim(pole, np.exp(-decay * (1 - u)), u, X0=[k / decay * np.exp(-decay)])[1][::-1]
    found = _transient(u, np.array([decay]), k / decay, pairs=True)[0]
    wanted = np.log(retract / approach)
    assert_allclose(found, wanted, atol=2e-4)
    alone = _transient(u, np.array([decay]), k / decay, pairs=False)[0]
    assert_allclose(alone, np.log(retract) + decay * u, atol=2e-4)


@pytest.mark.parametrize("lag_s", [1e-3, 3e-3])
def test_a_lag_is_named_and_measured_and_no_longer_lowers_the_barrier(lag_s):
    """2κvτ of 0.09 and 0.26: the mean of both directions would read 1 and 4 % low."""
    fit = fit_barrier(ramps(lag_s=lag_s))
    table = fit.table
    slope = slopes_by_repeat(table)["decay_per_nm"].to_numpy(float)
    assert abs(barrier_from_decay(slope.mean() * 1e9) / 4.4 - 1) < 0.005
    assert_allclose(table["lag_ms"], lag_s * 1e3, rtol=0.06)
    assert abs(table["lag_ms"].iloc[0] - lag_s * 1e3) < 3 * table["lag_se_ms"].iloc[0] + 0.01 * lag_s * 1e3
    late = table["flags"].str.split(";").map(lambda flags: "lag" in flags)
    assert (late == (table["direction"] == "retract")).all()
    assert abs(pair_directions(table)[0]["drift_pm_per_s"].mean()) < 15


def test_the_words_of_a_lag_have_its_time_and_uncertainty_in_one_unit():
    """Before, 1.77 ms with an uncertainty of 0.10 ms read as 1.77 ± 100 µs."""
    fit = fit_barrier(ramps(lag_s=3e-3))
    words = next(row.detail for row in fit.flags.itertuples() if row.flag == "lag")
    value, error, unit = re.search(r"\(([\d.]+) ± ([\d.]+) (\w+)\)", words).groups()
    assert unit == "ms"
    assert_allclose([float(value), float(error)], fit.table.loc[0, ["lag_ms", "lag_se_ms"]].astype(float), rtol=0.05)


def test_a_drift_is_no_lag_and_a_lag_with_drift_gives_both():
    alone = fit_barrier(ramps(drift_m_per_s=3e-10)).table
    assert alone["lag_ms"].isna().all()
    both = fit_barrier(ramps(drift_m_per_s=3e-10, lag_s=3e-3)).table
    assert_allclose(both["lag_ms"], 3, rtol=0.12)
    assert_allclose(pair_directions(both)[0]["drift_pm_per_s"].mean(), 300, rtol=0.05)


def test_where_the_amplifier_is_slower_than_the_ramp_only_approach_is_used():
    fit = fit_barrier(ramps(lag_s=15e-3))
    table, retract = fit.table, fit.table["direction"] == "retract"
    assert not table.loc[retract, "used"].any()
    assert table.loc[~retract, "used"].all()
    assert abs(table.loc[~retract, "barrier_eV"].mean() / 4.4 - 1) < 0.01
    assert table.loc[retract, "barrier_eV"].mean() < 2  # what it would have said
    assert (fit.flags.loc[fit.flags["flag"] == "too much lag", "detail"].str.contains("ms")).all()


def test_one_direction_alone_shows_a_lag_but_cannot_prove_it():
    fit = fit_barrier(ramps(directions=("retract",), lag_s=2e-3))
    assert abs(fit.table["barrier_eV"].mean() / 4.4 - 1) < 0.01
    detail = fit.flags.loc[fit.flags["flag"] == "lag", "detail"]
    assert len(detail) == 12
    assert detail.str.contains("one direction only").all()


@pytest.mark.parametrize("slope", [0.0, 1.0])
@pytest.mark.parametrize("directions", [BOTH, BOTH[:1]])
@pytest.mark.parametrize("sweeps", [1, 3, 12])
@repeated(4, 40)
def test_noise_white_or_slow_is_no_lag(directions, sweeps, slope, repeats):
    for seed in range(repeats):
        made = ramps(directions=directions, sweeps=sweeps, seed=seed, gap_noise=0.03, gap_noise_slope=slope)
        assert fit_barrier(made).table["lag_ms"].isna().all()


def test_a_lag_is_told_without_a_duration_in_length_only():
    made = ramps(lag_s=3e-3)
    table = fit_barrier(made.select(np.arange(len(made)))).table
    table_without = fit_barrier(type(made)("iz", made.axis, made.current, made.table.assign(duration_s=np.nan))).table
    assert_allclose(table_without["lag_nm"], table["lag_nm"])
    assert table_without["lag_ms"].isna().all()


def two_ways(retract, approach, *, sweeps=32, gap=0.01, seed=0):
    """Sweeps of φ = 4.4 eV over heights that the scanner really takes, one function a direction."""
    rng = np.random.default_rng(seed)
    z = np.linspace(0, 0.4e-9, 150)
    rows = []
    for true in (retract(z), approach(z)):
        clean = 1e-9 * np.exp(-decay_from_barrier(4.4) * true)
        shape = (sweeps, z.size)
        rows.append(clean * (1 + gap * rng.standard_normal(shape)) + 1e-12 * rng.standard_normal(shape))
    names = [f"{i}_{d}" for i in range(sweeps) for d in BOTH]
    table = sweep_table(names, direction=list(BOTH) * sweeps, repeat=np.repeat(np.arange(sweeps) + 1.0, 2), tip="t",
                        site="1", bias_V=0.1, duration_s=0.1)  # fmt: skip
    return SweepSet("iz", z, np.stack(rows, axis=1).reshape(-1, z.size), table)


@pytest.mark.parametrize("share", [0.02, 0.05, 0.1, -0.1])
@pytest.mark.parametrize("gap", [0.0, 0.01])
def test_hysteresis_of_the_scanner_is_no_lag_and_the_mean_of_the_directions_is_free_of_it(share, gap):
    """A loop of 2 to 10 % of the range, bent one way up and the other way down (common practice, no source)."""

    def loop(sign):
        return lambda z: z + sign * share * z * (z - z[-1]) / z[-1]

    table = fit_barrier(two_ways(loop(1), loop(-1), gap=gap)).table
    assert table["lag_ms"].isna().all()
    assert table["used"].all()
    slope = slopes_by_repeat(table)["decay_per_nm"].mean()
    assert abs(barrier_from_decay(slope * 1e9) / 4.4 - 1) < 0.006


def test_a_lag_shorter_than_a_sample_is_not_told_and_does_no_harm():
    table = fit_barrier(ramps(sweeps=32, lag_s=2e-4)).table  # a sample takes 0.67 ms
    slope = slopes_by_repeat(table)["decay_per_nm"].mean()
    assert abs(barrier_from_decay(slope * 1e9) / 4.4 - 1) < 0.004


def test_a_jump_that_the_amplifier_blurred_leaves_the_sweep_out():
    made = simulate_iz(
        barrier_eV=4.4,
        height=(0, 0.4e-9, 150),
        sweeps=20,
        seed=2,
        bench=Bench(white_A=1e-12, gap_noise=0.01, lag_s=3e-3, jump_factor=1.5),
        tip="t",
        site="1",
        ramp=HeightRamp(duration_s=0.1, directions=BOTH, jumps={"iz_003_retract": 0.3}),
    )
    table = fit_barrier(made.sweeps).table.set_index("sweep")
    assert not table.loc["iz_003_retract", "used"]  # it would read 2.6 eV
    assert table["used"].sum() == 39
