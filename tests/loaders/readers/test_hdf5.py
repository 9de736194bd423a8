"""HDF5 files: what they say beside the numbers, and what is never followed or believed."""

from __future__ import annotations

from pathlib import Path

import h5py
import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from sts.loaders import UnreadableFile, read_file
from sts.loaders.readers.hdf5 import _unpacked

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


BIAS = np.linspace(-1, 1, 41)


CURRENT = np.random.default_rng(1).normal(size=(6, 41)) * 1e-9


def test_matlab_7_3_is_hdf5_with_a_front_page(tmp_path):
    """Layout as the format's own files have it: a 512-byte text block, then HDF5 with the sides reversed."""
    path = tmp_path / "m73.mat"
    with h5py.File(path, "w", userblock_size=512) as file:
        file["bias_V"] = BIAS[:, None]
        file["current_A"] = CURRENT.T
    content = bytearray(path.read_bytes())
    front = b"MATLAB 7.3 MAT-file, Platform: GLNXA64, Created on: Mon Jan  1 00:00:00 2024 HDF5 schema 1.00 ."
    content[: len(front)] = front
    path.write_bytes(content)
    assert_array_equal(read_file(path).sets[0].current, CURRENT)


def test_nexus_by_a_general_library(tmp_path):
    nx = pytest.importorskip("nexusformat.nexus")
    path = tmp_path / "n.nxs"
    signal = nx.NXfield(CURRENT * 1e9, name="current", units="nA")
    axis = nx.NXfield(BIAS * 1e3, name="bias", units="mV")
    sweep = nx.NXfield(np.arange(6), name="number")
    nx.NXroot(nx.NXentry(nx.NXdata(signal, (sweep, axis)), name="entry")).save(str(path))
    (s,) = read_file(path).sets
    assert_allclose(s.axis, BIAS, rtol=1e-15)
    assert_allclose(s.current, CURRENT, rtol=1e-15)


def test_hdf5_with_units_as_attributes_and_lockin(tmp_path):
    path = tmp_path / "h.h5"
    with h5py.File(path, "w") as file:
        group = file.create_group("sweeps")
        group.attrs["tip"] = "heron"
        for name, values, unit in (
            ("V", BIAS, "V"),
            ("I", CURRENT, "A"),
            ("dI/dV", None, ""),
            ("lockin", CURRENT, "S"),
        ):
            if values is not None:
                group[name] = values
                group[name].attrs["units"] = unit
    (s,) = read_file(path).sets
    assert_array_equal(s.lockin, CURRENT)
    assert s.lockin_unit == "S"
    assert set(s.table["tip"]) == {"heron"}


def test_links_out_of_an_hdf5_file_are_refused(tmp_path):
    other = tmp_path / "secret.h5"
    with h5py.File(other, "w") as file:
        file["current_A"] = CURRENT[0]
    linked, virtual, external = (tmp_path / f"{n}.h5" for n in ("linked", "virtual", "external"))
    with h5py.File(linked, "w") as file:
        file["bias_V"] = BIAS
        file.create_group("deep")["current_A"] = h5py.ExternalLink(str(other), "/current_A")
    with h5py.File(virtual, "w") as file:
        file["bias_V"] = BIAS
        layout = h5py.VirtualLayout((41,), "f8")
        layout[:] = h5py.VirtualSource(str(other), "current_A", shape=(41,))
        file.create_virtual_dataset("current_A", layout)
    raw = tmp_path / "raw.bin"
    raw.write_bytes(CURRENT[0].tobytes())
    with h5py.File(external, "w") as file:
        file["bias_V"] = BIAS
        file.create_dataset("current_A", (41,), "f8", external=[(str(raw), 0, 328)])
    for path in (linked, virtual, external):
        with pytest.raises(UnreadableFile, match="not followed"):
            read_file(path)


def test_matlab_7_3_that_claims_gigabytes_is_refused(tmp_path):
    path = tmp_path / "claims.mat"
    with h5py.File(path, "w", userblock_size=512) as file:
        file["bias_V"] = BIAS[:, None]
        file.create_dataset("current_A", (41, 31_000_000), "f8", chunks=(41, 1000), compression="gzip")
    with path.open("r+b") as stream:
        stream.write(b"MATLAB 7.3 MAT-file".ljust(116) + bytes(8) + b"\x00\x02IM")
    with pytest.raises(UnreadableFile, match=r"claims 10\.\d GB"):
        read_file(path)


def test_attributes_that_are_whole_numbers_and_empty_texts(tmp_path):
    path = tmp_path / "h.h5"
    with h5py.File(path, "w") as file:
        file.attrs["repeat"] = np.int64(7)
        file.attrs["tip"] = ""
        file["bias_V"], file["current_A"] = BIAS, CURRENT[0]
    (s,) = read_file(path).sets
    assert s.table["repeat"].iloc[0] == 7
    assert s.table["tip"].iloc[0] == ""


@pytest.mark.parametrize(("key", "value"), [("inverted", True), ("log", True), ("scale", [1e-9, 1.0]), ("offset", 3.0)])
def test_an_attribute_of_a_dataset_that_may_change_its_numbers_is_asked_about(tmp_path, key, value):
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file["bias_V"], file["current_A"] = BIAS, 1e-9 * BIAS
        file["current_A"].attrs[key] = value
    with pytest.raises(UnreadableFile, match=r"which may (?:turn|multiply|be)|whether it is to be added"):
        read_file(tmp_path / "a.h5")


def test_a_virtual_dataset_of_itself_is_refused(tmp_path: Path) -> None:
    """HDF5 follows it until the program dies."""
    layout = h5py.VirtualLayout((5,), float)
    layout[...] = h5py.VirtualSource("v.h5", "current", (5,))
    with h5py.File(tmp_path / "v.h5", "w", libver="latest") as file:
        file.create_virtual_dataset("current", layout)
    with pytest.raises(UnreadableFile, match="takes its numbers from elsewhere"):
        read_file(tmp_path / "v.h5")


def test_groups_that_stand_in_two_places_are_visited_once(tmp_path: Path) -> None:
    """Each level doubled the work: 40 would have taken a day."""
    path = hdf5(tmp_path / "a.h5", V)
    with h5py.File(path, "r+") as file:
        group = file.create_group("part")
        for _ in range(40):
            inner = group.create_group("left")
            group["right"] = inner
            group = inner
        group["back"] = file["part"]
    assert len(read_file(path).sets) == 1


def test_packed_numbers_without_a_fill_value_are_all_there():
    """CF Metadata Conventions 1.11 (2023), section 8.1: unpacked = packed times scale_factor plus add_offset."""
    packed = np.array([1, 2, -3], "i2")
    assert _unpacked(packed, {"scale_factor": 0.5, "add_offset": 1.0}).tolist() == [1.5, 2.0, -0.5]
    filled = _unpacked(packed, {"scale_factor": 0.5, "missing_value": -3})
    assert filled[:2].tolist() == [0.5, 1.0]
    assert np.isnan(filled[2])
