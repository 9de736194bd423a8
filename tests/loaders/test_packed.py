"""Array files that say two things about their numbers, or pack them: unpacked as said, or refused."""

from __future__ import annotations

import io
import warnings
import zipfile
from pathlib import Path

import h5py
import numpy as np
import pytest
import scipy.io
from numpy.testing import assert_allclose

from sts.loaders import UnreadableFile, read_file

V = np.linspace(-1, 1, 5)


def hdf5(path: Path, current: np.ndarray, *, name: str = "current", **attributes: object) -> Path:
    with h5py.File(path, "w") as file:
        file.create_dataset("bias", data=V).attrs["units"] = "V"
        data = file.create_dataset(name, data=current)
        data.attrs.update({"units": "nA", **attributes})
    return path


def test_packed_numbers_are_unpacked(tmp_path):
    """CF Metadata Conventions 1.11, section 8.1: value = packed × scale_factor + add_offset; fill values are packed ones."""
    packed = np.array([-100, 0, -32768, 50, 100], np.int16)
    path = hdf5(tmp_path / "a.h5", packed, scale_factor=0.01, add_offset=0.5, _FillValue=np.int16(-32768))
    (s,) = read_file(path).sets
    assert_allclose(s.current[0], [-0.5e-9, 0.5e-9, np.nan, 1e-9, 1.5e-9], rtol=1e-12)


@pytest.mark.parametrize(
    ("attributes", "message"),
    [
        ({"scaling_factor": 2.0}, "may multiply the numbers"),
        ({"multiplier": 1e-3}, "may multiply the numbers"),
        ({"offset": 5.0}, "whether it is to be added is not said"),
    ],
)
def test_other_words_for_it_are_asked_about(tmp_path, attributes, message):
    with pytest.raises(UnreadableFile, match=message):
        read_file(hdf5(tmp_path / "a.h5", V, **attributes))


def test_neutral_ones_do_no_harm(tmp_path):
    (s,) = read_file(hdf5(tmp_path / "a.h5", V, scaling_factor=1, offset=0)).sets
    assert_allclose(s.current[0], V * 1e-9)


def test_name_and_attribute_that_disagree_are_refused(tmp_path):
    with pytest.raises(UnreadableFile, match="two units that disagree, 'pA' and 'nA'"):
        read_file(hdf5(tmp_path / "a.h5", V, name="current_pA"))


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


def test_a_variable_that_is_twice_in_a_matlab_file_is_refused(tmp_path):
    first, second = io.BytesIO(), io.BytesIO()
    scipy.io.savemat(first, {"bias_V": V, "current_A": V * 1e-9})
    scipy.io.savemat(second, {"current_A": V * 1e-12})
    path = tmp_path / "a.mat"
    path.write_bytes(first.getvalue() + second.getvalue()[128:])
    with pytest.raises(UnreadableFile, match="two variables of one name"):
        read_file(path)
