"""Settings by key: checked as a plan is, and what differs is listed."""

from __future__ import annotations

import pytest

from sts.plan import Plan
from sts.review.settings import changed_settings, with_settings
from sts.settings import PlanError, parse_toml, write_toml


def test_keys_are_changed_and_listed_with_the_default() -> None:
    plan = with_settings(Plan(), {"spectra.smoothing_width_V": 0.01, "spectra.by": ["sample", "tip", "site"]})
    assert plan.spectra.smoothing_width_V == 0.01
    assert changed_settings(plan, Plan()) == [
        ("spectra.by", ["sample", "tip", "setpoint_current_A"], ["sample", "tip", "site"]),
        ("spectra.smoothing_width_V", None, 0.01),
    ]
    assert parse_toml(Plan, write_toml(plan), "plan") == plan


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ({"spectra.colour": "red"}, r"no setting 'spectra.colour'; there are spectra\.by"),
        ({"colour": "red"}, "no setting 'colour'; there are check"),
        ({"spectra.average": "best"}, r"spectra\.average is 'best'"),
        ({"check.jump_factor": 0.5}, r"check\.jump_factor is 0\.5"),
    ],
)
def test_what_is_no_setting_is_refused(settings: dict[str, object], said: str) -> None:
    with pytest.raises(PlanError, match=said):
        with_settings(Plan(), settings)
