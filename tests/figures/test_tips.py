"""Figures that compare tips write counts beside them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from figures.drawings import BARRIER, drawn

from sts import figures


def test_counts_of_sites_and_sweeps_are_written_beside_each_tip() -> None:
    with figures.house_style():
        texts = [t.get_text() for t in drawn("by_tip")[0].texts]
    tip = BARRIER.tips.iloc[0]
    number = f"{tip.barrier_eV:.2f} ({tip.barrier_low_eV:.2f} to {tip.barrier_high_eV:.2f}) eV"
    assert texts[0].split("\n")[0] == number  # two digits of an uncertainty of 0.10 eV
    assert [text.split("\n")[1] for text in texts] == [f"3 sites, {n} sweeps" for n in (12, 11, 12, 12)]


def many(count: int) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """The first tip again and again, each lower than the one before, the last by a factor of seven."""
    first, found = BARRIER.tips.iloc[0], []
    for number in range(count):
        factor = 0.14 if number == 2 else 1 - 0.03 * number
        for table in (BARRIER.sweeps, BARRIER.sites, BARRIER.tips):
            own = table[table["tip"] == first.tip].copy()
            columns = [c for c in own if c.startswith("barrier") and c.endswith("_eV")]
            found.append(own.assign(tip=f"tip {number}", **{c: own[c] * factor for c in columns}))
    return tuple(pd.concat(found[k::3], ignore_index=True) for k in range(3))


def test_more_than_six_tips_are_a_list_the_highest_barrier_first() -> None:
    tables = many(9)
    with figures.house_style():
        ax = figures.plot_barrier_by_tip(*tables, ax=figures.new_figure(width="double")[0])
        names = [t.get_text() for t in ax.get_yticklabels()]
        notes = [t.get_text() for t in ax.texts]
    assert names == [f"tip {i}" for i in (0, 1, 3, 4, 5, 6, 7, 8, 2)]
    assert all("\n" not in note for note in notes)


def test_a_bad_tip_does_not_flatten_the_others() -> None:
    tables = many(3)
    with figures.house_style():
        ax = figures.plot_barrier_by_tip(*tables, ax=figures.new_figure(width="double")[0])
        ax.figure.canvas.draw()
        sweeps = tables[0][tables[0]["used"].astype(bool)]
        at = {tip: ax.transData.transform(np.column_stack([rows, 0 * rows]))[:, 0] for tip, rows in
              sweeps.groupby("tip")["barrier_eV"]}  # fmt: skip
    wide = {tip: np.ptp(x) / ax.bbox.width for tip, x in at.items()}
    assert wide["tip 0"] > 0.15
    assert wide["tip 2"] == pytest.approx(wide["tip 0"], rel=0.05)  # the same ratios, the same length
    assert "logarithmic" in ax.get_xlabel()


def test_the_histogram_holds_every_used_sweep_in_its_site() -> None:
    with figures.house_style():
        table = figures.data_behind(drawn("histogram"))
    used = BARRIER.sweeps[BARRIER.sweeps["used"].astype(bool)]
    assert table["y"].sum() == len(used)
    for (tip, site), rows in used.groupby(["tip", "site"]):
        assert table.loc[table["series"] == f"{tip}, {site}", "y"].sum() == len(rows)
