"""Settings as TOML: text that survives, mistakes named with key and line."""

from __future__ import annotations

import pytest

from sts.plan import Plan
from sts.settings import PlanError, parse_toml, write_toml


def test_text_with_quotes_and_line_ends_survives():
    plan = parse_toml(Plan, '[report]\ntitle = "a \\"b\\" \\u000a c\\\\d µ"', "plan.toml")
    assert plan.report.title == 'a "b" \n c\\d µ'
    assert parse_toml(Plan, write_toml(plan), "plan.toml") == plan


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[check]\n\noutlier_cut = -1", r"plan.toml, line 3: check.outlier_cut is -1: input should be greater than 0"),
        ("[check]\noutlier_cuts = 3", r"line 2: unknown key 'check.outlier_cuts'. Known here: .*outlier_cut"),
        ("[compare]\nconfidence = '95 %'", r"line 2: compare.confidence is '95 %'"),
        ("check.outlier_cut = 0.0", r"line 1: check.outlier_cut is 0.0"),
        ('[check]\nomit = ["jump", "jumps"]', r"line 2: check.omit is .*: no flag 'jumps'; there are saturated"),
        ("[chek]", r"line 1: unknown key 'chek'. Known here: barrier, check"),
        ("[check", r"not valid TOML"),
    ],
)
def test_a_mistake_names_key_line_and_remedy(text, message):
    with pytest.raises(PlanError, match=message):
        parse_toml(Plan, text, "plan.toml")


def test_all_mistakes_are_told_at_once():
    with pytest.raises(PlanError) as caught:
        parse_toml(Plan, "[check]\noutlier_cut = -1\n[report]\ntitel = 'x'", "plan.toml")
    assert len(str(caught.value).splitlines()) == 2
