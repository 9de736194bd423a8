"""Properties: what pandas writes in any dialect comes back; damage gives a refusal in one line, never a traceback."""

from __future__ import annotations

import io

import numpy as np
import pandas as pd
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_array_equal
from studies.mutations import tally

from sts.loaders import UnreadableFile
from sts.loaders.magnitudes import plausible
from sts.loaders.reading import read_bytes

numbers = st.integers(-18_000, 18_000).map(lambda n: n / 1000)
dialects = st.sampled_from([(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ","), (" ", "."), ("|", ".")])
encodings = st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252"])
units = st.sampled_from([("V", 1), ("mV", 1e3), ("µV", 1e6)])
ends = st.sampled_from(["\n", "\r\n", "\r"])


@settings(max_examples=150, deadline=None)
@given(
    axis=st.lists(numbers, min_size=6, max_size=40, unique=True).map(sorted),
    seed=st.integers(0, 2**32 - 1),
    dialect=dialects,
    encoding=encodings,
    unit=units,
    end=ends,
    header=st.booleans(),
    descending=st.booleans(),
)
def test_a_table_written_by_pandas_comes_back(axis, seed, dialect, encoding, unit, end, header, descending):
    delimiter, decimal = dialect
    assume(plausible("bias", np.array(axis) / unit[1]))
    current = np.random.default_rng(seed).normal(size=len(axis)).round(5)
    symbol, per_volt = unit
    names = [f"V_({symbol})", "I_(nA)"] if delimiter == " " else [f"V ({symbol})", "I (nA)"]
    frame = pd.DataFrame({names[0]: axis, names[1]: current})
    frame = frame[::-1] if descending else frame
    text = frame.to_csv(sep=delimiter, decimal=decimal, index=False, lineterminator=end)
    text = (f"# tip: heron{end}# temperature: 4.2 K{end}" if header else "") + text
    (sweeps,) = read_bytes(text.encode(encoding), "t.txt").sets
    bias = np.array(axis) / per_volt if per_volt > 1 else np.array(axis)
    assert_array_equal(sweeps.axis, bias + 0.0)
    assert_array_equal(sweeps.current[0], current / 1e9 + 0.0)
    assert list(sweeps.table["tip"]) == ["heron" if header else ""]


@settings(max_examples=60, deadline=None)
@given(sweeps=st.integers(1, 5), points=st.integers(3, 12), seed=st.integers(0, 2**32 - 1), shuffle=st.booleans())
def test_a_long_table_comes_back_whatever_the_order_of_its_sweeps(sweeps, points, seed, shuffle):
    rng = np.random.default_rng(seed)
    height = np.sort(rng.choice(1000, points, replace=False)) / 100
    current = rng.normal(size=(sweeps, points)).round(6)
    frame = pd.DataFrame(
        {
            "sweep": np.repeat([f"c{k}" for k in range(sweeps)], points),
            "z_nm": np.tile(height, sweeps),
            "I_pA": current.ravel(),
        }
    )
    if shuffle:  # rows of different sweeps mixed, each in its own order
        frame = frame.iloc[np.argsort(rng.permutation(len(frame)) // sweeps, kind="stable")]
        frame = frame.sort_values("z_nm", kind="stable")
    (s,) = read_bytes(frame.to_csv(index=False).encode(), "t.csv").sets
    order = [s.names.index(f"c{k}") for k in range(sweeps)]
    assert_array_equal(s.axis, height / 1e9)
    assert_array_equal(s.current[order], current / 1e12 + 0.0)


def test_mutations_of_good_files_are_read_or_refused_in_one_line():
    found = tally(1400, seed=7)
    assert found.files == 1400
    assert found.read > 100
    assert found.refused > 100
    assert not found.ended, found.ended[0]
    assert not found.no_memory, found.no_memory[0]
    assert not found.tracebacks, found.tracebacks[0]
    assert not found.slow
    assert not found.long_lines
    assert not found.kind_changed


def refusal_of(content: bytes) -> str:
    try:
        read_bytes(content, "x")
    except UnreadableFile as refusal:
        return str(refusal)
    return ""


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused(content):
    assert "\n" not in refusal_of(content)


@settings(max_examples=200, deadline=None)
@given(st.text(alphabet="0123456789.,;\t \n-+eEVIzmnA()[]#:/'\"abc", max_size=120))
def test_any_text_of_the_characters_of_such_files_is_read_or_refused(text):
    assert "\n" not in refusal_of(text.encode())


def test_a_large_table_is_parsed_like_a_small_one():
    """Above the size at which the C engine of pandas takes over."""
    v = np.linspace(-1, 1, 20_001)
    i = np.random.default_rng(3).normal(size=v.size)
    stream = io.StringIO()
    pd.DataFrame({"V (V)": v, "I (nA)": i}).to_csv(stream, index=False, sep=";", decimal=",")
    (s,) = read_bytes(stream.getvalue().encode(), "big.csv").sets
    assert_array_equal(s.axis, v)
    assert_array_equal(s.current[0], i / 1e9)
