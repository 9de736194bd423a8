"""Previews: what each thing was taken for, and a recipe that reads the file."""

from __future__ import annotations

import pytest
from loaders.written import recipe, sweeps
from numpy.testing import assert_allclose

from sts.loaders import UnreadableFile, preview_file, read_file


def test_preview_says_what_each_thing_was_taken_for_and_its_recipe_reads_the_file(tmp_path):
    path = tmp_path / "a.txt"
    path.write_text(
        "# tip: heron\n# helium: 50 %\nV (mV)\tI (nA)\tlevel\n0\t1\t9\n1\t2\t9\n2\t3\t9\n", encoding="utf-8"
    )
    seen = preview_file(path)
    assert seen.problem == ""
    assert list(seen.columns["read_as"]) == ["bias", "current", ""]
    assert list(seen.columns["unit"]) == ["mV", "nA", ""]
    assert seen.columns["first"][1] == "1, 2, 3"
    assert list(seen.metadata["read_as"]) == ["tip", ""]
    assert list(seen.metadata["place"]) == ["line 1", "line 2"]
    assert list(seen.sweeps["points"]) == [3]
    for word in ("a.txt: read as text, 1 sweeps", "helium", "line 2", "not used: 'level'", "[[column]]"):
        assert word in str(seen)
    again = sweeps(tmp_path, path.read_text(encoding="utf-8"), recipe(tmp_path, seen.recipe), name="a.txt")
    assert_allclose(again.current, read_file(path).sets[0].current)


def test_preview_of_a_file_that_does_not_read_gives_the_problem_and_a_recipe_to_fill_in(tmp_path):
    path = tmp_path / "a.txt"
    path.write_text("alpha\tbeta\n0\t1\n1\t2\n", encoding="utf-8")
    seen = preview_file(path)
    assert "no column was understood as bias or height" in seen.problem
    toml = seen.recipe
    assert '# name = "alpha"' in toml
    filled = (
        toml.replace("# [[column]]", "[[column]]").replace("# name = ", "name = ").replace('# unit = ""', 'unit = "X"')
    )
    filled = filled.replace('# read_as = "current"', 'read_as = "bias"', 1).replace('unit = "X"', 'unit = "mV"', 1)
    filled = filled.replace('# read_as = "current"', 'read_as = "current"').replace('unit = "X"', 'unit = "nA"')
    path.write_text("alpha\tbeta\n0\t1\n1\t2\n", encoding="utf-8")
    (s,) = read_file(path, recipe=recipe(tmp_path, filled)).sets
    assert_allclose(s.axis, [0, 1e-3])


def test_no_such_file_is_said(tmp_path):
    with pytest.raises(UnreadableFile, match="cannot be read"):
        read_file(tmp_path / "none.txt")
    with pytest.raises(UnreadableFile, match=r"is a folder|cannot be read"):
        read_file(tmp_path)
