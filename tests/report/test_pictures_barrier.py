"""Figures of barriers: one typical sweep of each site, words that are numbers of the tables."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from figures.example import changes_of

from sts.analysis import Analysis
from sts.notebook import barriers_html
from sts.report.page_tables import page_tables
from sts.report.pictures_barrier import MOST_TIPS, barrier_pictures, middle_sweep, typical_rows
from sts.report.summary import Summary


def test_the_typical_sweep_of_a_site_is_the_used_one_with_the_middle_barrier(invented: Analysis) -> None:
    assert invented.barrier is not None
    fit = invented.barrier.fits[0]
    rows = typical_rows(fit, str(fit.table["sample"].iloc[0]), "heron", 3)
    assert len(rows) == 3
    for row in rows:
        one = fit.table.iloc[row]
        mine = fit.table[(fit.table["tip"] == "heron") & (fit.table["site"] == one["site"]) & fit.table["used"]]
        below = int((mine["barrier_eV"] < one["barrier_eV"]).sum())
        assert below == len(mine) // 2
    assert typical_rows(fit, "no such sample", "heron") == []


def test_captions_say_what_the_answers_say(invented: Analysis) -> None:
    assert invented.barrier is not None
    said = Summary(invented)
    first = barrier_pictures(said, invented.barrier)[0]
    assert first.name == "barrier_by_tip"
    assert next(a for a in said.answers if a.question == "What are the barriers?").sentence in first.finding


def test_pairs_without_a_ratio_are_not_drawn(invented: Analysis) -> None:
    assert invented.barrier is not None
    bare = replace(invented.barrier, pairs=invented.barrier.pairs.assign(ratio=np.nan))
    shown = [p.kind for p in barrier_pictures(Summary(replace(invented, barrier=bare)), bare)]
    assert "tip_pairs" not in shown
    assert "tip_pairs" in [p.kind for p in barrier_pictures(Summary(invented), invented.barrier)]


def test_states_of_tips_have_a_figure_a_table_and_an_answer(invented: Analysis) -> None:
    assert invented.barrier is not None
    states, changes = changes_of(2)
    changed = replace(invented, barrier=replace(invented.barrier, states=states, changes=changes))
    assert changed.barrier is not None
    said = Summary(changed)
    (shown,) = [p for p in barrier_pictures(said, changed.barrier) if p.kind == "changes"]
    assert shown.finding == next(a for a in said.answers if a.question == "Do the states differ?").sentence
    captions = [table["file"] for table in page_tables(changed)["tips"]]
    assert {"barrier_changes.csv", "barrier_states.csv"} <= set(captions)
    assert "after over before" not in barriers_html(invented.barrier)
    assert "tip 0, after over before" in barriers_html(changed.barrier)


def test_fits_of_each_tip_are_drawn(invented: Analysis) -> None:
    assert invented.barrier is not None
    fits = [p for p in barrier_pictures(Summary(invented), invented.barrier) if p.kind == "iz_fits"]
    assert len(fits) == min(len(invented.barrier.tips), MOST_TIPS)
    assert all("reduced chi-squared" in p.finding for p in fits)


def test_the_middle_sweep_is_that_of_all_sets_and_sites(invented: Analysis) -> None:
    """Where each file has an axis of its own the first set holds one sweep: it was shown as the middle one."""
    barrier = invented.barrier
    assert barrier is not None
    mine = barrier.sweeps[(barrier.sweeps["tip"] == "heron") & barrier.sweeps["used"].astype(bool)]
    found = middle_sweep(barrier, str(mine["sample"].iloc[0]), "heron")
    assert found is not None
    barrier_eV = found[0].table["barrier_eV"].iloc[found[1]]
    assert (mine["barrier_eV"] < barrier_eV).sum() == len(mine) // 2
    assert middle_sweep(barrier, "no such sample", "heron") is None
