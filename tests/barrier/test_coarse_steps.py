"""Converters whose steps are larger than the noise: intervals, noise, offsets and flags on simulated sweeps."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sts.barrier import fit_barrier, slopes_by_repeat
from sts.barrier.batch import fit_batches, fit_prepared, prepare
from sts.barrier.coarse_steps import find_rounded, group_steps
from sts.barrier.masks import find_masks
from sts.barrier.one_sweep import profile_sweep
from sts.barrier.pooled_noise import find_noise, noise_groups
from sts.plan import BarrierPlan, Plan
from sts.quantities import decay_from_barrier
from sts.simulate import Bench, simulate_iz
from sts.sweeps import SweepSet

STRAIGHT = Plan(barrier=BarrierPlan(hysteresis_percent=0))  # one direction: a loop of the piezo would be allowed for
TRUE = float(decay_from_barrier(4.4)) * 1e-9


def coarse(step_A: float = 1e-11, *, seed: int = 3, points: int = 100, sweeps: int = 9, **bench: float) -> SweepSet:
    """Sweeps of one tip from 1 nA over 3.3 decades, noise 1 pA and 1 %, in these steps."""
    made = simulate_iz(
        barrier_eV=4.4, height=(0.0, 0.36e-9, points), sweeps=sweeps, seed=seed, tip="t",
        site=[str(k // 3) for k in range(sweeps)],
        bench=Bench(white_A=1e-12, gap_noise=0.01, converter_step_A=step_A, **bench),
    )  # fmt: skip
    return made.sweeps


@cache
def fitted(step_A: float = 1e-11, seed: int = 3):
    return fit_barrier(coarse(step_A, seed=seed), STRAIGHT)


def rounded(sweeps: SweepSet):
    masks, group = find_masks(sweeps, BarrierPlan()), noise_groups(sweeps)
    return find_rounded(sweeps, masks, find_noise(sweeps, masks, group))


def errors(table, tip: float = TRUE):
    return (table["decay_per_nm"].to_numpy(float) - tip) / table["decay_se_per_nm"].to_numpy(float)


@pytest.mark.parametrize("step_pA", [10, 50])
def test_the_decay_is_right_within_its_uncertainty_and_no_step_is_called_a_jump(step_pA: int):
    """Read as currents, the errors had a root mean square of 1.6 and 3 times their uncertainty, 14 and 60 % jumped."""
    z = []
    for seed in (3, 4):
        fit = fitted(step_pA * 1e-12, seed)
        assert set(fit.flags["flag"]) == {"coarse steps"}
        assert fit.table["used"].all()
        z.append(errors(fit.table))
    assert 0.6 < np.sqrt(np.mean(np.square(z))) < 1.4  # 18 values
    assert abs(np.mean(z)) < 0.7


def test_readings_that_were_cut_off_instead_of_rounded_give_the_same_barrier():
    """A converter that truncates moves the zero by half a step, which the offset takes up."""
    made, one = coarse(), fitted()
    other = fit_barrier(replace(made, current=made.current - 5e-12), STRAIGHT)
    assert_allclose(other.table["decay_per_nm"], one.table["decay_per_nm"], rtol=1e-6)
    assert_allclose(one.offset - other.offset, 5e-12, rtol=1e-3)


def test_the_noise_before_the_converter_is_found():
    """1 pA and 1 %, seen through steps of 6 pA; taken for currents the readings scatter by 2 pA at the far end."""
    made = coarse(6e-12)
    ready = prepare(made, BarrierPlan())
    noise = ready.noise.pooled
    assert_allclose(noise.electronics * 1e12, 1.0, rtol=0.2)
    assert_allclose(noise.gap, 0.01, rtol=0.2)
    assert 0.2 * 9 * 97 < ready.rounded.dof[0] < 0.8 * 9 * 97  # fewer than without steps


def test_filled_sweeps_lie_within_half_a_step_of_their_readings_which_the_result_shows():
    made = coarse()
    ready = prepare(made, BarrierPlan())
    away = np.abs(ready.sweeps.current - made.current)
    assert 4e-12 < away.max() <= 5.0001e-12
    assert np.array_equal(ready.measured, made.current)
    fit = fitted()
    assert np.array_equal(fit.current, made.current)
    assert np.array_equal(
        fit_barrier(made, STRAIGHT).table["decay_per_nm"], fit.table["decay_per_nm"]
    )  # the same each time


@pytest.mark.parametrize("step_A", [0.0, 5e-13, 1.5e-12])
def test_steps_that_the_noise_dithers_are_left_as_they_are(step_A: float):
    assert rounded(coarse(step_A)) is None


def test_each_tip_has_its_own_step():
    made = coarse()
    fine = coarse(0.0, seed=9)
    table = made.table.copy()
    table["tip"] = ["a"] * 5 + ["b"] * 4
    mixed = SweepSet("iz", made.axis, np.concatenate([made.current[:5], fine.current[5:]]), table)
    found = rounded(mixed)
    assert found.rows.tolist() == list(range(5))
    fit = fit_barrier(mixed, STRAIGHT)
    alone = fit_barrier(SweepSet("iz", made.axis, fine.current[5:], table.iloc[5:].reset_index(drop=True)), STRAIGHT)
    assert (fit.table["flags"].str.contains("coarse steps")).tolist() == [True] * 5 + [False] * 4
    assert_allclose(fit.table["decay_per_nm"][5:], alone.table["decay_per_nm"], rtol=5e-3)


def test_sweeps_of_few_points_show_their_step_together():
    made = coarse(points=8)
    masks = find_masks(made, BarrierPlan())
    assert_allclose(group_steps(made, masks, noise_groups(made)), 1e-11, rtol=1e-3)
    assert np.isnan(group_steps(coarse(0.0, points=8), masks, noise_groups(made))).all()


def test_digits_of_a_file_are_steps_too():
    """Written in nA with two decimals: steps of 10 pA."""
    made = coarse(0.0)
    written = replace(made, current=np.array([[float(f"{i * 1e9:.2f}") * 1e-9 for i in row] for row in made.current]))
    fit = fit_barrier(written, STRAIGHT)
    assert set(fit.flags["flag"]) == {"coarse steps"}
    assert fit.flags["detail"].str.contains("step 10 pA").all()
    assert np.sqrt(np.mean(errors(fit.table) ** 2)) < 1.5


def test_a_current_of_a_few_steps_has_no_barrier_and_says_why():
    """1 nA in steps of 250 pA: read as currents, 4.4 eV would be 3.2 ± 0.1."""
    fit = fit_barrier(coarse(2.5e-10), STRAIGHT)
    assert {"coarse steps", "steps too coarse"} <= set(fit.flags["flag"])
    assert fit.table[["barrier_eV", "barrier_low_eV", "barrier_high_eV", "decay_per_nm"]].isna().all().all()
    assert not fit.table["used"].any()
    text = fit.flags.loc[fit.flags["flag"] == "steps too coarse", "detail"].iloc[0]
    assert "steps of 250 pA" in text
    assert slopes_by_repeat(fit.table).empty


def test_what_repeats_share_is_no_smaller_at_a_site():
    """Without any noise all repeats are read alike: their mean is no better than one of them."""
    made = coarse(5e-11, points=30)
    same = replace(made, current=np.tile(made.current[:1], (len(made), 1)))
    fit = fit_barrier(same, STRAIGHT)
    assert np.all(fit.table["decay_rounding_per_nm"] > 0.4 * fit.table["decay_se_per_nm"])
    assert np.all(fitted(0.0).table["decay_rounding_per_nm"] == 0)
    repeats = slopes_by_repeat(fit.table)
    assert np.all(repeats["decay_common_per_nm"] >= 0.99 * fit.table["decay_rounding_per_nm"].min())


def test_jumps_are_still_found():
    """By half, in a sixth of the sweeps."""
    made = coarse(sweeps=12)
    current = made.current.copy()
    current[:2, 27:] = 1e-11 * np.round(1.5 * current[:2, 27:] / 1e-11)
    fit = fit_barrier(replace(made, current=current), STRAIGHT)
    assert (fit.table["flags"].str.contains("jump")).tolist() == [True] * 2 + [False] * 10


def test_an_offset_that_is_known_is_used():
    """Over one decade the zero of the current takes the slope with it; stated, it does not."""
    made = simulate_iz(
        barrier_eV=0.7, height=(0.0, 0.2e-9, 80), sweeps=9, seed=5, tip="t", site="1",
        bench=Bench(white_A=3e-12, gap_noise=0.03, converter_step_A=1.8e-11),
    ).sweeps  # fmt: skip

    said = BarrierPlan(offset_pA=0.0, offset_se_pA=0.5, hysteresis_percent=0)
    alone, known = fit_prepared(prepare(made, said), said).fits, fit_batches([made], said)[0].fits
    assert np.median(known.decay_se) < 0.7 * np.median(alone.decay_se)
    assert np.all(known.decay_common > 0)
    z = (known.decay - decay_from_barrier(0.7)) / known.decay_se
    assert 0.5 < np.sqrt(np.mean(z**2)) < 1.6  # 9 values
    assert np.all(np.abs(known.offset) < 3 * known.offset_se)


def test_a_likelihood_that_takes_readings_for_currents_refuses_them():
    fit = fitted()
    with pytest.raises(ValueError, match="steps of the converter"):
        profile_sweep([fit], fit.table["sweep"][0])
