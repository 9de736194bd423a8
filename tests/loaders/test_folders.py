"""The files of a call: folders, links and pipes, each file once."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from sts.loaders.folders import find_files

Z = np.linspace(0, 0.5, 60)


def sweep(path: Path, number: int, header: str = "") -> Path:
    """A height sweep of its own numbers."""
    rng = np.random.default_rng(number)
    current = 10 * np.exp(-20 * Z) * (1 + 0.02 * rng.normal(size=Z.size))
    path.parent.mkdir(parents=True, exist_ok=True)
    rows = "".join(f"{z:.6g},{i:.6g}\n" for z, i in zip(Z, current, strict=True))
    path.write_text(f"{header}z (nm),I (nA)\n{rows}", encoding="utf-8")
    return path


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Two tips in folders, one file whose header says another tip, one that nothing names."""
    root = tmp_path / "thursday"
    for number, (tip, site) in enumerate((t, s) for t in "AB" for s in (1, 2)):
        sweep(root / f"tip{tip}" / f"tip{tip}_site{site}_001.txt", number)
    sweep(root / "tipB" / "tipB_site3_001.txt", 10, "# tip: heron\n")
    sweep(root / "odd.txt", 11)
    return root


def test_of_a_file_and_a_link_to_it_the_file_is_taken(folder: Path) -> None:
    (folder / "0_latest.txt").symlink_to(folder / "odd.txt")
    found = find_files([folder])
    assert "odd.txt" in [file.path.name for file in found.files]
    assert "0_latest.txt" not in [file.path.name for file in found.files]
