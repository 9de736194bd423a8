"""Hand-made awkward files, one habit of benches and spreadsheets each: the right numbers, or the right refusal.

The truth is the same small table in nearly every file; it was typed, not computed by the loader.
"""

from __future__ import annotations

import re
import time
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sts.loaders import UnreadableFile, read_file

FILES = Path(__file__).resolve().parent / "files"
V = [-2.0, -1.0, 0.0, 1.0, 2.0]  # mV
I = [-3.5, -1.25, 0.0, 1.5, 3.75]  # nA  # noqa: E741
Z = [0.0, 0.1, 0.2, 0.3, 0.4]  # nm
DECAY = [8.0, 4.0, 2.0, 1.0, 0.5]  # nA
NAN = np.nan

# start of the name -> kind, axis, one row of current a sweep
NUMBERS = {
    **{f"{n:02d}_": ("iv", V, [I]) for n in [*range(1, 32), *range(33, 39), 50, 57, 58, *range(60, 68)]},
    "32_": ("iv", V, [[-3.5, NAN, NAN, NAN, 3.75]]),
    "39_": ("iv", V, [I, I]),
    "40_": ("iv", V, [I, I]),
    "41_": ("iv", V, [I, [-3.0, -0.75, 0.5, 2.0, 4.25]]),
    "42_": ("iv", V, [I, I]),
    "43_": ("iz", Z, [DECAY, [8.8, 4.4, 2.2, 1.1, 0.55]]),
    "44_": ("iz", Z, [DECAY]),
    "45_": ("iz", Z, [DECAY]),
    "46_": ("iz", Z, [DECAY]),
    "47_": ("iv", V, [I, [-7.0, -2.5, 0.0, 3.0, 7.5]]),
    "48_": ("iv", V, [I, I]),
    "49_": ("iv", V, [I, I, I]),
    "51_": ("iv", V, [[NAN] * 5]),
    "52_": ("iv", V, [[NAN] * 5]),
    "53_": ("iv", V, [I, I]),
    "54_": ("iv", V, [I, I, I]),
    "55_": ("iv", V, [I, I]),
    "56_": ("iv", V, [[-3.75, -1.5, 0.0, 1.25, 3.5]]),
    "59_": ("iv", V, [[-3.5, -1.25, 0.0, 1.5, NAN]]),
}
REFUSALS = {
    "70_": "is empty",
    "71_": "is empty",
    "72_": "is not text",
    "73_": r"column 1 'V': has no unit.*unit = \"mV\"",
    "74_": r"column 2 'I': has no unit.*unit = \"nA\"",
    "75_": r"line 3, column 2 'I \(nA\)': found 'oops', expected a number with decimal point",
    "76_": "constant value 0.005 V",
    "77_": r"comma may stand between cells.*4 numbers \(1 \| 0 \| 1 \| 5\) or as 2 \(1.0 \| 1.5\)",
    "78_": "comma may stand between cells or be the decimal mark",
    "79_": "height is in volts.*height_scale_m_per_V",
    "80_": "current is in volts.*no gain.*scale = ",
    "81_": "no line above the numbers names the 2 columns",
    "82_": "one number per line",
    "83_": r"reaches 2e\+06 V.*mV, not MV",
    "84_": "unit 'mv' is not one of bias",
    "85_": "line 3: found 3 cells, '-1,-1.25,7', expected a row of 2 numbers",
    "86_": "line 3: found '-1', expected a row of 2 numbers",
    "87_": "line 7: found 'end of data'.*skip_last_lines = 1",
    "88_": "no column was understood as bias or height",
    "89_": "both bias and height change",
    "90_": "both comma and point",
    "91_": "expected a row of two or more numbers",
    "92_": "is not text",
    "93_": "expected numbers. Check the decimal mark",
    "94_": "is dV/dI, not dI/dV",
    "95_": "pickled objects, which are never opened",
    "96_": "claims 10.0 GB",
    "97_": "damaged archive",
    "98_": "claims 2147483647 bytes where 20 are left",
}


def file(start: str) -> Path:
    (path,) = FILES.glob(f"{start}*")
    return path


def test_there_are_at_least_sixty_files_and_each_has_its_expectation():
    starts = {path.name[:3] for path in FILES.iterdir()}
    assert len(starts) >= 60
    assert starts == set(NUMBERS) | set(REFUSALS)


@pytest.mark.parametrize("start", NUMBERS)
def test_right_numbers(start):
    kind, axis, current = NUMBERS[start]
    (sweeps,) = read_file(file(start)).sets
    assert sweeps.kind == kind
    assert_allclose(sweeps.axis * (1e3 if kind == "iv" else 1e9), axis, rtol=1e-12, atol=1e-12)
    assert_allclose(sweeps.current * 1e9, current, rtol=1e-12, atol=1e-12)


@pytest.mark.parametrize("start", REFUSALS)
def test_right_refusal_in_one_line_within_two_seconds(start):
    began = time.process_time()  # of this process: other work on the machine does not count
    with pytest.raises(UnreadableFile, match=REFUSALS[start]) as caught:
        read_file(file(start))
    assert time.process_time() - began < 2
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith(file(start).name)


@pytest.mark.parametrize(
    ("start", "note"),
    [
        ("12_", "read as UTF-16"),
        ("14_", "Windows-1252"),
        ("35_", r"last line \(line 7\) is cut off"),
        ("36_", r"last line \(line 7\) is cut off"),
        ("39_", "split into 2 sweeps"),
        ("41_", "forward taken as up"),
        ("56_", "bias turned"),
        ("56_", "current turned with the bias"),
        ("57_", "header says it is inverted"),
        ("58_", "5 repeated values of the bias were averaged"),
        ("59_", "1 samples marked as overload"),
        ("63_", "not used: 'helium level"),
    ],
)
def test_what_was_done_is_said(start, note):
    notes = read_file(file(start)).notes
    assert any(re.search(note, n) for n in notes), notes


@pytest.mark.parametrize(
    ("start", "column", "values"),
    [
        ("21_", "tip", ["heron"]),
        ("21_", "temperature_K", [4.2]),
        ("23_", "setpoint_current_A", [50e-12]),
        ("24_", "site", ["b"]),
        ("25_", "tip", ["heron"]),
        ("38_", "direction", ["down"]),
        ("37_", "direction", [""]),  # a rising axis may have been sorted
        ("39_", "direction", ["up", "down"]),
        ("43_", "direction", ["retract", "approach"]),
        ("47_", "tip", ["heron", "plover"]),
        ("47_", "sweep", ["47_long_table_1", "47_long_table_2"]),
        ("48_", "tip", ["old tip", "new tip"]),
        ("49_", "repeat", [1, 2, 3]),
        ("53_", "tip", ["heron", "plover"]),
        ("54_", "repeat", [1, 2, 3]),
        ("56_", "direction", [""]),
        ("60_", "tip", ["heron"]),
        ("62_", "started", ["2024-03-01 12:30:05"]),
    ],
)
def test_header_and_columns_fill_the_table(start, column, values):
    (sweeps,) = read_file(file(start)).sets
    assert list(sweeps.table[column]) == values


def test_lockin_has_the_unit_that_the_file_says_and_no_other():
    assert read_file(file("50_")).sets[0].lockin_unit == "S"
    assert_allclose(read_file(file("50_")).sets[0].lockin, [[1e-9, 2e-9, 3e-9, 4e-9, 5e-9]])
    assert read_file(file("51_")).sets[0].lockin_unit == ""
    assert read_file(file("52_")).sets[0].lockin_unit == ""
