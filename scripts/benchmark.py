"""Measure speed and memory as ratios in one run: ``python scripts/benchmark.py [--quick] [--only NAME ...]``.

Each module of ``scripts/benchmarks`` has `TITLE`, `BOUNDS` and `run(quick)`, and compares a path of the tool with a memory
copy, ``numpy.exp`` or the library's loop on the same data. Table and figure go to ``docs/validation/``; what is not measured
anew stays. A figure out of bounds fails the command with status 1. A quick run prints, and neither judges nor keeps:
at a tenth of the data the ratios are others.
"""

from __future__ import annotations

import argparse
import csv
import importlib
import io
import math
import sys
import time
from pathlib import Path
from typing import Any

from _environment import ROOT, run

FOLDER = ROOT / "scripts" / "benchmarks"
OUT = ROOT / "docs" / "validation"
COLUMNS = ("benchmark", "measure", "value", "low", "high", "kept", "version", "date")


def names() -> list[str]:
    """All benchmarks: the modules of their folder."""
    return sorted(path.stem for path in FOLDER.glob("*.py") if path.stem != "__init__")


def main(arguments: list[str]) -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="a tenth of the data; prints only")
    parser.add_argument("--only", nargs="+", choices=names(), default=names())
    parser.add_argument("--inside", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args(arguments)
    if not options.inside:
        return run(__file__, "--inside", *arguments, lock="dev")
    rows = []
    for name in options.only:
        measured = _measure(name, options.quick)
        rows += measured
        for row in measured:
            mark = "OUT" if row["kept"] == "NO" and not options.quick else ""
            print(f"{name:9s} {row['measure']:50s} {row['value']:>10s} {_bounds(row):12s} {mark}", flush=True)
        if not options.quick:
            _keep(name, measured)
    return int(not options.quick and any(row["kept"] == "NO" for row in rows))


def _measure(name: str, quick: bool) -> list[dict[str, str]]:
    """The rows of one benchmark. NaN is what cannot be measured on this system, and is not judged."""
    import sts

    module = importlib.import_module(f"benchmarks.{name}")
    rows = []
    for measure, value in module.run(quick).items():
        low, high = _pair(module.BOUNDS.get(measure))
        texts = ["" if math.isinf(bound) else f"{bound:g}" for bound in (low, high)]
        judged = any(texts) and not math.isnan(value)
        kept = "" if not judged else "yes" if low <= value <= high else "NO"
        cells = (name, measure, f"{value:.4g}", *texts, kept, sts.__version__, time.strftime("%Y-%m-%d"))
        rows.append(dict(zip(COLUMNS, cells, strict=True)))
    return rows


def _pair(bound: Any) -> tuple[float, float]:
    """A lower and an upper limit; a number alone is an upper one."""
    if bound is None:
        return -math.inf, math.inf
    return bound if isinstance(bound, tuple) else (-math.inf, bound)


def _bounds(row: dict[str, str]) -> str:
    return " ".join(f"{sign} {row[key]}" for sign, key in (("≥", "low"), ("≤", "high")) if row[key])


def _keep(name: str, measured: list[dict[str, str]]) -> None:
    """Put the rows of one benchmark in the place of its old ones, and write table, page and figure anew."""
    from _pictures import draw_growth

    path = OUT / "benchmarks.csv"
    OUT.mkdir(parents=True, exist_ok=True)
    before = list(csv.DictReader(path.read_text(encoding="utf-8").splitlines())) if path.exists() else []
    rows = sorted([row for row in before if row["benchmark"] != name] + measured, key=lambda row: row["benchmark"])
    text = io.StringIO()
    writer = csv.DictWriter(text, COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    path.write_text(text.getvalue(), encoding="utf-8", newline="\n")
    (OUT / "benchmarks.md").write_text(_page(rows), encoding="utf-8", newline="\n")
    draw_growth([row for row in rows if row["benchmark"] == "growth"], OUT / "growth.png")


def _page(rows: list[dict[str, str]]) -> str:
    lines = [
        "# Benchmarks",
        "",
        ("Written by `python scripts/benchmark.py`. Ratios are measured in one run, so that they say the same on another "
        "machine; seconds and megabytes are those of two cores."),
        "",
        "![How time grows with the number of sweeps and of points](growth.png)",
        "",
    ]  # fmt: skip
    for name in dict.fromkeys(row["benchmark"] for row in rows):
        module = importlib.import_module(f"benchmarks.{name}")
        about = [row for row in rows if row["benchmark"] == name]
        lines += [f"## {module.TITLE}", "", (module.__doc__ or "").strip(), ""]
        lines += [f"Measured {about[0]['date']}, sts {about[0]['version']}.", ""]
        lines += ["| measure | value | bound | |", "|---|---|---|---|"]
        lines += [
            f"| {r['measure']} | {r['value']} | {_bounds(r)} | {'**out**' if r['kept'] == 'NO' else ''} |"
            for r in about
        ]
        lines.append("")
    return "\n".join(lines)


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parent))
    raise SystemExit(main(sys.argv[1:]))
