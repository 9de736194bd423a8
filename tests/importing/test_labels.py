"""Labels by rank: the header, then the logbook, then names; who said what is kept, and asked where nobody did."""

from __future__ import annotations

import json
import os
from pathlib import Path

import numpy as np
import pytest
from importing.thursday import NAMED, Z, labels, sweep

import sts
from sts.cli import main
from sts.importing import annotate_session, import_files, propose_names
from sts.loaders import UnreadableFile
from sts.loaders.folders import find_files
from sts.session import Session, annotate, take_back


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
    assert "1 of 12 sweeps has no tip. 6 of 12 sweeps are of columns that do not agree and were kept apart." in page
    assert "read_as = " in page
    assert "and 1 of no named tip" in page
