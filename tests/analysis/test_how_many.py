"""Planning from a session: which sweeps count, and what the recorded times say."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest
from numpy.testing import assert_allclose

import sts
from sts.analysis.how_many import how_many, recorded_minutes
from sts.barrier import slopes_by_repeat
from sts.comparing.planning import site_scatter


@pytest.fixture(scope="module")
def needed(session):
    return how_many(session)


def test_the_scatter_is_that_of_the_used_sweeps_of_tips(needed, analysis):
    assert needed.scatter == site_scatter(slopes_by_repeat(analysis.barrier.sweeps))
    assert needed.options["cheapest"].sum() == 1
    assert needed.notes[-1].startswith("Times: ")


def test_a_column_that_is_not_there_is_refused(session):
    with pytest.raises(ValueError, match=r"no column 'state'. Add it with a logbook"):
        how_many(session, by="state")


def test_times_are_medians_of_recorded_starts(analysis):
    """Three sites of a tip, three repeats 90 s apart, ten minutes from a site's last repeat to the next site's first."""
    made = sts.simulate_iz(barrier_eV=4.0, sweeps=12, height=(0, 4e-10, 20), seed=1).sweeps
    starts = [10 * 60 * site + 180 * site + 90 * repeat for site in range(4) for repeat in range(3)]
    table = made.table.assign(
        tip="a", site=[f"{k // 3}" for k in range(12)], replicate=range(12),
        started=[str(pd.Timestamp("2026-03-01T09:00:00") + pd.Timedelta(seconds=s)) for s in starts],
    )  # fmt: skip
    timed = replace(analysis, sets=(made.with_table(table),))
    assert_allclose(recorded_minutes(timed), [1.5, 8.5])
    nothing = replace(analysis, sets=(made.with_table(table.assign(started="")),))
    assert recorded_minutes(nothing) == (None, None)
