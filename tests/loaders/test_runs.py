"""Runs over one axis: times, order and size."""

from __future__ import annotations

import numpy as np
import pytest
from loaders.written import IZ, file, read
from numpy.testing import assert_allclose

from sts.loaders import read_file
from sts.loaders.reading import read_bytes


def test_heights_in_no_order_are_one_sweep_and_it_is_said():
    rows = [IZ[i] for i in (5, 17, 2, 11, 0, 20, 8, 3, 14, 9, 1, 19, 6, 12, 4, 16, 10, 7, 18, 13, 15)]
    loaded = read(file("z (nm);I (nA)", rows=rows))
    (sweeps,) = loaded.sets
    assert len(sweeps) == 1
    assert_allclose(sweeps.current[0], [i * 1e-9 for _, i in IZ], rtol=1e-8)
    assert any("stand in no order; they were sorted" in note for note in loaded.notes)


@pytest.mark.parametrize(
    ("unit", "header", "seconds"),
    [
        ("s", "", [16.0, 16.0]),
        ("ms", "", [0.016, 0.016]),
        ("min", "", [960.0, 960.0]),
        ("ms", "# sweep time: 3 s\n", [3.0, 3.0]),  # what the header says stands
        ("shakes", "", [np.nan, np.nan]),
    ],
)
def test_a_column_of_times_gives_the_duration_of_each_run(unit, header, seconds):
    bias = [*range(-4, 5), *range(4, -5, -1)]
    rows = "".join(f"{2 * i},{v},{v}\n" for i, v in enumerate(bias))
    (s,) = read_bytes(f"{header}time ({unit}),V (mV),I (nA)\n{rows}".encode(), "a.csv").sets
    assert_allclose(s.table["duration_s"], seconds)


def test_times_that_do_not_run_on_or_belong_to_two_sweeps_give_no_duration():
    for text in (
        "t (s),V (mV),I (nA)\n0,0,0\n2,1,1\n1,2,2\n",
        "t (s),V (mV),I_1 (nA),I_2 (nA)\n0,0,0,0\n1,1,1,1\n2,2,2,2\n",
    ):
        (s,) = read_bytes(text.encode(), "a.csv").sets
        assert s.table["duration_s"].isna().all()


@pytest.mark.parametrize("place", ["bias_V", "current_A"])
def test_a_damaged_number_that_signals_is_a_hole_and_warns_nobody(tmp_path, place):
    """IEEE 754 has NaN that raise an exception where they are used: numpy warned, which here is an error."""
    data = np.zeros(21, dtype=[("bias_V", "f8"), ("current_A", "f8")])
    data["bias_V"], data["current_A"] = np.linspace(-1, 1, 21), np.linspace(-1e-9, 1e-9, 21)
    raw = data[place].copy()
    raw.view(np.uint64)[7] = 0x7FF4000000000000
    data[place] = raw
    np.save(tmp_path / "a.npy", data)
    (sweeps,) = read_file(tmp_path / "a.npy").sets
    assert int(np.isfinite(sweeps.current).sum()) == 20
