"""Files of numpy: bare and named arrays, archives, and objects that are never opened."""

from __future__ import annotations

import io
import warnings
import zipfile

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from sts.loaders import Recipe, UnreadableFile, read_file

V = np.linspace(-1, 1, 5)


def test_a_name_that_is_twice_in_an_archive_is_refused(tmp_path):
    path = tmp_path / "a.npz"
    with warnings.catch_warnings(), zipfile.ZipFile(path, "w") as archive:
        warnings.simplefilter("ignore")
        for name, array in (("bias_V", V), ("current_A", V * 1e-9), ("current_A", V * 1e-12)):
            stream = io.BytesIO()
            np.save(stream, array)
            archive.writestr(f"{name}.npy", stream.getvalue())
    with pytest.raises(UnreadableFile, match=r"two arrays called 'current_A\.npy'"):
        read_file(path)


BIAS = np.linspace(-1, 1, 41)


CURRENT = np.random.default_rng(1).normal(size=(6, 41)) * 1e-9


def test_plain_array_by_the_numbers_of_its_columns(tmp_path):
    path = tmp_path / "a.npy"
    np.save(path, np.column_stack([BIAS, CURRENT[0]]))
    with pytest.raises(UnreadableFile, match="no line above the numbers names the 2 columns"):
        read_file(path)
    columns = [{"number": 1, "read_as": "bias", "unit": "V"}, {"number": 2, "read_as": "current", "unit": "A"}]
    (s,) = read_file(path, recipe=Recipe.model_validate({"column": columns})).sets
    assert_array_equal(s.current[0], CURRENT[0])


def test_structured_array_names_its_columns(tmp_path):
    path = tmp_path / "a.npy"
    np.save(path, np.array(list(zip(BIAS, CURRENT[0], strict=True)), dtype=[("bias_V", "f8"), ("current_A", "f8")]))
    assert_array_equal(read_file(path).sets[0].current[0], CURRENT[0])


def test_objects_are_never_unpickled(tmp_path):
    class Trap:
        def __reduce__(self):
            return (pytest.fail, ("a file was unpickled",))

    for name, save in (("a.npy", np.save), ("a.npz", lambda p, a: np.savez(p, bias_V=a))):
        path = tmp_path / name
        save(path, np.array([Trap()], dtype=object))
        with pytest.raises(UnreadableFile, match="pickled objects"):
            read_file(path)


@pytest.mark.parametrize("turned", [False, True])
def test_a_bare_table_counts_its_shorter_side_as_columns(tmp_path, turned):
    path = tmp_path / "bare.npy"
    table = np.stack([BIAS, CURRENT[0]])
    np.save(path, table.T if turned else table)
    columns = [{"number": 1, "read_as": "bias", "unit": "V"}, {"number": 2, "read_as": "current", "unit": "A"}]
    recipe = Recipe.model_validate({"column": columns})
    (s,) = read_file(path, recipe=recipe).sets
    assert_array_equal(s.axis, BIAS)
    assert_array_equal(s.current, CURRENT[:1])
