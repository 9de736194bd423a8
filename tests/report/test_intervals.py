"""Uncertainties beside the numbers of the page's tables: coverage by simulation, reasons where there is none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from sts.analysis import Analysis
from sts.comparing import variance_components
from sts.report.intervals import components_with_intervals, spectra_with_uncertainties
from sts.report.page import render_page
from sts.report.summary import Summary


def repeats(rng: np.random.Generator, *, sites: int = 3, each: int = 4, scatter: float = 0.02) -> pd.DataFrame:
    """Slopes of two tips whose repeats scatter by a known standard deviation of ln of the slope."""
    rows = [
        {"sample": "gold", "tip": tip, "site": f"s{site}", "repeat": repeat,
         "decay_per_nm": 20.0 * np.exp(scatter * rng.standard_normal())}
        for tip in ("heron", "stork") for site in range(sites) for repeat in range(each)
    ]  # fmt: skip
    return pd.DataFrame(rows).assign(decay_se_per_nm=0.1, decay_common_per_nm=0.0, dof=50.0)


def test_the_interval_of_the_scatter_of_repeats_holds_the_truth_as_often_as_it_says() -> None:
    """400 invented sessions: within three standard errors of 90 %."""
    rng, inside = np.random.default_rng(1), 0
    for _ in range(400):
        row = components_with_intervals(variance_components(repeats(rng)), 0.9).set_index("level").loc["repeat"]
        low, high = map(float, row["interval"].split(" to "))
        truth = 2 * 0.02 * row["sd_eV"] / (row["sd_percent"] / 100)  # of ln φ, at the mean barrier
        inside += low <= truth <= high
    assert abs(inside / 400 - 0.9) < 3 * np.sqrt(0.9 * 0.1 / 400)


def test_components_without_an_interval_say_why() -> None:
    table = components_with_intervals(variance_components(repeats(np.random.default_rng(2))), 0.95).set_index("level")
    assert table.loc["tip", "interval"] == "none: rests on 1 degree of freedom"
    assert table.loc["site", "interval"] == "none: rests on 4 degrees of freedom"
    alone = components_with_intervals(variance_components(repeats(np.random.default_rng(2), each=1)), 0.95)
    assert alone.set_index("level").loc["repeat", "interval"] == "none: cannot be estimated"
    assert components_with_intervals(pd.DataFrame(), 0.95).empty


def test_zeros_and_shifts_stand_with_their_uncertainty_and_source(invented: Analysis) -> None:
    assert invented.spectra is not None
    one = invented.spectra.spectra[0]
    offsets = replace(one.offsets, bias_V=3e-3, bias_se_V=2e-4, current_A=1e-12, current_se_A=3e-13, how="3 set-points")
    spectra = tuple(replace(s, offsets=offsets) for s in invented.spectra.spectra)
    summary = invented.spectra.summary.assign(bias_offset_mV=3.0, current_offset_pA=1.0)
    told = replace(invented.spectra, spectra=spectra, summary=summary)
    table = spectra_with_uncertainties(told)
    np.testing.assert_allclose(table[["bias_offset_se_mV", "current_offset_se_pA"]], [[0.2, 0.3]] * len(table))
    assert set(table["zeros_from"]) == {"3 set-points"}
    page = render_page(Summary(replace(invented, spectra=told)), [])
    for head in ("Zero of bias (mV)", "u (mV)", "Zero of current (pA)", "u (pA)", "Zeros from", "interval (eV)"):
        assert f">{head}</th>" in page, head
