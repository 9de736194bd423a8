"""Do the tests notice a fault in the numbers? ``python scripts/mutants.py [--sample N] [--seed N] [--minutes M]``.

One place of ``sts/curves``, ``sts/spectra`` or ``sts/barrier`` at a time is changed (a comparison, an operation, a number, a
condition) in a copy of the project, and the tests of that layer are run on it: a change that no test notices has
*survived*. Places are drawn with a seed. The copies are made at the start, so the project may be edited meanwhile.

A run that was stopped goes on: a change that was noticed is not tried again while its file stays as it is, one that
survived is tried again when the tests of its layer have changed. Results go to ``docs/validation/mutants.csv``;
survivors are there to be looked at, since some change nothing that matters.
"""

from __future__ import annotations

import argparse
import ast
import csv
import hashlib
import os
import queue
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor, as_completed
from pathlib import Path

from _environment import ROOT, run

LAYERS = ("curves", "spectra", "barrier")
OUT = ROOT / "docs" / "validation" / "mutants.csv"
CACHE = ROOT / ".validation-cache" / "mutants.csv"
COLUMNS = ("file", "line", "change", "result")
KEPT = ("key", "tests", *COLUMNS)
LONGEST = 300  # seconds for the tests of a layer; a mutant that hangs is noticed by anybody

_COMPARED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.GtE, ast.LtE: ast.Gt, ast.Gt: ast.LtE, ast.GtE: ast.Lt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
}  # fmt: skip
_COMPUTED: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.Pow: ast.Mult,
    ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
}  # fmt: skip


def main(arguments: list[str]) -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--sample", type=int, default=100, help="places to change (default: 100)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=60, help="stop after so long (default: 60)")
    parser.add_argument("--jobs", type=int, default=2, help="changes tried at a time (default: 2)")
    parser.add_argument("--inside", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args(arguments)
    if not options.inside:
        return run(__file__, "--inside", *arguments, lock="dev")
    known = _read(CACHE)
    end = time.monotonic() + 60 * options.minutes
    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor(options.jobs) as pool:
        copies: queue.Queue[Path] = queue.Queue()
        for job in range(options.jobs):
            copies.put(_copy(Path(folder) / str(job)))
        start = copies.queue[0]
        rows, places = _drawn(start, options.sample, options.seed)
        for layer in LAYERS:  # what fails already would be taken for a fault that was noticed
            if _tests_fail(start, [f"tests/{layer}", "tests/outside"]):
                raise SystemExit(
                    f"The tests of {layer} fail, or take more than {LONGEST} s, without any change. Mend that first."
                )

        missing = [row for row in rows if not _settled(known.get(row["key"]), row)]
        trials = [pool.submit(_trial, copies, row, end) for row in missing]
        try:
            for done, future in enumerate(as_completed(trials), 1):
                if row := future.result():
                    known[row["key"]] = row
                    _write(CACHE, KEPT, list(known.values()))
                    place = f"{row['file']}:{row['line']}"
                    print(f"{done}/{len(missing)} {row['result']:8s} {place} {row['change']}", flush=True)
        finally:
            pool.shutdown(cancel_futures=True)  # else Ctrl-C would wait for every place that is left
    tried = [known[row["key"]] for row in rows if _settled(known.get(row["key"]), row)]
    killed = sum(row["result"] == "killed" for row in tried)
    print(
        f"{killed} of {len(tried)} changes noticed ({100 * killed / max(len(tried), 1):.0f} %); {places} places in all."
    )
    _write(OUT, COLUMNS, sorted(tried, key=lambda row: (row["file"], int(row["line"]))))
    return 0 if len(tried) == len(rows) else 1


def _drawn(copy: Path, sample: int, seed: int) -> tuple[list[dict[str, str]], int]:
    """Rows, still without result, of the places that are drawn; and the number of all places."""
    rows = []
    for layer in LAYERS:
        folder = copy / "tests" / layer
        tests = _fingerprint(*sorted(folder.glob("*.py")), *sorted(folder.glob("kept/*")))
        for path in sorted((copy / "sts" / layer).glob("*.py")):
            code = _fingerprint(path)
            for number, (line, change) in enumerate(changes(path.read_text("utf-8"))):
                rows.append({"key": f"{code}-{number}", "tests": tests, "file": path.relative_to(copy).as_posix(),
                             "line": str(line), "change": change})  # fmt: skip
    # By a hash of each place, not by a shuffle of all: a change of one file leaves the draw from the others as it was.
    rows.sort(key=lambda row: hashlib.sha256(f"{seed} {row['key']}".encode()).digest())
    return rows[:sample], len(rows)


def _trial(copies: queue.Queue[Path], row: dict[str, str], end: float) -> dict[str, str] | None:
    """The row with its result, from a copy that is free; nothing once the time is over."""
    if time.monotonic() > end:
        return None
    copy = copies.get()
    try:
        return row | {"result": _try(copy, copy / row["file"], int(row["key"].rpartition("-")[2]))}
    finally:
        copies.put(copy)


def _settled(known: dict[str, str] | None, row: dict[str, str]) -> bool:
    """Whether the change was noticed before, or has survived these very tests."""
    return known is not None and (known["result"] == "killed" or known["tests"] == row["tests"])


def changes(source: str) -> list[tuple[int, str]]:
    """Line and description of every change that can be made to this source."""
    return [(node.lineno, text) for node, _, text in _mutations(ast.parse(source))]


def changed(source: str, number: int) -> str:
    """The source after that change."""
    tree = ast.parse(source)
    for here, (_, change, _) in enumerate(_mutations(tree)):
        if here == number:
            setattr(*change)
            return ast.unparse(tree)
    raise ValueError(f"There are fewer than {number + 1} places to change.")


def _mutations(tree: ast.Module) -> Iterator[tuple[ast.expr, tuple[ast.AST, str, object], str]]:
    """Node, what to set to make the change, and the change in words; annotations and texts are left alone."""
    for node in _code(tree):
        if isinstance(node, ast.Compare) and type(node.ops[0]) in _COMPARED:
            new = _COMPARED[type(node.ops[0])]
            yield node, (node, "ops", [new(), *node.ops[1:]]), f"{type(node.ops[0]).__name__} to {new.__name__}"
        elif isinstance(node, ast.BinOp) and type(node.op) in _COMPUTED:
            operator = _COMPUTED[type(node.op)]
            yield node, (node, "op", operator()), f"{type(node.op).__name__} to {operator.__name__}"
        elif isinstance(node, ast.BoolOp):
            boolean = ast.Or if isinstance(node.op, ast.And) else ast.And
            yield node, (node, "op", boolean()), f"{type(node.op).__name__} to {boolean.__name__}"
        elif isinstance(node, ast.Constant) and isinstance(node.value, bool):
            yield node, (node, "value", not node.value), f"{node.value} to {not node.value}"
        elif isinstance(node, ast.Constant) and isinstance(node.value, int | float):
            value = 1.5 * node.value if isinstance(node.value, float) and node.value else node.value + 1
            yield node, (node, "value", value), f"{node.value!r} to {value!r}"
        elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
            yield node, (node, "op", ast.UAdd()), "minus to plus"


def _code(node: ast.AST) -> Iterator[ast.AST]:
    """All nodes that compute something: no annotations, no error texts."""
    yield node
    for name, field in ast.iter_fields(node):
        for child in field if isinstance(field, list) else [field]:
            if (
                not isinstance(child, ast.AST)
                or name in ("annotation", "returns")
                or isinstance(child, ast.JoinedStr | ast.Raise)
            ):
                continue
            yield from _code(child)


def _copy(folder: Path) -> Path:
    """A copy of what the tests need, to be changed."""
    folder.mkdir()
    for name in ("sts", "scripts", "tests", "data", "docs", "examples"):
        shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "README.md"):
        shutil.copy(ROOT / name, folder / name)
    return folder


def _try(copy: Path, place: Path, number: int) -> str:
    """``killed`` if a test fails or hangs on the changed code, else ``survived``."""
    source = place.read_text(encoding="utf-8")
    first = [f"tests/{place.parent.name}/test_{name}.py" for name in (place.stem, "unchanged")]  # the likeliest to fail
    tests = [test for test in first if (copy / test).exists()]
    try:
        place.write_text(changed(source, number), encoding="utf-8")
        failed = _tests_fail(copy, [*tests, f"tests/{place.parent.name}", "tests/outside"])
    finally:
        place.write_text(source, encoding="utf-8")
    return "killed" if failed else "survived"


def _tests_fail(copy: Path, tests: list[str]) -> bool:
    """Whether a test of the copy fails, or they take too long."""
    opendata = os.environ.get("STS_OPENDATA", str(ROOT.parent / "shared" / "opendata"))
    environment = os.environ | {"PYTHONPATH": str(copy), "OMP_NUM_THREADS": "1", "STS_OPENDATA": opendata,
                                "PYTHONDONTWRITEBYTECODE": "1"}  # fmt: skip
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", *tests]
    try:
        done = subprocess.run(command, cwd=copy, env=environment, capture_output=True, timeout=LONGEST, check=False)
    except subprocess.TimeoutExpired:
        return True
    return done.returncode != 0


def _fingerprint(*paths: Path) -> str:
    return hashlib.sha256(b"".join(path.read_bytes() for path in paths)).hexdigest()[:12]


def _read(path: Path) -> dict[str, dict[str, str]]:
    if not path.exists():
        return {}
    return {row["key"]: row for row in csv.DictReader(path.read_text(encoding="utf-8").splitlines())}


def _write(path: Path, columns: tuple[str, ...], rows: list[dict[str, str]]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, columns, lineterminator="\n", extrasaction="ignore")
        writer.writeheader()
        writer.writerows(rows)


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parent))
    raise SystemExit(main(sys.argv[1:]))
