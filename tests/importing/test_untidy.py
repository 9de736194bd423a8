"""From an untidy folder to a labelled report in two commands: no recipe, no logbook, one ``--columns``."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from importing import untidy

from sts.cli import main
from sts.session import Session


def test_two_commands_lead_to_a_labelled_report(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    truth = untidy.make(tmp_path)
    assert len(list((tmp_path / "wednesday").rglob("*.*"))) == 60
    session, out = tmp_path / "s.h5", tmp_path / "results"
    status = main(["import", str(tmp_path / "wednesday"), "--columns", "V (V), I (A)", "--into", str(session)])
    assert status == 1  # the empty file was left out, and is named
    said = capsys.readouterr()
    assert "empty.txt: is empty" in said.err
    assert "7 files without sweeps passed over" in said.out
    assert "A header or a logbook stands above a name" in said.out
    assert "no tip" not in said.out  # every sweep has one
    sweeps = Session.open(session).sweeps()
    assert len(sweeps) == truth.sweeps
    for sweep, tip, site, source in sweeps[["sweep", "tip", "site", "source"]].itertuples(index=False):
        assert (tip, site) == truth.labels[source], sweep
    assert main(["report", str(session), "--out", str(out)]) == 0
    results = json.loads((out / "results.json").read_text(encoding="utf-8"))
    found = {row["tip"]: row for row in results["barrier"]["tips"]}
    assert set(found) == {"A", "B", "C"}
    for tip, barrier in untidy.BARRIERS.items():
        assert found[tip]["barrier_low_eV"] < barrier * 1.03
        assert found[tip]["barrier_high_eV"] > barrier * 0.97
        assert (found[tip]["sites"], found[tip]["sweeps"]) == (3, 12)
    page = (out / "report.html").read_text(encoding="utf-8")
    assert "Which sweeps stand for no tip?" not in page
    labels = [one["label"] for one in results["spectra"]["each"]]
    assert labels == ["A", "B", "average over 2 tips"]


def test_without_columns_the_bare_files_are_asked_about_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    untidy.make(tmp_path)
    assert main(["import", str(tmp_path / "wednesday"), "--into", str(tmp_path / "s.h5")]) == 1
    err = capsys.readouterr().err
    bare = [line for line in err.splitlines() if "no line above the numbers" in line]
    assert len(bare) == 1
    assert bare[0].startswith("10 files like ")
    assert "--columns 'V (V), I (A)'" in bare[0]
    assert (
        main(["import", str(tmp_path / "wednesday"), "--into", str(tmp_path / "s.h5"), "--columns", "V (V), I (A)"])
        == 1
    )
    assert len(Session.open(tmp_path / "s.h5").sweeps()) == 54


def test_the_wrong_names_for_bare_columns_are_refused_by_size(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    untidy.make(tmp_path)
    for columns, why in (
        ("z (nm), I (nA)", "reaches|spans|only, less than"),
        ("V (mV), I (A), dI/dV", "has 2 columns without names; --columns names 3"),
    ):
        assert (
            main(["import", str(tmp_path / "wednesday"), "--into", str(tmp_path / "s.h5"), "--columns", columns]) == 1
        )
        assert re.search(why, capsys.readouterr().err)


@pytest.mark.parametrize("header", ["z (nm),I (nA)", "V (V),I (nA)", "z (nm),I (pA)"])
@pytest.mark.parametrize("files", [1, 3])
@pytest.mark.filterwarnings("error")
def test_a_session_of_dead_channels_has_a_report(tmp_path, capsys, header, files):
    for number in range(files):
        rows = "".join(f"{0.01 * k:.2f},{number}\n" for k in range(60))
        (tmp_path / f"dead{number}.csv").write_text(f"# tip: a\n# site: 1\n{header}\n{rows}")
    session, out = str(tmp_path / "s.h5"), tmp_path / "results"
    assert main(["import", *map(str, tmp_path.glob("*.csv")), "--into", session]) == 0
    assert main(["report", session, "--out", str(out)]) == 0
    assert f"{files} sweeps judged, {files} left out" in capsys.readouterr().out
    assert "dead channel" in (out / "report.html").read_text(encoding="utf-8")
