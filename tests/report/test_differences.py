"""Two results compared: what moved, and what differs that can explain it."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from sts.analysis import Analysis
from sts.plan import Plan
from sts.report import compare_results
from sts.report.summary import Summary
from sts.report.write import contents


def put(analysis: Analysis, folder: Path) -> Path:
    folder.mkdir()
    (folder / "results.json").write_bytes(contents(Summary(analysis), [], "compare")["results.json"])
    return folder


@pytest.fixture
def old(invented: Analysis, tmp_path: Path) -> Path:
    return put(invented, tmp_path / "old")


def test_equal_results_differ_in_nothing(invented: Analysis, old: Path, tmp_path: Path) -> None:
    lines = compare_results(old, put(invented, tmp_path / "new"))
    assert "nothing: same settings" in lines[1]
    assert lines[2] == "Numbers that moved: 0"


def test_a_moved_barrier_is_given_with_the_setting_that_moved_it(invented: Analysis, old: Path, tmp_path: Path) -> None:
    assert invented.barrier is not None
    tips = invented.barrier.tips.copy()
    tips.loc[0, "barrier_eV"] *= 1.01
    plan = Plan.model_validate({"check": {"outlier_cut": 2.5}})
    new = put(replace(invented, plan=plan, barrier=replace(invented.barrier, tips=tips)), tmp_path / "new")
    lines = compare_results(old, new)
    assert "  setting check.outlier_cut: 3.0 → 2.5" in lines
    moved = [line for line in lines if "gold film, heron, barrier" in line]
    assert len(moved) == 1
    assert "(+1 %, 0.44 of its standard uncertainty)" in moved[0]


def test_files_decisions_calibrations_and_versions_are_named(invented: Analysis, old: Path, tmp_path: Path) -> None:
    import pandas as pd

    sources = invented.sources.assign(sha256=["ef" * 32, "cd" * 32])
    calibrations = pd.DataFrame([{"kind": "height", "factor": 0.98, "factor_se": 0.01, "measured": 1, "known": 1,
                                  "source": "", "time": ""}])  # fmt: skip
    changed = replace(
        invented, sources=sources, decisions=invented.decisions.iloc[:0], calibrations=calibrations,
        versions={**invented.versions, "scipy": "1.18"},
    )  # fmt: skip
    lines = compare_results(old, put(changed, tmp_path / "new"))
    text = "\n".join(lines)
    assert "files changed: 1 file (heron.csv)" in text
    assert "decision gone: omit plover_s2_r2_retract (tip changed, seen on the screen)" in text
    assert "calibration of height: factor 1 → 0.98" in text
    assert "version of scipy: 1.17 → 1.18" in text


def test_a_change_without_a_recorded_cause_is_called_so(invented: Analysis, old: Path, tmp_path: Path) -> None:
    assert invented.barrier is not None
    pairs = invented.barrier.pairs.assign(verdict="differ")
    new = put(replace(invented, barrier=replace(invented.barrier, pairs=pairs)), tmp_path / "new")
    lines = compare_results(old, new)
    assert any("verdict: no difference shown → differ" in line for line in lines)
    assert lines[-1].startswith("Nothing recorded explains this")


def test_a_tip_that_came_or_went_is_named(invented: Analysis, old: Path, tmp_path: Path) -> None:
    assert invented.barrier is not None
    tips = invented.barrier.tips.iloc[1:].reset_index(drop=True)
    lines = compare_results(old, put(replace(invented, barrier=replace(invented.barrier, tips=tips)), tmp_path / "new"))
    assert any("gold film, heron, barrier" in line and "no longer there" in line for line in lines)


def test_a_folder_without_results_is_refused(old: Path, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="holds no results"):
        compare_results(old, tmp_path / "nothing")
    (tmp_path / "odd").mkdir()
    (tmp_path / "odd" / "results.json").write_text("{", encoding="utf-8")
    with pytest.raises(ValueError, match="damaged"):
        compare_results(old, tmp_path / "odd")
    (tmp_path / "odd" / "results.json").write_text("[]", encoding="utf-8")
    with pytest.raises(ValueError, match="not a result"):
        compare_results(old, tmp_path / "odd")


def test_tables_of_very_many_sweeps_stand_beside_and_are_not_compared(
    invented: Analysis, old: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sts.report.write.MOST_ROWS", 3)
    new = put(invented, tmp_path / "new")
    results = json.loads((new / "results.json").read_text(encoding="utf-8"))
    assert results["tables_beside"]["barrier.sweeps"] == "barrier_sweeps.csv"
    assert "sweeps" not in results
    assert "sweeps" not in results["barrier"]
    assert {one["sweep_count"] for one in results["spectra"]["each"]} == {
        len(one["sweeps"]) for one in json.loads((old / "results.json").read_text(encoding="utf-8"))["spectra"]["each"]
    }
    lines = compare_results(old, new)
    assert lines[2] == "Numbers that moved: 0"
    assert "barrier_sweeps.csv" in lines[3]
    assert len(compare_results(old, old)) == 3
