"""Array files written by general libraries (numpy, scipy.io, h5py, openpyxl, nexusformat) come back the same."""

from __future__ import annotations

import io
import struct
import tracemalloc
import zipfile
import zlib

import h5py
import numpy as np
import openpyxl
import pytest
import scipy.io
from numpy.testing import assert_allclose, assert_array_equal

from sts.loaders import Recipe, UnreadableFile, read_file

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


@pytest.mark.parametrize("compressed", [False, True])
def test_matlab_5_written_by_scipy(tmp_path, compressed):
    path = tmp_path / "m.mat"
    scipy.io.savemat(path, {"bias_V": BIAS, "current_A": CURRENT, "tip": "heron"}, do_compression=compressed)
    (s,) = read_file(path).sets
    assert_array_equal(s.axis, BIAS)
    assert_array_equal(s.current, CURRENT)


def test_matlab_structure(tmp_path):
    path = tmp_path / "m.mat"
    scipy.io.savemat(path, {"data": {"bias_V": BIAS, "current_A": CURRENT}})
    assert_array_equal(read_file(path).sets[0].current, CURRENT)


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


def test_workbook_written_by_openpyxl_is_read_to_its_sixteen_digits(tmp_path):
    path = tmp_path / "w.xlsx"
    wb = openpyxl.Workbook()
    ws = wb.active
    ws.append(["tip:", "heron"])
    ws.append(["V (V)", "I (A)"])
    for row in zip(BIAS.tolist(), CURRENT[0].tolist(), strict=True):
        ws.append(row)
    notes = wb.create_sheet("notes")
    notes.append(["nothing to see"])
    wb.save(path)
    (s,) = read_file(path).sets
    assert_allclose(s.axis, BIAS, rtol=1e-15)
    assert_allclose(s.current[0], CURRENT[0], rtol=1e-15)


# ---- what must be refused


def test_objects_are_never_unpickled(tmp_path):
    class Trap:
        def __reduce__(self):
            return (pytest.fail, ("a file was unpickled",))

    for name, save in (("a.npy", np.save), ("a.npz", lambda p, a: np.savez(p, bias_V=a))):
        path = tmp_path / name
        save(path, np.array([Trap()], dtype=object))
        with pytest.raises(UnreadableFile, match="pickled objects"):
            read_file(path)


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


@pytest.mark.parametrize("packed", [False, True])
@pytest.mark.parametrize("what", ["number", "cell", "structure", "bytes"])
def test_a_tiny_matlab_file_that_claims_gigabytes_takes_no_memory(tmp_path, what, packed):
    """Sides and tags where MathWorks, "MAT-File Format" (level 5) puts them; the rest is written by scipy."""
    cell = np.empty((1, 2), object)
    cell[:] = [[BIAS, BIAS]]
    first = {"cell": cell, "structure": {"a": 1.0, "b": 2.0}}.get(what, BIAS)
    stream = io.BytesIO()
    scipy.io.savemat(stream, {"first": first, "bias_V": BIAS, "current_A": CURRENT})
    content = bytearray(stream.getvalue())
    if what == "bytes":
        place = content.index(struct.pack("<II", 9, BIAS.nbytes)) + 4
        content[place : place + 4] = struct.pack("<I", 3_900_000_000)
    else:
        assert struct.unpack_from("<II", content, 152) == (5, 8)  # the tag of the sides
        content[160:168] = struct.pack("<ii", 40_000, 50_000)
    if packed:
        rest = zlib.compress(content[128:])
        content = content[:128] + struct.pack("<II", 15, len(rest)) + rest
    path = tmp_path / "claims.mat"
    path.write_bytes(content)
    tracemalloc.start()
    with pytest.raises(UnreadableFile, match=r"claims (2000000000 numbers or cells|3900000000 bytes where)"):
        read_file(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 10e6


def test_a_matlab_file_that_unpacks_a_thousandfold_is_refused(tmp_path):
    path = tmp_path / "bomb.mat"
    scipy.io.savemat(path, {"bias_V": np.zeros(4_000_000)}, do_compression=True)
    with pytest.raises(UnreadableFile, match=r"unpacks to more than 10 MB from 0\.0"):
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


def test_attributes_that_are_whole_numbers_and_empty_texts(tmp_path):
    path = tmp_path / "h.h5"
    with h5py.File(path, "w") as file:
        file.attrs["repeat"] = np.int64(7)
        file.attrs["tip"] = ""
        file["bias_V"], file["current_A"] = BIAS, CURRENT[0]
    (s,) = read_file(path).sets
    assert s.table["repeat"].iloc[0] == 7
    assert s.table["tip"].iloc[0] == ""


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


@pytest.mark.parametrize(("key", "value"), [("inverted", True), ("log", True), ("scale", [1e-9, 1.0]), ("offset", 3.0)])
def test_an_attribute_of_a_dataset_that_may_change_its_numbers_is_asked_about(tmp_path, key, value):
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file["bias_V"], file["current_A"] = BIAS, 1e-9 * BIAS
        file["current_A"].attrs[key] = value
    with pytest.raises(UnreadableFile, match=r"which may (?:turn|multiply|be)|whether it is to be added"):
        read_file(tmp_path / "a.h5")


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


def test_a_sheet_without_a_table_says_something_about_the_others(tmp_path):
    book = openpyxl.Workbook()
    for row in [("Tip", "heron"), ("Current inverted", "yes"), ("Temperature", "4.2 K")]:
        book.active.append(row)
    sheet = book.create_sheet("Data")
    for row in [("V (mV)", "I (nA)"), *((v, v / 100) for v in range(-100, 101, 10))]:
        sheet.append(row)
    book.save(tmp_path / "a.xlsx")
    (part,) = read_file(tmp_path / "a.xlsx").sets
    assert (part.table["tip"][0], part.table["temperature_K"][0], _rise(part)) == ("heron", 4.2, -1.0)
    book["Sheet"].append(("Divider", "100"))
    book.save(tmp_path / "a.xlsx")
    with pytest.raises(
        UnreadableFile, match="sheet 'Sheet', line 4: the header entry 'Divider' is '100', which may multiply"
    ):
        read_file(tmp_path / "a.xlsx")
