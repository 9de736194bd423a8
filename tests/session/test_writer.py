"""The writer: sweeps on the same axis are stacked, names become unique, sets grow without bloat."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_array_equal
from session.examples import file_of, sweep_set

from sts.session import Session, change, layout, writer
from sts.sweeps import SweepSet


def test_names_become_unique_and_raw_numbers_stay(session: Session) -> None:
    first, second = sweep_set(["x"], seed=1), sweep_set(["x"], seed=2)
    result = session.add([file_of(1, first, name="run.csv"), file_of(2, second, name="run.csv")])
    (part,) = session.sets()
    assert part.names == ["x", "x-2"]
    assert_array_equal(part.current, np.concatenate([first.current, second.current]))
    assert list(session.sources()["name"]) == ["run.csv", "run-2.csv"]
    assert list(part.table["source"]) == ["run.csv", "run-2.csv"]
    assert len([note for note in result.notes if "'x-2'" in note or "'run-2.csv'" in note]) == 2


def test_sweeps_on_the_same_axis_are_stacked_and_others_are_not(session: Session) -> None:
    session.add([file_of(i, sweep_set([f"a{i}"], seed=i)) for i in range(3)])
    session.add([file_of(7, sweep_set(["a7"], seed=7)), file_of(8, sweep_set(["b"], points=17))])
    shifted = sweep_set(["c"])
    session.add([file_of(9, SweepSet("iv", shifted.axis + 1e-15, shifted.current, shifted.table))])
    assert [(part.axis.size, len(part)) for part in session.sets()] == [(16, 4), (17, 1), (16, 1)]


@pytest.mark.parametrize("sizes", [[1, 1, 1], [40, 3, 200], [130, 130, 130]])
def test_sets_that_grow_bit_by_bit_hold_what_came_in(
    session: Session, sizes: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    """With small limits, so that every way of growing is taken: written anew, extended, in blocks."""
    monkeypatch.setattr(layout, "BLOCK_BYTES", 8 * 16 * 64)
    monkeypatch.setattr(writer, "CHUNK_BYTES", 8 * 16 * 32)
    monkeypatch.setattr(writer, "SMALL_SET", 8 * 16 * 50)
    parts = [sweep_set([f"{k}_{i}" for i in range(size)], seed=k) for k, size in enumerate(sizes)]
    for number, part in enumerate(parts):
        session.add([file_of(number, part)])
    (found,) = session.sets()
    assert_array_equal(found.current, np.concatenate([part.current for part in parts]))
    assert found.names == [name for part in parts for name in part.names]


def test_growing_one_file_at_a_time_does_not_bloat_the_session(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Rewritten parts leave holes in an HDF5 file; they must be used again."""
    monkeypatch.setattr(change, "MOST_HOLES", 1 << 14)
    files = [file_of(i) for i in range(25)]
    together, one_by_one = Session.create(tmp_path / "a.h5"), Session.create(tmp_path / "b.h5")
    together.add(files)
    for file in files:
        one_by_one.add([file])
    assert one_by_one.path.stat().st_size < 2 * together.path.stat().st_size
    assert one_by_one.sweeps().equals(together.sweeps())
    for ours, theirs in zip(one_by_one.sets(), together.sets(), strict=True):
        assert_array_equal(ours.current, theirs.current)
    assert one_by_one.original("file13.csv") == files[13].content
