"""The barriers of the demo against its truth; corrections by model move nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from comparing.examples import make_repeats
from numpy.testing import assert_allclose

import sts
from sts.analysis.barriers import _unsteady_sites
from sts.comparing import site_level
from sts.plan import BarrierPlan, Plan
from sts.simulate import HeightRamp


def test_all_four_barriers_lie_within_their_intervals(analysis, truth):
    tips = analysis.barrier.tips.set_index("tip")
    assert set(tips.index) == set(truth["tips"])
    for tip, known in truth["tips"].items():
        assert tips.loc[tip, "barrier_low_eV"] < known["barrier_eV"] < tips.loc[tip, "barrier_high_eV"], tip


def test_model_corrections_stand_beside_the_apparent_barriers_and_move_nothing(analysis, session):
    """At the 50 mV of the demo's ramps a bias does next to nothing: A s V²/(24 √φ), 0.4 meV at 4.4 eV and 0.8 nm."""
    plan = Plan(barrier=BarrierPlan(correct=["bias"]))
    corrected = sts.analyse(session, plan, only="iz").barrier
    tips = corrected.tips
    assert_allclose(tips["barrier_eV"], analysis.barrier.tips["barrier_eV"])
    more = 10.2463 * 0.8 * 0.05**2 / (24 * np.sqrt(tips["barrier_eV"]))
    assert_allclose(tips["barrier_corrected_eV"] - tips["barrier_eV"], more, atol=2e-4)
    assert any("corrected for bias by model" in note for note in corrected.notes)


def test_a_site_whose_repeats_scatter_is_named_with_tip_and_size():
    """The standard deviation in the note is that of the repeats' barriers: φ goes with the square of the decay."""
    repeats = make_repeats({"a": 4.4}, sites=5, repeats=4, noise=0.1, seed=1)
    assert _unsteady_sites(site_level(repeats)) == []
    last = repeats["site"] == "a 4"
    repeats.loc[last, "decay_per_nm"] += [-6, 6, -6, 6]
    (note,) = _unsteady_sites(site_level(repeats))
    spread = sts.barrier_from_decay(repeats.loc[last, "decay_per_nm"].to_numpy() * 1e9).std(ddof=1)
    assert "Repeats of tip a at site a 4 scatter by" in note
    assert_allclose(float(note.split("scatter by ")[1].split()[0]), spread, rtol=0.06)  # two digits, and linearised


def test_a_bend_of_all_sweeps_is_told_of_its_tip_and_held_by_the_budget(tmp_path):
    """Slope 0.8 below 0.15 nm, in the sweeps of one tip of two; nothing else is told of the other."""
    bent = HeightRamp(directions=("retract", "approach"), bend=lambda z: 4e9 * np.minimum(z, 1.5e-10))
    ramps = {"bent": bent, "plain": HeightRamp(directions=("retract", "approach"))}
    bench = sts.simulate.Bench(white_A=1e-12, gap_noise=0.01)
    sets = [
        sts.simulate_iz(barrier_eV=4.4, height=(0, 0.36e-9, 150), sweeps=6, bench=bench, seed=3, ramp=replace(ramp, names=tip),
                        tip=tip, site=np.repeat([1, 2, 3], 4)).sweeps
        for tip, ramp in ramps.items()
    ]  # fmt: skip
    session = sts.Session.create(tmp_path / "s.h5")
    session.add([sts.loaders.LoadedFile("a.npz", b"a", "npy", "", tuple(sets))])
    found = sts.analyse(session.path).barrier
    (note,) = (note for note in found.notes if "share a bend" in note)
    assert note.startswith("Sweeps of tip bent share a bend: the mean of 12 sweeps falls with two slopes (at 0.1")
    shape = found.budget[found.budget["component"] == "shape"]
    assert list(shape["tip"]) == ["bent"]
    row = found.fits[0].bends.iloc[0]
    barrier = found.tips.set_index("tip").loc["bent", "barrier_eV"]
    assert_allclose(shape["size_eV"], max(abs(row["near_percent"]), abs(row["far_percent"])) / 100 * barrier)
