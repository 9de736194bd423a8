"""What bends ramps is told apart: a drifting offset, hysteresis, creep, a lag, the junction, a line of the mains."""

from __future__ import annotations

import numpy as np
import pytest
from barrier.examples import RANGE

from sts.barrier.causes import CREEP, HYSTERESIS, OFFSET_DRIFT, creep_share, find_cause, sides_of, try_cause
from sts.barrier.exponential import Samples
from sts.barrier.noise import Noise
from sts.quantities import decay_from_barrier
from sts.simulate import Bench, HeightRamp, simulate_iz

DECAY = float(decay_from_barrier(4.4))
ALL = (OFFSET_DRIFT, HYSTERESIS, CREEP)


def sides(directions=("retract", "approach"), bend=None, sweeps=9, seed=1, **bench):
    made = simulate_iz(
        barrier_eV=4.4, height=RANGE, sweeps=sweeps, bench=Bench(white_A=1e-12, gap_noise=0.01, **bench), seed=seed,
        ramp=HeightRamp(directions=directions, bend=bend),
    ).sweeps  # fmt: skip
    m, n = made.current.shape
    sign = np.where(made.table["direction"] == "retract", 1.0, -1.0)
    samples = Samples(np.linspace(0, 1, n), made.current, np.ones((m, n)))
    return sides_of(samples, sign, Noise(np.tile([1e-24, 0.0, 1e-4], (m, 1))))


@pytest.mark.parametrize(
    ("bench", "name", "size"),
    [
        ({"offset_drift_A": 2e-11}, "offset drift", 2e-11),
        ({"offset_drift_A": -5e-12}, "offset drift", -5e-12),
        ({"hysteresis": 0.05}, "hysteresis", 0.05),
        ({"hysteresis": -0.03}, "hysteresis", -0.03),
        ({"creep": 0.03}, "creep", 0.03),
    ],
)
def test_the_right_cause_is_found_with_its_size(bench, name, size):
    found = find_cause(sides(**bench), ALL)
    assert found.cause.name == name
    assert abs(found.size / size - 1) < 0.1
    assert abs(found.size - size) < 4 * found.se


@pytest.mark.parametrize(
    "bench",
    [{}, {"lag_s": 5e-3}, {"lag_s": 60e-3}, {"drift_m_per_s": 2e-11}, {"ripple_A": 2e-11, "ripple_period_s": 0.4 / 3}],
)
def test_noise_lag_drift_of_the_gap_and_mains_are_none_of_them(bench):
    assert find_cause(sides(**bench), ALL) is None
    assert find_cause(sides(sweeps=2, **bench), ALL) is None


def test_what_the_junction_bends_is_none_of_them():
    slower = lambda z: 0.25 * DECAY * np.minimum(z, 0.15e-9)  # noqa: E731
    assert find_cause(sides(bend=slower), ALL) is None
    assert find_cause(sides(bend=slower, directions=("retract",)), (OFFSET_DRIFT,)) is None


def test_one_direction_shows_an_offset_that_drifts_at_the_far_end():
    found = find_cause(sides(directions=("approach",), offset_drift_A=2e-11), (OFFSET_DRIFT,))
    assert found is not None
    assert abs(found.size - 2e-11) < 1e-12


def test_a_size_is_that_of_a_general_least_squares_fit():
    """scipy.optimize.curve_fit of one sweep with a line beside the exponential."""
    from scipy.optimize import curve_fit

    one = sides(directions=("retract",), sweeps=1, offset_drift_A=2e-11)
    u, current = one[0].samples.u, one[0].samples.current[0] * 1e9
    spread = np.sqrt(1e-6 + 1e-4 * np.exp(-2 * DECAY * 0.36e-9 * u))
    values = curve_fit(
        lambda u, a, k, o, d: a * np.exp(-k * u) + o + d * (u - 0.5), u, current, p0=(1, 7, 0, 0), sigma=spread
    )[0]
    assert abs(try_cause(OFFSET_DRIFT, one).size * 1e9 - values[3]) < 2e-4  # its weights follow the curve


def test_creep_goes_from_none_to_all_of_it_as_the_logarithm_of_time():
    assert creep_share(np.array([0.0, 1.0])).tolist() == [0.0, 1.0]
    late = creep_share(np.array([0.1, 0.2, 0.4]))
    assert (
        abs((late[2] - late[1]) / (late[1] - late[0]) - 1) < 0.06
    )  # equal steps for each doubling, long after its start
