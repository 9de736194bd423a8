"""The words about an analysis: each part is worked out once, however often it is asked for."""

from __future__ import annotations

from typing import Any

import pytest

from sts.analysis import Analysis
from sts.report import Summary, render_page, summary
from sts.report.pictures import gallery
from sts.report.write import contents


def test_writing_all_results_works_each_part_out_once(invented: Analysis, monkeypatch: pytest.MonkeyPatch) -> None:
    calls: dict[str, int] = {}

    def counted(name: str) -> Any:
        own = getattr(summary, name)

        def call(*args: Any) -> Any:
            calls[name] = calls.get(name, 0) + 1
            return own(*args)

        return call

    parts = ("answers", "flag_panel", "improvements", "checklist", "methods_paragraph", "all_sweeps")
    for name in parts:
        monkeypatch.setattr(summary, name, counted(name))
    said = Summary(invented)
    gallery(said)
    contents(said, [])
    render_page(said, [])
    assert calls == dict.fromkeys(parts, 1)


def test_page_and_json_hold_the_same_words(invented: Analysis) -> None:
    said = Summary(invented)
    files = contents(said, [])
    for part in (said.answers[0].question, said.improvements[0][:20]):
        assert part in files["report.html"].decode()
        assert part in files["results.json"].decode()
