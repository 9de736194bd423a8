"""Sentences are written from the results by rules: every number in them stands in a table."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pandas as pd
from figures import example
from numpy.testing import assert_allclose

from sts.analysis import Analysis
from sts.flags import FLAGS
from sts.plan import Plan
from sts.report.advice import improvements
from sts.report.answers import flag_panel
from sts.report.pictures import gallery
from sts.report.summary import Summary
from sts.report.write import result_tables


def answer(analysis: Analysis, start: str) -> tuple[str, str]:
    found = next(a for a in Summary(analysis).answers if a.question.startswith(start))
    return found.sentence, found.warning


def test_every_tip_is_named_with_its_interval_and_counts(invented: Analysis) -> None:
    sentence, _ = answer(invented, "What are the barriers")
    assert invented.barrier is not None
    numbers = re.findall(r"(\w+) ([\d.]+) eV \(([\d.]+) to ([\d.]+)\)\.", sentence)
    assert [n[0] for n in numbers] == list(invented.barrier.tips["tip"])
    for column, texts in zip(
        ("barrier_eV", "barrier_low_eV", "barrier_high_eV"), list(zip(*numbers, strict=True))[1:], strict=True
    ):
        assert_allclose([float(text) for text in texts], invented.barrier.tips[column], rtol=0.002)
    assert "95 % interval" in sentence
    tips = invented.barrier.tips
    assert sentence.endswith(f"In all {tips['sites'].sum()} sites and {tips['sweeps'].sum()} sweeps.")


def test_a_low_barrier_is_plainly_said_not_to_be_a_work_function(invented: Analysis) -> None:
    sentence, warning = answer(invented, "What are the barriers")
    assert warning == (
        "sandpiper: 0.70 eV is not a work function, and another tip of the session reads 4.90 eV there: "
        "possible reason, a contaminated or compliant gap."
    )
    assert "work function" not in sentence


def test_a_low_barrier_is_called_usual_in_air_only_where_no_tip_reads_a_clean_gap_on_that_sample(
    invented: Analysis,
) -> None:
    b = invented.barrier
    assert b is not None
    alone = replace(b, tips=b.tips[b.tips["tip"] == "sandpiper"].reset_index(drop=True))
    warning = answer(replace(invented, barrier=alone), "What are the barriers")[1]
    assert warning == "sandpiper: 0.70 eV is not a work function, but usual in air: compare tips, not metals."


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
    assert sentence.startswith("9 tips; the table lists all.")
    assert "Least: t0 4.00 eV" in sentence
    assert "Most: t8 4.80 eV" in sentence


def test_pairs_name_the_closest_that_differ_and_those_that_do_not(invented: Analysis) -> None:
    sentence, _ = answer(invented, "Do the tips differ")
    assert sentence.startswith("5 of 6 pairs differ")
    assert "curlew against heron 1.114 (1.058 to 1.169)" in sentence
    assert "No difference is shown for 1 pair. plover against heron 0.977 (0.928 to 1.026)." in sentence
    assert "sandpiper" not in sentence  # a dirty gap is not the news


def test_one_tip_has_nothing_to_compare(invented: Analysis) -> None:
    assert invented.barrier is not None
    b, judged = invented.barrier, invented.judged
    one = replace(b, pairs=b.pairs.iloc[:0], tips=b.tips.head(1))
    alone = judged[judged["tip"] == b.tips["tip"].iloc[0]]
    said = answer(replace(invented, barrier=one, judged=alone), "Do the tips")[0]
    assert said == "One tip only: there is nothing to compare."
    apart = replace(b, pairs=b.pairs.iloc[:0])
    assert answer(replace(invented, barrier=apart), "Do the tips")[0].startswith(
        "No two tips were measured on the same"
    )


def test_doubt_is_counted(invented: Analysis) -> None:
    sentence, _ = answer(invented, "What is doubtful")
    assert sentence.startswith("3 of 64 sweeps were left out. Most often flagged among them: “jump” (3).")
    assert "13 sweeps that were kept carry a flag, most often “low barrier” (12). It means: below 1 eV" in sentence
    one = invented.flags[
        invented.flags["sweep"].isin(["heron_s1_r1_retract", *invented.judged["sweep"][~invented.judged["used"]]])
    ]
    assert "1 sweep that was kept carries a flag" in answer(replace(invented, flags=one), "What is doubtful")[0]


def test_every_flag_has_its_count_meaning_and_remedy(invented: Analysis) -> None:
    panel = {row["flag"]: row for row in flag_panel(invented)}
    assert (panel["jump"]["left_out"], panel["jump"]["kept"]) == (3, 0)
    assert (panel["low barrier"]["left_out"], panel["low barrier"]["kept"]) == (0, 12)
    for name, row in panel.items():
        assert row["meaning"] == FLAGS[name].meaning
        assert row["remedy"] == FLAGS[name].remedy
    assert panel["saturated"]["example"] == "heron_s1_r1_retract: 6 of 71 samples at the limit, masked"


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
    assert "Resolution at least 31 meV (modulation unknown)" in sentence
    advice = [text for text in improvements(lock_in_only(invented), most=20) if "modulation" in text]
    assert len(advice) == 1
    # sqrt(6) of the rms amplitude: half width of the first harmonic's half ellipse, mod1_rms (computed: exact)
    assert "1 mV rms alone blurs by 2.4 meV" in advice[0]
    assert "at least" not in answer(invented, "What does the spectrum")[0]


def test_confidence_of_the_plan_is_the_one_named(invented: Analysis) -> None:
    plan = Plan.model_validate({"compare": {"confidence": 0.9}})
    assert "90 % interval" in answer(replace(invented, plan=plan), "What are")[0]


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
