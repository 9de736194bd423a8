"""Figures that compare tips write counts beside them."""

from __future__ import annotations

from figures.drawings import BARRIER, drawn

from sts import figures


def test_counts_of_sites_and_sweeps_are_written_beside_each_tip() -> None:
    with figures.house_style():
        texts = [t.get_text() for t in drawn("by_tip")[0].texts]
    tip = BARRIER.tips.iloc[0]
    number = f"{tip.barrier_eV:.2f} ({tip.barrier_low_eV:.2f} to {tip.barrier_high_eV:.2f}) eV"
    assert texts[0].split("\n")[0] == number  # two digits of an uncertainty of 0.10 eV
    assert [text.split("\n")[1] for text in texts] == [f"3 sites, {n} sweeps" for n in (12, 11, 12, 12)]
