"""The whole job on the invented demo, from judging to the page."""

from __future__ import annotations

import pytest

import sts
from sts.analysis import run
from sts.cli import main
from sts.report import render_page
from sts.report.summary import Summary
from sts.report.write import result_tables


def test_the_page_of_the_demo_can_be_sent_by_mail(analysis):
    assert len(render_page(Summary(analysis)).encode()) < 2_000_000


@pytest.mark.usefixtures("unprinted")
def test_with_every_sweep_omitted_the_job_ends_in_words_and_tables_without_rows(
    copy, demo_measured, tmp_path, capsys, monkeypatch
):
    monkeypatch.setattr(run, "measure", lambda *_, **__: demo_measured)  # of the same sweeps: no decision matters there
    copy.mark(list(copy.sweeps()["sweep"]), "omit", "all measured before the tip was cleaned")
    assert main(["report", str(copy.path), "--out", str(tmp_path / "out")]) == 0
    said = capsys.readouterr().out
    assert "No I(z) sweep is left to compare" in said
    assert "gold film, heron, 100 pA: No sweep is left: all 10 are left out by decision." in said
    for name in ("spectra", "spectra_summary", "barrier_tips", "barrier_sites", "barrier_pairs"):
        lines = (tmp_path / "out" / f"{name}.csv").read_text(encoding="utf-8").splitlines()
        assert len(lines) == 1, name
        assert lines[0].count(",") > 8, name


def test_a_second_run_gives_the_same_tables_byte_for_byte(analysis, session):
    first = {name: table.to_csv() for name, table in result_tables(analysis).items()}
    second = {name: table.to_csv() for name, table in result_tables(sts.analyse(session)).items()}
    assert first == second
