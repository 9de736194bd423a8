"""A tip that changed half way through the afternoon, and a site that ran away, in sessions with and without a clock."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import sts
from sts.analysis import Analysis, Measured
from sts.analysis.changes import CHANGED_PAIR, UNTOLD, Course, change_notes, changes_of
from sts.provenance import Order

FALLS = [("1", [4.4] * 3), ("2", [4.4, 1.0, 1.0]), ("3", [1.0] * 3)]
HOLDS = [("1", [4.4, 4.43, 4.37]), ("2", [4.45, 4.42, 4.4]), ("3", [4.35, 4.33, 4.38])]
RUNS = [("1", [1.5, 1.48, 1.51]), ("2", [1.24, 1.56, 1.91]), ("3", [1.42, 1.44, 1.45])]


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Measured:
    """One sweep a minute from two o'clock on: wren falls from 4.4 to 1 eV after four of nine, then 3 I(V) sweeps with it; plover
    holds; a site of teal runs away."""
    folder = tmp_path_factory.mktemp("falling")
    k = 0
    for tip, stays in (("wren", FALLS), ("plover", HOLDS), ("teal", RUNS)):
        ivs = [("1", None)] * (3 if tip == "wren" else 0)
        for site, barrier in [(site, b) for site, barriers in stays for b in barriers] + ivs:
            k += 1
            if barrier is None:
                axis = np.linspace(-0.5, 0.5, 41)
                current, name, head = 1e-9 * axis * (1 + k / 100), f"{tip}_iv_{k:02d}", "V (V),I (A)"
            else:
                made = sts.simulate_iz(
                    barrier_eV=barrier, sweeps=1, bench=sts.simulate.Bench(white_A=1e-12), seed=k
                ).sweeps
                axis, current, name, head = made.axis, made.current[0], f"{tip}_iz_{k:02d}", "z (m),I (A)"
            rows = [f"{x:.6e},{y:.6e}" for x, y in zip(axis, current, strict=True)]
            lines = [f"# tip: {tip}", f"# site: {site}", f"# started: 2026-05-04 14:{k:02d}:00", head, *rows]
            (folder / f"{name}.csv").write_text("\n".join(lines), encoding="utf-8")
    sts.import_files(sorted(folder.glob("*.csv")), folder / "s.h5")
    return sts.measure(folder / "s.h5")


def decided(names: list[str]) -> pd.DataFrame:
    """Decisions that leave sweeps out."""
    return pd.DataFrame({"time": "", "sweep": names, "action": "omit", "why": "after the change", "by": ""})


@pytest.fixture(scope="module")
def falling(measured: Measured) -> Analysis:
    """The session where nobody decided anything."""
    return measured.summarise(decided([]))


def test_a_tip_that_fell_is_given_before_and_after_it_fell(falling: Analysis):
    assert falling.barrier is not None
    (row,) = falling.barrier.steps.to_dict("records")
    assert (row["tip"], row["last_before"], row["first_after"], row["time"]) == (
        "wren",
        "wren_iz_04",
        "wren_iz_05",
        "14:04",
    )
    assert row["before_low_eV"] < 4.4 < row["before_high_eV"]
    assert row["after_low_eV"] < 1.0 < row["after_high_eV"]
    assert row["iv_after"] == 3


@pytest.mark.parametrize(
    ("started", "clock"),
    [("2026-05-04T14:02:30", "14:02"), ("2026-05-04 9:05", "9:05"), ("04.05.2026 14:02:30", "14:02"), ("2026-05-04", ""),
     ("14:02:30", "14:02")],
)  # fmt: skip
def test_the_clock_is_hour_and_minute_however_a_start_is_written(measured: Measured, started: str, clock: str):
    course = Course.of(measured.order, measured.sets)
    assert course.clock("wren_iz_04") == "14:04"
    written = replace(course, sweeps=course.sweeps.assign(started=started))
    assert written.clock("wren_iz_04") == clock


def test_notes_name_sweep_clock_both_levels_and_the_spectra_after_it(falling: Analysis):
    assert falling.barrier is not None
    (said,) = [note for note in falling.barrier.notes if "changed after" in note]
    assert said.startswith("wren changed after sweep wren_iz_04 (14:04): 4.4")
    assert "3 of 3 I(V) sweeps of wren came after the change." in said
    assert not [note for note in falling.barrier.notes if "scatter by" in note]


def test_sweeps_after_the_change_are_flagged_those_of_other_tips_are_not(falling: Analysis):
    flagged = falling.flags.loc[falling.flags["flag"] == "after a change", "sweep"]
    assert set(flagged) == {f"wren_iz_{k:02d}" for k in range(5, 10)} | {f"wren_iv_{k}" for k in (10, 11, 12)}
    judged = falling.judged.set_index("sweep")
    assert "after a change" in judged.loc["wren_iv_11", "flags"]
    assert bool(judged.loc["wren_iz_05", "used"])  # doubt, no reason to leave it out


def test_the_verdict_says_so_and_no_sites_are_asked_for(falling: Analysis):
    assert falling.barrier is not None
    verdict = falling.verdicts.set_index("tip").loc["wren"]
    assert verdict["verdict"] == "use with care"
    assert verdict["reasons"].startswith("changed after wren_iz_04: 4.4 eV before, 1 eV after")
    assert "interval is wide" not in verdict["reasons"]
    assert [text for text in falling.barrier.advice if text.startswith("plover")]
    assert not [text for text in falling.barrier.advice if text.startswith("wren")]
    assert falling.barrier.tips.set_index("tip").loc["wren", "note"].startswith("the mean of two states")
    pairs = falling.barrier.pairs
    assert set(pairs.loc[(pairs["tip_a"] == "wren") | (pairs["tip_b"] == "wren"), "verdict"]) == {CHANGED_PAIR}
    assert CHANGED_PAIR not in set(pairs.loc[(pairs["tip_a"] != "wren") & (pairs["tip_b"] != "wren"), "verdict"])
    assert "later" in repr(falling.barrier)


def test_once_the_sweeps_after_it_are_left_out_the_tip_has_one_state(measured: Measured):
    left = measured.summarise(decided([f"wren_iz_{k:02d}" for k in range(5, 10)])).barrier
    assert left is not None
    assert left.steps.empty
    assert left.tips.set_index("tip").loc["wren", "barrier_eV"] == pytest.approx(4.4, rel=0.02)


def test_without_a_clock_the_names_tell_the_order_and_the_words_say_so(measured: Measured):
    named = replace(measured, order=Order(measured.order.names, "names")).summarise(decided([]))
    assert named.barrier is not None
    (said,) = [note for note in named.barrier.notes if "changed after" in note]
    assert said.startswith("wren changed after sweep wren_iz_04: 4.4")
    assert "This is in order of the file names." in said
    assert "No clock tells which I(V) sweeps of wren came after the change." in said
    assert not [name for name in named.flags.loc[named.flags["flag"] == "after a change", "sweep"] if "iv" in name]


def test_where_nothing_tells_the_order_nothing_is_looked_for_and_that_is_said_once():
    names = ["w_left", "w_corner", "w_edge"]
    course = Course(
        Order(tuple(names), "names"), pd.DataFrame({"sweep": names, "kind": "iz", "tip": "w", "started": ""})
    )
    found = changes_of(pd.DataFrame(), pd.DataFrame(), course, 0.95)
    assert found.changes.empty
    assert change_notes(found, course) == [UNTOLD]


@pytest.mark.parametrize(
    ("names", "told"),
    [
        (["w_s1_r1_up", "w_s1_r2_up", "w_s1_r1_down"], True),
        (["w_A_1", "w_B_1"], True),  # letters count
        (["w_left_1", "w_corner_1", "w_edge_1"], False),
    ],
)
def test_names_that_count_tell_an_order(names, told):
    sweeps = pd.DataFrame({"sweep": names, "kind": "iz", "sample": "", "tip": "w", "started": ""})
    assert Course(Order(tuple(names), "names"), sweeps).told is told


def test_a_site_whose_repeats_run_away_is_flagged_and_noted(falling: Analysis):
    assert falling.barrier is not None
    assert falling.barrier.runs[["tip", "site"]].to_numpy().tolist() == [["teal", "2"]]
    flagged = falling.flags.loc[falling.flags["flag"] == "repeats run away", "sweep"]
    assert list(flagged) == ["teal_iz_25", "teal_iz_26", "teal_iz_27"]
    sites = falling.barrier.sites.set_index(["tip", "site"])
    assert sites.loc[("teal", "2"), "note"].startswith("repeats run away: 1.2")
    assert [note for note in falling.barrier.notes if "teal at site 2 run away: 1.2" in note]
    assert "repeats at site 2 run away" in falling.verdicts.set_index("tip").loc["teal", "reasons"]
