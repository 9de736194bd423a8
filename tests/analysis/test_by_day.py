"""Several afternoons in one session: their sites stay apart, and each is fitted with its own calibration and zero of current."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from pandas.testing import assert_frame_equal
from session.examples import file_of

import sts
from sts.analysis import BarrierAnalysis
from sts.comparing.calibration import Calibration
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


@pytest.fixture(scope="module")
def merged(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[Path], Path, BarrierAnalysis]:
    """Three afternoons, the file that they were merged into, and its barriers."""
    folder = tmp_path_factory.mktemp("afternoons")
    parts = [afternoon(folder, number) for number in range(3)]
    merge(folder / "all.h5", *parts, create=True)
    barrier = sts.analyse(folder / "all.h5").barrier
    assert barrier is not None
    return parts, folder / "all.h5", barrier


def test_three_afternoons_merged_are_fifteen_sites(merged: tuple[list[Path], Path, BarrierAnalysis]) -> None:
    parts, path, barrier = merged
    assert barrier.tips["sites"].tolist() == [15]
    assert barrier.tips["days"].tolist() == [3]
    assert barrier.sites.groupby("day", sort=False)["site"].size().to_dict() == dict.fromkeys(DAYS, 5)
    assert set(Session(path).days().values()) == set(DAYS)
    alone = sts.analyse(parts[0]).barrier
    assert alone is not None
    assert set(alone.sites["day"]) == {""}
    assert barrier.sites["barrier_eV"][:5].tolist() == pytest.approx(alone.sites["barrier_eV"].tolist(), rel=1e-12)
    assert [sum("rest on one day" in note for note in one.notes) for one in (barrier, alone)] == [0, 1]
    assert any("taken to be of one bench" in note for note in barrier.notes)


def test_several_sessions_are_compared_without_a_merged_file_as_with_one(
    merged: tuple[list[Path], Path, BarrierAnalysis],
) -> None:
    parts, _, barrier = merged
    together = sts.analyse(parts, only="iz")
    assert together.barrier is not None
    assert_frame_equal(together.barrier.tips, barrier.tips)
    assert together.session == "monday.h5, tuesday.h5, wednesday.h5"


def test_each_day_has_its_own_calibration_and_zero_of_the_current(tmp_path: Path) -> None:
    parts = [afternoon(tmp_path, 0, scale=1.1), afternoon(tmp_path, 1, zero=3e-12), afternoon(tmp_path, 2, scale=0.9)]
    for part, factor in zip(parts, (1.1, None, 0.9), strict=True):
        if factor:
            Session(part).add_calibration("height", Calibration(factor, 0.01, "step", measured=0, known=0))
    merge(tmp_path / "all.h5", *parts, create=True)
    barrier = sts.analyse(tmp_path / "all.h5").barrier
    assert barrier is not None
    assert barrier.sites["barrier_eV"].to_numpy() == pytest.approx(np.full(15, 4.0), rel=0.02)
    offsets = barrier.sweeps.groupby("day")["offset_pA"].mean()
    assert offsets["tuesday"] == pytest.approx(3.0, abs=0.5)
    assert offsets["monday"] == pytest.approx(0.0, abs=0.5)
    (scales,) = (note for note in barrier.notes if note.startswith("Height scales differ"))
    assert "monday: 1.1 ± 0.01; tuesday: not calibrated; wednesday: 0.9 ± 0.01" in scales
    assert barrier.tips["calibration_se_eV"].isna().all()
