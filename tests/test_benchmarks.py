"""The benchmark script: bounds decide, and what is not measured anew stays."""

from __future__ import annotations

import csv
import importlib
from pathlib import Path

import benchmark
import benchmarks
import pytest

KEPT = Path(__file__).resolve().parent.parent / "docs" / "validation" / "benchmarks.csv"
INVENTED = """
import math
TITLE = "Invented"
BOUNDS = {{"copies": 25.0, "times faster": (40.0, math.inf)}}
def run(quick):
    return {{"copies": {copies}, "times faster": {faster}, "I(z) seconds with 64 sweeps": 0.5}}
"""


@pytest.mark.parametrize("name", benchmark.names())
def test_every_benchmark_can_be_run_by_the_script_and_its_bounds_name_what_it_measures(name):
    module = importlib.import_module(f"benchmarks.{name}")
    assert module.TITLE
    assert callable(module.run)
    kept = {row["measure"] for row in csv.DictReader(KEPT.read_text("utf-8").splitlines()) if row["benchmark"] == name}
    assert set(module.BOUNDS) <= kept, f"run: python scripts/benchmark.py --only {name}"


@pytest.fixture
def invented(tmp_path, monkeypatch):
    """A folder with one benchmark in place of the real ones; returns a function that writes it and runs the script."""
    folder = tmp_path / "benchmarks"
    folder.mkdir()
    monkeypatch.setattr(benchmark, "FOLDER", folder)
    monkeypatch.setattr(benchmark, "OUT", tmp_path / "out")
    monkeypatch.setattr(benchmarks, "__path__", [str(folder)])
    monkeypatch.setattr(importlib.sys, "dont_write_bytecode", True)

    def run(*arguments: str, name: str = "growth", copies: object = 20.0, faster: float = 50.0) -> int:
        (folder / f"{name}.py").write_text(INVENTED.format(copies=copies, faster=faster), encoding="utf-8")
        for module in ("benchmarks.growth", "benchmarks.grid"):
            monkeypatch.setitem(
                importlib.sys.modules, module, None
            )  # so that what is there now is there again afterwards
            del importlib.sys.modules[module]
        importlib.invalidate_caches()
        return benchmark.main(["--inside", "--only", name, *arguments])

    return run


def rows(tmp_path):
    text = (tmp_path / "out" / "benchmarks.csv").read_text(encoding="utf-8")
    return {(row["benchmark"], row["measure"]): row for row in csv.DictReader(text.splitlines())}


@pytest.mark.parametrize("figures", [{"copies": 26.0}, {"faster": 39.0}])
def test_a_figure_out_of_bounds_fails_the_command_and_is_marked(invented, tmp_path, capsys, figures):
    assert invented(**figures) == 1
    assert capsys.readouterr().out.count("OUT") == 1
    assert "**out**" in (tmp_path / "out" / "benchmarks.md").read_text(encoding="utf-8")


def test_what_cannot_be_measured_on_this_system_is_not_judged(invented, tmp_path):
    assert invented(copies="math.nan") == 0
    assert rows(tmp_path)["growth", "copies"]["kept"] == ""


def test_a_run_of_one_benchmark_keeps_the_rows_of_the_others(invented, tmp_path):
    assert invented() == 0
    assert invented(name="grid", copies=3.0) == 0
    assert invented(copies=21.0) == 0
    found = rows(tmp_path)
    assert {name for name, _ in found} == {"growth", "grid"}
    assert found["growth", "copies"]["value"] == "21"
    assert found["grid", "copies"]["value"] == "3"
    assert found["growth", "times faster"]["low"] == "40"
    assert (tmp_path / "out" / "growth.png").read_bytes().startswith(b"\x89PNG")


def test_a_quick_run_neither_judges_nor_keeps(invented, tmp_path):
    assert invented("--quick", copies=99.0) == 0
    assert not (tmp_path / "out").exists()


def test_the_peak_of_a_call_counts_what_it_returns_and_what_it_needs():
    import numpy as np
    from _timing import rise_MB

    if not Path("/proc/self/statm").exists():
        pytest.skip("the resident memory is read from /proc, which only Linux has")
    assert 75 < rise_MB(lambda: np.ones(10_000_000)) < 110  # 80 MB
    assert rise_MB(lambda: None) < 5
