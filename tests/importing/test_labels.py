"""Labels by rank: the header, then the logbook, then names; who said what is kept, and asked where nobody did."""

from __future__ import annotations

import json
import os
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest

import sts
from sts.cli import main
from sts.importing import annotate_session, import_files, propose_names, write_logbook
from sts.loaders import UnreadableFile
from sts.loaders.folders import find_files
from sts.session import Session, SessionError, annotate, take_back

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


def labels(path: Path, column: str = "tip") -> dict[str, str]:
    table = Session.open(path).sweeps()
    return dict(zip(table["source"], table[column], strict=True))


NAMED = {"tipA_site1_001.txt": "A", "tipA_site2_001.txt": "A", "tipB_site1_001.txt": "B", "tipB_site2_001.txt": "B",
         "tipB_site3_001.txt": "heron", "odd.txt": ""}  # fmt: skip


def test_names_label_what_headers_do_not_and_it_is_recorded(folder: Path, tmp_path: Path) -> None:
    result = import_files([folder], tmp_path / "s.h5")
    assert labels(tmp_path / "s.h5") == NAMED
    said = labels(tmp_path / "s.h5", "said_by")
    assert said["tipA_site1_001.txt"] == "tip=name;site=name;repeat=name"
    assert said["tipB_site3_001.txt"] == "site=name;repeat=name"
    assert said["odd.txt"] == ""
    assert (result.unassigned, result.total) == (1, 6)
    assert any("the header says tip is 'heron', its name says 'B'; the header was taken" in c for c in result.conflicts)


def test_a_logbook_stands_above_names_and_below_headers(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text("file,tip,sample\ntipB/*,ibis,gold\n", encoding="utf-8")
    result = import_files([folder], tmp_path / "s.h5", logbook=tmp_path / "log.csv")
    found = labels(tmp_path / "s.h5")
    assert found == NAMED | {"tipB_site1_001.txt": "ibis", "tipB_site2_001.txt": "ibis"}
    assert labels(tmp_path / "s.h5", "sample")["tipA_site1_001.txt"] == ""
    assert len(result.conflicts) == 2  # header against name, and against logbook
    again = import_files([folder], tmp_path / "s.h5", logbook=tmp_path / "log.csv")
    assert any("log.csv was not applied to the 6 files that were there already" in note for note in again.notes)


def test_no_names_are_read_if_that_is_asked(folder: Path, tmp_path: Path) -> None:
    import_files([folder], tmp_path / "s.h5", names=["none"])
    assert set(labels(tmp_path / "s.h5").values()) == {"", "heron"}


def test_a_pattern_given_on_import_or_later(tmp_path: Path) -> None:
    for number, (tip, site) in enumerate((t, s) for t in ("heron", "plover") for s in (1, 2)):
        sweep(tmp_path / "in" / f"{tip}_s{site}_r1.txt", number)
    pattern = "{tip}_s{site}_r{repeat}.txt"
    import_files([tmp_path / "in"], tmp_path / "a.h5", names=[pattern])
    result = import_files([tmp_path / "in"], tmp_path / "b.h5")
    assert (result.unassigned, result.proposed_names) == (4, pattern.replace("r{repeat}", "r1"))
    assert propose_names(tmp_path / "b.h5") == result.proposed_names
    annotate_session(tmp_path / "b.h5", names=[pattern])
    for column in ("tip", "site", "repeat", "said_by"):
        assert labels(tmp_path / "a.h5", column) == labels(tmp_path / "b.h5", column)
    assert labels(tmp_path / "a.h5")["plover_s2_r1.txt"] == "plover"
    with pytest.raises(ValueError, match="must be words, at least one"):
        import_files([tmp_path / "in"], tmp_path / "c.h5", names=["{2}.txt"])


def test_values_for_all_files_fill_what_is_unknown(folder: Path, tmp_path: Path) -> None:
    import_files([folder], tmp_path / "s.h5", values={"sample": "gold", "temperature": "77 K"})
    assert set(labels(tmp_path / "s.h5", "sample").values()) == {"gold"}
    assert set(labels(tmp_path / "s.h5", "temperature_K").values()) == {77.0}
    done = annotate_session(tmp_path / "s.h5", values={"tip": "egret"})
    assert labels(tmp_path / "s.h5")["odd.txt"] == "egret"
    assert labels(tmp_path / "s.h5")["tipB_site3_001.txt"] == "heron"  # of the header
    assert labels(tmp_path / "s.h5")["tipA_site1_001.txt"] == "A"  # of its name: nothing is replaced
    assert len(done.conflicts) == 5
    with pytest.raises(UnreadableFile, match="has no unit"):
        annotate_session(tmp_path / "s.h5", values={"temperature": "77"})


@pytest.mark.parametrize("name", ["kind", "set", "points", "used", "flags", "channel", "unassigned", "replicate"])
def test_a_word_of_the_toolkit_is_no_label(folder: Path, tmp_path: Path, name: str) -> None:
    import_files([folder], tmp_path / "s.h5")
    (tmp_path / "log.csv").write_text(f"file,{name}\n*,etched\n", encoding="utf-8")
    for how in ({"names": [f"{{{name}}}_*"]}, {"values": {name: "x"}}, {"logbook": tmp_path / "log.csv"}):
        with pytest.raises(UnreadableFile, match=f"'{name}' is a word that the toolkit uses itself"):
            annotate_session(tmp_path / "s.h5", **how)
        with pytest.raises(UnreadableFile, match="uses itself"):
            import_files([folder], tmp_path / "other.h5", **how)
    assert len(Session.open(tmp_path / "s.h5").sweeps()) == 6


@pytest.mark.parametrize("name", ["kind", "used", "points", "unassigned", "replicate"])
def test_a_session_that_holds_such_a_label_is_not_lost(folder: Path, tmp_path: Path, name: str) -> None:
    """Versions before this one wrote them."""
    import_files([folder], tmp_path / "s.h5")
    path = str(tmp_path / "s.h5")
    annotate(path, lambda table, kind: table.assign(**{name: "etched"}), source="early")
    assert labels(tmp_path / "s.h5", f"own_{name}")["odd.txt"] == "etched"
    assert main(["check", path]) == 0
    take_back(path)
    assert set(Session.open(path).sweeps().get(f"own_{name}", [""])) == {""}


def test_the_first_of_the_rows_that_overlap_holds_however_often_it_is_given(folder: Path, tmp_path: Path) -> None:
    """A row that agrees with a name, or with what the same logbook said before, stands against the rows below it."""
    (tmp_path / "log.csv").write_text("file,tip\ntipA/*,A\ntipB/*,B\n*,C\n", encoding="utf-8")
    wanted = {**dict.fromkeys(NAMED, "B"), "tipA_site1_001.txt": "A", "tipA_site2_001.txt": "A", "odd.txt": "C",
              "tipB_site3_001.txt": "heron"}  # fmt: skip
    for number, names in enumerate(([], ["none"])):
        path = tmp_path / f"{number}.h5"
        import_files([folder], path, logbook=tmp_path / "log.csv", names=names)
        assert labels(path) == wanted
        for _ in range(3):
            done = annotate_session(path, tmp_path / "log.csv")
            assert labels(path) == wanted
            assert done.changes.empty
    assert any("lines of log.csv disagree on tip; the first was taken" in c.kind for c in done.conflicts)


def test_what_was_stated_for_all_is_not_replaced_by_what_is_stated_later(folder: Path, tmp_path: Path) -> None:
    import_files([folder / "odd.txt"], tmp_path / "s.h5", values={"tip": "heron"})
    import_files([sweep(tmp_path / "later.txt", 55)], tmp_path / "s.h5")
    annotate_session(tmp_path / "s.h5", values={"tip": "ibis"})
    assert labels(tmp_path / "s.h5") == {"odd.txt": "heron", "later.txt": "ibis"}


def test_a_cell_that_was_emptied_is_told(folder: Path, tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text("file,tip\nodd.txt,egret\n", encoding="utf-8")
    import_files([folder], tmp_path / "s.h5", logbook=log)
    log.write_text("file,tip\nodd.txt,\n", encoding="utf-8")
    done = annotate_session(tmp_path / "s.h5", log)
    assert labels(tmp_path / "s.h5")["odd.txt"] == "egret"
    assert any("leaves tip empty, and said 'egret' before" in c for c in done.conflicts)


def test_rows_that_fit_all_or_nothing_are_named(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text("file,remark\ntip*,x\n*,y\nmonday/*,z\n", encoding="utf-8")
    notes = import_files([folder], tmp_path / "s.h5", logbook=tmp_path / "log.csv").notes
    assert "log.csv, line 3, '*': fits every file (6)." in notes
    assert "log.csv, line 4, 'monday/*': fits no file." in notes


# ---- a started logbook


@pytest.mark.parametrize("ending", ["csv", "xlsx"])
def test_a_started_logbook_is_filled_in_and_given_back_as_often_as_wanted(
    folder: Path, tmp_path: Path, ending: str
) -> None:
    path, book = tmp_path / "s.h5", tmp_path / f"book.{ending}"
    import_files([folder], path)
    assert write_logbook(path, book) == 6
    assert annotate_session(path, book).changes.empty  # as it is, it says nothing new
    if ending == "csv":
        table = pd.read_csv(book, dtype=str, keep_default_na=False, encoding="utf-8-sig")
        table.loc[table["file"] == "thursday/odd.txt", "tip"] = "C"
        table.loc[table["tip"] == "B", "tip"] = "stork"  # a guess from a name, corrected
        table["set-point current (pA)"] = "50"
        table.to_csv(book, index=False)
    else:
        sheet = openpyxl.load_workbook(book)
        rows = list(sheet.active.iter_rows())
        head = [cell.value for cell in rows[0]]
        for row in rows[1:]:
            tip = row[head.index("tip")]
            tip.value = "C" if row[0].value == "thursday/odd.txt" else "stork" if tip.value == "B" else tip.value
            row[head.index("set-point current (pA)")].value = 50
        sheet.save(book)
    done = annotate_session(path, book)
    assert done.conflicts == []
    expected = NAMED | {"odd.txt": "C", "tipB_site1_001.txt": "stork", "tipB_site2_001.txt": "stork"}
    assert labels(path) == expected
    np.testing.assert_allclose(list(labels(path, "setpoint_current_A").values()), 5e-11)
    if ending == "csv":
        book.write_text(book.read_text(encoding="utf-8").replace("stork", "crane"), encoding="utf-8")
        assert annotate_session(path, book).conflicts == []  # the same logbook, corrected
        assert labels(path)["tipB_site1_001.txt"] == "crane"
        take_back(path)
        assert labels(path) == expected


def test_a_started_logbook_speaks_the_decimal_mark_of_the_files(tmp_path: Path) -> None:
    sweep(tmp_path / "a.csv", 1, "# temperature: 4.5 K\n")
    text = (tmp_path / "a.csv").read_text().replace(",", ";").replace(".", ",").replace("4,5 K", "4,5 K")
    (tmp_path / "a.csv").write_text(text)
    import_files([tmp_path / "a.csv"], tmp_path / "s.h5")
    write_logbook(tmp_path / "s.h5", tmp_path / "log.csv")
    lines = (tmp_path / "log.csv").read_text(encoding="utf-8-sig").splitlines()
    assert lines[0].startswith("file;kind;sweeps;sample;tip;site")
    assert "4,5" in lines[1]
    assert annotate_session(tmp_path / "s.h5", tmp_path / "log.csv").changes.empty
    with pytest.raises(SessionError, match="is there already"):
        write_logbook(tmp_path / "s.h5", tmp_path / "log.csv")
    with pytest.raises(SessionError, match=r"\.csv or \.xlsx"):
        write_logbook(tmp_path / "s.h5", tmp_path / "log.ods")


# ---- copies


def test_the_same_numbers_under_another_comment_are_a_copy(folder: Path, tmp_path: Path) -> None:
    original = folder / "tipA" / "tipA_site1_001.txt"
    for number in range(4):
        other = folder / "tipA" / f"tipA_site{number + 3}_001.txt"
        other.write_text(f"# again: {number}\n{original.read_text()}", encoding="utf-8")
    result = import_files([folder], tmp_path / "s.h5")
    assert len(result.copies) == 4
    assert (len(result.added), len(result.copied), result.repeated) == (6, 4, [])
    assert "has the same numbers as 'tipA_site1_001'" in result.copies[0]
    assert len(Session.open(tmp_path / "s.h5").sweeps()) == 6
    assert import_files([folder], tmp_path / "s.h5").sweeps == 0  # and found again in the session
    kept = import_files([folder], tmp_path / "t.h5", keep_copies=True)
    assert (kept.sweeps, kept.copies) == (10, [])


def test_a_copy_in_other_units_a_part_and_a_whole_are_found(tmp_path: Path) -> None:
    sweep(tmp_path / "a.txt", 1)
    text = (tmp_path / "a.txt").read_text().splitlines()
    (tmp_path / "b_pm.txt").write_text("\n".join(["z (pm),I (pA)", *(
        ",".join(f"{float(x) * 1000:.10g}" for x in row.split(",")) for row in text[1:])]) + "\n")  # fmt: skip
    (tmp_path / "c_part.txt").write_text("\n".join(text[:40]) + "\n")
    longer = [*text, *(f"{0.5 + k / 100},{0.001 * k}" for k in range(1, 9))]
    (tmp_path / "d_longer.txt").write_text("\n".join(longer) + "\n")
    files = [tmp_path / name for name in ("a.txt", "b_pm.txt", "c_part.txt", "d_longer.txt")]
    result = import_files(files, tmp_path / "s.h5")
    assert [c.split("'")[1] for c in result.copies] == ["b_pm", "c_part"]
    assert any("'d_longer' holds all points of 'a', which seems to be cut off" in note for note in result.notes)


def test_sweeps_that_begin_alike_are_no_copies(tmp_path: Path) -> None:
    """Saturated over the first ten samples, then different."""
    for number in range(3):
        rng = np.random.default_rng(number)
        current = np.minimum(10 * np.exp(-8 * Z) * (1 + 0.02 * rng.normal(size=Z.size)), 2.0)
        rows = "".join(f"{z:.6g},{i:.6g}\n" for z, i in zip(Z, current, strict=True))
        (tmp_path / f"{number}.csv").write_text(f"z (nm),I (nA)\n{rows}")
    result = import_files([tmp_path / f"{n}.csv" for n in range(3)], tmp_path / "s.h5")
    assert (result.sweeps, result.copies) == (3, [])


def test_an_original_wins_over_what_is_marked_as_a_copy(tmp_path: Path) -> None:
    sweep(tmp_path / "in" / "a - Copy.txt", 1)
    sweep(tmp_path / "in" / "a.txt", 1)
    result = import_files([tmp_path / "in"], tmp_path / "s.h5")
    assert (result.added, result.repeated) == (["a.txt"], ["a - Copy.txt"])


# ---- what cannot be read


def test_links_folders_and_pipes_that_cannot_be_read_are_named(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (folder / "gone.txt").symlink_to(folder / "nowhere.txt")
    (folder / "link").symlink_to(folder / "tipA", target_is_directory=True)
    os.mkfifo(folder / "pipe")
    (folder / "photo.jpg").write_bytes(b"\xff\xd8")
    found = find_files([folder])
    why = {Path(path).name: reason for path, reason in found.unreadable}
    assert "leads nowhere" in why["gone.txt"]
    assert "link to a folder" in why["link"]
    assert "no regular file" in why["pipe"]
    assert [Path(path).name for path in found.no_sweeps] == ["photo.jpg"]
    assert len(found.files) == 6
    real = os.scandir

    def refusing(path: object = ".") -> object:
        if str(path).endswith("tipB"):
            raise PermissionError(13, "Permission denied", str(path))
        return real(path)

    monkeypatch.setattr(os, "scandir", refusing)
    assert any(
        "tipB" in path and "cannot be read (Permission denied)" in why for path, why in find_files([folder]).unreadable
    )


def test_of_a_file_and_a_link_to_it_the_file_is_taken(folder: Path) -> None:
    (folder / "0_latest.txt").symlink_to(folder / "odd.txt")
    found = find_files([folder])
    assert "odd.txt" in [file.path.name for file in found.files]
    assert "0_latest.txt" not in [file.path.name for file in found.files]


def test_a_pipe_that_is_named_does_not_stop_everything(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(UnreadableFile, match=r"pipe: is no regular file"):
        sts.read_file(tmp_path / "pipe")


def test_all_or_none_names_the_file(folder: Path, tmp_path: Path) -> None:
    (folder / "gone.txt").symlink_to(folder / "nowhere.txt")
    with pytest.raises(UnreadableFile, match=r"gone\.txt: is a link that leads nowhere.*nothing was imported"):
        import_files([folder], tmp_path / "s.h5", strict=True)
    assert not (tmp_path / "s.h5").exists()


def test_a_session_among_the_files_is_no_measurement(folder: Path, tmp_path: Path) -> None:
    import_files([folder], folder / "old.h5")
    result = import_files([folder], tmp_path / "s.h5")
    assert result.sweeps == 6
    assert [why for _, why in result.left_out] == [
        "old.h5: is a session, not a measurement. To bring sessions together: sts merge."
    ]


def test_what_cannot_be_read_is_told_by_the_exit_status(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "notes.txt").write_text("nothing to see\n")
    assert main(["import", str(folder), "--into", str(tmp_path / "s.h5")]) == 0
    assert "1 file without sweeps passed over: notes.txt." in capsys.readouterr().out
    (folder / "gone.txt").symlink_to(folder / "nowhere.txt")
    assert main(["import", str(folder), "--into", str(tmp_path / "s.h5")]) == 1
    assert "gone.txt: is a link that leads nowhere" in capsys.readouterr().err


def test_a_mistake_of_ours_with_one_file_does_not_cost_the_others(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from sts.loaders import reading

    real = reading.assemble

    def failing(blocks: object, name: str, recipe: object) -> object:
        if name == "odd.txt":
            raise ZeroDivisionError("oops")
        return real(blocks, name, recipe)

    monkeypatch.setattr(reading, "assemble", failing)
    result = import_files([folder], tmp_path / "s.h5")
    assert result.sweeps == 5
    assert "stopped the reader (ZeroDivisionError: oops). This is a bug in sts." in result.left_out[0][1]


# ---- commands


def said(capsys: pytest.CaptureFixture[str], *arguments: object, status: int = 0) -> str:
    assert main([str(a) for a in arguments]) == status
    return capsys.readouterr().out


def test_sweeps_without_a_tip_are_asked_about_with_the_shortest_ways(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "s.h5"
    out = said(capsys, "import", folder, "--into", path)
    assert "1 of 6 sweeps has no tip, and will not be reported as one of a tip. To say it:" in out
    assert f"sts annotate {path} --set tip=NAME" in out
    assert f"sts logbook {path} --out logbook.csv" in out
    assert "1 of 6 sweeps has no tip" in said(capsys, "check", path)
    assert "3 tips, 0 samples (1 of the sweeps without a tip)" in said(capsys, "list", path)
    out = said(capsys, "annotate", path, "--set", "tip=ibis")
    assert "no tip" not in out
    assert "no tip" not in said(capsys, "check", path)


def test_disagreements_of_a_kind_are_one_line(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for number in range(8):
        sweep(folder / "tipD" / f"tipD_site1_{number}.txt", 100 + number, "# sample: gold\n")
    (tmp_path / "log.csv").write_text("file,sample\n*,silver\n", encoding="utf-8")
    out = said(capsys, "import", folder, "--into", tmp_path / "s.h5", "--logbook", tmp_path / "log.csv")
    lines = [line for line in out.splitlines() if "disagree on sample" in line]
    assert len(lines) == 1
    assert lines[0].startswith("note: 8 times the header and log.csv disagree on sample; the header was taken; first ")


def test_signs_that_were_turned_are_told_by_check(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for number in range(3):
        rows = "".join(f"{v},{v + number / 10}\n" for v in range(-20, 21))
        (tmp_path / f"{number}.csv").write_text(f"# current sign: -1\nV (mV),I (pA)\n{rows}")
    said(capsys, "import", *(tmp_path / f"{n}.csv" for n in range(3)), "--into", tmp_path / "s.h5")
    assert "note: 3 files: current turned: the header says it is inverted" in said(capsys, "check", tmp_path / "s.h5")


def test_marking_by_pattern_label_and_table(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "s.h5"
    said(capsys, "import", folder, "--into", path)
    out = said(capsys, "mark", path, "--omit", "tipB_*", "--why", "bent", "--dry-run")
    assert out.startswith("3 sweeps to be left out: tipB_site1_001, tipB_site2_001, tipB_site3_001")
    assert "Nothing was written" in out
    assert Session.open(path).decisions().empty
    said(capsys, "mark", path, "--omit", "tipB_*", "--why", "bent")
    said(capsys, "mark", path, "--keep", "--tip", "B", "--site", "2", "--why", "looks fine")
    assert Session.open(path).current_decisions()["tipB_site2_001"] == ("keep", "looks fine")
    (tmp_path / "why.csv").write_text("sweep,why\ntipA_site1_001,noisy\nodd,no tip\n", encoding="utf-8")
    said(capsys, "mark", path, "--omit", "--from", tmp_path / "why.csv")
    assert Session.open(path).current_decisions()["odd"] == ("omit", "no tip")
    said(capsys, "mark", path, "--undo", "--tip", "B")  # one of the three was never decided about again
    assert "tipB_site1_001" not in Session.open(path).current_decisions()
    before = path.read_bytes()
    for bad, why in (
        (["--keep", "--undo", "odd", "--why", "x"], "one of --omit, --keep or --undo"),
        (["--undo", "tipB_site1_001", "odd"], "no decision on 'tipB_site1_001'"),
        (["--omit", "--tip", "A", "--dry-run"], "needs a reason"),
        (["--omit", "nothing*", "--why", "x"], "no such sweep 'nothing*'"),
        (["--omit", "tipB_*", "--tip", "A", "--why", "x"], "no sweep fits"),
        (["--omit", "--tip", "Z", "--why", "x"], "no such tip 'Z'"),
        (["--omit", "--tip", "A"], "needs a reason"),
        (["--omit", "--from", str(tmp_path / "why.csv"), "odd"], "either --from FILE, or sweeps"),
    ):
        assert main(["mark", str(path), *bad]) == 2
        assert why in capsys.readouterr().err
    assert path.read_bytes() == before


def test_a_table_of_decisions_may_name_files_and_patterns(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, table = tmp_path / "s.h5", tmp_path / "why.csv"
    said(capsys, "import", folder, "--into", path)
    table.write_text("file;sweep;why\ntipB/*;;bent\n;tip*_site1_*;drifting\ntipA/*;*site2*;noisy\n", encoding="utf-8")
    out = said(capsys, "mark", path, "--omit", "--from", table, "--dry-run")
    assert out.startswith("5 sweeps to be left out")
    said(capsys, "mark", path, "--omit", "--from", table)
    decided = {name: why for name, (_, why) in Session.open(path).current_decisions().items()}
    assert decided == {
        "tipB_site1_001": "bent", "tipB_site2_001": "bent", "tipB_site3_001": "bent", "tipA_site1_001": "drifting",
        "tipA_site2_001": "noisy",
    }  # fmt: skip
    table.write_text("file\ntipB/*\n", encoding="utf-8")
    said(capsys, "mark", path, "--undo", "--from", table)
    assert len(Session.open(path).current_decisions()) == 2
    for rows, why in (
        ("sweep,why\nnone_such,x\n", "no such sweep 'none_such'"),
        ("sweep,why\nodd,\n", "gives no reason"),
        ("file,why\ntipC/*,x\n", "'tipC/*' fits no sweep"),
    ):
        table.write_text(rows, encoding="utf-8")
        for more in ([], ["--dry-run"]):
            assert main(["mark", str(path), "--omit", "--from", str(table), *more]) == 2
            assert why in capsys.readouterr().err


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


def test_several_recipes_each_for_its_files(tmp_path: Path) -> None:
    for name, rows in (("c_iv.txt", "-1;-2\n0;0\n1;2.5\n"), ("c_z.txt", "0;8\n1;4\n2;2\n")):
        (tmp_path / "in").mkdir(exist_ok=True)
        (tmp_path / "in" / name).write_text(rows)
    (tmp_path / "z.toml").write_text('files = "c_z*"\ncolumn_names = ["z (nm)", "I (nA)"]\n')
    (tmp_path / "v.toml").write_text('column_names = ["V (mV)", "I (nA)"]\n')
    result = import_files([tmp_path / "in"], tmp_path / "s.h5", recipe=[tmp_path / "z.toml", tmp_path / "v.toml"])
    assert result.left_out == []
    assert sorted(Session.open(tmp_path / "s.h5").sweeps()["kind"]) == ["iv", "iz"]
    again = import_files([tmp_path / "in"], tmp_path / "t.h5", columns=["c_z*: z (nm), I (nA)", "V (mV), I (nA)"])
    assert again.left_out == []


def test_one_decimal_mark_for_the_files_that_need_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "a.txt").write_text("V (mV)\tI (nA)\n-3,000\t-1,000\n1,000\t2,000\n3,000\t4,000\n")
    (tmp_path / "in" / "b.txt").write_text("V (mV)\tI (nA)\n-3.5\t-1.0\n1.0\t2.0\n3.5\t4.0\n")
    assert main(["import", str(tmp_path / "in"), "--into", str(tmp_path / "s.h5")]) == 1
    assert "'-3,000' may be -3000 or -3.000" in capsys.readouterr().err
    assert main(["import", str(tmp_path / "in"), "--into", str(tmp_path / "s.h5"), "--decimal", "comma"]) == 0
    ends = sorted(float(s.axis[-1]) for s in Session.open(tmp_path / "s.h5").sets())
    np.testing.assert_allclose(ends, [3e-3, 3.5e-3])


def test_the_import_tells_a_program_the_same(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    told = json.loads(said(capsys, "import", folder, "--into", tmp_path / "s.h5", "--json"))
    assert (told["unassigned"], told["sweeps"], told["copies"], told["no_sweeps"]) == (1, 6, [], [])


def test_a_folder_of_backups_comes_last(tmp_path: Path) -> None:
    for folder in ("a backup", "tipA", "backup"):
        sweep(tmp_path / "in" / folder / "one.txt", 1)
    assert [file.folder for file in find_files([tmp_path / "in"]).files] == ["in/tipA", "in/a backup", "in/backup"]


def test_columns_kept_apart_are_not_called_nameless(folder: Path, tmp_path: Path) -> None:
    """They have a tip and stand for none; the page says which are which, and how to settle either."""
    for number in range(3):
        noise = 1 + 0.02 * np.random.default_rng(number).normal(size=(2, Z.size))
        columns = Z, 1e3 * np.exp(-20 * Z) * noise[0], (50 + 400 * Z) * noise[1]
        rows = "".join(f"{z:.6g},{one:.6g},{two:.6g}\n" for z, one, two in zip(*columns, strict=True))
        path = folder / f"two{number}.csv"
        path.write_text(f"# tip: heron\n# run: {number}\nz (nm),I_1 (pA),I_2 (pA)\n{rows}", encoding="utf-8")
    session, out = tmp_path / "s.h5", tmp_path / "out"
    assert main(["import", str(folder), "--into", str(session)]) == 0
    assert main(["report", str(session), "--out", str(out)]) == 0
    page = (out / "report.html").read_text(encoding="utf-8")
    assert "1 of 12 sweeps has no tip; 6 of 12 sweeps are of columns that do not agree and were kept apart" in page
    assert "read_as = " in page
    assert "and 1 of no named tip" in page
