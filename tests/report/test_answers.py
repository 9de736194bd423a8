"""Sentences are written from the results by rules: every number in them stands in a table."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from figures import example
from numpy.testing import assert_allclose

from sts.analysis import Analysis
from sts.flags import FLAGS
from sts.plan import Plan
from sts.report.advice import improvements
from sts.report.answers import flag_panel
from sts.report.number_words import count, listed, value_with_interval, value_with_uncertainty
from sts.report.pictures import gallery
from sts.report.summary import Summary
from sts.report.write import result_tables
from sts.spectra.spectrum import Offsets


def answer(analysis: Analysis, start: str) -> tuple[str, str]:
    found = next(a for a in Summary(analysis).answers if a.question.startswith(start))
    return found.sentence, found.warning


def test_every_tip_is_named_with_its_interval_and_counts(invented: Analysis) -> None:
    sentence, _ = answer(invented, "What are the barriers")
    assert invented.barrier is not None
    numbers = re.findall(r"(\w+) ([\d.]+) eV \(([\d.]+) to ([\d.]+); 3 sites, (\d+) sweeps\)", sentence)
    assert [n[0] for n in numbers] == list(invented.barrier.tips["tip"])
    for column, texts in zip(
        ("barrier_eV", "barrier_low_eV", "barrier_high_eV", "sweeps"), list(zip(*numbers, strict=True))[1:], strict=True
    ):
        assert_allclose([float(text) for text in texts], invented.barrier.tips[column], rtol=0.002)
    assert "95 % interval" in sentence


def test_a_low_barrier_is_plainly_said_not_to_be_a_work_function(invented: Analysis) -> None:
    sentence, warning = answer(invented, "What are the barriers")
    assert warning == "sandpiper: 0.70 eV is not a work function: the gap is contaminated or compliant."
    assert "work function" not in sentence


def test_no_warning_where_no_barrier_is_low(invented: Analysis) -> None:
    assert invented.barrier is not None
    keep = lambda frame: frame[frame["tip"] != "sandpiper"].reset_index(drop=True)  # noqa: E731
    b = invented.barrier
    pairs = b.pairs[(b.pairs["tip_a"] != "sandpiper") & (b.pairs["tip_b"] != "sandpiper")].reset_index(drop=True)
    clean = replace(b, sweeps=keep(b.sweeps), sites=keep(b.sites), tips=keep(b.tips), pairs=pairs)
    assert answer(replace(invented, barrier=clean), "What are the barriers")[1] == ""


def test_many_tips_are_summed_up(invented: Analysis) -> None:
    assert invented.barrier is not None
    many = pd.concat([invented.barrier.tips.assign(tip=f"t{i}", barrier_eV=4 + 0.1 * i).head(1) for i in range(9)])
    sentence, _ = answer(replace(invented, barrier=replace(invented.barrier, tips=many)), "What are the barriers")
    assert "9 tips, from t0 4.00 eV" in sentence
    assert "to t8 4.80 eV" in sentence


def test_pairs_name_the_closest_that_differ_and_those_that_do_not(invented: Analysis) -> None:
    sentence, _ = answer(invented, "Do the tips differ")
    assert sentence.startswith("5 of 6 pairs differ")
    assert "curlew against heron 1.114 (1.058 to 1.169)" in sentence
    assert "no difference is shown for 1: plover against heron 0.977 (0.928 to 1.026)" in sentence
    assert "sandpiper" not in sentence  # a dirty gap is not the news


def test_one_tip_has_nothing_to_compare(invented: Analysis) -> None:
    assert invented.barrier is not None
    one = replace(invented.barrier, pairs=invented.barrier.pairs.iloc[:0])
    assert answer(replace(invented, barrier=one), "Do the tips")[0] == "One tip only: there is nothing to compare."


def test_gaps_are_given_by_both_definitions_with_resolution_and_count(invented: Analysis) -> None:
    sentence, _ = answer(invented, "What does the spectrum")
    assert "gap 1150 ± 24 meV by log onset and 1162 ± 30 meV by extrapolation" in sentence
    assert "resolution 31 meV, 14 sweeps" in sentence


def test_a_spectrum_without_a_gap_says_so(invented: Analysis) -> None:
    assert invented.spectra is not None
    none = tuple(replace(s, gaps=s.gaps.assign(gap_meV=np.nan)) for s in invented.spectra.spectra if s.gaps is not None)
    assert (
        "no gap is found" in answer(replace(invented, spectra=replace(invented.spectra, spectra=none)), "What does")[0]
    )


def test_doubt_is_counted(invented: Analysis) -> None:
    sentence, _ = answer(invented, "What is doubtful")
    assert sentence.startswith("3 of 64 sweeps were left out (jump 3)")
    assert "13 sweeps that were kept carry a flag, most often “low barrier” (12:" in sentence


def test_every_flag_has_its_count_meaning_and_remedy(invented: Analysis) -> None:
    panel = {row["flag"]: row for row in flag_panel(invented)}
    assert (panel["jump"]["left_out"], panel["jump"]["kept"]) == (3, 0)
    assert (panel["low barrier"]["left_out"], panel["low barrier"]["kept"]) == (0, 12)
    for name, row in panel.items():
        assert row["meaning"] == FLAGS[name].meaning
        assert row["remedy"] == FLAGS[name].remedy
    assert panel["saturated"]["example"] == "heron_s1_r1_retract: 6 of 71 samples at the limit, masked"


def test_three_improvements_each_with_a_size(invented: Analysis) -> None:
    found = improvements(invented)
    assert len(found) == 3
    assert found[0].startswith("Clean or replace sandpiper")
    assert all(re.search(r"\d", text) for text in found)


def test_calibration_is_asked_for_only_where_none_is_recorded(invented: Analysis) -> None:
    assert any("Calibrate the height scale" in text for text in improvements(invented, most=20))
    known = pd.DataFrame([{"kind": "height", "factor": 1.02, "factor_se": 0.01, "measured": 0.34, "known": 0.335,
                           "source": "graphite", "time": "2026-03-01"}])  # fmt: skip
    assert not any("Calibrate" in text for text in improvements(replace(invented, calibrations=known), most=20))


def test_setpoints_are_asked_for_only_where_offsets_cannot_be_told_apart(invented: Analysis) -> None:
    assert any("three set-points" in text for text in improvements(invented, most=20))
    assert invented.spectra is not None
    known = Offsets(0.001, 1e-4, 0.001, 1e-4, 1e-12, 1e-13, True, "3 set-points")
    spectra = tuple(replace(s, offsets=known) for s in invented.spectra.spectra)
    told = replace(invented, spectra=replace(invented.spectra, spectra=spectra))
    assert not any("three set-points" in text for text in improvements(told, most=20))


def lock_in_only(analysis: Analysis) -> Analysis:
    """As from a lock-in channel without a current: recorded as it is, modulation not stated, nothing to divide by."""
    assert analysis.spectra is not None
    spectra = tuple(
        replace(s, normalised=np.full(len(s.bias), np.nan), trusted=np.zeros(len(s.bias), bool),
                resolution=replace(s.resolution, smoothing_V=np.nan, modulation_V=np.nan))
        for s in analysis.spectra.spectra
    )  # fmt: skip
    return replace(analysis, barrier=None, spectra=replace(analysis.spectra, spectra=spectra))


def test_a_page_of_lock_in_signals_only_is_not_told_what_cannot_be_divided(invented: Analysis) -> None:
    """Without a current there is no (dI/dV)/(I/V), so no part of it that cannot be read."""
    assert not any("cannot be read" in text for text in improvements(lock_in_only(invented), most=20))
    assert "normalised" not in Summary(lock_in_only(invented)).methods
    assert "normalised" in Summary(invented).methods


def test_a_resolution_without_the_modulation_is_a_lower_bound(invented: Analysis) -> None:
    sentence, _ = answer(lock_in_only(invented), "What does the spectrum")
    assert "resolution at least 31 meV (modulation unknown)" in sentence
    advice = [text for text in improvements(lock_in_only(invented), most=20) if "modulation" in text]
    assert len(advice) == 1
    # sqrt(6) of the rms amplitude: half width of the first harmonic's half ellipse, mod1_rms (computed: exact)
    assert "1 mV rms alone blurs by 2.4 meV" in advice[0]
    assert "at least" not in answer(invented, "What does the spectrum")[0]


def test_no_advice_names_a_size_that_rounds_to_nothing(invented: Analysis) -> None:
    assert invented.spectra is not None
    spectra = tuple(replace(s, trusted=np.abs(s.bias) > 0) for s in invented.spectra.spectra)
    shown = replace(invented, spectra=replace(invented.spectra, spectra=spectra))
    found = [text for text in improvements(shown, most=20) if "cannot be read" in text]
    assert found
    assert not any("±0 mV" in text for text in found)
    everywhere = tuple(replace(s, trusted=np.ones(len(s.bias), bool)) for s in invented.spectra.spectra)
    shown = replace(invented, spectra=replace(invented.spectra, spectra=everywhere))
    assert not any("cannot be read" in text for text in improvements(shown, most=20))


def test_less_smoothing_is_asked_for_only_where_something_was_found(invented: Analysis) -> None:
    assert invented.spectra is not None
    spectra = [
        replace(s, resolution=replace(s.resolution, thermal_V=0.01, smoothing_V=0.1, total_V=0.1))
        for s in invented.spectra.spectra
    ]
    blurred = replace(invented, spectra=replace(invented.spectra, spectra=tuple(spectra)))
    assert any("allow less smoothing" in text for text in improvements(blurred, most=20))
    empty = tuple(replace(s, gaps=None, peaks=None) for s in spectra)
    without = replace(invented, spectra=replace(invented.spectra, spectra=empty))
    assert not any("allow less smoothing" in text for text in improvements(without, most=20))


def test_confidence_of_the_plan_is_the_one_named(invented: Analysis) -> None:
    plan = Plan.model_validate({"compare": {"confidence": 0.9}})
    assert "90 % interval" in answer(replace(invented, plan=plan), "What are")[0]


@pytest.mark.parametrize(
    ("value", "low", "high", "text"),
    [
        (4.38, 4.28, 4.49, "4.38 eV (4.28 to 4.49)"),
        (0.70071, 0.6909, 0.7105, "0.7007 eV (0.6909 to 0.7105)"),
        (-0.1, -0.3, 0.1, "−0.10 eV (−0.30 to 0.10)"),
        (4.4, np.nan, np.nan, "4.40 eV (no interval)"),
        (np.nan, np.nan, np.nan, "not recorded"),
    ],
)
def test_intervals_are_rounded_by_their_width(value: float, low: float, high: float, text: str) -> None:
    """Two significant digits of the uncertainty: JCGM 100:2008 (GUM), 7.2.6."""
    assert value_with_interval(value, low, high, "eV") == text


def test_uncertainties_have_two_digits() -> None:
    """The GUM's own example, 7.2.2: 100.021 47 g with u = 0.35 mg."""
    assert value_with_uncertainty(100.02147, 0.00035, "g") == "100.02147 ± 0.00035 g"


def test_words_for_counts_and_lists() -> None:
    assert count(1, "sweep") == "1 sweep"
    assert count(0, "sweep") == "0 sweeps"
    assert listed(["a", "b", "c"]) == "a, b and c"
    assert listed([]) == ""


def test_every_number_of_the_first_screen_and_the_main_figures_stands_in_a_table(invented: Analysis) -> None:
    cells: list[float] = []
    for frame in result_tables(invented).values():
        for column in frame.columns[[dtype.kind in "fi" for dtype in frame.dtypes]]:
            values = frame[column].to_numpy(float)
            cells += [
                *values,
                *(2 * values if column.endswith("_se_meV") else []),
            ]  # "± twice the standard uncertainty"
    said = [f"{a.sentence} {a.warning}" for a in Summary(invented).answers]
    said += [p.finding for p in gallery(Summary(invented)) if p.name.startswith(("barrier_by", "tip_pairs", "didv"))]
    numbers = re.findall(r"\d+\.\d+|\d+(?= ±| meV| eV)|(?<=± )\d+", " ".join(said))
    assert len(numbers) > 50
    for number in numbers:
        digits = len(number.partition(".")[2])
        assert any(f"{abs(cell):.{digits}f}" == number for cell in cells), number


def test_example_is_what_the_sentences_were_checked_against() -> None:
    assert example.TIPS["sandpiper"] == 0.70
