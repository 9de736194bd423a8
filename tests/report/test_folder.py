"""What cannot be written is refused before any work; a folder that a report wrote is renewed, and nothing else."""

from __future__ import annotations

import builtins
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from sts.analysis import Analysis
from sts.report import write_results
from sts.report.folder import PDF, ready_to_write, write_files


@pytest.fixture
def small(invented: Analysis) -> Analysis:
    return replace(invented, spectra=None, sets=invented.sets[2:])


def test_an_empty_or_new_folder_and_other_files_are_no_hindrance(tmp_path: Path) -> None:
    assert ready_to_write(tmp_path / "new") is None
    (tmp_path / "notes.txt").write_text("mine", encoding="utf-8")
    assert ready_to_write(tmp_path, renew=True) is None


def test_results_are_refused_before_any_work_unless_they_are_renewed(small: Analysis, tmp_path: Path) -> None:
    write_results(small, tmp_path, what="compare")
    with pytest.raises(ValueError, match="is there already"):
        ready_to_write(tmp_path, what="compare")
    with pytest.raises(ValueError, match="is there already"):
        ready_to_write(tmp_path, what="barrier", renew=True)  # of another kind
    before = ready_to_write(tmp_path, what="compare", renew=True)
    assert before is not None
    assert before["session"] == small.session
    write_results(small, tmp_path, what="compare", renew=True)


def test_a_file_that_is_not_of_the_earlier_results_is_never_renewed(small: Analysis, tmp_path: Path) -> None:
    write_results(small, tmp_path, what="compare")
    path = tmp_path / "results.json"
    listing = json.loads(path.read_text(encoding="utf-8"))
    listing["files"].remove("barrier_tips.csv")
    path.write_text(json.dumps(listing), encoding="utf-8")
    (tmp_path / "barrier_tips.csv").write_text("mine", encoding="utf-8")
    with pytest.raises(ValueError, match=r"barrier_tips\.csv is there already; nothing was written"):
        write_results(small, tmp_path, what="compare", renew=True)
    assert (tmp_path / "barrier_tips.csv").read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize("text", ["{}", "[]", "no json", '{"plan": {}, "what": "report"}'])
def test_results_of_another_tool_are_not_renewed(tmp_path: Path, text: str) -> None:
    (tmp_path / "results.json").write_text(text, encoding="utf-8")
    with pytest.raises(ValueError, match="is there already"):
        ready_to_write(tmp_path, renew=True)
    assert ready_to_write(tmp_path, force=True) is None


def test_the_pdf_of_an_earlier_page_does_not_stay_beside_a_new_page(tmp_path: Path) -> None:
    before = {"plan": {}, "what": "report", "versions": {"sts": "0"}, "files": ["report.html", "results.json"]}
    text = json.dumps(before).encode()
    write_files(tmp_path, {"report.html": b"old", "results.json": text, PDF: b"old"}, force=False)
    write_files(tmp_path, {"report.html": b"new", "results.json": text}, force=False, before=before)
    assert (tmp_path / "report.html").read_bytes() == b"new"
    assert not (tmp_path / PDF).exists()


def test_a_missing_library_for_the_pdf_is_told_before_any_work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = builtins.__import__

    def without(name: str, *args: Any, **kwargs: Any) -> Any:
        if name == "weasyprint":
            raise ImportError(name)
        return real(name, *args, **kwargs)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(ValueError, match=r"Install the extra: pip install 'sts\[pdf\]'"):
        ready_to_write(tmp_path, pdf=True)
    assert ready_to_write(tmp_path, what="compare", pdf=True) is None
