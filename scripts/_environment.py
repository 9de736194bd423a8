"""A private environment for the scripts: ``.venv`` beside the README, filled from the hash-locked lists.

Standard library only, so that it runs on a fresh machine; ``uv`` is used where it is there, since it is faster.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import time
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
PYTHON = VENV / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def ready(lock: str) -> Path:
    """Return the Python of ``.venv`` after installing what ``requirements/<lock>.txt`` names.

    The work is skipped where a stamp shows that it was done before with the same lists.
    """
    if sys.version_info < (3, 11):  # noqa: UP036 - the scripts start on whatever Python is there
        raise SystemExit(f"sts needs Python 3.11 or newer; this is {sys.version.split()[0]} ({sys.executable}).")
    requirements = ROOT / "requirements" / f"{lock}.txt"
    wanted = _fingerprint(requirements)
    stamp = VENV / f"installed-{lock}"
    if PYTHON.exists() and stamp.exists() and stamp.read_text() == wanted:
        return PYTHON
    started = time.monotonic()
    print(f"Preparing .venv from requirements/{requirements.name} (once; a minute or two) ...", flush=True)
    if not PYTHON.exists():
        venv.create(VENV, with_pip=True, clear=VENV.exists())
    uv = shutil.which("uv")
    if uv:
        install = [uv, "pip", "install", "--quiet", "--compile-bytecode", "--python", str(PYTHON)]
    else:
        install = [str(PYTHON), "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
    commands = [
        [*install, "--require-hashes", "-r", str(requirements)],
        [*install, "--no-deps", "--no-build-isolation", "--editable", str(ROOT)],
    ]
    for command in commands:
        if subprocess.run(command, cwd=ROOT, check=False).returncode:
            raise SystemExit(
                "The environment could not be prepared (see the lines above). Check the connection to the package "
                f"index, delete the folder {VENV.name} and run this again."
            )
    stamp.write_text(wanted)
    print(f"... ready after {time.monotonic() - started:.0f} s.", flush=True)
    return PYTHON


def _fingerprint(requirements: Path) -> str:
    parts = [
        requirements.read_bytes(),
        (ROOT / "pyproject.toml").read_bytes(),
        str(ROOT).encode(),
        sys.version.encode(),
    ]
    return hashlib.sha256(b"\0".join(parts)).hexdigest()


def run(*arguments: str | Path, lock: str = "run") -> int:
    """Run the environment's Python with these arguments from the repository's root; return its exit status."""
    environment = os.environ | {"PYTHONUTF8": "1"}
    return subprocess.run([ready(lock), *arguments], cwd=ROOT, env=environment, check=False).returncode
