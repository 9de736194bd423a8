"""The files of a call: folders, links and pipes, each file once."""

from __future__ import annotations

from pathlib import Path

from sts.loaders.folders import find_files


def test_of_a_file_and_a_link_to_it_the_file_is_taken(folder: Path) -> None:
    (folder / "0_latest.txt").symlink_to(folder / "odd.txt")
    found = find_files([folder])
    assert "odd.txt" in [file.path.name for file in found.files]
    assert "0_latest.txt" not in [file.path.name for file in found.files]
