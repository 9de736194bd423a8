"""MATLAB files: structures, versions, and claims of size that are refused."""

from __future__ import annotations

import io
import struct
import tracemalloc
import zlib

import numpy as np
import pytest
import scipy.io
from numpy.testing import assert_array_equal

from sts.loaders import UnreadableFile, read_file

V = np.linspace(-1, 1, 5)


def test_a_variable_that_is_twice_in_a_matlab_file_is_refused(tmp_path):
    first, second = io.BytesIO(), io.BytesIO()
    scipy.io.savemat(first, {"bias_V": V, "current_A": V * 1e-9})
    scipy.io.savemat(second, {"current_A": V * 1e-12})
    path = tmp_path / "a.mat"
    path.write_bytes(first.getvalue() + second.getvalue()[128:])
    with pytest.raises(UnreadableFile, match="two variables of one name"):
        read_file(path)


BIAS = np.linspace(-1, 1, 41)


CURRENT = np.random.default_rng(1).normal(size=(6, 41)) * 1e-9


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


@pytest.mark.parametrize("kind", [0, 8, 10, 19, 0x0409, 0xFFFF])
def test_an_element_of_an_unknown_type_is_refused_before_the_reader_ends_the_program(tmp_path, kind):
    """MathWorks, "MAT-File Format" (level 5), table of data types: 1 to 7, 9 and 12 to 18. One flipped bit made of a 9 a 0x0409."""
    stream = io.BytesIO()
    scipy.io.savemat(stream, {"bias_V": V, "current_A": V * 1e-9}, do_compression=False)
    path = tmp_path / "a.mat"
    content = stream.getvalue()
    doubles = struct.pack("<II", 9, 8 * V.size)
    assert content.count(doubles) == 2
    path.write_bytes(content.replace(doubles, struct.pack("<II", kind, 8 * V.size), 1))
    with pytest.raises(UnreadableFile, match=r"unknown type|cut off or damaged"):
        read_file(path)


def test_a_matlab_file_that_unpacks_a_thousandfold_is_refused(tmp_path):
    path = tmp_path / "bomb.mat"
    scipy.io.savemat(path, {"bias_V": np.zeros(4_000_000)}, do_compression=True)
    with pytest.raises(UnreadableFile, match=r"unpacks to more than 10 MB from 0\.0"):
        read_file(path)
