"""The order of measurement, and the series of sweeps that stand for no tip: what a reader would say of tables."""

from __future__ import annotations

import pandas as pd
import pytest

from sts.provenance import BASES, days, measurement_order, series_of

FILES = ["s1.txt", "s2.txt", "s10.txt"]


def tables(started: list[str], modified: list[str], files: list[str] = FILES) -> tuple[pd.DataFrame, pd.DataFrame]:
    """A sweep of each file, in the order of the alphabet, and the files."""
    sources = pd.DataFrame({"name": files, "path": files, "modified": modified})
    table = pd.DataFrame({"sweep": [f[:-4] for f in files], "source": files, "started": started})
    return table.sort_values("source", ignore_index=True), sources


NONE = ["", "", ""]
COPIED = ["2026-05-04T18:00:00+00:00"] * 3
SPACED = [f"2026-05-04T1{h}:00:00+00:00" for h in (4, 3, 2)]  # s10 first


@pytest.mark.parametrize(
    ("started", "modified", "order", "basis"),
    [
        (["2026-05-04 10:02", "2026-05-04 10:01", "2026-05-04 10:03"], SPACED, ["s2", "s1", "s10"], "started"),
        (NONE, SPACED, ["s10", "s2", "s1"], "file time"),
        (NONE, COPIED, ["s1", "s2", "s10"], "names"),
        (["2026-05-04"] * 3, COPIED, ["s1", "s2", "s10"], "names"),  # one day tells nothing
        (["2026-05-04"] * 3, SPACED, ["s10", "s2", "s1"], "file time"),
        (["2026-05-05", "2026-05-04", "2026-05-05"], COPIED, ["s2", "s1", "s10"], "date"),
        (["2026-05-04 10:00"] * 3, COPIED, ["s1", "s2", "s10"], "names"),  # all in the same minute
        (
            ["2026-05-04", "2026-05-05", "2026-05-05"],
            SPACED,
            ["s10", "s2", "s1"],
            "file time",
        ),  # the files' times, alone
        (["2026-05-04 10:02", "", "2026-05-04 10:03"], COPIED, ["s1", "s2", "s10"], "names"),
    ],
)
def test_the_best_clock_tells_the_order(started, modified, order, basis) -> None:
    found = measurement_order(*tables(started, modified))
    assert (list(found.names), found.basis) == (order, basis)
    assert found.told is (basis in ("started", "file time"))
    assert found.basis in BASES


def test_sweeps_of_one_file_may_share_its_start() -> None:
    """Four repeats of a file share a start, and those of two files tell which came first."""
    sources = pd.DataFrame({"name": ["b.txt", "a.txt"], "path": ["b.txt", "a.txt"], "modified": ["", ""]})
    table = pd.DataFrame(
        {
            "sweep": ["a-1", "a-2", "b-1", "b-2"],
            "source": ["a.txt", "a.txt", "b.txt", "b.txt"],
            "started": ["2026-05-04 10:05", "2026-05-04 10:05", "2026-05-04 10:01", "2026-05-04 10:01"],
        }
    )
    found = measurement_order(table, sources)
    assert (list(found.names), found.basis) == (["b-1", "b-2", "a-1", "a-2"], "started")


def test_sweeps_that_stand_for_no_tip_are_of_a_series() -> None:
    """By the path, a number as #; columns that do not agree are each of a series, across files."""
    table = pd.DataFrame(
        {
            "sweep": list("abcd"),
            "source": ["x/s1.txt", "x/s2.txt", "x/s1.txt", "y.txt"],
            "tip": ["", "", "heron", "plover"],
            "channel": ["", "I_1", "I_2", ""],
        }
    )
    sources = pd.DataFrame({"name": ["x/s1.txt", "x/s2.txt", "y.txt"], "path": ["x/s1.txt", "x/s2.txt", "y.txt"]})
    assert series_of(table, sources) == ["x/s#.txt", "x/s#.txt, I_1", "x/s#.txt, I_2", ""]


def day_of(started: list[str], session: list[str] | None = None, **columns: list[object]) -> list[str]:
    """The days of sweeps in this order, a file each."""
    files = [f"{i}.txt" for i in range(len(started))]
    sources = pd.DataFrame({"name": files, **({} if session is None else {"session": session})})
    return days(pd.DataFrame({"started": started, "source": files, **columns}), sources)


@pytest.mark.parametrize(
    ("started", "session", "wanted"),
    [
        (["", ""], None, ["", ""]),
        (["", ""], ["", ""], ["", ""]),
        (["", ""], ["mo", "mo"], ["", ""]),  # one session: nothing to tell apart
        (["", ""], ["mo", "tu"], ["mo", "tu"]),
        (["", ""], ["", "tu"], ["this session", "tu"]),
        (["2026-11-03 14:00", "2026-11-04 09:00"], None, ["2026-11-03", "2026-11-04"]),
        (["2026-11-03", "2026-11-04"], None, ["2026-11-03", "2026-11-04"]),
        (["2026-11-03T23:00:00", "2026-11-04T01:00:00", "2026-11-04T14:00:00"], None, ["2026-11-03"] * 2 + ["2026-11-04"]),
        (["2026-11-03 08:00", "2026-11-03 20:00"], None, ["2026-11-03"] * 2),  # a long pause on one date
        (["2026-11-03T23:30:00.5-05:00"], None, ["2026-11-03"]),  # by the clock of its place, not by UTC
        (["03.11.2026 10:00", "2026-11-04 10:00"], ["mo", "tu"], ["2026-11-03", "2026-11-04"]),  # written in two ways
        (["2026-11-03 14:00", "", ""], ["mo", "mo", "tu"], ["2026-11-03", "2026-11-03", "tu"]),
        (["2026-11-03 14:00", "2026-11-03 15:00"], ["mo", "tu"], ["2026-11-03"] * 2),  # two sessions of one day
        (["", "2026-11-03 14:00", "2026-11-05 14:00", ""], None, ["2026-11-03"] * 2 + ["2026-11-05"] * 2),
    ],
)  # fmt: skip
def test_days_are_told_by_recorded_starts_else_by_the_session_merged(
    started: list[str], session: list[str] | None, wanted: list[str]
) -> None:
    assert day_of(started, session) == wanted


def test_what_the_logbook_calls_a_day_counts_for_its_whole_session() -> None:
    dated = ["2026-11-03 14:00"] * 3
    assert day_of(dated, day=["first", "first", ""]) == ["first"] * 3
    assert day_of(dated, day=[1.0, 2.0, float("nan")]) == ["1", "2", "2"]
    assert day_of(dated, ["mo", "mo", "tu"], day=["a", "", ""]) == ["a", "a", "2026-11-03"]
