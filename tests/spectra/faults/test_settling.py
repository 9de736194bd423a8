"""Sweeps with start transients: masked, flagged with size, time, end and share, and averaged to what a settled bench shows."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from spectra.faults.test_start_transient import pairs

from sts.flags import flag_rows, join_flags
from sts.plan import CheckPlan
from sts.simulate import Bench, simulate_iv
from sts.spectra import average_spectrum, judge_iv
from sts.spectra.faults.settling import _anew, settled_and_judged, settling_samples


def test_a_sweep_that_jumps_is_neither_searched_nor_compared_with():
    sweeps = pairs(6)
    sweeps.current[0, 100:] *= 2
    judged = judge_iv(sweeps)
    parts, flags = settled_and_judged([sweeps], [judged], CheckPlan())
    assert parts[0] is sweeps
    assert flags[0] is judged


def test_the_flag_names_size_time_end_and_share():
    sweeps = pairs(7, 6e-11)
    parts, flags = settled_and_judged([sweeps], [judge_iv(sweeps)], CheckPlan())
    rows = flags[0][flags[0]["flag"] == "settling"].set_index("sweep")["detail"]
    assert len(rows) == 8
    assert re.search(r" pA at -1000 mV, relaxing with \d\d ms;", rows["iv_001_up"])
    assert " pA at 1000 mV, " in rows["iv_001_down"]
    assert "% of the sweep; against the other direction" in rows["iv_001_up"]
    hidden = np.isnan(parts[0].current)
    assert hidden[0, 0]
    assert not hidden[0, -1]
    assert hidden[1, -1]
    assert not hidden[1, 0]
    assert np.array_equal(parts[0].current[~hidden], sweeps.current[~hidden])
    unknown = sweeps.with_table(sweeps.table.assign(duration_s=np.nan))
    detail = settled_and_judged([unknown], [judge_iv(unknown)], CheckPlan())[1][0]["detail"].iloc[0]
    assert "relaxing with" in detail
    assert "samples; masked" in detail


def test_the_mean_of_what_is_left_is_that_of_a_settled_bench():
    """Displacement current and a transient of 60 pA: within 4 standard errors of the same sweeps without it, everywhere."""
    faults = {"count": 10, "capacitance_F": 2e-12}
    sweeps, clean = pairs(8, 6e-11, **faults), pairs(8, **faults)
    parts, flags = settled_and_judged([sweeps], [judge_iv(sweeps)], CheckPlan())
    made, truth = average_spectrum(parts[0], flags=flags[0]), average_spectrum(clean)
    before = average_spectrum(sweeps)
    assert np.isfinite(made.current).all()
    off = np.abs(made.current - truth.current) / truth.current_se
    assert np.median(off) < 1
    assert np.abs(before.current - truth.current)[:10].mean() > 4 * np.abs(made.current - truth.current)[:10].mean()


def test_a_transient_called_a_jump_is_found_all_the_same():
    """Where it is so steep that it looks like a step near the start; a step later on stays a jump."""
    for share in (0.1, 0.9):
        sweeps = pairs(9, 6e-11)
        name, at = sweeps.names[2], int(share * (sweeps.axis.size - 1))
        if share > 0.5:
            sweeps.current[2, at:] *= 2
        place = sweeps.axis[at]
        said = flag_rows([name], [True], "jump", "a step", place=(place, place, np.nan))
        flags = settled_and_judged([sweeps], [join_flags([judge_iv(sweeps), said])], CheckPlan())[1][0]
        assert (name in set(flags.loc[flags["flag"] == "settling", "sweep"])) is (share < 0.5)
        assert (name in set(flags.loc[flags["flag"] == "jump", "sweep"])) is (share > 0.5)


def test_a_transient_beside_a_gap_is_no_jump():
    """Against their median all sweeps step at the gap's far edge: the level before it is the transient's. None steps by itself."""
    sweeps = pairs(1, -2.5e-10, density="one-sided gap", gap_noise=0.03, gap_noise_slope=1.0)
    judged = judge_iv(sweeps)
    assert not (judged["flag"] == "jump").any()
    flags = settled_and_judged([sweeps], [judged], CheckPlan())[1][0]
    assert (flags["flag"] == "settling").sum() == 8
    assert not (flags["flag"] == "jump").any()


@pytest.mark.parametrize("share", [0.1, 0.25, 0.4])
def test_a_jump_soon_after_the_start_stays_one(share: float):
    """Of a settled bench: an exponential follows a step as well, though not as well as a step does."""
    for seed in range(4):
        sweeps = pairs(seed)
        sweeps.current[0, int(share * sweeps.axis.size) :] *= 1.4
        flags = settled_and_judged([sweeps], [judge_iv(sweeps)], CheckPlan())[1][0]
        assert set(flags.loc[flags["flag"] == "jump", "sweep"]) == {sweeps.names[0]}
        assert not (flags["flag"] == "settling").any()


def test_only_what_settles_is_filled_later():
    sweeps = pairs(7, 6e-11)
    sweeps.current[0, 100] = np.nan
    parts, flags = settled_and_judged([sweeps], [judge_iv(sweeps)], CheckPlan())
    found = settling_samples(parts[0], flags[0])
    assert found[0, 0]
    assert not found[0, 100]
    assert (found.sum(axis=1) > 5).all()


@pytest.mark.parametrize("seed", range(2))
def test_judging_anew_what_changed_says_what_judging_all_anew_says(seed):
    """Sites of 1 to 9 repeats, so that some borrow from others; faults in sweeps and in what they are compared with."""
    rng = np.random.default_rng(seed)
    counts = rng.integers(1, 10, 8)
    made = simulate_iv(
        bias=(-1.0, 1.0, 81), temperature_K=77.0, sweeps=int(counts.sum()), seed=rng,
        bench=Bench(white_A=2e-12, setpoint_scatter=0.05, jump_factor=1.6, jump_share=0.1),
    ).sweeps  # fmt: skip
    site = np.repeat(np.arange(8), 2 * counts)
    whole = made.with_table(made.table.assign(tip=(site // 3).astype(str), site=site.astype(str)))
    before = judge_iv(whole)
    changed = np.sort(rng.choice(len(whole), 3, replace=False))
    current = whole.current.copy()
    current[changed] *= rng.uniform(0.5, 2.0, (3, 1))
    current[changed[0], :40] *= 1.7
    now = replace(whole, current=current)

    def rows(flags):
        return sorted(flags[["sweep", "flag", "detail"]].itertuples(index=False, name=None))

    assert rows(_anew(now, before, changed.tolist(), CheckPlan())) == rows(judge_iv(now))
    assert rows(before) != rows(judge_iv(now))
