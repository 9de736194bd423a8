"""What is known about an analysis, from where it stands."""

from __future__ import annotations

from dataclasses import replace

from sts.analysis import Analysis
from sts.plan import Plan
from sts.report.lookup import all_sweeps, axis_words, low_barrier_tips, stated


def test_every_sweep_is_listed_once_with_what_is_known_of_it(invented: Analysis) -> None:
    table = all_sweeps(invented)
    assert list(table["sweep"]) == list(invented.judged["sweep"])
    assert {"points", "axis_from", "axis_to", "started", "made_by"} <= set(table.columns)
    assert (table.loc[table["kind"] == "iz", "points"] == 71).all()
    assert len(all_sweeps(replace(invented, sets=()))) == len(invented.judged)


def test_only_tips_whose_used_sweeps_are_mostly_flagged_are_low(invented: Analysis) -> None:
    assert [tip for _, tip in low_barrier_tips(invented)] == ["sandpiper"]
    few = invented.flags[invented.flags["flag"] == "low barrier"].index[:9]
    assert low_barrier_tips(replace(invented, flags=invented.flags.drop(few))) == []
    assert low_barrier_tips(replace(invented, barrier=None)) == []


def test_the_plan_stands_above_the_logbook(invented: Analysis) -> None:
    assert stated(invented, "tip_material", ("made_by",)) == "etched W and etched Au"
    told = replace(invented, plan=Plan.model_validate({"report": {"facts": {"tip_material": "cut PtIr"}}}))
    assert stated(told, "tip_material", ("made_by",)) == "cut PtIr"
    assert stated(invented, "humidity", ("humidity",)) == ""


def test_an_axis_is_said_once_however_many_sets_have_it(invented: Analysis) -> None:
    assert axis_words(invented, "iz") == "0 to 0.7 nm in 71 points"
    assert axis_words(replace(invented, sets=(*invented.sets, *invented.sets)), "iz") == axis_words(invented, "iz")
    assert axis_words(invented, "iv").startswith("−")
