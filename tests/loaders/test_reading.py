"""Paths that give no bytes, and bytes that are not the text they are said to be: one line that names the file."""

from __future__ import annotations

import pytest

from sts.loaders import UnreadableFile, limits, read_file
from sts.loaders.recipe import Recipe

GOOD = "V (mV),I (nA)\n0,0\n1,1\n2,2\n3,3\n"


def test_a_folder_a_missing_file_and_an_impossible_path_are_told_apart(tmp_path):
    with pytest.raises(UnreadableFile, match=r"is a folder; give its files|cannot be read \(Permission denied\)"):
        read_file(tmp_path)  # Windows denies reading a folder
    with pytest.raises(UnreadableFile, match=r"no\.csv: cannot be read \(.*\)\. Check path"):
        read_file(tmp_path / "no.csv")
    with pytest.raises(UnreadableFile, match=r"is not a usable path|cannot be read"):
        read_file(tmp_path / "a\0b.csv")


def test_a_file_larger_than_is_read_is_refused_before_it_is(tmp_path, monkeypatch):
    path = tmp_path / "big.csv"
    path.write_text(GOOD, encoding="utf-8")
    monkeypatch.setattr(limits, "LARGEST_FILE", 10)
    with pytest.raises(UnreadableFile, match=r"big\.csv: has 0\.0 GB; files up to 2 GB are read\. Split it"):
        read_file(path)


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
