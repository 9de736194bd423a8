"""Write the hash-locked requirement files anew: ``python scripts/lock.py [--upgrade]``.

Needs ``uv`` (from PyPI) on the path or in ``.venv``; nobody but a maintainer who changes a dependency runs this.
The locks are universal (Linux, macOS, Windows; Python 3.11 and later), hold wheels only, one hash a
file, and name no host.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
LOCKS = {
    "run.txt": ["--extra", "excel", "--extra", "review", "--group", "build"],
    "dev.txt": ["--extra", "excel", "--extra", "review", "--group", "build", "--group", "dev"],
    "pdf.txt": [
        "--extra",
        "excel",
        "--extra",
        "review",
        "--extra",
        "pdf",
        "--group",
        "build",
        "--constraint",
        "requirements/run.txt",
    ],
    "docs.txt": ["--group", "build", "--group", "docs", "--constraint", "requirements/dev.txt"],
}


def main() -> int:
    uv = shutil.which("uv")
    if uv is None:
        print("lock.py needs uv: python -m pip install uv", file=sys.stderr)
        return 2
    for name, options in LOCKS.items():
        command = [uv, "pip", "compile", "pyproject.toml", "--universal", "--python-version", "3.11"]
        command += [
            "--only-binary",
            ":all:",
            "--generate-hashes",
            "--no-emit-index-url",
            "--no-emit-find-links",
            "--no-strip-extras",  # pip of Python 3.11 takes the newest coverage[toml] where only coverage is pinned
        ]
        command += ["--quiet", "--custom-compile-command", "python scripts/lock.py"]
        command += ["--output-file", f"requirements/{name}", *options, *sys.argv[1:]]
        status = subprocess.run(command, cwd=ROOT, check=False).returncode
        if status:
            return status
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
