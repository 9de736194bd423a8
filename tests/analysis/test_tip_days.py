"""One session by tip and day: what the record needs of it, and the same numbers as the whole analysis."""

from __future__ import annotations

import months
import pytest

import sts
from sts.analysis.tip_days import lean, tip_days
from sts.plan import Plan


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    return months.session(tmp_path_factory.mktemp("day") / "a.h5", {"heron": 4.4, "stork": 4.1}, gap=True, seed=3)


def test_tables_carry_tip_and_day_and_no_average_over_tips(path):
    found = tip_days(path, Plan(), {"thursday": None})
    assert found.session == "a.h5"
    for table in (found.sites, found.sweeps, found.gaps, found.verdicts):
        assert set(table["tip"]) == {"heron", "stork"}
        assert set(table["day"]) == {"thursday"}
    assert found.heights == {"thursday": None}
    assert found.sweeps["noise_pA"].notna().sum() == 12  # of I(z) sweeps


def test_only_the_sweeps_named_are_of_a_day(path):
    table = sts.Session.open(path).sweeps("iz")
    names = table.loc[table["tip"] == "heron", "sweep"].tolist()
    found = tip_days(path, Plan(), {"one": names[:4], "two": names[4:]})
    assert found.sweeps.groupby("day")["sweep"].apply(list).to_dict() == {"one": names[:4], "two": names[4:]}
    assert found.gaps.empty


def test_the_lean_plan_keeps_what_decides_and_drops_what_is_not_shown():
    plan = Plan(check={"jump_factor": 1.4}, features={"superconductor": True}, spectra={"by": ["sample"]})
    left = lean(plan)
    assert left.check.jump_factor == 1.4
    assert not left.features.superconductor
    assert left.features.gap
    assert "tip" in left.spectra.by
