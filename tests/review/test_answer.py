"""The answer before and now, and what decisions by hand did to it, in the words of the report."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

import sts
from sts.report.summary import Summary
from sts.report.write import contents
from sts.review import Desk
from sts.review.answer import spectrum_with


def test_tips_stand_with_their_numbers_when_opened_and_now(demo: Path) -> None:
    desk = Desk(demo)
    before = desk.analysis
    desk.decide([f"heron_s1_r{repeat}_{way}" for repeat in (1, 2) for way in ("retract", "approach")], "omit", "touch")
    tips = desk.answer().tips.set_index("tip")
    assert before.barrier is not None
    own = before.barrier.tips.set_index("tip")
    pd.testing.assert_series_equal(tips["before_barrier_eV"], own["barrier_eV"], check_names=False)
    assert tips.loc["heron", ["sweeps", "before_sweeps"]].tolist() == [27, 31]
    assert tips.loc["heron", "moved_eV"] != 0
    half = (own.loc["heron", "barrier_high_eV"] - own.loc["heron", "barrier_low_eV"]) / 2
    assert tips.loc["heron", "moved_halves"] == pytest.approx(tips.loc["heron", "moved_eV"] / half)
    assert (tips["moved_eV"].drop("heron") == 0).all()


def test_a_tip_that_lost_all_its_sweeps_is_still_shown_with_what_it_was(small: Path) -> None:
    desk = Desk(small)
    desk.decide([f"heron_{i}" for i in range(1, 7)], "omit", "touch")
    (row,) = desk.answer().tips.to_dict("records")
    assert row["before_sweeps"] == 6
    assert pd.isna(row["barrier_eV"])


def test_verdicts_stand_with_their_reasons_before_and_now(demo: Path) -> None:
    desk = Desk(demo)
    sites = [name for name in desk.worklist["sweep"] if name.startswith(("heron_s1", "heron_s2", "heron_s3"))]
    desk.decide(sites, "omit", "touch")
    tips = desk.answer().tips.set_index("tip")
    for prefix, analysis in (("before_", desk.opened), ("", desk.analysis)):
        own = analysis.verdicts.set_index("tip")
        for column in ("verdict", "reasons"):
            assert tips[f"{prefix}{column}"].to_dict() == own.loc[tips.index, column].to_dict()
    assert tips.loc["heron", "verdict"] != tips.loc["heron", "before_verdict"]


def test_the_spectrum_of_a_sweep_is_that_of_its_group_also_when_it_is_left_out(demo: Path) -> None:
    desk = Desk(demo)
    desk.decide(["layer_200pA_up_1"], "omit", "touch")
    before, now = desk.spectrum("layer_200pA_up_1")
    assert before is not None
    assert now is not None
    assert before.label == now.label
    assert "layer_200pA_up_1" in before.sweeps
    assert "layer_200pA_up_1" in now.omitted
    assert spectrum_with(desk.analysis, "heron_s1_r1_retract") is None
    assert spectrum_with(replace(desk.analysis, spectra=None), "layer_200pA_up_1") is None


def test_page_and_results_say_how_many_were_decided_by_hand_and_which_way(demo: Path) -> None:
    desk = Desk(demo)
    assert desk.answer().sentence == ""
    barrier = desk.analysis.barrier
    assert barrier is not None
    low = barrier.sweeps[barrier.sweeps["tip"] == "heron"].nsmallest(10, "decay_per_nm")["sweep"].tolist()
    desk.decide(low, "omit", "reads low")
    answer = desk.answer()
    assert "By hand: 10 sweeps left out that the rules would use." in answer.sentence
    files = contents(Summary(desk.analysis), [])  # all that a report holds but its figures
    numbers = json.loads(files["results.json"])
    assert numbers["by_hand"]["sentence"] == answer.sentence
    assert tuple(numbers["by_hand"]["cautions"]) == answer.cautions
    page = files["report.html"].decode()
    assert "By hand: 10 sweeps left out that the rules would use." in page
    assert sts.analyse(demo).by_hand.sentence == answer.sentence
