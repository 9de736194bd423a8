"""Text files as a whole: lines that are passed over, tables that are chosen."""

from __future__ import annotations

import pytest

from sts.loaders import Recipe, UnreadableFile
from sts.loaders.readers.text import read_text_file

TABLE = "V (mV)\tI (nA)\n1\t1\n2\t2\n3\t4\n"


def test_lines_at_both_ends_are_passed_over_as_a_recipe_says():
    (block,), _ = read_text_file(f"1\t2\n{TABLE}9\t9\n\n".encode(), Recipe(skip_lines=1, skip_last_lines=1))
    assert [column.name for column in block.columns] == ["V (mV)", "I (nA)"]
    assert block.columns[1].values.tolist() == [1.0, 2.0, 4.0]


def test_of_several_tables_those_that_a_recipe_asks_for_are_read():
    (block,), _ = read_text_file((TABLE + TABLE.replace("4", "5")).encode(), Recipe(blocks=[2]))
    assert block.columns[1].values.tolist() == [1.0, 2.0, 5.0]
    with pytest.raises(UnreadableFile, match=r"has 2 tables; the recipe asks for \[3\]"):
        read_text_file((TABLE + TABLE).encode(), Recipe(blocks=[3]))
