"""The figure of single sweeps stands where sweeps show a gap or peak, and says whether sites differ."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
from figures.drawings import SPECTRA, sweep_features

from sts.comparing.differences import differences
from sts.report.pictures_sweeps import own_sweeps, sweep_pictures
from sts.spectra.spectrum import Spectrum

KEYS = {"sample": "layered semiconductor", "setpoint_current_A": 1e-10}


def spectra(shift: float = 0.0) -> list[Spectrum]:
    """Two tips; the gap at the second site wider by 40 and `shift` meV."""
    sweeps = sweep_features()[0]
    sweeps["value_mV"] += (shift - 40) * (sweeps["site"] == "s2")
    found = []
    for tip, own in sweeps.groupby("tip"):
        keys = {**KEYS, "tip": str(tip)}
        found.append(replace(SPECTRA[0], keys=keys, sweep_features=own, differences=differences(own)))
    return found


def test_one_figure_shows_all_tips_of_a_sample() -> None:
    (picture,) = sweep_pictures(spectra(shift=90.0), 0.95)
    assert picture.title == "Gap and peak 1 of each sweep: layered semiconductor"
    assert "The gap differs between sites by more than the scatter of repeats in 2 of 2 spectra" in picture.finding
    assert "1.15 eV at s1, 1.24 eV at s2" in picture.finding or "1152 meV at s1, 1242 meV at s2" in picture.finding
    assert len(picture.rows) == 2


def test_equal_sites_are_not_called_different() -> None:
    (picture,) = sweep_pictures(spectra(), 0.95)
    assert picture.finding.endswith("no difference between sites is shown beyond what repeats scatter by.")


def test_sweeps_of_one_site_leave_others_open() -> None:
    one = spectra()[0]
    assert one.sweep_features is not None
    here = one.sweep_features[one.sweep_features["site"] == "s1"]
    (picture,) = sweep_pictures([replace(one, sweep_features=here, differences=differences(here))], 0.95)
    assert "whether others differ is not known" in picture.finding


def test_an_average_over_tips_is_not_drawn_again() -> None:
    both = spectra()
    over = replace(both[0], keys={**KEYS, "tip": "average over 2 tips"})
    assert own_sweeps([*both, over]) == both


def test_without_a_gap_or_peak_there_is_no_figure() -> None:
    assert sweep_pictures(SPECTRA, 0.95) == []
    none = replace(SPECTRA[0], sweep_features=pd.DataFrame(columns=["feature", "tip"]))
    assert sweep_pictures([none], 0.95) == []


def test_peaks_of_tips_that_lie_apart_are_not_drawn_together() -> None:
    sweeps = sweep_features()[0].assign(width_mV=50.0)
    sweeps.loc[(sweeps["tip"] == "plover") & (sweeps["feature"] == "peak 1"), "value_mV"] += 400
    series = [replace(s, sweep_features=sweeps[sweeps["tip"] == s.keys["tip"]]) for s in spectra()]
    (picture,) = sweep_pictures(series, 0.95)
    assert picture.title.startswith("Gap of each sweep")
