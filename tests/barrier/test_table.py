"""The tables of a fit: their contract."""

from __future__ import annotations

from sts.barrier.fit import SWEEP_COLUMNS


def test_the_table_keeps_its_contract(many):
    assert tuple(many.table.columns[: len(SWEEP_COLUMNS)]) == SWEEP_COLUMNS
