"""Several afternoons in one session: their sites stay apart, and each is fitted with its own calibration and zero of current."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from session.examples import file_of

import sts
from sts.quantities import decay_from_barrier
from sts.session import Session, merge
from sts.sweeps import SweepSet, sweep_table

Z = np.linspace(0, 6e-10, 40)
DAYS = ("monday", "tuesday", "wednesday")


def afternoon(folder: Path, number: int, *, scale: float = 1.0, zero: float = 0.0) -> Path:
    """A tip at five sites with two sweeps each, at 4 eV on true heights; `scale` is true over nominal height."""
    names = [f"w{number}_{site}_{repeat}" for site in range(5) for repeat in (1, 2)]
    table = sweep_table(
        names, tip="heron", site=[name[-3] for name in names], direction="retract", repeat=[int(n[-1]) for n in names]
    )
    decay = decay_from_barrier(4.0)
    noise = np.random.default_rng(number).normal(0, 1e-12, (len(names), Z.size))
    current = 1e-9 * np.exp(-decay * scale * Z) + noise + zero
    path = folder / f"{DAYS[number]}.h5"
    Session.create(path).add([file_of(10 + number, SweepSet("iz", Z, current, table), name=f"day{number}.csv")])
    return path


def test_three_afternoons_merged_are_fifteen_sites(tmp_path: Path) -> None:
    parts = [afternoon(tmp_path, number) for number in range(3)]
    merge(tmp_path / "all.h5", *parts, create=True)
    barrier = sts.analyse(tmp_path / "all.h5").barrier
    assert barrier is not None
    assert barrier.tips["sites"].tolist() == [15]
    assert barrier.sites.groupby("day", sort=False)["site"].size().to_dict() == dict.fromkeys(DAYS, 5)
    assert set(sts.judge(tmp_path / "all.h5")["day"]) == set(DAYS)
    alone = sts.analyse(parts[0]).barrier
    assert alone is not None
    assert set(alone.sites["day"]) == {""}
    assert barrier.sites["barrier_eV"][:5].tolist() == pytest.approx(alone.sites["barrier_eV"].tolist(), rel=1e-12)


def test_each_day_has_its_own_calibration_and_zero_of_the_current(tmp_path: Path) -> None:
    parts = [afternoon(tmp_path, 0, scale=1.1), afternoon(tmp_path, 1, zero=3e-12), afternoon(tmp_path, 2, scale=0.9)]
    for part, factor in zip(parts, (1.1, None, 0.9), strict=True):
        if factor:
            Session(part).add_calibration("height", factor=factor, factor_se=0.01, measured=0, known=0, source="step")
    merge(tmp_path / "all.h5", *parts, create=True)
    barrier = sts.analyse(tmp_path / "all.h5").barrier
    assert barrier is not None
    assert barrier.sites["barrier_eV"].to_numpy() == pytest.approx(np.full(15, 4.0), rel=0.02)
    offsets = barrier.sweeps.groupby("day")["offset_pA"].mean()
    assert offsets["tuesday"] == pytest.approx(3.0, abs=0.5)
    assert offsets["monday"] == pytest.approx(0.0, abs=0.5)
