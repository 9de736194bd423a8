"""A session under review, without a browser: decisions, what comes from outside, what cannot be written."""

from __future__ import annotations

import shlex
import shutil
from pathlib import Path

import numpy as np
import pytest

import sts
from sts.cli import main
from sts.comparing.calibration import Calibration
from sts.plan import Plan
from sts.review import Desk, Filters
from sts.session import NotWritten, Session, SessionError
from sts.session.change import changing
from sts.settings import parse_toml


def test_a_decision_is_on_disk_and_in_the_answer_when_decide_returns(small: Path) -> None:
    desk = Desk(small)
    desk.decide(["heron_2"], "omit", "tip  touched")
    assert Session.open(small).current_decisions() == {"heron_2": ("omit", "tip touched")}
    row = desk.worklist.set_index("sweep").loc["heron_2"]
    assert (row["used"], row["decided_by"]) == (False, "person")
    tips = desk.answer().tips
    assert tips[["before_sweeps", "sweeps"]].to_numpy().tolist() == [[6, 5]]
    desk.decide(["heron_2"], "undo")
    assert desk.worklist["used"].all()
    assert desk.answer().tips["moved_eV"].tolist() == [0.0]
    assert desk.news() == ()


def test_the_answer_is_the_one_that_a_fresh_analysis_gives(demo: Path) -> None:
    desk = Desk(demo)
    desk.decide(["heron_s1_r1_retract", "heron_s1_r2_retract", "layer_200pA_up_1"], "omit", "tip touched")
    desk.decide(["heron_s2_r3_approach"], "keep", "looks fine")
    fresh = sts.analyse(demo)
    assert desk.analysis.barrier is not None
    assert fresh.barrier is not None
    assert desk.analysis.barrier.tips.equals(fresh.barrier.tips)
    assert desk.analysis.spectra is not None
    assert fresh.spectra is not None
    assert desk.analysis.spectra.table.equals(fresh.spectra.table)
    assert desk.analysis.judged.equals(fresh.judged)


def test_what_another_program_decides_imports_or_calibrates_is_noticed_and_shown(small: Path, tmp_path: Path) -> None:
    desk = Desk(small)
    assert desk.news() == ()
    Session.open(small).mark(["heron_1"], "omit", "knock")
    assert desk.news() == ("omitted from outside: heron_1",)
    assert not desk.worklist.set_index("sweep").loc["heron_1", "used"]
    Session.open(small).add_calibration("height", Calibration(1.05, 0.01, "step", measured=1, known=1.05))
    (said,) = desk.news()
    assert "calibrated" in said
    fresh = sts.analyse(small)
    assert desk.analysis.barrier is not None
    assert fresh.barrier is not None
    assert desk.analysis.barrier.tips.equals(fresh.barrier.tips)


def test_two_desks_lose_nothing_of_each_other(small: Path) -> None:
    one, two = Desk(small), Desk(small)
    one.decide(["heron_1"], "omit", "knock")
    two.decide(["heron_2"], "omit", "touch")
    assert two.news() == ("omitted from outside: heron_1",)
    assert one.news() == ("omitted from outside: heron_2",)
    assert set(Session.open(small).current_decisions()) == {"heron_1", "heron_2"}
    assert one.worklist.equals(two.worklist)


def test_a_decision_that_meets_a_lock_is_kept_and_written_when_tried_again(
    small: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sts.review.writing.PATIENCE", 0.05)
    desk = Desk(small)
    with changing(small):
        with pytest.raises(NotWritten, match="It is kept here"):
            desk.decide(["heron_1"], "omit", "knock")
        with pytest.raises(NotWritten):
            desk.decide(["heron_1"], "omit", "knock")  # pressed again: still one decision
        with pytest.raises(NotWritten):
            desk.retry()
    assert len(desk.waiting) == 1
    desk.decide(["heron_2"], "omit", "touch")
    assert Session.open(small).decisions()["sweep"].tolist() == ["heron_1", "heron_2"]
    assert desk.waiting == ()
    assert desk.news() == ()


@pytest.mark.parametrize(
    ("sweeps", "action", "why", "said"),
    [
        (["nobody"], "omit", "x", "no such sweep"),
        (["heron_1"], "omit", " ", "needs a reason"),
        (["heron_1"], "undo", "", "no decision on"),
        (["heron_1"], "burn", "x", "not a decision"),
    ],
)
def test_what_cannot_be_decided_is_said_and_does_not_wait(
    small: Path, sweeps: list[str], action: str, why: str, said: str
) -> None:
    desk = Desk(small)
    with pytest.raises(SessionError, match=said):
        desk.decide(sweeps, action, why)
    assert desk.waiting == ()


def test_a_session_for_looking_only_is_not_touched(small: Path) -> None:
    before = small.read_bytes()
    desk = Desk(small, read_only=True)
    desk.look("heron_1")
    assert desk.looked_at == (1, 10)
    with pytest.raises(SessionError, match="open for looking only"):
        desk.decide(["heron_1"], "omit", "knock")
    desk.close()
    assert small.read_bytes() == before


def test_what_was_looked_at_is_there_the_next_time(small: Path) -> None:
    desk = Desk(small)
    desk.look("heron_1")
    desk.look("heron_1")
    desk.decide(["heron_2"], "omit", "touch")
    desk.look("heron_3")
    assert desk.looked_at == (2, 10)
    desk.close()
    again = Desk(small)
    assert again.looked_at == (2, 10)
    unseen = again.filtered(Filters(unseen=True, kind="iz"))["sweep"].tolist()
    assert sorted(unseen) == ["heron_2", "heron_4", "heron_5", "heron_6"]


def test_settings_change_the_answer_and_go_back(small: Path) -> None:
    desk = Desk(small)
    first = desk.analysis
    desk.change(**{"spectra.average": "median", "compare.confidence": 0.9})
    assert desk.changed == [("spectra.average", "mean", "median"), ("compare.confidence", 0.95, 0.9)]
    fresh = sts.analyse(small, desk.plan)
    assert desk.analysis.spectra is not None
    assert fresh.spectra is not None
    assert desk.analysis.spectra.table.equals(fresh.spectra.table)
    assert 'average = "median"' in desk.plan_text()
    desk.back_to_rule()
    assert desk.changed == []
    assert desk.analysis.barrier is not None
    assert first.barrier is not None
    assert desk.analysis.barrier.tips.equals(first.barrier.tips)


def test_a_session_without_sweeps_says_what_to_do(tmp_path: Path) -> None:
    Session.create(tmp_path / "empty.h5")
    with pytest.raises(ValueError, match="no sweeps in this session"):
        Desk(tmp_path / "empty.h5")


@pytest.mark.parametrize("kind", ["iv", "iz"])
@pytest.mark.parametrize("sweeps", [1, 4])
def test_sessions_of_one_kind_and_of_one_sweep_are_reviewed_as_well(tmp_path: Path, kind: str, sweeps: int) -> None:
    quiet = sts.simulate.Bench(white_A=1e-12)
    if kind == "iz":
        made = sts.simulate_iz(barrier_eV=4.0, sweeps=sweeps, bench=quiet, seed=1).sweeps
        np.savez(tmp_path / "heron.npz", height_m=made.axis, current_A=made.current)
    else:
        made = sts.simulate_iv(sweeps=sweeps, bench=quiet, seed=1).sweeps
        np.savez(tmp_path / "heron.npz", bias_V=made.axis, current_A=made.current[:sweeps])
    sts.import_files([tmp_path / "heron.npz"], tmp_path / "s.h5", values={"tip": "heron"})
    desk = Desk(tmp_path / "s.h5")
    assert len(desk.worklist) == sweeps
    name = desk.worklist["sweep"].iloc[0]
    desk.look(name)
    desk.decide([name], "omit", "touch")
    answer = desk.answer()
    assert answer.sentence.startswith("By hand: 1 sweep left out")
    assert len(answer.tips) == (1 if kind == "iz" else 0)
    before, _ = desk.spectrum(name)
    assert (before is not None) == (kind == "iv")
    desk.change(**{"compare.confidence": 0.9})
    desk.decide([name], "undo")
    assert desk.worklist["used"].all()


def test_names_and_reasons_with_markup_quotes_and_patterns_go_through_unchanged(tmp_path: Path) -> None:
    quiet = sts.simulate.Bench(white_A=1e-12)
    made = sts.simulate_iz(barrier_eV=4.0, sweeps=4, bench=quiet, seed=1).sweeps
    names = ["<script>alert(1)</script>", 'it\'s "a" & b', "heron*", "-x [1] %PATH%"]
    session = sts.Session.create(tmp_path / "s.h5")
    table = made.table.assign(sweep=names, tip="<b>heron</b>")
    session.add([sts.loaders.LoadedFile("a.npz", b"a", "npy", "", (made.with_table(table),))])
    desk = Desk(session.path)
    for name in names[1:]:
        desk.look(name)
        desk.decide([name], "omit", f"why {name} <i>")
    assert session.current_decisions() == {name: ("omit", f"why {name} <i>") for name in names[1:]}
    assert desk.answer().tips["tip"].tolist() == ["<b>heron</b>"]
    assert desk.filtered(Filters(text="<SCRIPT>"))["sweep"].tolist() == names[:1]
    desk.report(tmp_path / "out")
    assert "<script>alert(1)" not in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")


def test_its_commands_give_the_same_decisions_on_a_fresh_copy(
    demo: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "fresh").mkdir()
    fresh = Path(shutil.copy(demo, tmp_path / "fresh" / demo.name))
    monkeypatch.chdir(tmp_path)
    desk = Desk(demo.name)
    desk.decide(["heron_s1_r1_retract", "heron_s1_r1_approach"], "omit", 'it\'s "odd" & low')
    desk.decide(["heron_s2_r3_approach"], "keep", "looks fine")
    desk.decide(["heron_s1_r2_retract"], "omit", "touch")
    desk.decide(["heron_s1_r2_retract"], "undo")
    lines = desk.commands().splitlines()
    assert len(lines) == 2
    monkeypatch.chdir(fresh.parent)
    for line in lines:
        assert main(shlex.split(line)[1:]) == 0
    assert Session.open(fresh).current_decisions() == Session.open(demo).current_decisions()


@pytest.mark.usefixtures("unprinted")
def test_the_report_is_the_one_that_the_command_makes_with_its_plan(small: Path, tmp_path: Path) -> None:
    desk = Desk(small)
    desk.decide(["heron_1"], "omit", "touch")
    desk.change(**{"barrier.fit_from_nm": 0.02, "spectra.average": "median"})
    desk.report(tmp_path / "here")
    (tmp_path / "plan.toml").write_text(desk.plan_text(), encoding="utf-8")
    assert main(["report", str(small), "--plan", str(tmp_path / "plan.toml"), "--out", str(tmp_path / "there")]) == 0
    for name in ("results.json", "barrier_tips.csv", "spectra.csv", "report.html"):
        assert (tmp_path / "here" / name).read_bytes() == (tmp_path / "there" / name).read_bytes(), name


def test_reasons_offered_are_the_flags_with_their_sizes(looked_at: Desk) -> None:
    offered = looked_at.reasons("plover_s4_r1_retract")
    assert [words.split(":")[0] for words in offered] == ["jump", "poor fit"]
    assert "× 1.65" in offered[0]
    assert looked_at.reasons("heron_s1_r1_retract") == []
    with pytest.raises(SessionError, match="there is no sweep 'nobody'"):
        looked_at.reasons("nobody")


@pytest.mark.parametrize(
    ("plan", "by", "recorded"),
    [("", "ann", "ann"), ("[review]\nby = 'ben'", None, "ben"), ("[review]\nby = 'ben'", "", "")],
)
def test_decisions_are_of_the_one_who_reviews(small: Path, plan: str, by: str | None, recorded: str) -> None:
    desk = Desk(small, parse_toml(Plan, plan, "plan.toml"), by=by)
    desk.decide(["heron_1"], "omit", "touched")
    assert Session.open(small).decisions()["by"].tolist() == [recorded]
    assert desk.analysis.judged.set_index("sweep").loc["heron_1", "by"] == recorded
    assert desk.view("heron_1").by == recorded
    assert ("Decided by ann." in desk.answer().sentence) == (recorded == "ann")
