"""The record of tips over sessions: each sweep counted once, what cannot be read named, the rest taken."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import months
import numpy as np
import pandas as pd
import pytest

import sts
from sts.analysis.record import session_files
from sts.comparing.calibration import Calibration


def test_each_tip_is_as_it_was_or_changed_on_its_day(tip_record):
    tips = tip_record.tips.set_index("tip")
    assert tips.loc["heron", "state"] == "as it was"
    assert tips.loc["stork", ["state", "changed_on"]].tolist() == ["changed", "2026-11-14"]
    assert tips.loc["stork", "ratio_low"] < 0.7 < tips.loc["stork", "ratio_high"] < 0.85
    assert tips.loc["gull", ["state", "days"]].tolist() == ["cannot be told", 1]


def test_numbers_of_a_day_are_those_of_its_session_alone(month, tip_record):
    alone = sts.analyse(month[5])
    own = tip_record.days[tip_record.days["day"] == "2026-11-17"].set_index("tip")
    tips = alone.barrier.tips.set_index("tip")
    for name in ("barrier_eV", "barrier_low_eV", "barrier_high_eV", "sites"):
        assert own[name].to_dict() == pytest.approx(tips[name].to_dict())
    verdicts = alone.verdicts.set_index("tip")
    for name in ("verdict", "sweeps", "lost", "jumps", "reasons"):
        assert own[name].to_dict() == verdicts[name].to_dict()
    gaps = alone.spectra.summary.set_index("tip")["gap_meV"]
    assert own["gap"].tolist() == ["yes", "yes"]
    assert own["gap_meV"].to_dict() == pytest.approx(gaps[list(own.index)].to_dict(), rel=0.02)


def test_a_helper_process_changes_no_number(month, tip_record):
    measured = ["tip", "day", "verdict", "barrier_eV", "barrier_low_eV", "sites", "noise_pA", "jumps_per_100"]
    together = sts.tip_record(month[:4], beside=True).days[measured]
    alone = tip_record.days.loc[tip_record.days["day"] < "2026-11-12", measured]
    pd.testing.assert_frame_equal(together, alone.reset_index(drop=True))


def test_the_same_session_twice_counts_once_and_is_said(month, tmp_path, tip_record):
    copy = shutil.copy(month[0], tmp_path / "copy.h5")
    again = sts.tip_record([month[0], month[0], copy], beside=False)
    assert (
        again.days["sweeps"].tolist() == tip_record.days.loc[tip_record.days["day"] == "2026-11-02", "sweeps"].tolist()
    )
    assert "was given twice" in again.notes[0]
    assert "copy.h5: all its sweeps are also in day0.h5; they count once, there." in again.notes


def test_sweeps_that_two_sessions_share_count_once(tmp_path):
    first = months.session(tmp_path / "a.h5", {"heron": 4.4}, day="2026-11-02", seed=1)
    second = months.session(tmp_path / "b.h5", {"stork": 4.2}, day="2026-11-02", seed=2)
    sts.merge(second, first)
    record = sts.tip_record([first, second])
    assert record.days[["tip", "sweeps", "sessions"]].values.tolist() == [["heron", 6, "a.h5"], ["stork", 6, "b.h5"]]
    assert any("6 of its sweeps are also in a.h5" in note for note in record.notes)


def test_two_sessions_of_one_day_make_one_row_of_all_their_sites(tmp_path):
    for name, seed in (("morning", 1), ("noon", 2)):
        months.session(tmp_path / f"{name}.h5", {"heron": 4.4}, day="2026-11-02", seed=seed)
    days = sts.tip_record(sorted(tmp_path.glob("*.h5"))).days
    assert days[["sites", "sweeps", "sessions"]].values.tolist() == [[6, 12, "morning.h5, noon.h5"]]
    assert days["barrier_low_eV"].item() < 4.4 < days["barrier_high_eV"].item()


def test_a_session_of_two_days_makes_two_rows(tmp_path):
    first = months.session(tmp_path / "all.h5", {"heron": 4.4}, day="2026-11-02", seed=1)
    second = months.session(tmp_path / "b.h5", {"heron": 4.0}, day="2026-11-05", seed=2)
    alone = sts.tip_record([first, second]).days
    sts.merge(first, second)
    both = sts.tip_record(first).days
    assert both["day"].tolist() == ["2026-11-02", "2026-11-05"]
    assert both["barrier_eV"].tolist() == pytest.approx(alone["barrier_eV"].tolist())


def test_what_cannot_be_read_is_named_and_the_rest_taken(month, tmp_path):
    bad = tmp_path / "bad.h5"
    bad.write_text("no session")
    record = sts.tip_record([bad, month[0], tmp_path / "none.h5"])
    assert record.unread["session"].tolist() == ["bad.h5", "none.h5"]
    assert record.days["tip"].tolist() == ["heron", "stork"]
    assert any(note.startswith("bad.h5 could not be read") for note in record.notes)
    with pytest.raises(ValueError, match="No session could be read"):
        sts.tip_record([bad])


def test_patterns_are_expanded_here_too(month):
    folder = month[0].parent
    found, notes = session_files([folder / "day[01].h5", folder / "day0.h5"])
    assert [path.name for path in found] == ["day0.h5", "day1.h5"]
    assert len(notes) == 1
    with pytest.raises(ValueError, match=r"No file fits .*x\*"):
        session_files([folder / "x*"])
    with pytest.raises(ValueError, match="No session is given"):
        session_files([])


def test_a_file_whose_name_looks_like_a_pattern_is_that_file(month, tmp_path):
    odd = Path(shutil.copy(month[0], tmp_path / "gold[1].h5"))
    assert session_files([odd])[0] == [odd]


def test_different_height_scales_enter_the_uncertainty_and_are_said(month, tmp_path, tip_record):
    paths = [Path(shutil.copy(path, tmp_path / path.name)) for path in month[:3]]
    for number, path in enumerate(paths):
        calibration = {
            "factor": 1.0 + 0.01 * number,
            "factor_se": 0.05,
            "measured": 1.0,
            "known": np.nan,
            "source": "steps",
        }
        sts.Session.open(path).add_calibration("height", Calibration(**calibration))
    record = sts.tip_record(paths, beside=False)
    assert any("was not calibrated alike" in note for note in record.notes)
    limits = [days.loc[(days["tip"] == "heron") & (days["day"] == "2026-11-08"), ["limit_low_eV", "limit_high_eV"]]
              for days in (record.days, tip_record.days)]  # fmt: skip
    assert np.ptp(limits[0].to_numpy()) > 1.5 * np.ptp(limits[1].to_numpy())


def test_sweeps_without_a_tip_are_told_and_stand_in_no_row(tmp_path):
    path = months.session(tmp_path / "a.h5", {"": 4.4, "heron": 4.4}, day="2026-11-02", seed=1)
    record = sts.tip_record(path)
    assert record.days["tip"].tolist() == ["heron"]
    assert any("6 sweeps have no tip" in note for note in record.notes)


def test_decisions_of_a_session_hold(tmp_path):
    path = months.session(tmp_path / "a.h5", {"heron": 4.4}, day="2026-11-02", seed=1)
    name = sts.Session.open(path).sweeps()["sweep"].iloc[0]
    sts.Session.open(path).mark([name], "omit", "tip touched")
    assert sts.tip_record(path).days[["sweeps", "lost"]].values.tolist() == [[5, 1]]


def test_days_without_a_date_are_called_by_the_session(tmp_path):
    path = months.session(tmp_path / "thursday.h5", {"heron": 4.4}, seed=1)
    assert sts.tip_record(path).days["day"].tolist() == ["thursday"]


def test_it_says_itself_in_a_line(tip_record):
    assert repr(tip_record) == "<TipRecord: 3 tips on 6 days of 6 sessions>"
    assert len(replace(tip_record, sessions=tip_record.sessions.assign(why="lost")).unread) == 6
