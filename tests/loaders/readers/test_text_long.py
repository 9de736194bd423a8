"""Long text files are read in pieces: the same blocks and notes as whole, or the way of short files; and in little memory.

The reference is the way of short files, which reads the same bytes whole; `in_pieces` makes long files of some thousand bytes.
"""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from sts.loaders import Recipe, UnreadableFile
from sts.loaders.block import Block
from sts.loaders.readers import text_long
from sts.loaders.readers.text import read_text_file
from sts.loaders.readers.text_long import long_block

X = np.tile(np.r_[np.linspace(-1, 1, 75), np.linspace(1, -1, 75)], 6)
Y = 3 * X + 0.01 * np.random.default_rng(1).normal(size=X.size)
NAMES = "V (V)\tI (nA)\n"
UMLAUT = "# Präparat: Gold, 5 µm\n"


def rows(delimiter: str = "\t", decimal: str = ".", end: str = "\n") -> list[str]:
    cells = [f"{a:.5f}{delimiter}{b:.6e}{end}" for a, b in zip(X, Y, strict=True)]
    return [row.replace(".", decimal) for row in cells]


def changed(place: int, row: str) -> bytes:
    """A table in which one row is another one."""
    table = rows()
    table[place] = row
    return (NAMES + "".join(table)).encode()


PLAIN = "".join(rows())
ALIKE = {
    "tabs": f"# tip: heron\n{NAMES}{PLAIN}".encode(),
    "decimal commas": ("tip;heron\nV (V);I (nA)\n" + "".join(rows(";", ","))).encode(),
    "commas": ("V (V),I (nA)\n" + "".join(rows(","))).encode(),
    "spaces and units in a line": ("% V  I\n% V  nA\n" + "".join(rows("  "))).encode(),
    "lines of Windows": (NAMES + PLAIN).replace("\n", "\r\n").encode(),
    "a byte-order mark": b"\xef\xbb\xbf" + (NAMES + PLAIN).encode(),
    "a header in Windows-1252": (UMLAUT + NAMES + PLAIN).encode("cp1252"),
    "a header in UTF-8": (UMLAUT + NAMES + PLAIN).encode(),
    "no names": PLAIN.encode(),
    "a delimiter at the end of each row": ("V (V);I (nA);\n" + "".join(rows(";", end=";\n"))).encode(),
    "the mark at the end of old files": (NAMES + PLAIN).encode() + b"\x1a",
    "empty lines at the end": (NAMES + PLAIN).encode() + b"\n \n\n",
    "no end of the last line": (NAMES + PLAIN).encode()[:-1],
    "exponents of Fortran": (NAMES + PLAIN.replace("e", "D")).encode(),
    "a missing number": changed(400, "0.5\tNaN\n"),
    "an empty cell": changed(400, "0.5\t\n"),
    "quotes": changed(400, '"0.5"\t"1.5"\n'),
    "empty lines between sweeps": (
        NAMES + "\n \n".join("".join(rows()[i : i + 75]) for i in range(0, X.size, 75))
    ).encode(),
    "texts": ("V (V)\tI (nA)\tsite\n" + "".join(rows(end="\tleft\n"))).encode(),
    "a line to be passed over": ("1\t2\n" + NAMES + PLAIN).encode(),
}
OTHERWISE = {
    "a comment between rows": changed(400, "# here the tip changed\n"),
    "a second table": (NAMES + PLAIN + "\n" + NAMES + PLAIN).encode(),
    "a minus of typesetters": changed(400, "\N{MINUS SIGN}0.5\t1.5\n"),
    "UTF-16": (NAMES + PLAIN).encode("utf-16"),
    "lines of old systems": (NAMES + PLAIN).replace("\n", "\r").encode(),
    "a last number that is cut off": (NAMES + PLAIN).encode()[:-5],
    "a last row that is cut off": (NAMES + PLAIN + "0.5").encode(),
    "values in rows": ("\n".join("\t".join(f"{v:.6e}" for v in part) for part in (np.linspace(0, 1, 900), Y))).encode(),
}
REFUSED = {
    "a word among the numbers": changed(400, "0.5\toops\n"),
    "a row that is short": changed(400, "0.5\n"),
    "a row that is long": changed(400, "0.5\t1\t2\n"),
    "a character that is none": changed(400, "0.5\t1\x01\n"),
    "thousands, perhaps": ("V (mV)\tI (nA)\n" + "".join(f"{n},000\t{n},125\n" for n in range(1, 900))).encode(),
    "a comma for two": ("".join(f"{n},{n},{n},5\n" for n in range(1, 900))).encode(),
}


@pytest.fixture
def in_pieces(monkeypatch):
    for name, size in {"LONG": 0, "PIECE": 1 << 11, "END": 1 << 12}.items():
        monkeypatch.setattr(text_long, name, size)


def whole(content: bytes, monkeypatch: pytest.MonkeyPatch, recipe: Recipe) -> tuple[list[Block], list[str]]:
    with monkeypatch.context() as patch:
        patch.setattr(text_long, "LONG", len(content) + 1)
        return read_text_file(content, recipe)


@pytest.mark.parametrize("case", ALIKE)
def test_a_long_file_is_read_as_a_short_one_is(case, in_pieces, monkeypatch):
    content = ALIKE[case]
    recipe = Recipe(skip_lines=1) if "passed over" in case else Recipe()
    (expected,), expected_notes = whole(content, monkeypatch, recipe)
    found = long_block(content, recipe)
    assert found is not None
    block, notes = found
    assert notes == expected_notes
    for name in ("header", "decimal", "breaks", "place", "notes", "title", "in_rows"):
        assert getattr(block, name) == getattr(expected, name), name
    assert [(c.name, c.unit) for c in block.columns] == [(c.name, c.unit) for c in expected.columns]
    for column, other in zip(block.columns, expected.columns, strict=True):
        assert column.values.dtype == other.values.dtype
        assert_array_equal(column.values, other.values)


@pytest.mark.parametrize("case", OTHERWISE)
def test_what_is_not_one_plain_table_is_left_to_the_way_of_short_files(case, in_pieces, monkeypatch):
    content = OTHERWISE[case]
    assert long_block(content, Recipe()) is None
    blocks, notes = read_text_file(content, Recipe())
    expected, expected_notes = whole(content, monkeypatch, Recipe())
    assert (len(blocks), notes) == (len(expected), expected_notes)
    assert [b.notes for b in blocks] == [b.notes for b in expected]


@pytest.mark.parametrize("case", REFUSED)
def test_a_refusal_names_the_line_of_the_whole_file(case, in_pieces, monkeypatch):
    with pytest.raises(UnreadableFile) as expected:
        whole(REFUSED[case], monkeypatch, Recipe())
    with pytest.raises(UnreadableFile) as found:
        read_text_file(REFUSED[case], Recipe())
    assert str(found.value) == str(expected.value)


def test_a_file_is_long_from_16_MB_on():
    """As the documentation says; the ends that are looked at do not overlap then."""
    assert text_long.LONG == 1 << 24
    assert text_long.LONG > 2 * text_long.END
    assert long_block(ALIKE["tabs"], Recipe()) is None


def test_reading_takes_the_memory_of_the_numbers_and_of_a_few_pieces(monkeypatch):
    """Two columns of 8 bytes a number; the text, or a list of its cells, alone would be more than is allowed."""
    for name, size in {"LONG": 0, "PIECE": 1 << 14, "END": 1 << 14}.items():
        monkeypatch.setattr(text_long, name, size)
    content = (NAMES + PLAIN * 30).encode()
    numbers = 2 * 8 * X.size * 30
    read_text_file(content, Recipe())
    tracemalloc.start()
    read_text_file(content, Recipe())
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < numbers + 30 * (1 << 14)
    assert numbers + 30 * (1 << 14) < len(content) + numbers
