"""Do the tests notice a fault in the numbers? ``python scripts/mutants.py [--sample N] [--seed N] [--minutes M]``.

One place of `sts` at a time is changed (a comparison, an operation, a number, a condition) in a copy of the project, and
the tests of its room that run its line are run on it, those of its own module first: a change that no test notices has
*survived*. Results kept as text notice everything and judge nothing: they are left out. Places are drawn with a seed
from all that computes or decides: every room but figures, commands and the simulation.

The tests of each room run once before, without any change, and write down who runs which line. The copies are made at the
start, so the project may be edited meanwhile.

A run that was stopped goes on: a change that was noticed is not tried again while its file stays as it is, one that
survived is tried again when the tests of its room have changed, and is *killed later* if they notice it now. Results go to
``docs/validation/mutants.csv``; survivors are there to be looked at, and ``why``, written by hand, says what was found.
"""

from __future__ import annotations

import argparse
import ast
import csv
import hashlib
import queue
import shutil
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor, as_completed
from pathlib import Path

from _environment import ROOT, run
from _who_runs import KEPT_TEXTS, pytest_run, recorded, who_runs

ROOMS = ("curves", "spectra", "barrier", "comparing", "analysis", "loaders", "importing", "session", "review", "report")
ALONE = ("provenance", "quantities", "selection", "settings", "sweeps")  # modules beside the rooms
BESIDE = ["tests/outside"]  # run for every room
OUT = ROOT / "docs" / "validation" / "mutants.csv"
CACHE = ROOT / ".validation-cache" / "mutants.csv"
RECORDS = CACHE.parent / "who-runs"
COLUMNS = ("file", "line", "change", "result", "why")
KEPT = ("key", "tests", "file", "line", "change", "result")
LONGEST = 300  # seconds for the tests of one change; one that hangs is noticed by anybody
LONGEST_ROOM = 3000

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
        missing = [row for row in rows if not _settled(known.get(row["key"]), row)]
        records = {room: [recorded(start, tests, RECORDS, seconds=LONGEST_ROOM) for tests in (_tests(room), BESIDE)]
                   for room in sorted({_room(row["file"]) for row in missing})}  # fmt: skip
        trials = [pool.submit(_trial, copies, row, records[_room(row["file"])], end) for row in missing]
        try:
            for done, future in enumerate(as_completed(trials), 1):
                if row := future.result():
                    if row["result"] == "killed" and row["key"] in known:
                        row["result"] = "killed later"  # by tests that were not there when it survived
                    known[row["key"]] = row
                    _write(CACHE, KEPT, list(known.values()))
                    place = f"{row['file']}:{row['line']}"
                    print(f"{done}/{len(missing)} {row['result']:8s} {place} {row['change']}", flush=True)
        finally:
            pool.shutdown(cancel_futures=True)  # else Ctrl-C would wait for every place that is left
    tried = [known[row["key"]] for row in rows if _settled(known.get(row["key"]), row)]
    _say(tried, places)
    why = {_place(row): row.get("why", "") for row in _rows(OUT)}
    tried = [row | {"why": why.get(_place(row), "")} for row in tried]
    _write(OUT, COLUMNS, sorted(tried, key=lambda row: (row["file"], int(row["line"]))))
    return 0 if len(tried) == len(rows) else 1


def _say(tried: list[dict[str, str]], places: int) -> None:
    for words, results in (("noticed", ("killed",)), ("noticed with tests written since", ("killed", "killed later"))):
        killed = sum(row["result"] in results for row in tried)
        print(f"{killed} of {len(tried)} changes {words} ({100 * killed / max(len(tried), 1):.0f} %).")
    print(f"{places} places in all.")


def _drawn(copy: Path, sample: int, seed: int) -> tuple[list[dict[str, str]], int]:
    """Rows, still without result, of the places that are drawn; and the number of all places."""
    rows = []
    for room in ("", *ROOMS):
        files = [f for test in _tests(room) for f in ((copy / test).rglob("*.py") if room else [copy / test])]
        tests = _fingerprint(*sorted(files))
        inside = (copy / "sts" / room).rglob("*.py") if room else [copy / "sts" / f"{name}.py" for name in ALONE]
        for path in sorted(inside):
            code = _fingerprint(path)
            for number, (line, change) in enumerate(changes(path.read_text("utf-8"))):
                rows.append({"key": f"{code}-{number}", "tests": tests, "file": path.relative_to(copy).as_posix(),
                             "line": str(line), "change": change})  # fmt: skip
    # By a hash of each place, not by a shuffle of all: a change of one file leaves the draw from the others as it was.
    rows.sort(key=lambda row: hashlib.sha256(f"{seed} {row['key']}".encode()).digest())
    return rows[:sample], len(rows)


def _room(file: str) -> str:
    """The room of a module; empty for one beside the rooms."""
    return file.split("/")[1] if file.count("/") > 1 else ""


def _tests(room: str) -> list[str]:
    return [f"tests/{room}"] if room else [f"tests/test_{name}.py" for name in ALONE]


def _trial(copies: queue.Queue[Path], row: dict[str, str], records: list[Path], end: float) -> dict[str, str] | None:
    """The row with its result, from a copy that is free; nothing once the time is over."""
    if time.monotonic() > end:
        return None
    copy = copies.get()
    try:
        return row | {"result": _try(copy, row, records)}
    finally:
        copies.put(copy)


def _settled(known: dict[str, str] | None, row: dict[str, str]) -> bool:
    """Whether the change was noticed before, or has survived these very tests."""
    return known is not None and (known["result"].startswith("killed") or known["tests"] == row["tests"])


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


def statement(source: str, number: int) -> range:
    """Lines of the statement in which that change is; of one that holds others, the lines above them."""
    tree = ast.parse(source)
    line = changes(source)[number][0]
    around = [node for node in ast.walk(tree) if isinstance(node, ast.stmt) and _first(node) <= line <= _last(node)]
    inner = max(around, key=_first)
    return range(_first(inner), _last(inner) + 1)


def _first(node: ast.stmt) -> int:
    decorators = node.decorator_list if isinstance(node, ast.ClassDef | ast.FunctionDef) else []
    return min([node.lineno, *(decorator.lineno for decorator in decorators)])


def _last(node: ast.stmt) -> int:
    body = getattr(node, "body", None)
    return max(node.lineno, body[0].lineno - 1) if body else node.end_lineno or node.lineno


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


def _try(copy: Path, row: dict[str, str], records: list[Path]) -> str:
    """``killed`` if a test fails or hangs on the changed code, else ``survived``."""
    place, number = copy / row["file"], int(row["key"].rpartition("-")[2])
    source = place.read_text(encoding="utf-8")
    try:
        place.write_text(changed(source, number), encoding="utf-8")
        for tests in _likeliest_first(copy, row["file"], statement(source, number), records):
            status, said = pytest_run(copy, tests, seconds=LONGEST)
            if status == 4 and "not found:" in said:
                raise RuntimeError(f"pytest does not find a test that was recorded:\n{said[-2000:]}")
            if status not in (0, 5):  # 5: each was left out, as without a browser
                return "killed"
    finally:
        place.write_text(source, encoding="utf-8")
    return "survived"


def _likeliest_first(copy: Path, file: str, lines: range, records: list[Path]) -> Iterator[list[str]]:
    """Tests that run these lines: those of the module itself, then the others."""
    parts = Path(file).parts[1:]
    mirror = Path("tests", *parts[:-1], f"test_{parts[-1]}").as_posix()
    found = [who_runs(record, file, lines) for record in records]
    if found[0] is None:  # from a fixture
        own, room = [mirror] if (copy / mirror).exists() else [], _tests(_room(file))
        room = [*room, f"--deselect={room[0]}/{KEPT_TEXTS}"]
    else:
        own = [test for test in found[0] if test.startswith(f"{mirror}::")]
        room = [test for test in found[0] if test not in own]
    yield from filter(None, (own, room, BESIDE if found[1] is None else found[1]))


def _fingerprint(*paths: Path) -> str:
    return hashlib.sha256(b"".join(path.read_bytes() for path in paths)).hexdigest()[:12]


def _read(path: Path) -> dict[str, dict[str, str]]:
    return {row["key"]: row for row in _rows(path)}


def _rows(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(path.read_text(encoding="utf-8").splitlines())) if path.exists() else []


def _place(row: dict[str, str]) -> tuple[str, str, str]:
    return row["file"], row["line"], row["change"]


def _write(path: Path, columns: tuple[str, ...], rows: list[dict[str, str]]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, columns, lineterminator="\n", extrasaction="ignore")
        writer.writeheader()
        writer.writerows(rows)


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parent))
    raise SystemExit(main(sys.argv[1:]))
