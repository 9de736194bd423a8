"""Every planted fault of the demo is found; what was measured is summarised again without measuring."""

from __future__ import annotations

from pathlib import Path

from pandas.testing import assert_frame_equal

import sts
from sts.report import render_page
from sts.report.summary import Summary

DEMO = Path(__file__).parents[2] / "data" / "demo"


def sweeps_with(analysis, flag):
    judged = analysis.judged
    return {s for s, f in zip(judged["sweep"], judged["flags"], strict=True) if flag in f.split(";")}


def test_every_planted_fault_is_flagged_and_nothing_else_of_the_kind(analysis, truth):
    planted = set(truth["faults"]["jump"])
    assert sweeps_with(analysis, "jump") == planted
    assert sweeps_with(analysis, "saturated") == set(truth["faults"]["saturated"])
    left_out = set(analysis.judged.loc[~analysis.judged["used"].astype(bool), "sweep"])
    assert left_out == planted


def test_what_was_measured_is_summarised_again_without_measuring(tmp_path, monkeypatch):
    """After a decision the measured stage gives what a whole analysis gives, and fits nothing."""
    files = [path for tip in ("heron", "curlew") for path in sorted((DEMO / "iz").glob(f"{tip}_s[123]_r[123]*"))]
    files += [*sorted((DEMO / "iv").glob("gold_100pA*")), DEMO / "iv" / "layer_100pA.txt"]
    sts.import_files(files, tmp_path / "s.h5", logbook=DEMO / "logbook.csv")
    copy = sts.Session.open(tmp_path / "s.h5")
    measured = sts.measure(copy)
    measured.summarise(copy.decisions())
    copy.mark(["heron_s1_r1_retract", "layer_100pA_up_3"], "omit", "touched")
    copy.mark(["heron_s2_r3_approach"], "keep", "small")
    whole = sts.analyse(copy)

    def never(*arguments, **named):
        raise AssertionError("measured again")

    for name in (
        "by_day.fit_together",
        "measured.judge_spectra",
        "judged_spectra.judge_iv",
        "results.window_sensitivity",
    ):
        monkeypatch.setattr(f"sts.analysis.{name}", never)
    again = measured.summarise(copy.decisions())
    monkeypatch.undo()  # what is made when it is asked for may fit
    for part in ("sweeps", "sites", "tips", "pairs", "directions", "budget", "components", "window"):
        assert_frame_equal(getattr(again.barrier, part), getattr(whole.barrier, part))
    assert_frame_equal(again.spectra.table, whole.spectra.table)
    assert_frame_equal(again.spectra.summary, whole.spectra.summary)
    assert_frame_equal(again.judged, whole.judged)
    assert_frame_equal(again.flags, whole.flags)


def test_every_flag_of_the_table_is_one_that_was_raised(analysis):
    assert not analysis.flags.duplicated(["sweep", "flag"]).any()
    judged = analysis.judged.set_index("sweep")["flags"]
    for sweep, group in analysis.flags[~analysis.flags["sweep"].str.startswith("(")].groupby("sweep"):
        assert set(judged[sweep].split(";")) == set(group["flag"])


def test_only_the_dirty_tip_is_called_no_work_function_and_it_is_said_on_the_page(analysis):
    assert {name.split("_")[0] for name in sweeps_with(analysis, "low barrier")} == {"sandpiper"}
    page = render_page(Summary(analysis), [])
    assert "sandpiper: 0.70 eV is not a work function" in page
