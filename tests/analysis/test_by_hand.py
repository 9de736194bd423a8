"""What decisions move is told from what was measured: decays of I(z), levels of I(V), places and repeats."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

import sts
import sts.simulate
from sts.analysis.by_hand import values_of
from sts.curves.replicates import with_replicates


def invented() -> tuple[list[sts.SweepSet], list[sts.BarrierFit]]:
    quiet = sts.simulate.Bench(white_A=1e-13)
    ramp = sts.simulate.HeightRamp(directions=("retract", "approach"))
    heights = sts.simulate_iz(barrier_eV=4.0, sweeps=3, bench=quiet, seed=1, tip="heron", ramp=ramp).sweeps
    spectra = sts.simulate_iv(sweeps=2, bench=quiet, seed=2, tip="heron").sweeps
    spectra = replace(spectra, current=spectra.current * np.array([1, 1, 2, 2])[:, None])
    sets = [part.with_table(part.table.assign(unassigned="")) for part in (heights, spectra)]
    sets = with_replicates(sets)
    return sets, [sts.fit_barrier(sets[0])]


def test_one_row_per_sweep_with_its_decay_or_level_and_which_are_one_repeat() -> None:
    sets, fits = invented()
    found = values_of(sets, fits)
    assert found["sweep"].tolist() == [*sets[0].names, *sets[1].names]
    np.testing.assert_array_equal(found["value"][:6], fits[0].fits.decay)
    levels = found["value"][6:].to_numpy()
    np.testing.assert_allclose(levels[2:] - levels[:2], np.log(2), rtol=0.01)
    assert found.groupby("kind")["place"].nunique().to_dict() == {"iz": 1, "iv": 1}
    assert found["place"].nunique() == 2
    assert found.groupby(["kind", "replicate"]).size().tolist() == [2] * 5


def test_an_analysis_tells_what_decisions_did(tmp_path: Path) -> None:
    sets, _ = invented()
    session = sts.Session.create(tmp_path / "s.h5")
    plain = [part.with_table(part.table.drop(columns=["unassigned", "replicate"])) for part in sets]
    session.add([sts.loaders.LoadedFile("a.npz", b"a", "npy", "", tuple(plain))])
    assert sts.analyse(session.path).by_hand.sentence == ""
    session.mark([sets[0].names[0]], "omit", "touch")
    session.mark([sets[0].names[1]], "keep", "fine")  # as by rule: changes nothing
    found = sts.analyse(session.path).by_hand
    assert found.sweeps["sweep"].tolist() == [sets[0].names[0]]
    assert found.sentence.startswith("By hand: 1 sweep left out that the rules would use.")
    assert np.isfinite(found.tips[["by_rule_eV", "barrier_eV"]].to_numpy()).all()


def test_leaving_out_the_lowest_spectra_is_cautioned_against_and_leaving_out_others_is_not(tmp_path: Path) -> None:
    made = sts.simulate_iv(sweeps=12, bench=sts.simulate.Bench(white_A=1e-12), seed=4).sweeps
    level = 1 + 0.1 * np.random.default_rng(4).normal(size=made.current.shape[0])
    np.savez(tmp_path / "layer.npz", bias_V=made.axis, current_A=made.current * level[:, None])
    path = tmp_path / "s.h5"
    sts.import_files([tmp_path / "layer.npz"], path, values={"tip": "heron", "sample": "gold"})
    session, measured = sts.Session.open(path), sts.measure(path)
    names = measured.sets[0].names
    order = np.argsort(level)
    half = len(names) // 2
    said = {}
    for what, chosen in (("lowest", order[:half]), ("mixed", order[1::4])):
        session.mark([names[at] for at in chosen], "omit", what)
        said[what] = " ".join(measured.summarise(session.decisions()).by_hand.cautions)
        session.mark([names[at] for at in chosen], "undo")
    assert "move its dI/dV out of its band by rule" in said["lowest"]
    assert "band by rule" not in said["mixed"]
