"""Barrier heights: exact on noise-free data, right on average and honest on noisy data, and never silent."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from barrier.examples import RANGE, VACUUM, a_set
from numpy.testing import assert_allclose

from sts.barrier import fit_barrier
from sts.barrier.sweep_fits import Fits
from sts.quantities import barrier_from_decay
from sts.simulate import Bench, planar_current_density, simulate_iz
from sts.sweeps import SweepSet, sweep_table


@pytest.mark.parametrize("barrier", [0.1, 0.3, 1.0, 2.5, 4.0, 5.5, 8.0])
@pytest.mark.parametrize("current", [1e-14, 1e-9, 1e-6])
@pytest.mark.parametrize("offset", [0.0, 0.05])
def test_a_noise_free_exponential_returns_its_barrier(barrier, current, offset):
    """φ = (ħ²/8m)(d ln I/dz)²: closed form, any scale of current, offset free."""
    z = np.linspace(0, 3 * 2.3 / np.sqrt(barrier) * 1e-10, 120)
    decay = np.sqrt(barrier / barrier_from_decay(1.0))
    fit = fit_barrier(a_set(z, current * (np.exp(-decay * z) + offset)))
    assert_allclose(fit.table["barrier_eV"], barrier, rtol=1e-8)


# barrier_measurements.csv / constants.csv (computed, formula C2): slope of ln I per nm -> φ [eV].
@pytest.mark.parametrize(("decay_per_nm", "barrier"), [(10.2463344463, 1.0), (20.4926688926, 4.0), (22.9115, 5.0)])
def test_the_slope_of_the_logarithm_gives_the_tabulated_barrier(decay_per_nm, barrier):
    z = np.sort(np.random.default_rng(3).uniform(0, 0.4e-9, 90))  # any spacing
    fit = fit_barrier(a_set(z, 1e-9 * np.exp(-decay_per_nm * 1e9 * z)))
    assert_allclose(fit.table["decay_per_nm"], decay_per_nm, rtol=1e-8)
    assert_allclose(fit.table["barrier_eV"], barrier, rtol=1e-4)


def test_planar_junctions_do_not_give_their_barrier_back():
    """Physics, not a fault: 4.62 eV for 4.00 eV at 0.7 nm (shared reference notes, formula J4, computed)."""
    z = np.linspace(-2e-12, 2e-12, 41)
    current = planar_current_density(0.001, 0.7e-9 + z, 4.0)
    slope = -np.polyfit(z, np.log(current), 1)[0]  # numpy's own straight line over a small range
    assert_allclose(barrier_from_decay(slope), 4.62, atol=0.01)


def test_the_fit_is_right_on_average_and_its_intervals_hold(many):
    table = many.table
    assert abs(table["barrier_eV"].median() / 4.4 - 1) < 0.005
    inside = (table["barrier_low_eV"] < 4.4) & (table["barrier_high_eV"] > 4.4)
    assert 0.92 < inside.mean() < 0.975  # 95 % of 600: standard deviation 0.9 %
    assert_allclose(table["barrier_eV"].std(), table["barrier_se_eV"].mean(), rtol=0.1)


def test_the_spread_reaches_the_limit_of_cramer_and_rao(many):
    """Information of the known noise in A, decay and offset: no unbiased estimate scatters less (closed form)."""
    z = np.linspace(*RANGE)
    decay = np.sqrt(4.4 / barrier_from_decay(1.0))
    signal = 1e-9 * np.exp(-decay * z)
    jacobian = np.stack([signal, -z * signal, np.ones_like(z)], axis=1)
    weight = 1 / (1e-12**2 + (0.01 * signal) ** 2)
    limit = np.sqrt(np.linalg.inv(jacobian.T @ (weight[:, None] * jacobian))[1, 1])
    assert many.table["decay_per_nm"].std() * 1e9 < 1.15 * limit


def test_the_plain_log_fit_stands_beside_and_is_wrong():
    """A positive offset of 1 % lowers a log fit over three decades by half (closed form; here 10 pA on 1 nA)."""
    bench = Bench(white_A=1e-12, gap_noise=0.01, current_offset_A=1e-11)
    table = fit_barrier(simulate_iz(barrier_eV=4.4, height=RANGE, sweeps=50, bench=bench, seed=1, tip="t").sweeps).table
    assert table["barrier_log_eV"].median() < 0.6 * 4.4
    assert abs(table["barrier_eV"].median() / 4.4 - 1) < 0.01


def test_an_iv_set_is_refused():
    iv = SweepSet("iv", np.linspace(-1, 1, 5), np.ones((1, 5)), sweep_table(["a"]))
    with pytest.raises(ValueError, match=r"these are I\(V\) sweeps"):
        fit_barrier(iv)


def test_a_fit_says_what_the_rules_leave_out():
    made = simulate_iz(barrier_eV=4.4, height=RANGE, sweeps=6, bench=VACUUM, seed=4, tip="t").sweeps
    current = made.current.copy()
    current[0, 50:] *= 2
    sweeps = SweepSet("iz", made.axis, current, made.table)
    assert list(fit_barrier(sweeps).table["used"]) == [False] + [True] * 5


@pytest.mark.parametrize("gain", [1e-5, 50.0])
def test_the_gain_of_the_amplifier_does_not_matter(gain):
    made = simulate_iz(barrier_eV=4.4, height=RANGE, sweeps=5, bench=VACUUM, seed=8, tip="t").sweeps
    scaled = SweepSet("iz", made.axis, made.current * gain, made.table)
    assert_allclose(fit_barrier(scaled).table["barrier_eV"], fit_barrier(made).table["barrier_eV"], rtol=1e-6)


def test_a_height_scale_enters_with_its_square():
    made = simulate_iz(barrier_eV=4.4, height=RANGE, sweeps=5, bench=VACUUM, seed=8, tip="t").sweeps
    scaled = replace(made, axis=made.axis / 1.05)
    ratio = fit_barrier(scaled).table["barrier_eV"] / fit_barrier(made).table["barrier_eV"]
    assert_allclose(ratio, 1.1025, rtol=1e-6)  # 5 % in height: 10.25 % in φ


def test_the_order_of_the_sweeps_does_not_matter():
    made = simulate_iz(barrier_eV=4.4, height=RANGE, sweeps=8, bench=VACUUM, seed=8, tip="t").sweeps
    turned = fit_barrier(made.select(np.arange(8)[::-1])).table["barrier_eV"].to_numpy()
    assert_allclose(turned[::-1], fit_barrier(made).table["barrier_eV"], rtol=1e-9)


# --- against numbers from outside --------------------------------------------------------------------------------------


def barrier_of(decay_per_A):
    z = np.linspace(0, 6.9 / decay_per_A, 100) * 1e-10  # three decades
    current = 1e-9 * np.exp(-decay_per_A * 1e10 * z)
    return fit_barrier(SweepSet("iz", z, current[None], sweep_table(["s"]))).table["barrier_eV"][0]


# barrier_measurements.csv: what was measured as a decay, and the barrier it stands for (formula C1, computed there).
@pytest.mark.parametrize(
    ("decay_per_A", "barrier", "digits"),
    [
        (0.998689146364, 0.95, 1e-9),  # song_slope: Song, Jang, Lee, Bull. Korean Chem. Soc. 23, 71 (2002), in air
        (2 * 0.92, 3.22476885872, 1e-9),  # vaught_phi_a: kappa = 0.92 per A taken as that of the wave function
        (0.92, 0.806192214681, 1e-9),  # vaught_phi_b: as that of the current; Chem. Phys. Lett. 236, 306 (1995)
        (2 * 1.00, 3.80998211097, 1e-9),  # libre_phi: OpenStax University Physics III, beta = 10.0 per nm
        (np.log(1e4) / 4, 5.05003423878, 1e-9),  # q04_a: 0.4 nm changes the current by 1e4
        (np.log(1e5) / 12, 0.876742055343, 1e-9),  # teague_phi: five decades over 12 A, J. Res. NBS 91, 171 (1986)
        (1.02463344463, 1.0, 1e-9),  # phi_1_2kappa of constants.csv (formula C2)
        (2.04926688926, 4.0, 1e-9),
        (2.17357577079, 4.5, 1e-9),
    ],
)
def test_published_decays_give_the_published_barriers(decay_per_A, barrier, digits):
    assert_allclose(barrier_of(decay_per_A), barrier, rtol=digits)


@pytest.mark.parametrize(
    ("barrier", "gap_A", "bias", "apparent"),
    [(4.0, 5, 0.01, 4.89351589628), (4.0, 7, 0.01, 4.61602219531), (4.0, 10, 0.01, 4.41895632648),
     (1.0, 15, 0.01, 1.14277516758), (4.5, 6, 0.1, 5.26787481469)],
)  # fmt: skip
def test_a_planar_junction_does_not_give_its_barrier_back(barrier, gap_A, bias, apparent):
    """barrier_measurements.csv, planar_*: the local slope (formula J3, band 10 eV deep). Physics, not a fault."""
    z = np.linspace(-2e-12, 2e-12, 41)
    current = planar_current_density(bias, gap_A * 1e-10 + z, barrier)
    slope = -np.polyfit(z, np.log(current), 1)[0]
    assert_allclose(barrier_from_decay(slope), apparent, rtol=5e-3)  # formula J4 has a deep band
    assert abs(apparent / barrier - 1) > 0.09


def test_no_interval_is_empty_without_a_word(monkeypatch):
    """Whatever makes an uncertainty no number: the sweep keeps its barrier, has no interval, and says so."""
    made = simulate_iz(barrier_eV=4.4, height=RANGE, sweeps=4, bench=VACUUM, seed=2, tip="t").sweeps
    whole = Fits.reach

    def reach(self, confidence):
        return np.where(np.arange(4) == 2, np.nan, whole(self, confidence))

    monkeypatch.setattr(Fits, "reach", reach)
    table = fit_barrier(made).table
    assert table["flags"].tolist() == ["", "", "no interval", ""]
    assert np.isfinite(table["barrier_eV"]).all()
    assert np.isnan(table[["barrier_se_eV", "barrier_low_eV", "barrier_high_eV"]]).all(axis=1).tolist() == [0, 0, 1, 0]
