"""The validation script and the results it keeps: nothing outside its bounds passes, nothing finished is done twice."""

from __future__ import annotations

import csv
import importlib
import math
from pathlib import Path

import _sources
import numpy as np
import pytest
import studies
import validate
from _regimes import REGIMES, regime_lines
from studies import Finding

KEPT = Path(__file__).resolve().parent.parent / "docs" / "validation"
TABLES = sorted(path.with_suffix(".csv") for path in KEPT.glob("*.json"))

INVENTED = """
from pathlib import Path
from studies import Finding
TITLE = "Invented"
def run(quick, seed):
    with Path(r"{count}").open("a") as stream:
        stream.write("run\\n")
    return [Finding("all is well", "share [%]", 95.0, 93.0, 97.0, 10), Finding("shown", "no bound", 1.0),
            Finding("provoked", "share [%]", {value}, 93.0, 97.0, 10)]
"""


@pytest.mark.parametrize("name", validate.names())
def test_every_study_can_be_run_by_the_script(name):
    study = importlib.import_module(f"studies.{name}")
    assert study.TITLE
    assert callable(study.run)


@pytest.mark.parametrize("name", validate.names())
def test_the_results_of_every_study_are_kept(name):
    assert KEPT / f"{name}.csv" in TABLES, f"run: python scripts/validate.py --only {name}"


def test_a_figure_outside_its_bounds_is_not_kept():
    assert Finding("a", "b", 95.0, 93.0, 97.0).kept
    assert not Finding("a", "b", 92.0, 93.0, 97.0).kept
    assert not Finding("a", "b", math.nan).kept
    assert Finding("a", "b", 1.0).kept


@pytest.mark.parametrize("path", TABLES, ids=lambda p: p.stem)
def test_kept_tables_mark_what_is_out(path):
    rows = list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))
    assert rows
    for row in rows:
        assert row["kept"] in ("yes", "NO"), "a row has more or fewer columns than the table"
        low, high = (float(row[k]) if row[k] else bound for k, bound in (("low", -math.inf), ("high", math.inf)))
        value = float(row["value"])
        inside = low * (1 - 1e-5 * math.copysign(1, low)) <= value <= high * (1 + 1e-5 * math.copysign(1, high))
        assert inside == (row["kept"] == "yes")


@pytest.fixture
def invented(tmp_path, monkeypatch):
    """A folder with one invented study in place of the real ones; returns a function that writes it and runs the script."""
    folder, count = tmp_path / "studies", tmp_path / "count"
    folder.mkdir()
    monkeypatch.setattr(validate, "STUDIES", folder)
    monkeypatch.setattr(validate, "OUT", tmp_path / "out")
    monkeypatch.setattr(validate, "CACHE", tmp_path / "cache")
    monkeypatch.setattr(studies, "__path__", [str(folder)])

    def run(*arguments: str, value: float) -> tuple[int, int]:
        """Exit status, and how often the study has been run so far."""
        (folder / "invented.py").write_text(INVENTED.format(count=count, value=value), encoding="utf-8")
        monkeypatch.delitem(importlib.sys.modules, "studies.invented", raising=False)
        importlib.invalidate_caches()
        return validate.main(["--inside", *arguments]), count.read_text().count("run")

    monkeypatch.setattr(importlib.sys, "dont_write_bytecode", True)  # written twice within the clock's resolution
    return run


def test_a_figure_out_of_bounds_fails_the_command_and_is_named(invented, tmp_path, capsys):
    assert invented(value=96.0) == (0, 1)
    assert "3 of 3 figures" in capsys.readouterr().out
    assert invented(value=92.0) == (1, 2)
    said = capsys.readouterr()
    assert "2 of 3 figures" in said.out
    assert "OUT: provoked: share [%] = 92, bounds 93 … 97" in said.err
    page = (tmp_path / "out" / "README.md").read_text(encoding="utf-8")
    assert "| provoked | share [%] | 92 | 10 | 93 … 97 | 10 | **out** |" in page
    assert "| Invented | 2 of 3 | full | 1 |" in page
    assert (tmp_path / "out" / "findings.png").read_bytes().startswith(b"\x89PNG")


def test_every_regime_of_the_barrier_has_its_row_and_what_is_out_is_bold(tmp_path):
    (tmp_path / "barrier_regimes.csv").write_text(
        "case,measure,value,low,high,trials,kept\n"
        '8 points,"coverage of 95 % intervals, sweep level [%]",94.6,93,97,100,yes\n'
        '8 points,"coverage of 95 % intervals, tip level [%]",80.1,93,97,100,NO\n'
        "8 points,median bias of a slope [u],0.01,-0.3,0.3,100,yes\n",
        encoding="utf-8",
    )
    lines = regime_lines(tmp_path)
    assert "| white noise, 8 points per sweep | barrier_regimes: 8 points | 94.6 |  | **80.1** | 0.01 |  |  |" in lines
    assert sum("*not yet* |" in line for line in lines) == len(REGIMES) - 1


def test_regimes_name_cases_that_are_kept():
    """Of studies that are kept; a case that was renamed would be shown as not yet measured."""
    lost = [line for line in regime_lines(KEPT) if "*not yet* |" in line]
    missing = {study for _, study, _ in REGIMES if not (KEPT / f"{study}.csv").exists()}
    assert all(any(f"| {study}: " in line for study in missing | {"barrier_motion", "barrier_noise"}) for line in lost)


def test_a_finished_study_is_run_again_only_when_code_seed_or_size_change(invented):
    assert invented(value=96.0) == (0, 1)
    assert invented(value=96.0) == (0, 1)
    assert invented("--seed", "2", value=96.0) == (0, 2)
    assert invented("--quick", value=96.0) == (0, 3)
    assert invented(value=95.0) == (0, 4)


def test_a_quick_run_leaves_the_results_of_a_full_one(invented, tmp_path):
    invented("--quick", value=96.0)
    assert '"size": "quick"' in (tmp_path / "out" / "invented.json").read_text()
    invented(value=96.0)
    status, _ = invented("--quick", value=99.0)
    assert status == 1
    assert '"size": "full"' in (tmp_path / "out" / "invented.json").read_text()
    assert "provoked,share [%],96" in (tmp_path / "out" / "invented.csv").read_text()


def test_a_study_depends_on_what_it_imports_and_on_nothing_else():
    found = {path.relative_to(_sources.ROOT).as_posix() for path in _sources.sources(validate.STUDIES / "barrier.py")}
    assert {"scripts/studies/barrier.py", "scripts/studies/__init__.py", "sts/__init__.py", "sts/barrier/exponential.py",
            "sts/simulate/bench.py", "sts/plan.py"} <= found  # fmt: skip
    assert not any(name.startswith(("sts/report/", "sts/cli/", "sts/session/")) for name in found)


def test_standard_errors_of_shares_means_and_medians():
    """Against the binomial distribution, the closed form of a mean, and the scatter of medians of normal samples."""
    assert Finding("a", "held [%]", 95.0, trials=400).standard_error == pytest.approx(
        100 * math.sqrt(0.95 * 0.05 / 400), rel=0.02
    )
    assert 0 < Finding("a", "held [%]", 100.0, trials=400).standard_error < 0.3
    assert math.isnan(Finding("a", "median bias [%]", 1.0, trials=400).standard_error)
    assert math.isnan(Finding("a", "coverage of the 95 % band [%]", 95.0, trials=40).standard_error)
    assert Finding("a", "gap between bands within 2 u [%]", 95.0, trials=40).standard_error > 3
    assert Finding("a", "coverage of the 95 % band [%]", 95.0, trials=40, error=0.5).standard_error == 0.5
    values = np.random.default_rng(1).standard_normal((400, 101))
    assert studies.mean_error(values[0]) == pytest.approx(values[0].std(ddof=1) / math.sqrt(101))
    said = np.median([studies.median_error(one) for one in values])
    assert said == pytest.approx(np.median(values, axis=1).std(), rel=0.15)
    assert math.isnan(studies.median_error([1.0, 2.0]))


@pytest.mark.parametrize("path", TABLES, ids=lambda p: p.stem)
def test_each_study_with_bounds_has_its_picture_on_the_page(path):
    bounded = any(row["low"] or row["high"] for row in csv.DictReader(path.read_text(encoding="utf-8").splitlines()))
    assert path.with_suffix(".png").exists() == bounded
    assert (f"({path.stem}.png)" in (KEPT / "README.md").read_text(encoding="utf-8")) == bounded
