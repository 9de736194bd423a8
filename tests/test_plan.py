"""The plan: defaults that exist, every key described, a file that is missing."""

from __future__ import annotations

import pytest

from sts.flags import FLAGS
from sts.plan import Plan, read_plan
from sts.settings import PlanError, parse_toml, write_toml


def test_a_written_plan_reads_back_the_same():
    text = write_toml(Plan())
    assert parse_toml(Plan, text, "plan.toml") == Plan()


def test_a_missing_plan_is_one_line(tmp_path):
    with pytest.raises(PlanError, match="cannot be read"):
        read_plan(tmp_path / "no.toml")


def test_every_flag_that_omits_by_default_exists():
    assert set(Plan().check.omit) <= set(FLAGS)


def test_every_key_is_described():
    for section in Plan.model_fields.values():
        for name, key in section.annotation.model_fields.items():
            assert key.description, name


def test_a_fit_window_that_ends_before_it_begins_is_refused():
    with pytest.raises(PlanError, match=r"barrier\.fit_to_nm is 0\.1: must be above fit_from_nm = 0\.2"):
        parse_toml(Plan, "[barrier]\nfit_from_nm = 0.2\nfit_to_nm = 0.1", "plan.toml")
