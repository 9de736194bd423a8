"""The record of tips in a folder: page, charts, tables, results; renewed by the next record and by nothing else."""

from __future__ import annotations

import json

import pandas as pd
import pytest

import sts


@pytest.fixture(scope="module")
def written(tip_record, tmp_path_factory):
    folder = tmp_path_factory.mktemp("record") / "tips"
    return folder, [path.relative_to(folder).as_posix() for path in sts.write_tip_record(tip_record, folder)]


def test_page_tables_charts_and_plan_are_written(written):
    assert written[1] == [
        "figures/days_heron.csv", "figures/days_heron.svg", "figures/days_stork.csv", "figures/days_stork.svg", "plan.toml",
        "results.json", "sessions.csv", "tip_days.csv", "tips.csv", "tips.html",
    ]  # fmt: skip


def test_results_hold_what_the_tables_hold_and_the_rule(written):
    folder, names = written
    results = json.loads((folder / "results.json").read_text(encoding="utf-8"))
    assert results["files"] == sorted(names)
    days = pd.read_csv(folder / "tip_days.csv")
    assert [row["barrier_eV"] for row in results["days"]] == pytest.approx(days["barrier_eV"].tolist())
    assert "one day in 100" in results["rule"]
    assert [row["state"] for row in results["tips"]] == pd.read_csv(folder / "tips.csv")["state"].tolist()


def test_the_next_record_renews_it_and_other_results_are_not_overwritten(written, tip_record, tmp_path):
    before = {path: path.read_bytes() for path in written[0].rglob("*") if path.is_file()}
    sts.write_tip_record(tip_record, written[0])
    assert {path: path.read_bytes() for path in written[0].rglob("*") if path.is_file()} == before
    (tmp_path / "results.json").write_text("{}", encoding="utf-8")
    with pytest.raises(ValueError, match="is there already"):
        sts.write_tip_record(tip_record, tmp_path)
    sts.write_tip_record(tip_record, tmp_path, force=True)


def test_an_analysis_is_not_written_as_a_record():
    with pytest.raises(ValueError, match=r"sts\.write_tip_record"):
        sts.write_results(None, "x", what="tips")
