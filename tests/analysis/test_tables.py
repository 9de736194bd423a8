"""Rows of spectra: the columns of the contract, nothing invented where nothing was recorded."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from figures.drawings import SPECTRA
from numpy.testing import assert_allclose

from sts.analysis.tables import SPECTRA_COLUMNS, SUMMARY_COLUMNS, spectra_tables
from sts.plan import Plan


def test_each_point_of_each_spectrum_is_a_row() -> None:
    table, summary = spectra_tables(SPECTRA, Plan())
    assert set(SPECTRA_COLUMNS) <= set(table.columns)
    assert set(SUMMARY_COLUMNS) <= set(summary.columns)
    assert len(table) == sum(s.bias.size for s in SPECTRA)
    assert len(summary) == len(SPECTRA)
    assert_allclose(table["didv_S"], np.concatenate([s.didv for s in SPECTRA]), rtol=0)
    assert_allclose(summary["resolution_meV"], [s.resolution.total_V * 1e3 for s in SPECTRA])


def test_without_spectra_the_columns_stand_without_rows() -> None:
    table, summary = spectra_tables([], Plan())
    assert len(table) == len(summary) == 0
    assert set(SPECTRA_COLUMNS) <= set(table.columns)
    assert set(SUMMARY_COLUMNS) <= set(summary.columns)


def test_a_signal_of_another_unit_is_not_called_siemens() -> None:
    table, summary = spectra_tables([replace(SPECTRA[0], didv_unit="V")], Plan())
    assert table["didv_S"].isna().all()
    assert_allclose(table["didv_lockin"], SPECTRA[0].didv, rtol=0)
    assert summary["didv_unit"].tolist() == ["V"]


def test_the_gap_between_bands_is_the_one_of_the_summary() -> None:
    gaps = pd.DataFrame({
        "gap_method": ["log onset", "band edges, exponent 1", "band edges, exponent 1"],
        "gap_meV": [900.0, np.nan, 1000.0], "gap_se_meV": [1.0, np.nan, 2.0],
    })  # fmt: skip
    for rows, expected in ((gaps, 1000.0), (gaps.iloc[:2], 900.0), (gaps.iloc[1:2], np.nan)):
        found = spectra_tables([replace(SPECTRA[0], gaps=rows)], Plan())[1]["gap_meV"]
        assert_allclose(found, [expected])


def test_both_forms_of_the_normalised_conductance_stand_in_the_table_and_the_kernel_in_the_summary() -> None:
    one, bare = SPECTRA[0], replace(SPECTRA[0], broadened=None)
    assert one.broadened is not None
    table, summary = spectra_tables([one, bare], Plan())
    n = one.bias.size
    assert_allclose(table["broadened"][:n], one.broadened.value, rtol=0)
    assert_allclose(table["normalised"][:n], one.normalised, rtol=0)
    assert_allclose(table["broadened_high"][:n] - table["broadened_low"][:n], one.broadened.high - one.broadened.low)
    assert table["broadened"][n:].isna().all()
    assert_allclose(summary["broadening_meV"], [600.0, np.nan])
    assert summary["broadened_by"][0] == "exponential"
