"""The window of the fit on the review page."""

from __future__ import annotations

import pytest

pytest.importorskip("bokeh", reason="needs bokeh (the extra 'review')")

from pathlib import Path

from review.pages import page_of

SWEEP = "curlew_s2_r2_retract"


def test_the_box_and_the_slider_show_the_window_of_the_sweep(demo: Path) -> None:
    page = page_of(demo)
    page.open(SWEEP)
    window = tuple(end * 1e9 for end in page.desk.view(SWEEP).window_m)
    assert page.window.window_nm == pytest.approx(window)
    assert (page.window.box.left, page.window.box.right) == pytest.approx(window)
    assert "Drag an end" in page.window.words.text


def test_dragging_fits_the_sweep_at_once_and_changes_nothing_else(demo: Path) -> None:
    page = page_of(demo)
    page.open(SWEEP)
    page.window.box.left = 0.1
    found = page.desk.preview_window(SWEEP, *page.window.window_nm)
    assert f"{found.barrier_eV:.3f} eV" in page.window.words.text
    assert page.window.slider.value[0] == pytest.approx(0.1)
    assert min(page.heights.fit.data["x"]) >= 0.1 - 1e-9
    assert page.desk.changed == []


def test_the_slider_moves_the_box(demo: Path) -> None:
    page = page_of(demo)
    page.open(SWEEP)
    page.window.slider.value = (0.05, 0.2)
    assert (page.window.box.left, page.window.box.right) == (0.05, 0.2)
    assert max(page.heights.fit.data["x"]) <= 0.2 + 1e-9


def test_all_are_fitted_within_the_window_when_asked(demo: Path) -> None:
    page = page_of(demo)
    page.open(SWEEP)
    page.window.slider.value = (0.05, 0.2)
    page.window.use_for_all()
    assert page.desk.plan.barrier.fit_from_nm == 0.05
    assert page.desk.plan.barrier.fit_to_nm == 0.2
    assert "fit_to_nm" in page.settings.words.text
    low, high = page.desk.view(SWEEP).window_m
    assert low * 1e9 >= 0.05 - 1e-9
    assert high * 1e9 <= 0.2 + 1e-9


def test_slider_and_box_follow_each_other_with_the_fit_only(demo: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    page = page_of(demo)
    page.open(SWEEP)
    monkeypatch.setattr(page.window, "_soon", lambda: None)  # a moment after the last fit
    before = page.window.box.left
    page.window.slider.value = (0.05, 0.2)
    page.window.slider.value = (0.06, 0.2)
    assert page.window.box.left == before
    page.window.fit()
    assert (page.window.box.left, page.window.box.right) == (0.06, 0.2)
    assert max(page.heights.fit.data["x"]) <= 0.2 + 1e-9
