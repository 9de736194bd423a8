"""Measure anew what the docs claim: ``python scripts/validate.py [--quick] [--seed N] [--only NAME ...]``.

Runs the studies of ``scripts/studies``, two at a time, and keeps results, date, version and seed in ``docs/validation/``.
A finished study is not run again with the same code (``.validation-cache``), so a run that was stopped goes on where it
was. A figure outside its bounds fails the command with status 1. A quick run checks, and keeps its results only where
no full ones are kept.
"""

from __future__ import annotations

import argparse
import csv
import importlib
import io
import json
import multiprocessing
import os
import sys
import time
from collections.abc import Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from dataclasses import asdict
from pathlib import Path
from typing import Any

from _environment import ROOT, run
from _sources import fingerprint

STUDIES = ROOT / "scripts" / "studies"
OUT = ROOT / "docs" / "validation"
CACHE = ROOT / ".validation-cache"
HEARTBEAT = 30  # seconds between two lines of progress
COLUMNS = ("case", "measure", "value", "error", "low", "high", "trials", "kept")
FIGURES = (("error", 2), ("low", 6), ("high", 6))  # what may be unknown, and its digits

ABOUT = (
    "Each dot is one figure; the grey band reaches from its lower to its upper bound. A red cross is out. Lines in the pictures of "
    "the studies are standard errors: of shares by the binomial distribution of so many trials, of means and medians by their "
    "scatter. Sweeps of one session are not independent: where trials are sweeps, the error of a share is too small."
)


def names() -> list[str]:
    """All studies: the modules of their folder."""
    return sorted(path.stem for path in STUDIES.glob("*.py") if path.stem != "__init__")


def main(arguments: list[str]) -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="fewer trials and wider bounds, under five minutes")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="+", choices=names(), default=names())
    parser.add_argument("--jobs", type=int, default=2, help="studies at a time (default: 2)")
    parser.add_argument("--inside", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args(arguments)
    if not options.inside:
        os.environ["OMP_NUM_THREADS"] = "1"  # the studies share the cores, not their linear algebra
        return run(__file__, "--inside", *arguments, lock="dev")
    failed = []
    for name, result in _results(options.only, quick=options.quick, seed=options.seed, jobs=options.jobs):
        findings = result["findings"]
        out = [f for f in findings if not f["kept"]]
        failed += out
        print(f"{name}: {len(findings) - len(out)} of {len(findings)} figures within their bounds "
              f"({result['seconds']:.0f} s)", flush=True)  # fmt: skip
        for f in out:
            print(f"  OUT: {f['case']}: {f['measure']} = {f['value']:.4g}, bounds {_bounds(f)}", file=sys.stderr)
        if options.quick and _kept(name).get("size") == "full":
            continue
        _write(name, result)
    _page()
    return 1 if failed else 0


def _results(chosen: list[str], *, quick: bool, seed: int, jobs: int) -> Iterator[tuple[str, dict[str, Any]]]:
    """The result of each study as soon as it is there; those that take longest are begun first."""
    CACHE.mkdir(exist_ok=True)
    size = "quick" if quick else "full"
    places = {name: CACHE / f"{name}-{size}-{seed}-{fingerprint(STUDIES / f'{name}.py')}.json" for name in chosen}
    todo = [name for name in chosen if not places[name].exists()]
    for name in chosen:
        if name not in todo:
            yield name, json.loads(places[name].read_text(encoding="utf-8"))
    todo.sort(key=lambda name: -_kept(name).get("seconds", 1e9))
    if jobs == 1 or len(todo) == 1:
        for name in todo:
            print(f"{name}: running ...", file=sys.stderr, flush=True)
            yield name, measure(name, quick, seed, places[name])
        return
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(jobs, mp_context=context) as pool:
        futures = {pool.submit(measure, name, quick, seed, places[name]): name for name in todo}
        for future in _as_they_end(futures):
            yield futures[future], future.result()


def _as_they_end(futures: dict[Future[dict[str, Any]], str]) -> Iterator[Future[dict[str, Any]]]:
    """Each future when it is done; meanwhile a line now and then says what is running."""
    began = time.monotonic()
    waiting = set(futures)
    while waiting:
        done, waiting = wait(waiting, HEARTBEAT, FIRST_COMPLETED)
        yield from done
        if not done:
            running = ", ".join(sorted(futures[f] for f in waiting if f.running()))
            print(f"... {len(futures) - len(waiting)} of {len(futures)} studies done after "
                  f"{time.monotonic() - began:.0f} s; running: {running}", file=sys.stderr, flush=True)  # fmt: skip


def measure(name: str, quick: bool, seed: int, place: Path) -> dict[str, Any]:
    """Run one study and keep its result at `place`."""
    import sts

    study = importlib.import_module(f"studies.{name}")
    started = time.monotonic()
    findings = [{**asdict(f), "error": f.standard_error, "kept": f.kept} for f in study.run(quick=quick, seed=seed)]
    result = {
        "title": study.TITLE, "size": "quick" if quick else "full", "seed": seed, "version": sts.__version__,
        "date": time.strftime("%Y-%m-%d"), "seconds": round(time.monotonic() - started, 1), "findings": findings,
    }  # fmt: skip
    part = place.with_suffix(".part")
    part.write_text(json.dumps(result), encoding="utf-8")
    part.replace(place)  # a run that is stopped here leaves no half result
    return result


def _kept(name: str) -> dict[str, Any]:
    """What is known of the kept result of a study; empty if there is none."""
    path = OUT / f"{name}.json"
    return dict(json.loads(path.read_text(encoding="utf-8"))) if path.exists() else {}


def _write(name: str, result: dict[str, Any]) -> None:
    OUT.mkdir(parents=True, exist_ok=True)
    about = {k: v for k, v in result.items() if k != "findings"}
    (OUT / f"{name}.json").write_text(json.dumps(about, indent=1) + "\n", encoding="utf-8", newline="\n")
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for f in result["findings"]:
        error, *bounds = ("" if f[k] != f[k] else f"{f[k]:.{digits}g}" for k, digits in FIGURES)
        kept = "yes" if f["kept"] else "NO"
        writer.writerow([f["case"], f["measure"], f"{f['value']:.6g}", error, *bounds, f["trials"], kept])
    (OUT / f"{name}.csv").write_text(text.getvalue(), encoding="utf-8", newline="\n")


def _bounds(row: dict[str, Any]) -> str:
    """Bounds in words, from a finding or from a row of a kept table."""
    low, high = ("" if row[k] in ("", None) or row[k] != row[k] else f"{float(row[k]):.6g}" for k in ("low", "high"))
    if not low and not high:
        return ""
    return low if low == high else f"{low or '-∞'} … {high or '∞'}"


def _page() -> None:
    """One page of all studies that are kept, and one figure."""
    from _pictures import draw_findings, draw_study
    from _regimes import regime_lines

    kept = [
        (path, path.with_suffix(".csv")) for path in sorted(OUT.glob("*.json")) if path.with_suffix(".csv").exists()
    ]
    studies = [
        (
            json.loads(about.read_text(encoding="utf-8")),
            list(csv.DictReader(table.read_text(encoding="utf-8").splitlines())),
        )
        for about, table in kept
    ]
    if not studies:
        return
    lines = [
        "# Validation",
        "",
        ("Written by `python scripts/validate.py`. Truth is simulated, bounds are stated before. Speed and size are in "
        "[benchmarks](benchmarks.md), checks against published values in [outside checks](outside.md)."),
        "",
        "![Every figure between its bounds](findings.png)",
        "",
        ABOUT,
        "",
        "| study | figures within their bounds | size | seed | version | date | minutes |",
        "|---|---|---|---|---|---|---|",
    ]  # fmt: skip
    for about, rows in studies:
        inside = sum(row["kept"] == "yes" for row in rows)
        lines.append(f"| {about['title']} | {inside} of {len(rows)} | {about['size']} | {about['seed']} | {about['version']} | "
                     f"{about['date']} | {about.get('seconds', 0) / 60:.1f} |")  # fmt: skip
    lines += ["", *regime_lines(OUT)]
    for (path, _), (about, rows) in zip(kept, studies, strict=True):
        drawn = draw_study(rows, path.with_suffix(".png"))
        lines += [
            f"## {about['title']}",
            "",
            *([f"![{about['title']}: figures between their bounds]({path.stem}.png)", ""] if drawn else []),
            "| case | measure | value | standard error | bounds | trials | |",
            "|---|---|---|---|---|---|---|",
        ]
        for row in rows:
            mark = "" if row["kept"] == "yes" else "**out**"
            lines.append(
                f"| {row['case']} | {row['measure']} | {row['value']} | {row['error']} | {_bounds(row)} | "
                f"{row['trials']} | {mark} |"
            )
        lines.append("")
    (OUT / "README.md").write_text("\n".join(lines), encoding="utf-8", newline="\n")
    draw_findings(studies, OUT / "findings.png")


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parent))
    raise SystemExit(main(sys.argv[1:]))
