"""From runs to sets: sweeps on one axis together, repeats numbered, every sweep with a name of its own."""

from __future__ import annotations

import numpy as np
import pytest

from sts.loaders.reading import read_bytes
from sts.loaders.sets import safe_name


def table(*columns: str, rows: int = 4, name: str = "heron 1.txt"):
    body = "".join("\t".join(str(k + j) for j in range(len(columns))) + "\n" for k in range(rows))
    return read_bytes(("\t".join(columns) + "\n" + body).encode(), name).sets


@pytest.mark.parametrize(
    ("text", "name"), [("heron s1", "heron_s1"), ("é/ß..x", "é_ß..x"), ("//", "sweep"), ("__a__b", "a_b")]
)
def test_a_safe_name(text, name):
    assert safe_name(text) == name


def test_one_sweep_has_the_name_of_its_file():
    assert table("V (mV)", "I (nA)")[0].names == ["heron_1"]


def test_repeats_on_one_axis_are_one_set_and_numbered():
    (sweeps,) = table("V (mV)", "I 1 (nA)", "I 2 (nA)")
    assert sweeps.names == ["heron_1_1", "heron_1_2"]
    assert sweeps.table["repeat"].tolist() == [1, 2]
    assert sweeps.current.shape == (2, 4)


def test_sweeps_on_different_axes_are_different_sets_with_different_names():
    sets = table("V1 (mV)", "I1 (nA)", "V2 (mV)", "I2 (nA)")
    assert [s.axis.size for s in sets] == [4, 4]
    assert len({name for s in sets for name in s.names}) == 2


def test_there_and_back_are_named_by_direction():
    text = "V (mV)\tI (nA)\n" + "".join(f"{v}\t{v}\n" for v in [0, 1, 2, 3, 2, 1, 0])
    names = [n for s in read_bytes(text.encode(), "a.txt").sets for n in s.names]
    assert sorted(names) == ["a_down", "a_up"]


def test_the_files_own_name_of_a_sweep_is_kept_as_it_is():
    rows = "".join(f"{s}\t{v}\t{v}\n" for s in ("gold #1", "gold #2") for v in range(4))
    (sweeps,) = read_bytes(f"sweep\tV (mV)\tI (nA)\n{rows}".encode(), "a.txt").sets
    assert sweeps.names == ["gold #1", "gold #2"]


def test_a_column_without_a_current_is_missing_and_not_zero():
    (sweeps,) = table("V (mV)", "dI/dV (nS)")
    assert np.isnan(sweeps.current).all()
    assert sweeps.lockin_unit == "S"
