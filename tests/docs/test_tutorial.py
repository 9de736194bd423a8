"""The tutorial prints what the demo gives now: other numbers on the page would make a reader doubt his own."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from sts.analysis import Analysis

TEXT = (Path(__file__).resolve().parents[2] / "docs" / "tutorial.md").read_text(encoding="utf-8")


def row(*cells: object) -> str:
    """A pattern for a line of a table that holds these cells one after the other."""
    return r"\s+".join(re.escape(str(cell)) for cell in cells)


def test_barriers_of_the_tutorial_are_those_of_the_demo(demo_analysis: Analysis) -> None:
    assert demo_analysis.barrier is not None
    for tip in demo_analysis.barrier.tips.itertuples():
        numbers = (f"{value:.3f}" for value in (tip.barrier_eV, tip.barrier_low_eV, tip.barrier_high_eV))
        assert re.search(row(tip.sample, tip.tip, tip.sites, tip.sweeps, *numbers), TEXT), tip.tip


def test_pairs_of_the_tutorial_are_those_of_the_demo(demo_analysis: Analysis) -> None:
    assert demo_analysis.barrier is not None
    pairs = demo_analysis.barrier.pairs.set_index(["tip_a", "tip_b"])
    for tips in (("curlew", "heron"), ("heron", "plover")):
        pair = pairs.loc[tips]
        numbers = (f"{pair[name]:.3f}" for name in ("ratio", "ratio_low", "ratio_high"))
        assert re.search(row(*tips, *numbers), TEXT), tips
        assert pair["p_adjusted"] < 1e-4 or f"{pair['p_adjusted']:.4f}" in TEXT, tips


def test_spectra_of_the_tutorial_are_those_of_the_demo(demo_analysis: Analysis) -> None:
    shown = re.findall(
        r"^ layered semiconductor, heron, (\d+) pA +(\d+) +(\d+) +([\d.]+) meV +([\d.]+) meV", TEXT, re.MULTILINE
    )
    assert len(shown) == 3
    for setpoint, used, omitted, resolution, gap in shown:
        spectrum = demo_analysis.spectra[f"layered semiconductor, {setpoint} pA"]
        assert (len(spectrum.sweeps), len(spectrum.omitted)) == (int(used), int(omitted))
        assert 1e3 * spectrum.resolution.total_V == pytest.approx(float(resolution), rel=3e-3)  # three digits
        edges = spectrum.gaps.set_index("gap_method").loc["band edges"]
        assert edges["gap_meV"] == pytest.approx(float(gap), rel=3e-3)
