"""Run the tests: ``python scripts/test.py [pytest's own arguments]``. Needs only Python 3.11 or newer.

``--checks`` runs the linter, the type checker and the layer contracts first.
"""

from __future__ import annotations

import sys

from _environment import run

CHECKS = {
    "ruff check": ("-m", "ruff", "check", "."),
    "ruff format": ("-m", "ruff", "format", "--check", "."),
    "mypy": ("-m", "mypy"),
    "import-linter": ("-c", "from importlinter.cli import lint_imports_command; lint_imports_command()"),
}


def main(arguments: list[str]) -> int:
    if "--checks" in arguments:
        arguments = [a for a in arguments if a != "--checks"]
        for name, command in CHECKS.items():
            print(f"== {name}", flush=True)
            if run(*command, lock="dev"):
                print(f"{name} found something (see above).", file=sys.stderr)
                return 1
    return run("-m", "pytest", *(arguments or ["-n", "2"]), lock="dev")


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
