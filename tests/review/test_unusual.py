"""Distances from the site: known ones come back, and few of clean sweeps are far."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import sts
from sts.review.unusual import unusual_for_site
from sts.review.worklist import UNUSUAL


def measured_of(path: Path, sweeps: sts.SweepSet) -> sts.Measured:
    session = sts.Session.create(path)
    session.add([sts.loaders.LoadedFile("a.npz", b"x", "npy", "", (sweeps,))])
    return sts.measure(path)


@pytest.fixture(scope="module")
def ramps() -> sts.SweepSet:
    bench = sts.simulate.Bench(white_A=1e-12, gap_noise=0.01)
    made = sts.simulate_iz(
        barrier_eV=4.4, height=(0.0, 0.4e-9, 100), sweeps=60, bench=bench, seed=3, tip="heron"
    ).sweeps
    return made.with_table(made.table.assign(site=(np.arange(60) // 10).astype(str)))


def test_a_slope_that_is_off_stands_out_and_clean_ones_do_not(tmp_path: Path, ramps: sts.SweepSet) -> None:
    current = ramps.current.copy()
    current[17] *= np.exp(-1.5e9 * ramps.axis)  # 7 % in slope, where the others scatter by a tenth of that
    found = unusual_for_site(measured_of(tmp_path / "a.h5", replace(ramps, current=current)))
    assert found["sigmas"].idxmax() == 17
    assert found["sigmas"][17] > 2 * UNUSUAL
    assert (found["sigmas"].drop(17) > UNUSUAL).sum() == 0


def test_sites_may_differ_without_anything_being_unusual(tmp_path: Path, ramps: sts.SweepSet) -> None:
    current = ramps.current * np.exp(-1e9 * ramps.axis * (np.arange(60) // 10)[:, None])
    found = unusual_for_site(measured_of(tmp_path / "a.h5", replace(ramps, current=current)))
    assert found["sigmas"].max() < UNUSUAL


def test_level_and_shape_of_spectra_are_told_apart(tmp_path: Path) -> None:
    bench = sts.simulate.Bench(white_A=1e-12, setpoint_scatter=0.03)
    made = sts.simulate_iv(density="flat", bias=(-0.5, 0.5, 101), sweeps=10, bench=bench, seed=4).sweeps
    current = made.current.copy()
    up = np.flatnonzero(made.table["direction"] == "up")
    current[up[2]] *= 1.5
    current[up[5]] *= 1 + 0.4 * np.sin(20 * made.axis)
    found = unusual_for_site(measured_of(tmp_path / "a.h5", replace(made, current=current)))
    far = found[found["sigmas"] > UNUSUAL]
    assert dict(zip(far.index, far["respect"], strict=True)) == {up[2]: "level", up[5]: "shape"}


def test_of_two_sweeps_nothing_is_said(tmp_path: Path, ramps: sts.SweepSet) -> None:
    found = unusual_for_site(measured_of(tmp_path / "a.h5", ramps.select(np.arange(60) < 2)))
    assert found["sigmas"].isna().all()
