"""Which tests run a line: the tests of a room once, measured, and what was written down read again."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from collections.abc import Iterable
from pathlib import Path

from _environment import ROOT

KEPT_TEXTS = "test_unchanged.py"  # results kept as text: they notice everything and judge nothing


def pytest_run(copy: Path, arguments: Iterable[str], *, seconds: float, **environment: str) -> tuple[int, str]:
    """Exit status of pytest in a copy of the project, and what it said; 1 if it takes too long."""
    opendata = os.environ.get("STS_OPENDATA", str(ROOT.parent / "shared" / "opendata"))
    surrounding = os.environ | environment | {"PYTHONPATH": str(copy), "OMP_NUM_THREADS": "1", "STS_OPENDATA": opendata,
                                              "PYTHONDONTWRITEBYTECODE": "1"}  # fmt: skip
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "-p", "no:xdist", *arguments]
    try:
        done = subprocess.run(command, cwd=copy, env=surrounding, capture_output=True, timeout=seconds, check=False)
    except subprocess.TimeoutExpired:
        return 1, f"more than {seconds:g} s"
    return done.returncode, done.stdout.decode(errors="replace")


def recorded(copy: Path, tests: list[str], folder: Path, *, seconds: float) -> Path:
    """The record of who runs which line, made by running these tests unless it is there already.

    Raises
    ------
    SystemExit
        If a test fails: what fails already would be taken for a fault that was noticed.
    """
    files = [*(copy / "sts").rglob("*.py"), *(path for test in tests for path in _modules(copy / test))]
    state = hashlib.sha256(b"".join(path.read_bytes() for path in sorted(files))).hexdigest()[:12]
    record = folder / f"{'-'.join(Path(test).stem for test in tests)}-{state}.coverage"
    if not record.exists():
        folder.mkdir(parents=True, exist_ok=True)
        partial = record.with_suffix(".partial")
        options = ["--cov=sts", "--cov-branch", "--cov-context=test", "--cov-report="]
        status, said = pytest_run(copy, [*options, *tests], seconds=seconds, COVERAGE_FILE=str(partial))
        if status:
            raise SystemExit(f"These tests fail without any change; mend that first: {' '.join(tests)}\n{said[-2000:]}")
        partial.rename(record)
    return record


def _modules(path: Path) -> list[Path]:
    return [path] if path.is_file() else [*path.rglob("*.py")]


def who_runs(record: Path, file: str, lines: Iterable[int]) -> list[str] | None:
    """Tests that run one of these lines of a file, by name; None if all tests of the record may.

    What a fixture runs, each test that takes the fixture may notice; of what runs when the file is imported (constants,
    defaults), each test that runs anything of the file.
    """
    from coverage import CoverageData  # of the environment, which is not there when this script starts

    data = CoverageData(str(record))
    data.read()
    measured = next((name for name in data.measured_files() if Path(name).as_posix().endswith(f"/{file}")), None)
    if measured is None:
        return []
    contexts = data.contexts_by_lineno(measured)
    found = {context for line in lines for context in contexts.get(line, ())}
    if found == {""}:
        found = {context for many in contexts.values() for context in many}
    if any(context.endswith("|setup") for context in found):
        return None
    tests = {context.rpartition("|")[0] for context in found if context.endswith("|run")}
    return sorted(test for test in tests if KEPT_TEXTS not in test)
