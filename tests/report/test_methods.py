"""Methods, checklist and citations: every number filled in, or named as not recorded."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from sts.analysis import Analysis
from sts.plan import Plan
from sts.report.page import render_page
from sts.report.summary import Summary
from sts.settings import PlanError, parse_toml, write_toml


def without(analysis: Analysis, column: str) -> Analysis:
    sets = tuple(replace(s, table=s.table.assign(**{column: np.nan})) for s in analysis.sets)
    return replace(analysis, sets=sets)


def values(analysis: Analysis) -> dict[str, str]:
    return {item.key: item.value for item in Summary(analysis).checklist}


@pytest.mark.parametrize(
    ("column", "key"), [("temperature_K", "temperature"), ("full_scale_A", "full_scale"), ("duration_s", "ramp")]
)
def test_what_is_taken_away_is_said_to_be_not_recorded(invented: Analysis, column: str, key: str) -> None:
    assert "not recorded" not in values(invented)[key] or key == "ramp"
    assert "not recorded" in values(without(invented, column))[key]
    assert "not recorded" not in Summary(without(invented, column)).methods  # prose holds what is known


def test_page_marks_a_missing_temperature(invented: Analysis) -> None:
    bare = replace(without(invented, "temperature_K"), barrier=None, spectra=None)
    assert re.search(r'<tr class="missing"><th scope="row">Temperature</th>', render_page(Summary(bare), []))


def test_facts_of_the_plan_fill_the_checklist(invented: Analysis) -> None:
    plan = parse_toml(Plan, '[report]\nfacts = { environment = "air, 45 % RH", operator = "J. D." }\n', "plan.toml")
    told = replace(invented, plan=plan)
    assert values(told)["environment"] == "air, 45 % RH"
    assert values(told)["operator"] == "J. D."
    assert "environment: air, 45 % RH" in Summary(told).methods
    assert parse_toml(Plan, write_toml(plan), "again") == plan


def test_a_fact_with_an_odd_name_is_refused() -> None:
    with pytest.raises(PlanError, match="facts"):
        parse_toml(Plan, '[report]\nfacts = { "a b" = "x" }\n', "plan.toml")


def test_calibration_is_stated_with_its_date_and_uncertainty(invented: Analysis) -> None:
    row = {"kind": "height", "factor": 0.986, "factor_se": 0.012, "measured": 0.34, "known": 0.335395,
           "source": "graphite step", "time": "2026-03-01"}  # fmt: skip
    text = values(replace(invented, calibrations=pd.DataFrame([row])))["height_calibration"]
    assert text == "true = 0.986 × nominal, standard uncertainty 0.012, from graphite step, 2026-03-01"
    assert values(invented)["height_calibration"] == "not recorded"


def test_decisions_after_seeing_the_data_are_counted(invented: Analysis) -> None:
    assert values(invented)["decisions"] == "1 decision, listed below with reasons"
    none = replace(invented, decisions=invented.decisions.iloc[:0])
    assert values(none)["decisions"].startswith("nothing")
