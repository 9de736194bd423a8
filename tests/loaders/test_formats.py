"""The kinds of files are told apart by their first bytes, whatever they are called."""

from __future__ import annotations

import io

import h5py
import numpy as np
import openpyxl
import pytest
import scipy.io

from sts.loaders.formats import FORMATS
from sts.loaders.reading import format_of, read_bytes

V = np.linspace(-1, 1, 9)


def written(kind: str) -> bytes:
    """One sweep, bias_V and current_A, as other libraries write it."""
    stream = io.BytesIO()
    if kind == "npy":
        np.save(stream, np.array(list(zip(V, V * 1e-9, strict=True)), [("bias_V", float), ("current_A", float)]))
    elif kind == "npz":
        np.savez(stream, bias_V=V, current_A=V * 1e-9)
    elif kind == "matlab":
        scipy.io.savemat(stream, {"bias_V": V, "current_A": V * 1e-9})
    elif kind == "hdf5":
        with h5py.File(stream, "w") as file:
            file["bias_V"], file["current_A"] = V, V * 1e-9
    elif kind == "workbook":
        book = openpyxl.Workbook()
        for row in [("bias_V", "current_A"), *zip(V.tolist(), (V * 1e-9).tolist(), strict=True)]:
            book.active.append(row)
        book.save(stream)
    else:
        rows = "".join(f"{v!r}\t{i!r}\n" for v, i in zip(V.tolist(), (V * 1e-9).tolist(), strict=True))
        return f"bias_V\tcurrent_A\n{rows}".encode()
    return stream.getvalue()


@pytest.mark.parametrize("kind", [format.name for format in FORMATS])
def test_every_kind_is_known_by_its_bytes_and_gives_the_same_sweep(kind):
    content = written(kind)
    assert format_of(content).name == kind
    file = read_bytes(content, "misleading.name")
    assert file.reader == kind
    (sweeps,) = file.sets
    assert (sweeps.axis.tolist(), sweeps.current.tolist()) == (V.tolist(), [(V * 1e-9).tolist()])


def test_anything_else_is_taken_for_text():
    assert FORMATS[-1].name == "text"
    assert format_of(b"\x00\x01\x02").name == "text"
