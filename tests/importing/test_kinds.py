"""Trying files: one preview for each kind."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from importing.thursday import Z, sweep

import sts
from sts.cli import main


def said(capsys: pytest.CaptureFixture[str], *arguments: object, status: int = 0) -> str:
    assert main([str(a) for a in arguments]) == status
    return capsys.readouterr().out


def test_trying_hears_the_same_options_and_says_what_is_not_read(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bare = "".join(f"{z:.6g},{i:.6g}\n" for z, i in zip(Z, np.exp(-20 * Z), strict=True))
    (folder / "bare.txt").write_text(bare, encoding="utf-8")
    (folder / "notes.txt").write_text("a good day\n", encoding="utf-8")
    out = said(capsys, "import", "--try", folder, status=1)
    assert "bare.txt: line 1: no line above" in out or "bare.txt, line 1: no line above" in out
    assert "1 file without sweeps passed over: notes.txt." in out
    out = said(capsys, "import", "--try", folder, "--columns", "z (nm), I (nA)")
    assert 'column_names = ["z (nm)", "I (nA)"]' in out
    (tmp_path / "again.toml").write_text(out[out.index("column_names") :].partition("\n\n\n")[0], encoding="utf-8")
    said(capsys, "import", folder / "bare.txt", "--into", tmp_path / "t.h5", "--recipe", tmp_path / "again.toml")
    (folder / "gone.txt").symlink_to(folder / "nowhere.txt")
    assert main(["import", "--try", str(folder), "--columns", "z (nm), I (nA)"]) == 1
    assert "gone.txt: is a link that leads nowhere" in capsys.readouterr().err
    assert main(["import", "--try", str(folder / "notes.txt")]) == 2


def test_columns_without_names_start_a_recipe_that_reads_them(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = "".join(f"{v / 100:.2f}\t{1.5e-9 * v / 100:.6g}\n" for v in range(-40, 41))
    (tmp_path / "c_iv_1.dat").write_text(rows, encoding="utf-8")
    main(["import", "--try", str(tmp_path / "c_iv_1.dat")])
    out = capsys.readouterr().out
    assert 'column_names = ["V (V)", "I (A)"]' in out
    (tmp_path / "bare.toml").write_text('column_names = ["V (V)", "I (A)"]\n', encoding="utf-8")
    said(capsys, "import", tmp_path / "c_iv_1.dat", "--into", tmp_path / "t.h5", "--recipe", tmp_path / "bare.toml")


def test_units_from_the_header_are_shown_beside_the_columns(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sweep(tmp_path / "a.txt", 1)
    text = (tmp_path / "a.txt").read_text(encoding="utf-8").replace("z (nm),I (nA)", "z,I")
    (tmp_path / "a.txt").write_text(f"# z unit: nm\n# I unit: nA\n{text}", encoding="utf-8")
    out = said(capsys, "import", "--try", tmp_path / "a.txt")
    assert 'read_as = "current"\nunit = "nA"' in out


def test_trying_a_folder_shows_a_block_for_each_kind(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = said(capsys, "import", folder, "--try")
    assert "5 files of one kind: thursday/odd.txt, thursday/tipA/tipA_site1_001.txt" in out
    assert out.count("A recipe to start from") == 2  # one file has a header


def test_a_proposed_recipe_for_arrays_is_accepted_as_printed(tmp_path: Path) -> None:
    v = np.linspace(-0.4, 0.4, 41)
    np.savez(tmp_path / "a.npz", sweepaxis=v, signal=1e-9 * v[None] * np.ones((3, 1)), when=np.array(["a", "b", "c"]))
    preview = sts.preview_file(tmp_path / "a.npz")
    assert "no axis with a signal" in preview.problem
    assert list(preview.columns["column"]) == ["sweepaxis (41,)", "signal (3, 41)", "when (3,)"]
    assert "# (41,), unit not said, -0.4 to 0.4 in even steps" in preview.recipe
    (tmp_path / "r.toml").write_text(preview.recipe, encoding="utf-8")
    (s,) = sts.read_file(tmp_path / "a.npz", recipe=sts.read_recipe(tmp_path / "r.toml")).sets
    np.testing.assert_allclose(s.current, 1e-9 * v[None] * np.ones((3, 1)))
