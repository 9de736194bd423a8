"""From files to a session in one change: bad files are left out and named, nothing is half done."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from sts.importing import ImportOptions, import_files
from sts.loaders import UnreadableFile
from sts.loaders.folders import find_files
from sts.session import Session, SessionError
from sts.settings import PlanError


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Three good files, and three that cannot be read."""
    folder = tmp_path / "sweeps été"
    (folder / "more").mkdir(parents=True)
    for number, place in enumerate((folder, folder, folder / "more")):
        rows = [f"{v:.3f},{v * (number + 1):.6f}" for v in np.linspace(-1, 1, 21)]
        lines = [f"# tip: tip{number}", "bias (V),current (nA)", *rows]
        (place / f"good{number}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (folder / "bad_empty.csv").touch()
    (folder / "bad_binary.csv").write_bytes(bytes(range(256)) * 20)
    (folder / "bad_text.csv").write_text("bias (V),current (nA)\n0.1,1\nhello,2\n", encoding="utf-8")
    (folder / ".hidden.csv").write_text("not to be read")
    return folder


def test_good_files_go_in_and_bad_ones_are_named_with_a_reason(folder: Path, tmp_path: Path) -> None:
    calls: list[tuple[int, int]] = []
    result = import_files([folder], tmp_path / "s.h5", progress=lambda done, total: calls.append((done, total)))
    assert sorted(result.added) == ["good0.csv", "good1.csv", "good2.csv"]
    assert sorted(Path(name).name for name, _ in result.left_out) == ["bad_binary.csv", "bad_empty.csv", "bad_text.csv"]
    assert all(message and "\n" not in message for _, message in result.left_out)
    assert calls[-1] == (6, 6)
    session = Session.open(tmp_path / "s.h5")
    assert sorted(session.sweeps()["tip"]) == ["tip0", "tip1", "tip2"]
    assert session.original("good1.csv") == (folder / "good1.csv").read_bytes()
    (part,) = session.sets()
    np.testing.assert_allclose(part.current[1], 2e-9 * part.axis, atol=1e-15)


def test_strict_means_all_or_nothing(folder: Path, tmp_path: Path) -> None:
    path = tmp_path / "s.h5"
    with pytest.raises(UnreadableFile, match=r"nothing was imported; 3 of 6 files cannot be read"):
        import_files([folder], path, strict=True)
    assert not path.exists()
    import_files([folder / "good0.csv"], path)
    before = path.read_bytes()
    with pytest.raises(UnreadableFile):
        import_files([folder], path, strict=True)
    assert path.read_bytes() == before


def test_where_no_file_can_be_read_no_session_is_made(folder: Path, tmp_path: Path) -> None:
    result = import_files([folder / "bad_empty.csv"], tmp_path / "s.h5")
    assert (result.added, result.sweeps, len(result.left_out)) == ([], 0, 1)
    assert [path.name for path in tmp_path.iterdir()] == [folder.name]


def test_a_second_import_of_the_same_files_adds_nothing(folder: Path, tmp_path: Path) -> None:
    path = tmp_path / "s.h5"
    import_files([folder], path)
    before = path.read_bytes()
    result = import_files([folder], path)
    assert (result.added, len(result.repeated), result.sweeps) == ([], 3, 0)
    assert path.read_bytes() == before


def test_what_cannot_be_used_is_refused_before_any_work(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "text.h5").write_text("no session")
    with pytest.raises(SessionError, match="is not a session"):
        import_files([folder], tmp_path / "text.h5")
    assert (tmp_path / "text.h5").read_text() == "no session"
    with pytest.raises(SessionError, match="no file to import"):
        import_files([folder / "more" / "none"][:0], tmp_path / "s.h5")
    (tmp_path / "recipe.toml").write_text("bias_sing = -1\n")
    with pytest.raises(PlanError, match="bias_sing"):
        import_files([folder], tmp_path / "s.h5", recipe=tmp_path / "recipe.toml")
    assert not (tmp_path / "s.h5").exists()


def test_a_file_that_is_not_there_is_left_out_by_name(folder: Path, tmp_path: Path) -> None:
    result = import_files([folder / "good0.csv", folder / "none.csv"], tmp_path / "s.h5")
    assert result.added == ["good0.csv"]
    assert Path(result.left_out[0][0]).name == "none.csv"


def test_the_logbook_fills_in_and_what_disagrees_is_said(folder: Path, tmp_path: Path) -> None:
    book = folder / "logbook.csv"
    book.write_text("file,tip,sample,made_by\ngood0.csv,other,gold,etched\ngood1.csv,,gold,cut\n", encoding="utf-8")
    result = import_files([folder / "good0.csv", folder / "good1.csv", book], tmp_path / "s.h5", logbook=book)
    assert result.added == ["good0.csv", "good1.csv"]
    (conflict,) = result.conflicts
    assert "tip0" in conflict
    assert "other" in conflict
    table = Session.open(tmp_path / "s.h5").sweeps()
    assert list(table["tip"]) == ["tip0", "tip1"]
    assert list(table["made_by"]) == ["etched", "cut"]
    preferred = import_files([folder / "good0.csv"], tmp_path / "t.h5", logbook=book, prefer_logbook=True)
    assert preferred.sweeps == 1
    assert list(Session.open(tmp_path / "t.h5").sweeps()["tip"]) == ["other"]


def test_a_recipe_is_stored_with_the_file_it_read(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "r.toml").write_text("bias_sign = -1\n")
    import_files([folder / "good1.csv"], tmp_path / "s.h5", recipe=tmp_path / "r.toml")
    session = Session.open(tmp_path / "s.h5")
    assert "bias_sign = -1" in session.sources()["recipe"].iloc[0]
    assert session.sets()[0].notes


def test_folders_are_opened_hidden_files_left_and_each_file_taken_once(folder: Path) -> None:
    found = find_files([folder, folder / "good0.csv"], but_not=[folder / "bad_text.csv", None])
    names = [file.path.name for file in found.files]
    assert sorted(names) == ["bad_binary.csv", "bad_empty.csv", "good0.csv", "good1.csv", "good2.csv"]


def test_options_are_one_object_or_keywords_and_a_keyword_that_is_none_is_refused(folder: Path, tmp_path: Path) -> None:
    options = ImportOptions(values={"sample": "gold"}, names=["none"])
    import_files([folder], tmp_path / "a.h5", options)
    import_files([folder], tmp_path / "b.h5", values={"sample": "gold"}, names=["none"])
    one, other = (Session.open(tmp_path / name).sweeps() for name in ("a.h5", "b.h5"))
    assert set(one["sample"]) >= {"gold"}
    assert one.equals(other)
    import_files([folder], tmp_path / "c.h5", options, values={"sample": "silver"})  # a keyword stands above
    assert "silver" in set(Session.open(tmp_path / "c.h5").sweeps()["sample"])
    with pytest.raises(TypeError, match="colums"):
        import_files([folder], tmp_path / "d.h5", colums=["V (V), I (A)"])
    assert not (tmp_path / "d.h5").exists()


def test_a_mixed_folder_of_rows_needs_each_kind_said_once_and_names_copies(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)

    def write(name: str, axis: np.ndarray, current: np.ndarray) -> None:
        path = tmp_path / "bench" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        current = np.minimum(np.round(current / 5e-12) * 5e-12, 8.5e-9)  # steps of a converter, and its end
        path.write_text("\n".join(";".join(f"{v:.8E}" for v in row) for row in (axis, current)) + "\n")

    depth = np.linspace(1e-9, 0, 256)
    for i in range(1, 4):
        write(f"IZ_Gold/spec{i}.csv", 75e-9 + depth, 12e-9 * np.exp(-1e10 * depth) + rng.normal(0, 4e-12, 256))
        write(f"IV_Graphite/spec{i}.csv", np.linspace(-0.5, 0.5, 256), rng.normal(0, 4e-12, 256) + 1e-9 * depth / 1e-9)
    spec = (tmp_path / "bench/IZ_Gold/spec2.csv").read_text()
    (tmp_path / "bench/IZ_Gold/spec7.csv").write_text(spec)
    (tmp_path / "bench/IZ_Gold/spec8.csv").write_text(spec.replace("E-08", "E-8"))  # other bytes, the same numbers
    path = tmp_path / "s.h5"
    result = import_files([tmp_path / "bench"], path, rows=["z (m), I (A)", "V (V), I (A)"])
    assert (result.sweeps, result.left_out, len(result.repeated), len(result.copied)) == (6, [], 1, 1)
    assert any("spec7.csv: has the same content as 'spec2" in note for note in result.notes)
    assert "spec8.csv: sweep 'spec8' has the same numbers as 'spec2" in result.copies[0]
    table = Session.open(path).sweeps()
    assert sorted(zip(table["kind"], table["sample"], strict=True)) == [("iv", "Graphite")] * 3 + [("iz", "Gold")] * 3
