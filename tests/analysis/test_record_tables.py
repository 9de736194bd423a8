"""Tables of the record of tips: columns, order, counts with their intervals."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from sts.analysis.record_tables import DAY_COLUMNS, RECORD_COLUMNS, record_tables
from sts.analysis.tip_days import TipDays
from sts.comparing import VERDICTS
from sts.plan import Plan


def parts(session: str, day: str, barrier_eV: float | None, **verdict: object) -> TipDays:
    """A session of one tip with four sites, or with I(V) sweeps only."""
    keys = {"sample": "gold", "tip": "heron", "day": day}
    decay = None if barrier_eV is None else 10.25 * np.sqrt(barrier_eV) * np.array([0.97, 1.0, 1.02, 1.01])
    sites = [] if decay is None else [
        keys | {"site": f"s{i}", "sweeps": 2, "repeats": 2, "decay_per_nm": one, "decay_se_per_nm": 0.1,
                "decay_common_per_nm": 0.0, "dof": 100.0} for i, one in enumerate(decay)
    ]  # fmt: skip
    said = keys | {"verdict": "use", "reasons": "", "sites": len(sites), "sweeps": 18, "lost": 2, "jumps": 2} | verdict
    sweeps = [
        keys | {"kind": "iz", "used": True, "jump": False, "noise_pA": n} for n in (1.0, 1.2, 1.1, 1.3, 0.9, 1.05)
    ]
    gaps = [keys | {"sweeps_used": n, "gap_meV": g, "gap_se_meV": 1.0, "gap_method": m}
            for n, g, m in ((3, 900.0, "band edges"), (9, np.nan, ""))]  # fmt: skip
    drifts = [keys | {"drift_pm_per_s": d} for d in (-3.0, 1.0, 2.0)]
    return TipDays(session, *map(pd.DataFrame, (sites, sweeps, drifts, gaps, [said])), heights={day: None})


def test_tables_have_the_columns_of_their_contracts():
    tips, days = record_tables([parts("a.h5", "2026-11-02", 4.4)], Plan())
    assert list(tips) == list(RECORD_COLUMNS)
    assert list(days) == list(DAY_COLUMNS)


def test_a_day_holds_medians_and_exact_rates():
    day = record_tables([parts("a.h5", "2026-11-02", 4.4)], Plan())[1].iloc[0]
    assert day["noise_pA"] == pytest.approx(1.075)
    assert (day["noise_low_pA"], day["noise_high_pA"]) == (0.9, 1.3)  # six values: from the least to the largest
    assert day["drift_pm_per_s"] == 2.0  # of |drift|
    assert day["jumps_per_100"] == pytest.approx(10.0)
    assert day["jumps_low_per_100"] == pytest.approx(stats.chi2.ppf(0.025, 4) / 2 / 0.2)  # Garwood: 2 of 20 sweeps
    assert day["jumps_high_per_100"] == pytest.approx(stats.chi2.ppf(0.975, 6) / 2 / 0.2)
    assert day["gap"] == "no"  # by the spectrum of most sweeps
    assert day["like_before"] == "first day"


def test_days_stand_in_order_and_sums_over_them_in_the_table_of_tips():
    made = [parts(f"{n}.h5", f"2026-11-{n:02d}", 4.4 + 0.01 * n) for n in (12, 3, 7)]
    tips, days = record_tables(made, Plan())
    assert days["day"].tolist() == ["2026-11-03", "2026-11-07", "2026-11-12"]
    tip = tips.iloc[0]
    assert tip[["days", "first_day", "last_day", "sites", "sweeps", "lost", "jumps"]].tolist() == [
        3, "2026-11-03", "2026-11-12", 12, 54, 6, 6,
    ]  # fmt: skip
    assert tip["verdicts"] == "use 3"
    assert tip["gap"] == "0 of 3 days"
    assert tip["barrier_low_eV"] < tip["barrier_eV"] < tip["barrier_high_eV"]
    assert tip["next_low_eV"] < tip["barrier_low_eV"]


def test_tips_without_a_barrier_have_no_state_but_their_counts():
    tips, days = record_tables([parts("a.h5", "2026-11-02", None)], Plan())
    assert tips["state"].item() == "cannot be told"
    assert "no day has a barrier" in tips["sentence"].item()
    assert days["sweeps"].item() == 18


def test_the_worst_verdict_of_a_day_stands_and_says_whose_it_is():
    made = [parts("a.h5", "2026-11-02", 4.4),
            parts("b.h5", "2026-11-02", 4.5, verdict="use with care", reasons="sites scatter by 40 %")]  # fmt: skip
    day = record_tables(made, Plan())[1].iloc[0]
    assert day["verdict"] == VERDICTS[1]
    assert day["reasons"] == "b.h5: sites scatter by 40 %"
    assert day["sites"] == 8


def test_limits_too_wide_for_the_plan_leave_the_state_open():
    made = [
        parts(f"{n}.h5", f"2026-11-{n:02d}", value)
        for n, value in ((1, 4.4), (2, 4.5), (3, 4.3), (4, 4.4), (5, 4.4), (6, 4.3))
    ]
    strict = Plan(record={"telling_factor": 1.01})
    assert record_tables(made, Plan())[0]["state"].item() == "as it was"
    assert record_tables(made, strict)[0]["state"].item() == "cannot be told"
