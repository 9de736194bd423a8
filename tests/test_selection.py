"""The one rule of which sweeps are used."""

from __future__ import annotations

import pandas as pd

from sts.flags import flag_rows, join_flags
from sts.selection import deciders, select, standing_calibration

NAMES = ["a", "b", "c", "d", "e"]
FLAGS = join_flags(
    [
        flag_rows(NAMES, [True, False, True, False, False], "jump", "x"),
        flag_rows(NAMES, [0, 1, 0, 0, 0], "slow noise", "y"),
    ]
)


def test_a_person_has_the_last_word_over_the_rules():
    table = select(
        NAMES, FLAGS, rules=["jump"], decisions={"a": ("keep", "small"), "d": ("omit", "touched")}, unusable=["e"]
    )
    assert table["used"].tolist() == [True, True, False, False, False]
    assert table["decided_by"].tolist() == ["person", "rule", "rule", "person", "rule"]
    assert table["decision"].tolist() == ["keep: small", "", "", "omit: touched", ""]


def test_what_could_not_be_measured_cannot_be_kept():
    assert not select(NAMES, FLAGS, rules=[], decisions={"e": ("keep", "please")}, unusable=["e"])["used"].iloc[4]


def test_who_decided_is_that_of_the_decision_in_force():
    log = pd.DataFrame(
        {
            "sweep": ["a", "a", "a", "b"],
            "action": ["omit", "keep", "undo", "omit"],
            "why": "",
            "by": ["ann", "ben", "cy", ""],
        }
    )
    assert deciders(log) == {"a": "ann", "b": ""}
    assert deciders(log.drop(columns="by")) == {"a": "", "b": ""}


def test_the_last_calibration_of_a_kind_stands_for_its_session() -> None:
    log = pd.DataFrame({"kind": ["height", "current", "height", "height"], "factor": [2.0, 0.9, 0.95, 1.1],
                        "session": ["", "", "", "monday"]})  # fmt: skip
    stands = [standing_calibration(log, "height", session) for session in ("", "monday", "tuesday")]
    assert [row and row["factor"] for row in stands] == [0.95, 1.1, None]
    before = standing_calibration(log.drop(columns="session"), "height")  # as sessions of before have it
    assert before is not None
    assert before["factor"] == 1.1
    assert standing_calibration(log[:0], "height") is None
