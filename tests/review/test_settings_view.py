"""Settings on the review page."""

from __future__ import annotations

import pytest

pytest.importorskip("bokeh", reason="needs bokeh (the extra 'review')")

from pathlib import Path

from review.pages import page_of

from sts.plan import read_plan
from sts.review.settings_view import write_beside


def test_the_curve_that_the_width_was_chosen_from_stands_behind_the_slider(demo: Path) -> None:
    page = page_of(demo)
    chosen = page.desk.analysis.spectra.spectra[0].criterion
    assert len(page.settings.curve.data["x"]) == len(chosen)
    assert (
        min(page.settings.curve.data["y"]) == 1
    )  # of the least error, as in the report: A² and S² are no numbers to look at
    assert page.settings.width.value == pytest.approx(chosen.loc[chosen["chosen"], "width_V"].iloc[0] * 1e3)


def test_a_width_is_used_when_the_slider_is_let_go(demo: Path) -> None:
    page = page_of(demo)
    page.settings.width.trigger("value_throttled", 0, 60)
    assert page.desk.plan.spectra.smoothing_width_V == 0.06
    assert page.settings.width.value == pytest.approx(60)


def test_spectra_are_grouped_otherwise(demo: Path) -> None:
    page = page_of(demo)
    page.settings.groups.value = "sample"
    assert page.desk.plan.spectra.by == ["sample"]
    assert page.settings.groups.value == "sample"


def test_the_plan_that_is_saved_is_read_again(demo: Path) -> None:
    page = page_of(demo)
    page.settings.average.value = "median"
    page.settings.save()
    written = demo.with_name("demo-plan.toml")
    assert read_plan(written) == page.desk.plan
    assert "median" in page.settings.saved.text
    page.settings.save()
    assert demo.with_name("demo-plan-2.toml").exists()


def test_nothing_is_written_beside_a_session_that_is_looked_at_only(demo: Path) -> None:
    page = page_of(demo, read_only=True)
    page.settings.save()
    assert list(demo.parent.glob("*.toml")) == []
    assert "[spectra]" in page.settings.saved.text


def test_no_file_is_overwritten(tmp_path: Path) -> None:
    (tmp_path / "s-plan.toml").write_text("mine")
    assert write_beside(tmp_path / "s.h5", "other").name == "s-plan-2.toml"
    assert (tmp_path / "s-plan.toml").read_text() == "mine"
