"""MATLAB files up to version 7 (7.3 is HDF5): read by scipy, once their claims of size have been checked.

The reader makes room for as many cells as a header says before it looks for them; a tiny file could take all memory.
"""

from __future__ import annotations

import io
import math
import re
import struct
import warnings
import zlib
from typing import Any

import numpy as np

from sts.loaders.arrays import Folders
from sts.loaders.block import Entry
from sts.loaders.limits import largest_unpacked
from sts.loaders.loaded import UnreadableFile

# MathWorks, "MAT-File Format" (level 5): types of elements, and classes of arrays that have other parts than the rest
_MATRIX, _COMPRESSED = 14, 15
_SPARSE, _FUNCTION, _OPAQUE = 5, 16, 17
_KNOWN = {1, 2, 3, 4, 5, 6, 7, 9, 12, 13, 16, 17, 18, _MATRIX, _COMPRESSED}  # the others are of numbers and texts
_HEADER = 128  # [bytes]
_DEEPEST = 32


def is_matlab(content: bytes) -> bool:
    """Whether these are the bytes of a MATLAB file before version 7.3.

    Parameters
    ----------
    content : bytes
    """
    return content.startswith(b"MATLAB 5.0 MAT-file") or bool(re.match(rb"MATLAB[\x20-\x7e]{20,}", content[:116]))


def matlab_arrays(content: bytes) -> tuple[Folders, list[Entry]]:
    """The arrays of a MATLAB file by structure and name, those of structures as ``name.field``.

    Parameters
    ----------
    content : bytes

    Raises
    ------
    UnreadableFile
        If it claims more than it holds; the reader's own errors for other damage.
    """
    import scipy.io

    order = "<" if content[126:128] == b"IM" else ">"
    _check_claims(memoryview(content)[_HEADER:], order)
    with warnings.catch_warnings(record=True) as told:
        warnings.simplefilter("always")
        stream: Any = io.BytesIO(content)
        loaded = scipy.io.loadmat(stream, squeeze_me=True, struct_as_record=True, chars_as_strings=True)
    twice = next((str(w.message) for w in told if "Duplicate variable name" in str(w.message)), "")
    if twice:
        raise UnreadableFile(
            f"holds two variables of one name ({twice.splitlines()[0]}). Save each under a name of its own."
        )
    result: dict[str, np.ndarray] = {}
    for key, value in loaded.items():
        if not key.startswith("__"):
            _flatten(key, value, result)
    folders: Folders = {}
    for key, array in result.items():
        folders.setdefault(key.rpartition(".")[0], {})[key] = array, ""
    return folders, []


def _flatten(prefix: str, value: Any, result: dict[str, np.ndarray]) -> None:
    array = np.asarray(value)
    if array.dtype.names:
        for field in array.dtype.names:
            _flatten(f"{prefix}.{field}", array[field].item() if array.ndim == 0 else array[field], result)
    elif array.dtype != object:
        result[prefix] = array


def _check_claims(data: memoryview, order: str, depth: int = 0) -> None:
    """Refuse elements that claim more bytes than there are, or arrays of more numbers or cells than bytes."""
    at = 0
    while at + 8 <= len(data) and depth < _DEEPEST:
        kind, size = struct.unpack_from(f"{order}II", data, at)
        if depth and (kind & 0xFFFF) not in _KNOWN:  # the reader ends the program for it
            raise UnreadableFile(
                f"holds an element of the unknown type {kind & 0xFFFF}; it is damaged. Copy or save it again."
            )
        if kind >> 16:  # up to four bytes, within the tag
            at += 8
            continue
        body = data[at + 8 : at + 8 + size]
        if size > len(body):
            raise UnreadableFile(
                f"claims {size} bytes where {len(body)} are left; it is cut off or damaged. Copy or save it again."
            )
        if kind == _COMPRESSED:
            _check_claims(memoryview(_unpacked(body)), order, depth + 1)
        elif kind == _MATRIX:
            _check_array(body, order)
            _check_claims(body, order, depth + 1)
        at += 8 + (size if kind == _COMPRESSED else -(-size // 8) * 8)


def _check_array(body: memoryview, order: str) -> None:
    """`body` begins with the flags (16 bytes) and the sides of the array."""
    if len(body) < 32:
        return
    (flags,) = struct.unpack_from(f"{order}I", body, 8)
    (length,) = struct.unpack_from(f"{order}I", body, 20)
    if flags & 0xFF in (_SPARSE, _FUNCTION, _OPAQUE) or length > len(body) - 24:
        return
    sides = struct.unpack_from(f"{order}{length // 4}i", body, 24)
    count = math.prod(max(side, 0) for side in sides)
    if count > len(body):
        raise UnreadableFile(
            f"an array claims {count} numbers or cells in {len(body)} bytes; not opened. Save it again."
        )


def _unpacked(body: memoryview) -> bytes:
    most = largest_unpacked(len(body))
    unpacked = zlib.decompressobj().decompress(body, most + 1)
    if len(unpacked) > most:
        raise UnreadableFile(
            f"unpacks to more than {most / 1e6:.0f} MB from {len(body) / 1e6:.3f} MB; not opened. Save it in parts."
        )
    return unpacked
