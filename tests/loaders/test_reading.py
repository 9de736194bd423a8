"""Paths that give no bytes, and bytes that are not the text they are said to be: one line that names the file."""

from __future__ import annotations

import pytest

from sts.loaders import UnreadableFile, limits, read_file

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
