"""Named arrays of a file as blocks: sweeps along the axis of the matching length."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from itertools import takewhile
from typing import Any

import numpy as np

from sts.loaders.bare import bare_columns
from sts.loaders.block import Block, Column, Entry
from sts.loaders.column_names import understand
from sts.loaders.loaded import UnreadableFile, library_words
from sts.loaders.recipe import Recipe
from sts.loaders.values import number_text
from sts.loaders.words import QUANTITIES, key_of

Folders = dict[str, dict[str, tuple[np.ndarray, str]]]  # folder -> path -> array and unit


def arrays_or_refusal(
    content: bytes, reader: str, arrays_of: Callable[[bytes], tuple[Folders, list[Entry]]]
) -> tuple[Folders, list[Entry]]:
    """The arrays of a file by folder, and its entries; what a library says of a damaged one is made a refusal.

    Parameters
    ----------
    content : bytes
        Of the file.
    reader : str
        What reads it, for messages.
    arrays_of : callable
        The reader.

    Raises
    ------
    UnreadableFile
        If the file is damaged, claims an absurd size, holds pickled objects or links out of itself.
    MemoryError
    """
    try:
        return arrays_of(content)
    except (UnreadableFile, MemoryError):
        raise
    except Exception as error:  # libraries raise anything on damaged bytes; the user sees no traceback
        if "memory allocation failed" in str(error):  # how HDF5 says it
            raise MemoryError(str(error)) from error
        raise UnreadableFile(
            f"cannot be read as {reader} ({type(error).__name__}: {library_words(error, limit=120)}). It may be damaged: export or "
            "copy it again."
        ) from None


def blocks_of_arrays(
    content: bytes, recipe: Recipe, reader: str, arrays_of: Callable[[bytes], tuple[Folders, list[Entry]]]
) -> list[Block]:
    """The blocks of an array file, one for each folder that holds an axis with a signal.

    Parameters
    ----------
    content : bytes
        Of the file.
    recipe : Recipe
    reader : str
        What reads it, for messages.
    arrays_of : callable
        The reader: from bytes to arrays by folder, and entries.

    Raises
    ------
    UnreadableFile
        If the reader refuses it, or no axis and signal were found in it.
    """
    folders, entries = arrays_of(content)
    if recipe.column_names:  # a bare table of numbers
        folders = {f: _renamed(arrays, recipe.column_names) for f, arrays in folders.items()}
    if recipe.column:  # paths may lie in different groups
        folders = {"": {key: value for arrays in folders.values() for key, value in arrays.items()}}
    entries += _single_values(folders, recipe)
    blocks = _blocks(folders, entries, recipe)
    if not blocks:  # an axis may lie outside the structure of its signal
        joined = {key: value for arrays in folders.values() for key, value in arrays.items()}
        blocks = _blocks({"": joined}, entries, recipe) if reader == "matlab" else []
    if not blocks:
        bare = [v for arrays in folders.values() for k, (v, _) in arrays.items() if k.startswith("column ")]
        if len(bare) > 1 and all(v.ndim == 1 and v.dtype.kind in "fiu" for v in bare):
            raise bare_columns([v.astype(float) for v in bare])
        paths = [f"{k} {v.shape}" for arrays in folders.values() for k, (v, _) in arrays.items()]
        raise UnreadableFile(
            "no axis with a signal of the same length was understood among "
            f"{', '.join(paths[:10]) or 'no arrays'}. "
            'Name them like bias_V and current_A, or say under [[column]] in a recipe: name = "...", '
            'read_as = "bias", unit = "V".'
        )
    return blocks


def _blocks(folders: Folders, entries: list[Entry], recipe: Recipe) -> list[Block]:
    found = {folder: block for folder, arrays in folders.items() if (block := _block(folder, arrays, recipe))}
    for folder, block in found.items():
        block.header.extend(_entries_of(folder, entries, list(found)))
    return list(found.values())


def _single_values(folders: Folders, recipe: Recipe) -> list[Entry]:
    """Arrays of one element, taken out of their folders: they say something about the sweeps."""
    entries = []
    number = 0
    for folder, arrays in folders.items():
        for path, (array, unit) in list(arrays.items()):
            number += 1
            if array.size == 1 and scalar_text(array) and recipe.entry(path, number) is None:
                del arrays[path]
                entries.append(Entry(_leaf(path), f"{scalar_text(array)} {unit}".strip(), path, folder))
    return entries


def _entries_of(folder: str, entries: list[Entry], blocks: list[str]) -> list[Entry]:
    """The entries about one of the folders that hold sweeps: those that lie no nearer to another one.

    Of several entries about one thing the nearest is taken: what a group says stands above what the file says.
    """
    nearest: dict[str, int] = {}
    found = []
    for entry in entries:
        depth = _shared(entry.folder, folder)
        if depth < max(_shared(entry.folder, other) for other in blocks):
            continue
        key = key_of(entry.key)[0]
        found.append((key, depth, entry))
        if key:
            nearest[key] = max(depth, nearest.get(key, 0))
    return [entry for key, depth, entry in found if not key or depth == nearest[key]]


def _shared(one: str, other: str) -> int:
    """How many folders two paths have in common from the top."""
    pairs = zip(re.split(r"[/.]", one), re.split(r"[/.]", other), strict=False)
    return sum(1 for _ in takewhile(lambda pair: pair[0] == pair[1] != "", pairs))


def scalar_text(value: Any) -> str:
    """A single value as a header would write it; "" if it is none.

    Parameters
    ----------
    value : any
        As an attribute or an array of a file holds it.
    """
    if isinstance(value, bytes):
        return value.decode("utf-8", "replace").strip()
    if isinstance(value, np.ndarray):
        return ", ".join(map(scalar_text, value.reshape(-1)[:20]))
    if isinstance(value, (bool, np.bool_)):
        return "yes" if value else "no"
    if isinstance(value, (str, np.str_)):
        return str(value).strip()
    if isinstance(value, (int, float, np.integer, np.floating)):
        return number_text(float(value))
    return ""


def _renamed(arrays: Mapping[str, tuple[np.ndarray, str]], names: list[str]) -> dict[str, tuple[np.ndarray, str]]:
    """Arrays called ``column 1`` ... under the names that a recipe gives columns; others as they are."""
    if not all(path.startswith("column ") for path in arrays):
        return dict(arrays)
    given = [*names, *[""] * len(arrays)]
    return {given[i] or path: array for i, (path, array) in enumerate(arrays.items())}


def _role_of(path: str, unit: str, number: int, recipe: Recipe) -> str:
    entry = recipe.entry(path, number)
    if entry:
        return entry.read_as
    found = understand(_leaf(path), unit).quantity
    return found if found in QUANTITIES.values() else ""


def _leaf(path: str) -> str:
    return re.split(r"[/.]", path)[-1] if not path.startswith("column ") else path


def _block(folder: str, arrays: Mapping[str, tuple[np.ndarray, str]], recipe: Recipe) -> Block | None:
    """One folder's arrays as columns with the points along the last axis; None if it holds no axis and signal."""
    roles = {p: _role_of(p, unit, i, recipe) for i, (p, (_, unit)) in enumerate(arrays.items(), 1)}
    numeric = {p: a for p, (a, _) in arrays.items() if a.dtype.kind in "fiu"}
    axes = [p for p, a in numeric.items() if roles[p] in ("bias", "tip bias", "height") and a.ndim <= 2]
    signals = [p for p in numeric if roles[p] in ("current", "lockin")]
    if not axes or not signals:
        return None
    points = max(numeric[p].shape[-1] for p in axes)
    moved = {p: _points_last(p, numeric[p], points, axes[0]) for p in signals}
    grid = next((a.shape[:-1] for a in moved.values() if a.ndim > 1), ())
    columns: list[Column] = []
    for path, (array, unit) in arrays.items():
        if path in moved:
            values = moved[path].astype(float)
            values = values.reshape(-1, points) if values.ndim > 1 else values
        elif path in axes:
            values = array.astype(float)
            if values.ndim == 2 and (values == values[:1]).all():
                values = values[0]
        else:
            found = _per_sweep(path, array, grid)
            if found is None and array.shape != (points,):
                columns.append(Column(_leaf(path), unit, np.full(points, np.nan), path))  # keeps its number
                continue
            values = _numbers_or_texts(array if found is None else found)
        columns.append(Column(_leaf(path), unit, values, path))
    return Block(columns, [], place=f"/{folder}" if folder else "", title=folder)


def _points_last(path: str, array: np.ndarray, points: int, axis: str) -> np.ndarray:
    fits = [d for d in range(array.ndim) if array.shape[d] == points]
    if not fits:
        raise UnreadableFile(
            f"'{path}' has shape {array.shape}, with no side of the {points} points of '{axis}'. "
            "Export both in the same shape."
        )
    return np.moveaxis(array, fits[-1], -1)


def _numbers_or_texts(array: np.ndarray) -> np.ndarray:
    if array.dtype.kind in "fiu":
        return array.astype(float)
    return np.asarray(array, object).astype(str).astype(object)


def _per_sweep(path: str, array: np.ndarray, grid: tuple[int, ...]) -> np.ndarray | None:
    """An array with one value per sweep, as (count,); the sides of a grid are spread over it."""
    if not grid or array.ndim == 0:
        return None
    if array.shape == grid:
        return array.reshape(-1)
    if array.shape == (math.prod(grid),):
        return array
    word = understand(_leaf(path)).quantity
    if array.ndim == 1 and len(grid) == 2:  # rows are y, columns are x
        if word == "x_m" and array.size == grid[1]:
            return np.tile(array, grid[0])
        if word == "y_m" and array.size == grid[0]:
            return np.repeat(array, grid[1])
    return None
