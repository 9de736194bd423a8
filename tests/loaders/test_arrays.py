"""Array files written by general libraries (numpy, scipy.io, h5py, openpyxl, nexusformat) come back the same."""

from __future__ import annotations

import io
import zipfile

import h5py
import numpy as np
import openpyxl
import pytest
import scipy.io
from numpy.testing import assert_allclose, assert_array_equal

from sts.loaders import UnreadableFile, read_file

BIAS = np.linspace(-1, 1, 41)


CURRENT = np.random.default_rng(1).normal(size=(6, 41)) * 1e-9


def test_npz_with_one_row_a_sweep(tmp_path):
    path = tmp_path / "heron.npz"
    np.savez_compressed(path, bias_V=BIAS, current_A=CURRENT, tip=np.array(list("aabbcc")), x_nm=np.arange(6.0))
    (s,) = read_file(path).sets
    assert_array_equal(s.axis, BIAS)
    assert_array_equal(s.current, CURRENT)
    assert list(s.table["tip"]) == list("aabbcc")
    assert_allclose(s.table["x_m"], np.arange(6) * 1e-9)
    assert s.names[0] == "heron_1"


def test_grid_of_spectra_is_one_set_with_a_place_for_each(tmp_path):
    path = tmp_path / "grid.npz"
    cube = np.random.default_rng(2).normal(size=(3, 4, 41))
    np.savez(path, bias_mV=BIAS * 1000, current_pA=cube, x_nm=np.arange(4.0), y_nm=10 * np.arange(3.0))
    (s,) = read_file(path).sets
    assert_allclose(s.current, cube.reshape(12, 41) * 1e-12, rtol=1e-15)
    assert_allclose(s.table["x_m"], np.tile(np.arange(4), 3) * 1e-9)
    assert_allclose(s.table["y_m"], np.repeat([0, 10, 20], 4) * 1e-9)


def test_points_may_lie_along_any_side(tmp_path):
    path = tmp_path / "t.npz"
    np.savez(path, bias_V=BIAS, current_A=CURRENT.T)
    assert_array_equal(read_file(path).sets[0].current, CURRENT)


def test_array_that_turns_is_split(tmp_path):
    path = tmp_path / "turn.npz"
    there_and_back = np.concatenate([BIAS, BIAS[::-1]])
    np.savez(path, bias_V=there_and_back, current_A=np.concatenate([CURRENT, CURRENT[:, ::-1]], axis=1))
    up, down = read_file(path).sets
    assert_array_equal(up.current, CURRENT)
    assert_array_equal(down.current, CURRENT)
    assert set(up.table["direction"]) == {"up"}
    assert set(down.table["direction"]) == {"down"}


def test_claims_of_absurd_size_are_refused_before_anything_is_allocated(tmp_path):
    big = tmp_path / "big.h5"
    with h5py.File(big, "w") as file:
        file["bias_V"] = BIAS
        file.create_dataset("current_A", (31_000_000, 41), "f8", chunks=(1000, 41), compression="gzip")
    assert big.stat().st_size < 100_000
    with pytest.raises(UnreadableFile, match=r"claims 10\.\d GB"):
        read_file(big)
    bomb = tmp_path / "bomb.npz"
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("bias_V.npy", bytes(30_000_000))
    with pytest.raises(UnreadableFile, match="claims 30 MB unpacked"):
        read_file(bomb)
    cut = io.BytesIO()
    np.save(cut, BIAS)
    short = tmp_path / "short.npy"
    short.write_bytes(cut.getvalue()[:-80])
    with pytest.raises(UnreadableFile, match="it is cut off"):
        read_file(short)


def test_shapes_that_do_not_fit_are_said(tmp_path):
    path = tmp_path / "a.npz"
    np.savez(path, bias_V=BIAS, current_A=CURRENT[:, :40])
    with pytest.raises(UnreadableFile, match=r"shape \(6, 40\), with no side of the 41 points"):
        read_file(path)


def test_what_an_hdf5_file_says_beside_its_sweeps_is_read(tmp_path):
    """Attributes and datasets of one number or text hold for all sweeps, one text or place a sweep for each."""
    path = tmp_path / "h.h5"
    text = h5py.string_dtype()
    with h5py.File(path, "w") as file:
        file.attrs["sample"] = np.array([b"gold film"])
        file.attrs["temperature (K)"] = np.float64(77.5)
        file.attrs["many"] = np.arange(3)  # no single value: says nothing
        file["bias_V"] = BIAS
        file["current_A"] = CURRENT
        file["tip"] = "heron"
        file.create_dataset("site", data=list("pqrstu"), dtype=text)
        file["setpoint current"] = 100.0
        file["setpoint current"].attrs["unit"] = "pA"
    (s,) = read_file(path).sets
    assert_array_equal(s.current, CURRENT)
    assert set(s.table["sample"]) == {"gold film"}
    assert set(s.table["tip"]) == {"heron"}
    assert list(s.table["site"]) == list("pqrstu")
    assert set(s.table["temperature_K"]) == {77.5}
    assert_allclose(s.table["setpoint_current_A"], 1e-10)


def test_one_column_is_no_sweep(tmp_path):
    path = tmp_path / "one.npy"
    np.save(path, BIAS)
    with pytest.raises(UnreadableFile, match="column"):
        read_file(path)


def _rise(sweeps) -> float:
    return float(np.sign(sweeps.current[:, -1] - sweeps.current[:, 0])[0])


GROUPS = {"sweep1": ("heron", 4.2, "no"), "sweep2": ("ibis", 77.0, "yes")}


def _groups_hdf5(path):
    with h5py.File(path, "w") as file:
        file.attrs["sample"] = "gold"
        file.attrs["temperature_K"] = 300.0
        for number, (name, (tip, temperature, inverted)) in enumerate(GROUPS.items()):
            group = file.create_group(name)
            group.attrs.update({"tip": tip, "temperature_K": temperature, "current_inverted": inverted})
            group["bias_V"], group["current_A"] = BIAS, 1e-9 * BIAS * (1 + number)


def _groups_matlab(path):
    structs = {
        name: {"bias_V": BIAS, "current_A": 1e-9 * BIAS * (1 + number), "tip": tip, "temperature_K": temperature,
               "current_inverted": inverted}
        for number, (name, (tip, temperature, inverted)) in enumerate(GROUPS.items())
    }  # fmt: skip
    scipy.io.savemat(path, {**structs, "sample": "gold"})


@pytest.mark.parametrize(("name", "write"), [("a.h5", _groups_hdf5), ("a.mat", _groups_matlab)])
def test_what_a_group_says_is_about_its_sweeps_only(tmp_path, name, write):
    write(tmp_path / name)
    loaded = read_file(tmp_path / name)
    found = {}
    for part in loaded.sets:
        for i, row in part.table.iterrows():
            found[row["tip"]] = (row["temperature_K"], row["sample"], _rise(part.select([i])))
    assert found == {"heron": (4.2, "gold", 1.0), "ibis": (77.0, "gold", -1.0)}


def test_a_group_that_is_silent_is_not_turned_by_another(tmp_path):
    with h5py.File(tmp_path / "a.h5", "w") as file:
        for name in "ab":
            file[f"{name}/bias_V"], file[f"{name}/current_A"] = BIAS, 1e-9 * BIAS
        file["b"].attrs["current_inverted"] = True
    (part,) = read_file(tmp_path / "a.h5").sets
    assert [_rise(part.select([i])) for i in range(2)] == [1.0, -1.0]


@pytest.mark.parametrize("number", ["a.npz", "a.h5", "a.mat"])
def test_arrays_of_one_element_are_heard(tmp_path, number):
    path = tmp_path / number
    said = {"current_sign": np.array([-1]), "temperature_K": np.array([4.2]), "bias_V": BIAS, "current_A": 1e-9 * BIAS}
    if number.endswith("npz"):
        np.savez(path, tip=np.array(["heron"]), **said)
    elif number.endswith("mat"):
        scipy.io.savemat(path, {"tip": "heron", **said})
    else:
        with h5py.File(path, "w") as file:
            for key, value in said.items():
                file[key] = value
            file["tip"] = np.array(["heron"], h5py.string_dtype())
    (part,) = read_file(path).sets
    assert (part.table["tip"][0], part.table["temperature_K"][0], _rise(part)) == ("heron", 4.2, -1.0)


@pytest.mark.parametrize(
    "titles", [("raw", "fit"), ("data", "smoothed"), ("sweeps", "standard deviation"), ("a", "mean")]
)
@pytest.mark.parametrize("kind", ["h5", "mat", "xlsx", "txt"])
def test_a_table_beside_the_data_is_not_a_sweep(tmp_path, titles, kind):
    path = tmp_path / f"a.{kind}"
    write_tables(path, titles)
    loaded = read_file(path)
    assert sum(len(part) for part in loaded.sets) == 1
    assert any("by the title no data" in note for note in loaded.notes)


@pytest.mark.parametrize("kind", ["h5", "mat", "xlsx", "txt"])
def test_the_title_of_a_table_names_its_tip(tmp_path, kind):
    path = tmp_path / f"a.{kind}"
    write_tables(path, ("tipA", "tipB") if kind == "mat" else ("tip A", "tip B"))
    loaded = read_file(path)
    assert [tip for part in loaded.sets for tip in part.table["tip"]] == ["A", "B"]


def write_tables(path, titles):
    rows = [(v, v / 100) for v in range(-100, 101, 10)]
    columns = {"bias_mV": np.array([r[0] for r in rows], float), "current_nA": np.array([r[1] for r in rows])}
    if path.suffix == ".h5":
        with h5py.File(path, "w") as file:
            for title in titles:
                for key, value in columns.items():
                    file[f"{title}/{key}"] = value
    elif path.suffix == ".mat":
        scipy.io.savemat(path, {title.replace(" ", "_"): columns for title in titles})
    elif path.suffix == ".xlsx":
        book = openpyxl.Workbook()
        book.remove(book.active)
        for title in titles:
            sheet = book.create_sheet(title)
            for row in [("V (mV)", "I (nA)"), *rows]:
                sheet.append(row)
        book.save(path)
    else:
        body = "".join(f"{v};{i}\n" for v, i in rows)
        path.write_text("".join(f"# {title}\nV (mV);I (nA)\n{body}\n" for title in titles))


@pytest.mark.parametrize(
    "error", [MemoryError("Unable to allocate"), OSError("memory allocation failed for raw data chunk")]
)
def test_want_of_memory_is_not_called_a_damaged_file(tmp_path, monkeypatch, error):
    """The second is how HDF5 1.14 says it (seen)."""
    path = tmp_path / "heron.npz"
    np.savez(path, bias_V=BIAS, current_A=CURRENT)

    def read(*_, **__):
        raise error

    monkeypatch.setattr(np, "frombuffer", read)
    with pytest.raises(MemoryError):
        read_file(path)
