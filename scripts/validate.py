"""Measure anew what the docs claim: ``python scripts/validate.py [--quick] [--seed N] [--only NAME ...]``.

Runs the studies of ``scripts/studies`` one after the other, and keeps the results in ``docs/validation/``. A finished
study is not run again with the same code (``.validation-cache``), so a run that was stopped goes on. A figure outside
its bounds fails the command with status 1.
"""

from __future__ import annotations

import argparse
import csv
import hashlib
import importlib
import io
import json
import sys
import time
from dataclasses import asdict
from pathlib import Path
from typing import Any

from _environment import ROOT, run

STUDIES = ("barrier", "tips", "spectra", "mutations", "kills")
OUT = ROOT / "docs" / "validation"
CACHE = ROOT / ".validation-cache"


def main(arguments: list[str]) -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="fewer trials and wider bounds, under five minutes")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="+", choices=STUDIES, default=list(STUDIES))
    parser.add_argument("--inside", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args(arguments)
    if not options.inside:
        return run(__file__, "--inside", *arguments, lock="dev")
    failed = 0
    for name in options.only:
        result = _study(name, quick=options.quick, seed=options.seed)
        kept = sum(f["kept"] for f in result["findings"])
        failed += len(result["findings"]) - kept
        print(
            f"{name}: {kept} of {len(result['findings'])} figures within their bounds ({result['seconds']:.0f} s)",
            flush=True,
        )
        for finding in result["findings"]:
            if not finding["kept"]:
                print(f"  OUT: {finding['case']}: {finding['measure']} = {finding['value']:.4g}", file=sys.stderr)
        _write(name, result)
    _index()
    return 1 if failed else 0


def _study(name: str, *, quick: bool, seed: int) -> dict[str, Any]:
    code = hashlib.sha256()
    for path in sorted([*(ROOT / "sts").rglob("*.py"), ROOT / "scripts" / "studies" / f"{name}.py"]):
        code.update(path.read_bytes())
    cached = CACHE / f"{name}-{'quick' if quick else 'full'}-{seed}-{code.hexdigest()[:16]}.json"
    if cached.exists():
        return dict(json.loads(cached.read_text(encoding="utf-8")))
    print(f"{name}: running ...", file=sys.stderr, flush=True)
    study = importlib.import_module(f"studies.{name}")
    started = time.monotonic()
    findings = [{**asdict(f), "kept": f.kept} for f in study.run(quick=quick, seed=seed)]
    import sts

    result = {
        "title": study.TITLE, "size": "quick" if quick else "full", "seed": seed, "version": sts.__version__,
        "date": time.strftime("%Y-%m-%d"), "seconds": time.monotonic() - started, "findings": findings,
    }  # fmt: skip
    CACHE.mkdir(exist_ok=True)
    cached.write_text(json.dumps(result), encoding="utf-8")
    return result


def _write(name: str, result: dict[str, Any]) -> None:
    OUT.mkdir(parents=True, exist_ok=True)
    about = {k: v for k, v in result.items() if k not in ("findings", "seconds")}
    (OUT / f"{name}.json").write_text(json.dumps(about, indent=1) + "\n", encoding="utf-8", newline="\n")
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["case", "measure", "value", "low", "high", "trials", "kept"])
    for f in result["findings"]:
        bounds = ["" if f[k] != f[k] else f"{f[k]:.6g}" for k in ("low", "high")]
        writer.writerow(
            [f["case"], f["measure"], f"{f['value']:.6g}", *bounds, f["trials"], "yes" if f["kept"] else "NO"]
        )
    (OUT / f"{name}.csv").write_text(text.getvalue(), encoding="utf-8", newline="\n")


def _index() -> None:
    """One page of all studies that were run, with every figure."""
    lines = [
        "# Validation",
        "",
        "Written by `python scripts/validate.py`. Truth is simulated, bounds are stated before.",
        "",
    ]
    for path in sorted(OUT.glob("*.csv")):
        beside = path.with_suffix(".json")
        if not beside.exists():
            continue
        about = json.loads(beside.read_text(encoding="utf-8"))
        rows = list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))
        inside = sum(row["kept"] == "yes" for row in rows)
        lines += [f"## {about['title']}", ""]
        lines += [(f"{about['date']}, sts {about['version']}, size {about['size']}, seed {about['seed']}: "
                  f"{inside} of {len(rows)} figures within their bounds."), ""]  # fmt: skip
        lines += ["| case | measure | value | bounds | trials | |", "|---|---|---|---|---|---|"]
        for row in rows:
            bounds = f"{row['low'] or '-∞'} … {row['high'] or '∞'}" if row["low"] or row["high"] else ""
            mark = "" if row["kept"] == "yes" else "**out**"
            lines.append(f"| {row['case']} | {row['measure']} | {row['value']} | {bounds} | {row['trials']} | {mark} |")
        lines.append("")
    (OUT / "README.md").write_text("\n".join(lines), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parent))
    raise SystemExit(main(sys.argv[1:]))
