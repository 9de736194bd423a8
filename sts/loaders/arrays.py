"""Array files (.npy, .npz, .mat, HDF5/NeXus): named arrays as blocks, sweeps along the axis of the "
"matching length."""

from __future__ import annotations

import io
import math
import re
import warnings
import zipfile
from collections.abc import Mapping
from typing import Any

import numpy as np

from sts.loaders.block import Block, Column, Entry
from sts.loaders.loaded import UnreadableFile, shown
from sts.loaders.matlab import read_matlab
from sts.loaders.recipe import Recipe
from sts.loaders.words import QUANTITIES, understand
from sts.loaders.workbook import check_zip

LARGEST_ARRAY = 2**31  # bytes in all
_NUMPY = b"\x93NUMPY"
_HDF5 = b"\x89HDF\r\n\x1a\n"


def array_reader(content: bytes) -> str:
    """``npy``, ``npz``, ``matlab``, ``hdf5``, or "" if the bytes are none of these."""
    if content.startswith(_NUMPY):
        return "npy"
    if content.startswith(b"PK\x03\x04") and b".npy" in content[:200]:
        return "npz"
    if any(content[start : start + 8] == _HDF5 for start in (0, 512, 1024, 2048)):
        return "hdf5"
    if content.startswith(b"MATLAB 5.0 MAT-file") or re.match(rb"MATLAB[\x20-\x7e]{20,}", content[:116]):
        return "matlab"
    return ""


def read_arrays(content: bytes, name: str, reader: str, recipe: Recipe) -> list[Block]:
    """The blocks of an array file.

    Raises
    ------
    UnreadableFile
        If the file is damaged, claims an absurd size, holds pickled objects or links out of itself, or no axis and
        signal were found in it.
    """
    try:
        if reader == "hdf5":
            folders, entries = _hdf5(content, name)
        else:
            arrays = {"npy": _npy, "npz": _npz, "matlab": read_matlab}[reader](content, name)
            folders, entries = {"": {k: (v, "") for k, v in arrays.items()}}, []
    except UnreadableFile:
        raise
    except (
        Exception
    ) as error:  # libraries raise anything on damaged bytes; none of it may reach the user as a traceback
        raise UnreadableFile(
            f"{name}: cannot be read as {reader} ({type(error).__name__}: {str(error)[:120]}). It may be "
            f"damaged: export or "
            "copy it again."
        ) from None
    if recipe.column:  # paths may lie in different groups
        folders = {"": {key: value for arrays in folders.values() for key, value in arrays.items()}}
    blocks = [b for folder, arrays in folders.items() if (b := _block(folder, arrays, entries, name, recipe))]
    if not blocks:
        paths = [f"{k} {v.shape}" for arrays in folders.values() for k, (v, _) in arrays.items()]
        raise UnreadableFile(
            f"{name}: no axis with a signal of the same length was understood among "
            f"{', '.join(paths[:10]) or 'no arrays'}. "
            'Name them like bias_V and current_A, or say under [[column]] in a recipe: name = "...", '
            'read_as = "bias", '
            'unit = "V".'
        )
    return blocks


# ---- formats


def _claimed(size: int, name: str) -> None:
    if size > LARGEST_ARRAY:
        raise UnreadableFile(
            f"{name}: claims {size / 1e9:.1f} GB of numbers; up to {LARGEST_ARRAY / 1e9:.1f} GB are read. "
            f"Split the file."
        )


def _npy_array(content: bytes, name: str) -> np.ndarray:
    """The array of an .npy file, without a copy; objects and absurd sizes are refused before anything is "
    "allocated."""
    stream = io.BytesIO(content)
    version = np.lib.format.read_magic(stream)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        read = np.lib.format.read_array_header_1_0 if version == (1, 0) else np.lib.format.read_array_header_2_0
        shape, fortran, dtype = read(stream)
    if dtype.hasobject:
        raise UnreadableFile(f"{name}: holds pickled objects, which are never opened. Save plain numbers.")
    count, start = math.prod(int(n) for n in shape), stream.tell()
    size = count * dtype.itemsize
    _claimed(size, name)
    if size > len(content) - start:
        raise UnreadableFile(
            f"{name}: claims {size} bytes of numbers but holds {len(content) - start}; it is cut off. Copy it again."
        )
    values = np.frombuffer(content, dtype, count, start)
    return values.reshape(shape[::-1]).T if fortran else values.reshape(shape)


def _npy(content: bytes, name: str) -> dict[str, np.ndarray]:
    values = _npy_array(content, name)
    if values.dtype.names:
        return {str(n): np.asarray(values[n]) for n in values.dtype.names}
    if values.ndim == 2:  # a bare table: the shorter side counts the columns
        rows = values if values.shape[0] <= values.shape[1] else values.T
        return {f"column {i}": row for i, row in enumerate(rows, 1)}
    return {"column 1": values}


def _npz(content: bytes, name: str) -> dict[str, np.ndarray]:
    check_zip(content, name)
    result: dict[str, np.ndarray] = {}
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        for member in archive.namelist():
            if member.endswith(".npy"):
                result[member.removesuffix(".npy")] = _npy_array(archive.read(member), f"{name}, {member}")
    return result


Folders = dict[str, dict[str, tuple[np.ndarray, str]]]


def _hdf5(content: bytes, name: str) -> tuple[Folders, list[Entry]]:
    import h5py

    folders: Folders = {}
    entries: list[Entry] = []
    matlab = content[:6] == b"MATLAB"
    total = 0
    with h5py.File(io.BytesIO(content), "r") as file:
        _refuse_links(file, name)

        def visit(path: str, item: Any) -> None:
            nonlocal total
            for key, value in item.attrs.items():
                text = _scalar_text(value)
                if text and key.lower() not in ("units", "unit", "signal", "axes", "default", "nx_class"):
                    entries.append(Entry(key, text, f"attribute of /{path}"))
            if not isinstance(item, h5py.Dataset) or (
                item.dtype.hasobject and h5py.check_string_dtype(item.dtype) is None
            ):
                return
            if item.external or (item.is_virtual and any(s.file_name != "." for s in item.virtual_sources())):
                raise UnreadableFile(
                    f"{name}: /{path} takes its numbers from another file, which is not followed. Save a "
                    f"copy that holds them."
                )
            size = item.size * item.dtype.itemsize if item.size else 0
            total += size
            _claimed(total, f"{name}, /{path}")
            if size > max(64_000_000, 1000 * len(content)):
                raise UnreadableFile(
                    f"{name}: /{path} claims {size / 1e6:.0f} MB in a file of {len(content) / 1e6:.3f} MB; "
                    f"not opened. "
                    "Export it again."
                )
            unit = _scalar_text(item.attrs.get("units", item.attrs.get("unit", "")))
            if h5py.check_string_dtype(item.dtype) is not None:
                texts = item.asstr(errors="replace")[()]
                if isinstance(texts, str):
                    entries.append(Entry(path.rsplit("/", 1)[-1], texts, f"/{path}"))
                    return
                values = np.asarray(texts, object)
            else:
                values = np.asarray(item[()])
                values = values.T.squeeze() if matlab else values
            if values.ndim == 0:
                if values.dtype.kind in "fiu":
                    entries.append(Entry(path.rsplit("/", 1)[-1], f"{values.item()!r} {unit}".strip(), f"/{path}"))
                return
            folder = path.rsplit("/", 1)[0] if "/" in path else ""
            folders.setdefault(folder, {})[path] = (values, unit)

        visit_attrs = _scalar_entries(file)
        entries += visit_attrs
        file.visititems(visit)
    return folders, entries


def _scalar_entries(file: Any) -> list[Entry]:
    return [Entry(k, t, "attribute of /") for k, v in file.attrs.items() if (t := _scalar_text(v))]


def _refuse_links(group: Any, name: str, depth: int = 0) -> None:
    """Refuse links to other files anywhere in the tree (they would open what the sender chose)."""
    import h5py

    for key in group:
        link = group.get(key, getlink=True)
        if isinstance(link, h5py.ExternalLink):
            raise UnreadableFile(
                f"{name}: {group.name.rstrip('/')}/{key} links to the file {shown(link.filename)}, which "
                f"is not followed. "
                "Save a copy that holds the numbers."
            )
        if isinstance(link, h5py.HardLink) and depth < 32:
            child = group.get(key)
            if isinstance(child, h5py.Group):
                _refuse_links(child, name, depth + 1)


def _scalar_text(value: Any) -> str:
    if isinstance(value, bytes):
        return value.decode("utf-8", "replace").strip()
    if isinstance(value, np.ndarray) and value.size == 1:
        return _scalar_text(value.reshape(-1)[0])
    if isinstance(value, (str, np.str_)):
        return str(value).strip()
    if isinstance(value, (int, float, np.integer, np.floating)):
        return repr(float(value)) if not float(value).is_integer() else str(int(value))
    return ""


# ---- arrays as columns


def _role_of(path: str, unit: str, number: int, recipe: Recipe) -> str:
    entry = recipe.entry(path, number)
    if entry:
        return entry.read_as
    found = understand(_leaf(path), unit).quantity
    return found if found in QUANTITIES.values() else ""


def _leaf(path: str) -> str:
    return re.split(r"[/.]", path)[-1] if not path.startswith("column ") else path


def _block(
    folder: str, arrays: Mapping[str, tuple[np.ndarray, str]], entries: list[Entry], name: str, recipe: Recipe
) -> Block | None:
    """One folder's arrays as columns with the points along the last axis; None if it holds no axis and signal."""
    roles = {p: _role_of(p, unit, i, recipe) for i, (p, (_, unit)) in enumerate(arrays.items(), 1)}
    numeric = {p: a for p, (a, _) in arrays.items() if a.dtype.kind in "fiu"}
    axes = [
        p for p, r in roles.items() if r in ("bias", "tip bias", "height") and p in numeric and numeric[p].ndim <= 2
    ]
    signals = [p for p, r in roles.items() if r in ("current", "lockin") and p in numeric]
    if not axes or not signals:
        return None
    points = max(numeric[p].shape[-1] for p in axes)
    moved: dict[str, np.ndarray] = {}
    for p in signals:
        a = numeric[p]
        fits = [d for d in range(a.ndim) if a.shape[d] == points]
        if not fits:
            raise UnreadableFile(
                f"{name}: '{p}' has shape {a.shape}, with no side of the {points} points of '{axes[0]}'. "
                f"Export both in the same shape."
            )
        moved[p] = np.moveaxis(a, fits[-1], -1)
    grid = next((a.shape[:-1] for a in moved.values() if a.ndim > 1), ())
    count = math.prod(grid)
    columns: list[Column] = []
    own_entries = list(entries)
    for number, (path, (array, unit)) in enumerate(arrays.items(), 1):
        if path in moved:
            values = (
                moved[path].astype(float).reshape(-1, points) if moved[path].ndim > 1 else moved[path].astype(float)
            )
        elif path in axes:
            values = array.astype(float)
            if values.ndim == 2 and (values == values[:1]).all():
                values = values[0]
        else:
            found = _per_sweep(path, array, grid, count)
            if found is None:
                if array.ndim == 0 and recipe.entry(path, number) is None:
                    own_entries.append(Entry(_leaf(path), f"{array.item()} {unit}".strip(), path))
                    continue
                if array.shape != (points,):
                    columns.append(Column(_leaf(path), unit, np.full(points, np.nan), path))  # keeps its number
                    continue
                found = array
            values = (
                found.astype(float)
                if found.dtype.kind in "fiu"
                else np.asarray(found, object).astype(str).astype(object)
            )
        columns.append(Column(_leaf(path), unit, values, path))
    return Block(columns, own_entries, place=f"/{folder}" if folder else "")


def _per_sweep(path: str, array: np.ndarray, grid: tuple[int, ...], count: int) -> np.ndarray | None:
    """An array with one value a sweep, as (count,); the sides of a grid are spread over it."""
    if not grid or array.ndim == 0:
        return None
    if array.shape == grid:
        return array.reshape(-1)
    if array.shape == (count,):
        return array
    word = understand(_leaf(path)).quantity
    if array.ndim == 1 and len(grid) == 2:  # rows are y, columns are x
        if word == "x_m" and array.size == grid[1]:
            return np.tile(array, grid[0])
        if word == "y_m" and array.size == grid[0]:
            return np.repeat(array, grid[1])
    return None
