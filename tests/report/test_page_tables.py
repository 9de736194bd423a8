"""Tables of the page as text: decimals by uncertainty, verdicts, and sweeps with a flag first where they are very many."""

from __future__ import annotations

import math

import pytest

from sts.analysis import Analysis
from sts.report import page_tables
from sts.report.page_tables import cell, sweep_rows, verdict_rows
from sts.report.summary import Summary


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [
        (4.9145, 0.0323, "4.915"), (4.9145, 0.32, "4.91"), (-3.25, 1, "−3.2"), (math.nan, 2, "–"), (True, None, "yes"),
        (3e-7, "p", "< 0.0001"), (0.0312, "p", "0.0312"), (12.5, None, "12.5"), (None, None, ""), ("heron", None, "heron"),
    ],
)  # fmt: skip
def test_a_value_has_the_decimals_that_its_uncertainty_allows(value: object, digits: object, text: str) -> None:
    assert cell(value, digits) == text


def test_each_tip_has_its_verdict_with_the_numbers_it_rests_on(invented: Analysis) -> None:
    rows = verdict_rows(invented)
    table = invented.verdicts
    assert [row["verdict"] for row in rows] == table["verdict"].tolist()
    assert [row["why"] for row in rows] == table["reasons"].tolist()
    for row, told in zip(rows, table.itertuples(), strict=True):
        assert len(row["cells"]) == len(page_tables.VERDICT_HEADS) - 3  # tip, verdict and barrier stand apart
        assert float(row["barrier"]) == pytest.approx(told.barrier_eV, abs=0.01)
        low, high = (float(end) for end in row["interval"].split(" to "))
        assert low <= float(row["barrier"]) <= high


def test_a_tip_without_an_interval_says_so(invented: Analysis) -> None:
    table = invented.verdicts.assign(barrier_low_eV=math.nan, barrier_high_eV=math.nan)
    invented.__dict__["verdicts"], kept = table, invented.verdicts
    try:
        assert {row["interval"] for row in verdict_rows(invented)} == {"no interval"}
    finally:
        invented.__dict__["verdicts"] = kept


def test_of_very_many_sweeps_those_with_a_flag_or_left_out_come_first(
    invented: Analysis, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = sweep_rows(Summary(invented))
    wanted = [row["sweep"] for row in whole if row["flags"] or not row["used"]]
    assert 0 < len(wanted) < len(whole)
    monkeypatch.setattr(page_tables, "MOST_ROWS", len(wanted))
    assert [row["sweep"] for row in sweep_rows(Summary(invented))] == wanted


def test_noise_scatter_and_drift_have_their_intervals_below_them_or_the_reason(invented: Analysis) -> None:
    cells = [dict(zip(page_tables.VERDICT_HEADS[3:], row["cells"], strict=True)) for row in verdict_rows(invented)]
    for row in cells:
        for name in ("Noise (pA)", "Scatter between, within sites (%)", "Drift (pm/s)"):
            value, ends = row[name]
            assert (" to " in ends or "no interval: " in ends) == any(c.isdigit() for c in str(value)), (
                name,
                value,
                ends,
            )


def test_a_table_of_very_many_rows_shows_the_first_and_says_where_all_are(
    invented: Analysis, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = next(
        table for table in page_tables.page_tables(invented)["barrier"] if "barrier_sites.csv" in table["file"]
    )
    monkeypatch.setattr(page_tables, "MOST_LISTED", 2)
    cut = next(table for table in page_tables.page_tables(invented)["barrier"] if "barrier_sites.csv" in table["file"])
    assert cut["file"] == f"the first 2 of {len(whole['rows'])} rows; all stand in barrier_sites.csv"
    assert cut["rows"] == whole["rows"][:2]
    assert cut["folded"]
