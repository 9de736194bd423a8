"""Install wheel and sdist in empty environments, and do the demo's job in each: ``python scripts/versions.py [--quick]``.

Needs ``uv`` (from PyPI) and the package index, as ``lock.py`` does. On each Python from 3.11 on that is found here, once with the
lowest and once with the newest versions that ``pyproject.toml`` allows, without the lock: import, a logbook as workbook and back,
check and report of ``data/demo``. All must give the same barriers. In the newest, mypy and pyright read ``_typed_client.py``
against the wheel. What was seen is kept in ``docs/validation/versions.csv``; ``--quick`` tries one Python and keeps nothing.
"""

from __future__ import annotations

import csv
import json
import math
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from _environment import ROOT

OUT = ROOT / "docs" / "validation" / "versions.csv"
MINORS = range(11, 20)
SHOWN = ("numpy", "scipy", "lmfit", "pandas", "h5py", "matplotlib", "pydantic", "bokeh")
COLUMNS = ("python", "versions", *SHOWN, "date")  # no times: the benchmarks have those
STEPS = (
    "import data/demo/iz data/demo/iv --logbook data/demo/logbook.csv --into s.h5",
    "logbook s.h5 --out L.xlsx",
    "annotate s.h5 --logbook L.xlsx",
    "check s.h5 --flagged",
    "report s.h5 --out results",
)
SAME = 1e-4  # relative: barriers of tips, between versions


def pythons() -> dict[str, Path]:
    """Interpreters from 3.11 on, by version: on the path, else where pyenv puts them."""
    found: dict[str, Path] = {}
    for minor in MINORS:
        places = sorted(Path.home().glob(f".pyenv/versions/3.{minor}.*/bin/python"))
        on_path = shutil.which(f"python3.{minor}")
        if on_path:
            places.insert(0, Path(on_path))
        for place in places:
            said = subprocess.run(
                [place, "-c", "import sys; print(sys.version.split()[0])"], capture_output=True, text=True
            )
            if said.returncode == 0:  # a shim of pyenv may stand on the path and lead nowhere
                found[said.stdout.strip()] = place
                break
    return found


def run(*command: str | Path, folder: Path) -> str:
    """Run a command outside of the repository; what it printed.

    Parameters
    ----------
    command : str or path
    folder : path
        To run it in.

    Raises
    ------
    SystemExit
        If it fails, with the end of what it said.
    """
    outside = {name: value for name, value in os.environ.items() if name not in ("PYTHONPATH", "VIRTUAL_ENV")}
    done = subprocess.run(
        command, cwd=folder, env=outside | {"PYTHONUTF8": "1"}, capture_output=True, text=True, check=False
    )
    if done.returncode:
        raise SystemExit(f"{' '.join(map(str, command))}\n{(done.stdout + done.stderr)[-2000:]}")
    return done.stdout


def installed(uv: str, python: Path, resolution: str, built: Path, folder: Path) -> Path:
    """An environment with nothing but the package and what it needs; its programs' folder.

    Parameters
    ----------
    uv : str
    python : path
    resolution : str
        ``"lowest-direct"`` or ``"highest"``.
    built : path
        Wheel or sdist.
    folder : path
        Of the environment.
    """
    run(uv, "venv", "-q", "--python", python, folder, folder=ROOT)
    programs = folder / ("Scripts" if os.name == "nt" else "bin")
    install = (uv, "pip", "install", "-q", "--python", programs / "python")
    extras = ("--extra", "excel", "--extra", "review", "--only-binary", ":all:")
    run(*install, "--resolution", resolution, "-r", ROOT / "pyproject.toml", *extras, folder=ROOT)
    run(*install, "--no-deps", built, folder=ROOT)
    return programs


def job(programs: Path, folder: Path) -> tuple[dict[str, float], float, float]:
    """The demo's job: barriers by tip [eV], seconds of ``sts --version`` (best of five) and of the job.

    Parameters
    ----------
    programs : path
    folder : path
        To work in.
    """
    shutil.copytree(ROOT / "data" / "demo", folder / "data" / "demo")
    starts = []
    for _ in range(5):
        began = time.perf_counter()
        run(programs / "sts", "--version", folder=folder)
        starts.append(time.perf_counter() - began)
    began = time.perf_counter()
    for step in STEPS:
        run(programs / "sts", *step.split(), folder=folder)
    took = time.perf_counter() - began
    wrong = subprocess.run([programs / "sts", "chek", "s.h5"], cwd=folder, capture_output=True, text=True, check=False)
    if wrong.returncode != 2 or "Did you mean" not in wrong.stderr or "Traceback" in wrong.stderr:
        raise SystemExit(f"A command that is misspelt is answered with\n{wrong.stderr[-500:]}")
    with (folder / "results" / "barrier_tips.csv").open(encoding="utf-8") as stream:
        return {row["tip"]: float(row["barrier_eV"]) for row in csv.DictReader(stream)}, min(starts), took


def typed(uv: str, programs: Path, folder: Path) -> None:
    """Have mypy and pyright read a user's program against the installed package.

    Parameters
    ----------
    uv : str
    programs, folder : path
    """
    run(uv, "pip", "install", "-q", "--python", programs / "python", "mypy", "pyright", "pandas-stubs", folder=folder)
    client = shutil.copy(ROOT / "scripts" / "_typed_client.py", folder / "client.py")
    print("  mypy:", run(programs / "python", "-m", "mypy", "--strict", client, folder=folder).strip())
    print("  pyright:", run(programs / "pyright", "--pythonpath", programs / "python", client, folder=folder).strip())


def _packages(uv: str, programs: Path) -> dict[str, str]:
    said = run(uv, "pip", "list", "--format", "json", "--python", programs / "python", folder=ROOT)
    return {one["name"]: one["version"] for one in json.loads(said)}


def main(arguments: list[str]) -> int:
    """Try all, and keep what was seen; 1 where barriers differ."""
    uv = shutil.which("uv")
    if uv is None:
        print("versions.py needs uv: python -m pip install uv", file=sys.stderr)
        return 2
    found = pythons()
    if "--quick" in arguments:
        found = dict(list(found.items())[:1])
    rows: list[list[str]] = []
    first: dict[str, float] = {}
    with tempfile.TemporaryDirectory() as temporary:
        place = Path(temporary)
        run(uv, "build", "-q", "--out-dir", place / "dist", folder=ROOT)
        (wheel,), (sdist,) = (list((place / "dist").glob(f"*{end}")) for end in (".whl", ".tar.gz"))
        print(f"{wheel.name}: {wheel.stat().st_size / 1e6:.2f} MB; {sdist.name}: {sdist.stat().st_size / 1e6:.2f} MB")
        for version, python in found.items():
            for resolution, built in (("lowest-direct", wheel), ("highest", sdist)):
                folder = place / f"{version}-{resolution}"
                folder.mkdir()
                programs = installed(uv, python, resolution, built, folder / "env")
                barriers, start, took = job(programs, folder)
                first = first or barriers
                apart = max(abs(math.log(barriers[tip] / first[tip])) for tip in first)
                print(f"Python {version}, {resolution}, {built.suffix}: start-up {start:.2f} s, demo {took:.1f} s, "
                      f"barriers within {apart:.0e} of the first", flush=True)  # fmt: skip
                if barriers.keys() != first.keys() or apart > SAME:
                    print("Barriers differ.", file=sys.stderr)
                    return 1
                packages = _packages(uv, programs)
                seen = (packages[name] for name in SHOWN)
                rows.append([version, resolution.split("-")[0], *seen, time.strftime("%Y-%m-%d")])
        typed(uv, programs, place)
    if "--quick" not in arguments:
        with OUT.open("w", encoding="utf-8", newline="") as stream:
            csv.writer(stream, lineterminator="\n").writerows([COLUMNS, *rows])
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
