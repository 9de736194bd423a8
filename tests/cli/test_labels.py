"""Commands that bring sweeps and their labels in: import, logbook, annotate."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from cli.calling import DEMO, SWEEP, run, said

from sts.cli import main
from sts.cli.labels import notes_alike
from sts.session import Session


def test_a_second_import_adds_nothing_and_says_so(demo, capsys):
    status, out, _ = run(
        capsys, "import", DEMO / "iz" / "heron_s1_r1.csv", "--into", demo, "--logbook", DEMO / "logbook.csv"
    )
    assert status == 0
    assert "nothing was added twice" in out


@pytest.mark.parametrize(
    ("content", "name", "words"),
    [
        (b"", "empty.csv", "empty"),
        (bytes(range(256)) * 4, "binary.csv", "not text"),
        (b"V,I (nA)\n1,2\n2,3\n3,4\n", "nounit.csv", "unit"),
        (b"V (mV),I (nA)\n1,2\n2,abc\n3,4\n4,5\n", "text.csv", "abc"),
        (b"V (mV),I (nA)\n1,2\n1,3\n1,4\n1,5\n", "constant.csv", "constant"),
    ],
)
def test_a_bad_file_is_one_line_and_the_session_is_unchanged(demo, capsys, tmp_path, content, name, words):
    before = demo.read_bytes()
    bad = tmp_path / name
    bad.write_bytes(content)
    status, _, err = run(capsys, "import", bad, "--into", demo)
    assert status == 2
    assert words in err
    assert name in err
    assert "Traceback" not in err
    assert demo.read_bytes() == before


def test_the_other_files_of_a_call_go_in(capsys, tmp_path):
    bad = tmp_path / "bad.csv"
    bad.write_bytes(b"")
    good = DEMO / "iz" / "heron_s1_r1.csv"
    status, out, err = run(capsys, "import", bad, good, "--into", tmp_path / "s.h5")
    assert status == 1
    assert "bad.csv" in err
    assert "1 file with 2 sweeps" in out
    status, _, err = run(capsys, "import", bad, good, "--into", tmp_path / "strict.h5", "--strict")
    assert status == 2
    assert not (tmp_path / "strict.h5").exists()


def test_an_import_tells_a_program_what_went_in_and_what_did_not(
    session: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bad, new = session.with_name("bad.csv"), session.with_name("a9.csv")
    bad.write_text("nothing to see\n", encoding="utf-8")
    new.write_text(f"# note: 9\n{SWEEP}".replace(",4\n", ",9\n"), encoding="utf-8")
    told = json.loads(
        said(capsys, "import", bad, new, session.with_name("a0.csv"), "--into", session, "--json", code=1)
    )
    assert told["files"] == ["a9.csv"]
    assert told["repeated"] == ["a0.csv"]
    assert [row["file"] for row in told["left_out"]] == [str(bad)]
    assert told["session"] == str(session)
    for text in ("nothing to see\n", "a = 1\nresults(1)\n1,2\nx\n"):  # with and without a line in the message
        bad.write_text(text, encoding="utf-8")
        assert main(["import", str(bad), "--into", str(session)]) == 2  # nothing at all went in
        assert capsys.readouterr().err.count("bad.csv") == 1


def test_try_shows_what_would_be_read(capsys):
    status, out, _ = run(capsys, "import", DEMO / "iz" / "curlew_s2_r2.txt", "--try")
    assert status == 0
    assert "z / nm" in out
    assert "read_as" in out


@pytest.mark.parametrize(
    ("content", "starts"),
    [
        ("", "x.csv: is empty"),
        ("hello\n", "x.csv: no line with numbers"),
        ("V (mV),I (nA)\n1,2\n1,3\n1,4\n1,5\n", "x.csv, line 2, column 1 'V (mV)': the axis"),
    ],
)
def test_try_names_a_refused_file_once_and_starts_a_recipe_where_a_column_was_found(capsys, tmp_path, content, starts):
    file = tmp_path / "x.csv"
    file.write_text(content, encoding="utf-8")
    out = said(capsys, "import", file, "--try", code=None)
    assert out.startswith(starts)
    assert ("A recipe to start from" in out) == ("column" in starts)


def test_a_corrected_logbook_is_applied_shown_and_taken_back(session: Path, capsys: pytest.CaptureFixture[str]) -> None:
    logbook = session.with_name("other.csv")
    logbook.write_text("file,tip,site\na1.csv,egret,s1\nb*.csv,ibis,\n", encoding="utf-8")
    assert main(["annotate", str(session), "--logbook", str(logbook)]) == 0
    out = capsys.readouterr().out
    assert "a1.csv: log.csv says tip is 'heron', other.csv, line 2, says 'egret'; log.csv was taken." in out
    assert "with --prefer-logbook the logbook's word is taken" in out
    assert "note: line 3, 'b*.csv': fits no file of this session." in out
    assert out.splitlines()[-1] == "1 cell filled in or replaced, of 1 sweep."
    assert main(["annotate", str(session), "--logbook", str(logbook), "--prefer-logbook"]) == 0
    assert list(Session(session).sweeps()["tip"]) == ["heron", "egret", "heron"]
    capsys.readouterr()
    assert main(["annotate", str(session)]) == 0
    assert "egret" in capsys.readouterr().out
    assert main(["annotate", str(session), "--undo"]) == 0
    assert list(Session(session).sweeps()["tip"]) == ["heron"] * 3
    assert main(["annotate", str(session), "--undo", "--logbook", str(logbook)]) == 2


def test_changes_by_the_logbook_are_told_to_programs(session: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "Nothing has been changed" in said(capsys, "annotate", session)
    logbook = session.with_name("log.csv")
    logbook.write_text("file,tip,site\na1.csv,heron,s1\n", encoding="utf-8")
    told = json.loads(said(capsys, "annotate", session, "--logbook", logbook, "--json"))
    assert [(row["column"], row["before"], row["after"]) for row in told["changes"]] == [("site", "", "s1")]
    assert told["conflicts"] == told["unmatched"] == []
    assert [row["after"] for row in json.loads(said(capsys, "annotate", session, "--json"))] == ["s1"]


def test_notes_that_differ_in_names_only_share_a_line():
    notes = ["a.csv: kept as 'a-2'.", "b.csv: kept as 'b-2'.", "c.csv: cut off", "d.csv: cut off", "names look alike"]
    assert notes_alike(notes) == ["2 files like a.csv: kept as 'a-2'.", "2 files: cut off", "names look alike"]


def test_rows_are_proposed_and_then_settled_once_for_a_mixed_folder(tmp_path, capsys):
    for i in range(3):
        bias = [v / 50 - 0.5 + i / 1000 for v in range(51)]
        height = [75e-9 + v * 2e-11 for v in range(51)]
        lines = {
            "IV_Gold": (bias, [1e-9 * v for v in bias]),
            "IZ_Gold": (height, [1e-9 * 1.2 ** (v + i - 50) for v in range(51)]),
        }
        for folder, rows in lines.items():
            (tmp_path / "bench" / folder).mkdir(parents=True, exist_ok=True)
            text = "".join(";".join(f"{v:.8E}".replace(".", ",") for v in row) + "\n" for row in rows)
            (tmp_path / "bench" / folder / f"spec{i}.csv").write_text(text)
    path = tmp_path / "s.h5"
    status, _, err = run(capsys, "import", tmp_path / "bench", "--into", path)
    assert status == 2
    assert "--rows 'V (V), I (A)'" in err
    assert "--rows 'z (m), I (A)'" in err
    named = ("--rows", "z (m), I (A)", "--rows", "V (V), I (A)")
    status, out, _ = run(capsys, "import", tmp_path / "bench", "--try", *named)
    assert status == 0
    assert 'rows = ["z (m)", "I (A)"]' in out
    status, out, _ = run(capsys, "import", tmp_path / "bench", "--into", path, *named)
    assert status == 0
    assert "6 files with 6 sweeps imported" in out
    assert "--height-grows away on import leaves it" in " ".join(out.split())
    assert {part.kind: len(part.names) for part in Session.open(path).sets("iz")} == {"iz": 3}
