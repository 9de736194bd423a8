"""Measure speed as ratios in one run: ``python scripts/benchmark.py [--quick] [--only NAME ...]``.

Each module of ``scripts/benchmarks`` compares a path of the tool with a memory copy, ``numpy.exp`` or the library loop on the same
data. The table goes to ``docs/validation/benchmarks.csv``.
"""

from __future__ import annotations

import argparse
import csv
import importlib
import sys
from pathlib import Path

from _environment import ROOT, run

BENCHMARKS = ("barrier", "spectra", "session")
OUT = ROOT / "docs" / "validation" / "benchmarks.csv"


def main(arguments: list[str]) -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="a tenth of the data")
    parser.add_argument("--only", nargs="+", choices=BENCHMARKS, default=list(BENCHMARKS))
    parser.add_argument("--inside", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args(arguments)
    if not options.inside:
        return run(__file__, "--inside", *arguments, lock="dev")
    rows = []
    for name in options.only:
        for measure, value in importlib.import_module(f"benchmarks.{name}").run(options.quick).items():
            print(f"{name:8s} {measure:60s} {value:12.4g}", flush=True)
            rows.append([name, measure, f"{value:.4g}", "quick" if options.quick else "full"])
    OUT.parent.mkdir(parents=True, exist_ok=True)
    with OUT.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(["benchmark", "measure", "value", "size"])
        writer.writerows(rows)
    return 0


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parent))
    raise SystemExit(main(sys.argv[1:]))
