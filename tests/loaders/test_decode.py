"""From bytes to text: encodings said, guessed and cut off."""

from __future__ import annotations

import pytest

from sts.loaders import UnreadableFile, read_file
from sts.loaders.recipe import Recipe

GOOD = "V (mV),I (nA)\n0,0\n1,1\n2,2\n3,3\n"


def test_an_encoding_stated_wrongly_is_named(tmp_path):
    path = tmp_path / "a.csv"
    path.write_bytes(GOOD.replace("V (mV)", "V (µV)").encode("cp1252"))
    with pytest.raises(UnreadableFile, match=r"is not utf-8 \(.*\)\. Correct or leave out 'encoding'"):
        read_file(path, recipe=Recipe(encoding="utf-8"))
    (sweeps,) = read_file(path, recipe=Recipe(encoding="cp1252")).sets
    assert sweeps.axis[-1] == pytest.approx(3e-6)


def test_a_letter_cut_off_at_the_end_is_said(tmp_path):
    path = tmp_path / "a.csv"
    path.write_bytes((GOOD + "# µ").encode()[:-1])
    assert any("cut off" in note for note in read_file(path).notes)
