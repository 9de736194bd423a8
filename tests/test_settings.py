"""Settings as TOML: text that survives, mistakes named with key and line."""

from __future__ import annotations

import tomllib

import pytest

from sts.plan import Plan
from sts.settings import PlanError, parse_toml, toml_value, write_toml


def test_text_with_quotes_and_line_ends_survives():
    plan = parse_toml(Plan, '[report]\ntitle = "a \\"b\\" \\u000a c\\\\d µ"', "plan.toml")
    assert plan.report.title == 'a "b" \n c\\d µ'
    assert parse_toml(Plan, write_toml(plan), "plan.toml") == plan


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[check]\n\noutlier_cut = -1", r"plan.toml, line 3: check.outlier_cut is -1: it must be greater than 0"),
        (
            "[check]\noutlier_cuts = 3",
            r"line 2: unknown key 'check.outlier_cuts'; perhaps outlier_cut is meant. Known here: .*jump",
        ),
        ("[compare]\nconfidence = '95 %'", r"line 2: compare.confidence is '95 %'"),
        ("check.outlier_cut = 0.0", r"line 1: check.outlier_cut is 0.0"),
        ('[check]\nomit = ["jump", "jumps"]', r"line 2: check.omit is .*: no flag 'jumps'; there are saturated"),
        ("[chek]", r"line 1: unknown key 'chek'; perhaps check is meant. Known here: barrier, check"),
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


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"chek": {}}, "Plan: unknown key 'chek'; perhaps check is meant. Known here: barrier, check, "),
        (
            {"spectra": {"average": "medan"}},
            "Plan: spectra.average is 'medan': .* mean, median, geometric; perhaps median is meant.",
        ),
        ({"spectra": {"by": "tip"}}, "Plan: spectra.by is 'tip': it must be a list."),
        ({"spectra": {"order": 1.5}}, "it must be a whole number."),
        ({"spectra": {"order": 9}}, "it must be 4 or less."),
        ({"compare": {"confidence": 1.0}}, "it must be less than 1."),
        ({"compare": {"confidence": 0.5}}, "it must be greater than 0.5."),
        ({"compare": {"by": ""}}, "it must not be empty."),
        ({"features": {"gap": "yes"}}, "it must be true or false."),
        ({"check": 3}, "it must be a table of keys."),
        ({"check": {"omit": [3]}}, "check.omit.0 is 3: it must be text."),
        ({"barrier": {"fit_from_nm": 1.0, "fit_to_nm": 0.5}}, "must be above fit_from_nm = 1.0."),
        ({"review": {"keep": ""}}, "it holds letters that are not allowed here."),
    ],
)
def test_a_plan_made_in_python_is_refused_in_words_of_our_own(settings, message):
    with pytest.raises(PlanError, match=message) as caught:
        Plan(**settings)
    said = str(caught.value)
    assert caught.value.__cause__ is None
    assert not any(word in said.lower() for word in ("http", "pydantic", "input should", "valid"))


def test_a_plan_takes_settings_by_name_only():
    with pytest.raises(PlanError, match="Plan takes its settings by name, such as check="):
        Plan(3)


def test_a_plan_prints_what_was_changed_and_can_be_made_again_of_that():
    plan = Plan(spectra={"by": ["tip"]}, report={"facts": {"environment": "air"}})
    assert repr(plan) == "Plan(spectra={'by': ['tip']}, report={'facts': {'environment': 'air'}})"
    assert eval(repr(plan)) == plan
    assert repr(Plan()) == "Plan()"


@pytest.mark.parametrize("text", ["\U000e0041", "\U0010ffff", "\U0001f600", "\x7f", "\ue000", "\x1b[31m"])
def test_characters_beyond_the_basic_plane_come_back(text):
    """The standard library reads TOML 1.0.0, which has eight digits for them."""
    assert tomllib.loads(f"a = {toml_value(text)}") == {"a": text}


def test_half_a_character_which_toml_cannot_hold_is_replaced():
    assert tomllib.loads(f"a = {toml_value(chr(0xDCFF))}") == {"a": "\ufffd"}
