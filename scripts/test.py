"""Run the tests: ``python scripts/test.py [pytest's own arguments]``. Needs only Python 3.11 or newer.

``--checks`` runs the linter and the layer contracts before them and the type checker beside them.
"""

from __future__ import annotations

import os
import subprocess
import sys

from _environment import ROOT, ready, run

CHECKS = {
    "ruff check": ("-m", "ruff", "check", "."),
    "ruff format": ("-m", "ruff", "format", "--check", "."),
    "import-linter": ("-c", "from importlinter.cli import lint_imports_command; lint_imports_command()"),
}
MYPY = ("-m", "mypy")  # the better part of a minute
TWO_AT_A_TIME = ("-n", "2", "--dist", "worksteal")  # each has its half, and so makes what its tests share once


def main(arguments: list[str]) -> int:
    # Tests run side by side: a matrix product that takes every core for itself makes the other one wait.
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    # Commands that tests start in processes of their own would each compile all of the package again.
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    tests = [a for a in arguments if a != "--checks"] or TWO_AT_A_TIME
    if "--checks" not in arguments:
        return run("-m", "pytest", *tests, lock="dev")
    for name, command in CHECKS.items():
        print(f"== {name}", flush=True)
        if run(*command, lock="dev"):
            return _found(name)
    types = subprocess.Popen([ready("dev"), *MYPY], cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
    try:
        status = run("-m", "pytest", *tests, lock="dev")
    finally:
        said, _ = types.communicate()
    print(f"== mypy\n{said.decode(errors='replace')}", flush=True)
    return _found("mypy") if types.returncode else status


def _found(name: str) -> int:
    print(f"{name} found something (see above).", file=sys.stderr)
    return 1


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
