"""How the files of a call are read: which recipe, which names, which decimal mark."""

from __future__ import annotations

import pytest

from sts.loaders import UnreadableFile
from sts.loaders.bare import AmbiguousComma, BareColumns, named_columns
from sts.loaders.folders import find_files
from sts.loaders.how import HowToRead
from sts.loaders.recipe import NO_RECIPE, Recipe
from sts.loaders.rows import ValuesInRows

BARE = "-1 -2\n0 0\n1 2\n"


def found(tmp_path, text, name="heron_1.txt"):
    (tmp_path / name).write_text(text)
    return find_files([tmp_path / name]).files[0]


def test_the_first_recipe_that_fits_a_file_is_used():
    zs, others = Recipe(files="c_z*", kind="iz"), Recipe()
    how = HowToRead((zs, others))
    assert how.recipe_for("gold/c_z1.txt") is zs
    assert how.recipe_for("gold/c_v1.txt") is others
    assert HowToRead((zs,)).recipe_for("gold/c_v1.txt") is NO_RECIPE


def test_names_are_given_only_to_columns_that_have_none(tmp_path):
    how = HowToRead(columns=[named_columns("V (mV), I (nA)")])
    assert how.read(found(tmp_path, BARE)).sets[0].current[0].tolist() == pytest.approx([-2e-9, 0, 2e-9])
    named = "bias (V) current (pA)\n" + BARE
    assert how.read(found(tmp_path, named)).sets[0].current[0].tolist() == pytest.approx([-2e-12, 0, 2e-12])


def test_names_of_another_number_of_columns_are_refused_and_other_files_left(tmp_path):
    how = HowToRead(columns=[named_columns("V (mV), I (nA), -")])
    with pytest.raises(UnreadableFile, match="has 2 columns without names; --columns names 3"):
        how.read(found(tmp_path, BARE))
    other = HowToRead(columns=[named_columns("ibis*: V (mV), I (nA)")])
    with pytest.raises(BareColumns, match="Perhaps --columns"):
        other.read(found(tmp_path, BARE))


def test_a_decimal_mark_decides_only_where_a_comma_may_be_either(tmp_path):
    both = "V (mV),I (nA)\n" + "".join(f"{i},000;{i},500\n" for i in range(1, 6)).replace(";", "\t")
    with pytest.raises(AmbiguousComma):
        HowToRead().read(found(tmp_path, both.replace("V (mV),", "V (mV)\t")))
    read = HowToRead(decimal=",").read(found(tmp_path, both.replace("V (mV),", "V (mV)\t")))
    assert read.sets[0].axis.tolist() == pytest.approx([1e-3, 2e-3, 3e-3, 4e-3, 5e-3])
    assert 'decimal = ","' in read.recipe
    plain = HowToRead(decimal=",").read(found(tmp_path, "V (mV),I (nA)\n1.5,1\n2.5,2\n3.5,3\n"))
    assert plain.sets[0].axis.tolist() == pytest.approx([1.5e-3, 2.5e-3, 3.5e-3])


def test_a_file_brings_its_place_and_its_time(tmp_path):
    (tmp_path / "gold").mkdir()
    (tmp_path / "gold" / "a.txt").write_text("V (mV) I (nA)\n" + BARE)
    read = HowToRead().read(find_files([tmp_path / "gold"]).files[0])
    assert read.path == "gold/a.txt"
    assert read.above.endswith(tmp_path.name)
    assert read.modified.startswith("20")


def test_a_preview_hears_the_same(tmp_path):
    how = HowToRead(columns=[named_columns("V (mV), I (nA)")])
    assert how.preview(found(tmp_path, BARE)).problem == ""
    assert "Perhaps --columns" in HowToRead().preview(found(tmp_path, BARE)).problem


def test_rows_take_the_names_that_fit_their_numbers_and_errors_name_the_file_once(tmp_path):
    ramp = [i / 100 for i in range(-20, 21)]
    lines = {"iv.csv": (ramp, [1e-9 * v for v in ramp]), "iz.csv": ([75e-9 + 1e-9 * v for v in ramp], [1e-9] * 41)}
    texts = {name: "".join(";".join(f"{v:.8e}" for v in row) + "\n" for row in rows) for name, rows in lines.items()}
    iz, iv = named_columns("z (m), I (A)"), named_columns("V (V), I (A)")
    for name, text in texts.items():
        read = HowToRead(rows=[iz, iv]).read(found(tmp_path, text, name))
        assert read.sets[0].kind == name[:2]
        assert read.sets[0].axis.tolist() == pytest.approx(lines[name][0], abs=1e-17)
        assert read.recipe.startswith("rows = [")
        with pytest.raises(ValuesInRows, match=f"^{name}, line 1: values in rows .2 lines of 41 numbers"):
            HowToRead().read(found(tmp_path, text, name))
    file = found(tmp_path, texts["iv.csv"], "iv.csv")
    with pytest.raises(UnreadableFile, match=r"^iv.csv: no --rows fits its 2 lines"):
        HowToRead(rows=[iz]).read(file)
    assert HowToRead(rows=[iz]).preview(file).problem.startswith("iv.csv: no --rows fits")
    assert 'rows = ["V (V)", "I (A)"]' in HowToRead().preview(file).recipe
    assert 'rows = ["V (V)", "I (A)"]' in HowToRead(rows=[iv]).preview(file).recipe
