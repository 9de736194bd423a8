"""Spectra in words: gaps with their uncertainties by each definition, ranges of several, models, resolution."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from sts.analysis import Analysis
from sts.report.spectra_words import broadened_words, didv_from_words, gaps_words, lockin_words, spectra_words
from sts.report.summary import Summary
from sts.spectra.didv_source import DidvSource
from sts.spectra.lockin.comparison import LockinCalibration, Ratio


def answer(analysis: Analysis, start: str) -> tuple[str, str]:
    found = next(a for a in Summary(analysis).answers if a.question.startswith(start))
    return found.sentence, found.warning


def test_gaps_are_given_by_both_definitions_with_resolution_and_count(invented: Analysis) -> None:
    sentence, _ = answer(invented, "What does the spectrum")
    assert "Gap 1162 ± 30 meV by band edges. Gap 1120 to 1210 meV by log onset." in sentence
    assert "14 sweeps" in sentence
    assert "Resolution 31 meV." in sentence


def test_a_spectrum_without_a_gap_says_so(invented: Analysis) -> None:
    assert invented.spectra is not None
    none = tuple(replace(s, gaps=s.gaps.assign(gap_meV=np.nan)) for s in invented.spectra.spectra if s.gaps is not None)
    assert (
        "No gap is found." in answer(replace(invented, spectra=replace(invented.spectra, spectra=none)), "What does")[0]
    )


def test_gaps_of_several_spectra_are_a_range_with_the_largest_uncertainty(invented: Analysis) -> None:
    assert invented.spectra is not None
    one = next(s for s in invented.spectra.spectra if s.gaps is not None and np.isfinite(s.gaps["gap_meV"]).any())
    assert one.gaps is not None
    wider = replace(one, gaps=one.gaps.assign(gap_meV=one.gaps["gap_meV"] + 10, gap_se_meV=2 * one.gaps["gap_se_meV"]))
    assert "1162 to 1172 meV (each ± 60 or less) by band edges" in gaps_words([one, wider])
    unsure = replace(one, gaps=one.gaps.assign(gap_meV=one.gaps["gap_meV"] + 10, gap_se_meV=np.nan))
    assert "(each ± 30 or less, where it is known)" in gaps_words([one, unsure])


def test_twice_the_uncertainty_is_told_only_where_an_uncertainty_is_given(invented: Analysis) -> None:
    assert invented.spectra is not None
    spectra = invented.spectra.spectra
    assert "Here ± is twice the standard uncertainty." in spectra_words(spectra)[0]
    assert "±" not in spectra_words([replace(s, gaps=None) for s in spectra])[0]


def test_the_kernel_of_the_form_through_the_gap_is_told_with_its_width(invented: Analysis) -> None:
    assert invented.spectra is not None
    one = invented.spectra.spectra[0]
    assert one.broadened is not None
    assert broadened_words(one) == "; I/V is broadened by an exponential kernel, decay 600 mV"
    gaussian = replace(one, broadened=replace(one.broadened, kind="gaussian"))
    assert "a Gaussian kernel, full width at half height 600 mV" in broadened_words(gaussian)
    wide = replace(one, broadened=replace(one.broadened, width_V=1.25))
    assert broadened_words(wide).endswith("decay 1.25 V")  # before, 1.25e+03 mV
    assert broadened_words(replace(one, broadened=None)) == ""


def test_a_dip_with_shoulders_that_was_not_fitted_is_told_beside_the_first_figures(invented: Analysis) -> None:
    assert invented.spectra is not None
    one = replace(invented.spectra.spectra[0], suggested=("superconductor",))
    assert "This looks like a gap to fit: features.superconductor = true." in spectra_words([one])[1]
    assert "features.superconductor" not in spectra_words(invented.spectra.spectra)[1]


def test_sites_that_differ_are_told_before_the_gap_of_their_average(invented: Analysis) -> None:
    assert invented.spectra is not None
    one = invented.spectra.spectra[0]
    row = {"feature": "gap", "level": "site", "units": 4, "repeats": 16, "lowest": "s1", "lowest_mV": 1100.0,
           "highest": "s3", "highest_mV": 1190.0, "p": 2e-6, "differ": True, "against": "scatter of repeats"}  # fmt: skip
    edge = row | {"feature": "lower edge"}
    peak = row | {"feature": "peak 2", "p": 0.0021, "lowest_mV": 300.0, "highest_mV": 320.0}
    said, _ = spectra_words([replace(one, differences=pd.DataFrame([row, edge, peak]))])
    first = "The gap differs between sites by more than the scatter of repeats: 1100 meV at s1, 1190 meV at s3 (p < 0.0001)."
    assert first in said
    assert (
        "The position of peak 2 differs between sites by more than the scatter of repeats: 300 mV at s1, 320 mV at s3 (p = 0.002)."
        in said
    )
    assert "lower edge" not in said
    assert said.index(first) < said.index("Gap ")
    assert "differs" not in spectra_words([replace(one, differences=pd.DataFrame([row]).assign(differ=False))])[0]


def compared(value: float, half: float, agrees: bool | None) -> LockinCalibration:
    return LockinCalibration(
        1.0, 0.1, 0.9, 1.1, 0.0, 0.0, "S", agrees, "", 4, end_to_end=Ratio(value, half / 2, value - half, value + half)
    )


def test_the_lock_in_is_told_end_to_end_with_its_interval_and_whether_it_agrees(invented: Analysis) -> None:
    one = invented.spectra.spectra[0]
    assert lockin_words([one]) == []  # no such channel
    for agrees, words in (
        (True, "they agree"),
        (False, "they do not agree"),
        (None, "whether they agree cannot be told"),
    ):
        (said,) = lockin_words([replace(one, lockin=compared(1.0044, 0.0021, agrees))])
        assert (
            said
            == f"Lock-in against numerical dI/dV, end to end: ∫lock-in dV / ΔI = 1.0044 (from 1.0023 to 1.0065): {words}."
        )
    both = [replace(one, lockin=compared(1.2, 0.01, False)), replace(one, lockin=compared(1.0, 0.001, True))]
    (said,) = lockin_words(both)
    assert said.endswith("∫lock-in dV / ΔI = 1.000 to 1.200: they do not agree in 1 of 2 and they agree in 1 of 2.")


def test_it_is_said_when_dI_dV_is_that_of_the_lock_in_and_how_it_was_calibrated(invented: Analysis) -> None:
    one = replace(invented.spectra.spectra[0], lockin=compared(0.93, 0.01, False))
    other = replace(one, source=DidvSource("current", "the current does not tell its gain"))
    assert len(lockin_words([other])) == 1
    assert didv_from_words(other).endswith("not the lock-in channel: the current does not tell its gain")
    source = DidvSource("lock-in", "set in the plan", 1.0753, 0.002, -3e-11, 2e-12, "V")
    mine = replace(one, source=source)
    assert lockin_words([mine])[1] == (
        "dI/dV is that of the lock-in channel, calibrated by its integral against the current: set in the plan."
    )
    assert "times 1.0753 (0.002) S per V, plus −30 pS (2 pS) for its zero" in didv_from_words(mine).replace("-", "−")
