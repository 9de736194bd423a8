"""One session by tip and day: what the record needs of it, and the same numbers as the whole analysis."""

from __future__ import annotations

import months
import numpy as np
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


def test_a_tip_that_changed_within_its_day_has_the_verdict_of_its_report(tmp_path):
    """One verdict for one afternoon, in the record as on the page of the session."""
    path = tmp_path / "fell.h5"
    for number, height_eV in enumerate([4.4] * 6 + [1.0] * 6, 1):
        made = sts.simulate_iz(
            barrier_eV=height_eV, sweeps=1, bench=sts.simulate.Bench(white_A=1e-12), seed=number
        ).sweeps
        name = tmp_path / f"heron_{number:02d}.npz"
        np.savez(name, height_m=made.axis, current_A=made.current)
        sts.import_files([name], path, values={"tip": "heron", "site": str((number + 2) // 5)})
    told = sts.analyse(path).verdicts
    assert "changed after heron_06" in told["reasons"].iloc[0]
    found = tip_days(path, Plan(), {"thursday": None}).verdicts
    assert found["reasons"].tolist() == told["reasons"].tolist()
    assert found["verdict"].tolist() == told["verdict"].tolist()
