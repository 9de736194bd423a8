"""numpy's own files: one array (.npy) or an archive of named ones (.npz). Pickled objects are never opened."""

from __future__ import annotations

import io
import math
import warnings
import zipfile

import numpy as np

from sts.loaders.arrays import Folders
from sts.loaders.block import Entry
from sts.loaders.limits import check_array_size, check_zip
from sts.loaders.loaded import UnreadableFile, shown

_MAGIC = b"\x93NUMPY"


def is_npy(content: bytes) -> bool:
    """Whether these are the bytes of an .npy file.

    Parameters
    ----------
    content : bytes
    """
    return content.startswith(_MAGIC)


def is_npz(content: bytes) -> bool:
    """Whether these are the bytes of an archive of arrays.

    Parameters
    ----------
    content : bytes
    """
    return content.startswith(b"PK\x03\x04") and b".npy" in content[:200]


def npy_arrays(content: bytes) -> tuple[Folders, list[Entry]]:
    """The arrays of an .npy file: the fields of a record array, the columns of a bare table, or the one.

    Parameters
    ----------
    content : bytes

    Raises
    ------
    UnreadableFile
        If it holds objects, is cut off, or claims an absurd size.
    """
    values = _array(content)
    if values.dtype.names:
        arrays = {str(n): np.asarray(values[n]) for n in values.dtype.names}
    elif values.ndim == 2:  # a bare table: the shorter side counts the columns
        rows = values if values.shape[0] <= values.shape[1] else values.T
        arrays = {f"column {i}": row for i, row in enumerate(rows, 1)}
    else:
        arrays = {"column 1": values}
    return {"": {name: (array, "") for name, array in arrays.items()}}, []


def npz_arrays(content: bytes) -> tuple[Folders, list[Entry]]:
    """The arrays of an archive, by name.

    Parameters
    ----------
    content : bytes

    Raises
    ------
    UnreadableFile
        As `npy_arrays`, or if two arrays have one name.
    """
    check_zip(content)
    arrays: dict[str, tuple[np.ndarray, str]] = {}
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        for member in archive.namelist():
            if member.endswith(".npy"):
                if member.removesuffix(".npy") in arrays:
                    raise UnreadableFile(f"holds two arrays called {shown(member)}. Save each under a name of its own.")
                try:
                    arrays[member.removesuffix(".npy")] = _array(archive.read(member)), ""
                except UnreadableFile as error:
                    raise error.inside(member) from None
    return {"": arrays}, []


def _array(content: bytes) -> np.ndarray:
    """The array of an .npy file, without a copy; objects and absurd sizes are refused before memory is taken."""
    stream = io.BytesIO(content)
    version = np.lib.format.read_magic(stream)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        read = np.lib.format.read_array_header_1_0 if version == (1, 0) else np.lib.format.read_array_header_2_0
        shape, fortran, dtype = read(stream)
    if dtype.hasobject:
        raise UnreadableFile("holds pickled objects, which are never opened. Save plain numbers.")
    count, start = math.prod(int(n) for n in shape), stream.tell()
    size = count * dtype.itemsize
    check_array_size(size)
    if size > len(content) - start:
        raise UnreadableFile(
            f"claims {size} bytes of numbers but holds {len(content) - start}; it is cut off. Copy it again."
        )
    values = np.frombuffer(content, dtype, count, start)
    return values.reshape(shape[::-1]).T if fortran else values.reshape(shape)
