"""Large sessions as commands: 20,000 files, 200,000 sweeps in ten files, sweeps of a million points; all invented.

Seconds are the processor's (of the command and what it starts, start-up included), since a machine is seldom quiet; ``MB`` is the
most that the command held.

- ``files_*``: text files of one I(V) sweep of 128 points each, of twelve tips at forty sites each.
- ``grid_*``: I(V) sweeps of 128 points, ten tips at 100 sites each, up and down, 100 repeats of each; ``grid_z_*``: a tenth as many
  I(z) sweeps.
- ``long_*``: five sweeps of a million points, I(V) and I(z).
- ``page``: `report.html`; ``results_json_B_per_sweep``: bytes of `results.json` for each sweep.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
from _environment import ROOT
from _timing import Bound

from sts.loaders import LoadedFile
from sts.session import Session
from sts.simulate import Bench, BiasRamp, HeightRamp, simulate_iv, simulate_iz
from sts.sweeps import SweepSet

TITLE = "Scale: twenty thousand files, two hundred thousand sweeps, a million points"
WANTED: dict[str, Bound] = {  # on two quiet cores
    "files_import_s": 60.0, "files_list_s": 2.0, "files_report_s": 60.0, "files_page_MB": 5.0,
    "grid_list_s": 3.0, "grid_check_s": 10.0, "grid_report_s": 60.0, "grid_report_MB": 1500.0,
    "grid_results_json_B_per_sweep": 300.0,
    "grid_z_report_s": 30.0, "long_v_report_MB": 1500.0, "long_z_report_MB": 1500.0,
}  # fmt: skip
BOUNDS: dict[str, Bound] = {}  # nothing is judged before a full run on quiet cores is kept; then: WANTED
BENCH = Bench(white_A=1e-12, gap_noise=0.005, gap_noise_slope=1.0, setpoint_scatter=0.05)
TIPS = 12


def run(quick: bool = False) -> dict[str, float]:
    """Measure; in a quick run a tenth of the files, sweeps and points."""
    part = 10 if quick else 1
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        return _files(folder, 20_000 // part) | _grids(folder, 200_000 // part) | _long(folder, 1_000_000 // part)


def _files(folder: Path, count: int) -> dict[str, float]:
    make_files(folder / "inbox", count)
    session, out = folder / "files.h5", folder / "files"
    found = _told("files_import", _used("import", folder / "inbox", "--into", session, cwd=folder))
    found |= _told("files_list", _used("list", session, cwd=folder))
    return (
        found
        | _told("files_report", _used("report", session, "--out", out, cwd=folder))
        | _written("files", out, count)
    )


def _grids(folder: Path, count: int) -> dict[str, float]:
    session, ramps, out = folder / "grid.h5", folder / "ramps.h5", folder / "grid"
    make_grid(session, count)
    found: dict[str, float] = {}
    for command in ("list", "check"):
        found |= _told(f"grid_{command}", _used(command, session, cwd=folder))
    found |= _told("grid_report", _used("report", session, "--out", out, cwd=folder)) | _written("grid", out, count)
    make_grid(ramps, count // 10, kind="iz")
    return found | _told("grid_z_report", _used("report", ramps, "--out", folder / "ramps", cwd=folder))


def _long(folder: Path, points: int) -> dict[str, float]:
    found: dict[str, float] = {}
    for kind in ("iv", "iz"):
        session = folder / f"long_{kind}.h5"
        make_long(session, points, kind)
        for command in ("check", "report"):
            more = ("--out", folder / f"long_{kind}") if command == "report" else ()
            found |= _told(f"long_{kind[1]}_{command}", _used(command, session, *more, cwd=folder))
    return found


def make_files(folder: Path, count: int) -> None:
    """Text files of one sweep each; names say tip, site and repeat."""
    folder.mkdir()
    sites = 40
    for tip in range(TIPS):
        own = range(tip, count, TIPS)
        sweeps = _bias_sweeps(len(own), seed=tip, directions=("up",))
        for number, current in enumerate(sweeps.current):
            text = (
                "# sample: gold\n# temperature: 295 K\n# set-point current: 1 nA\n# set-point bias: 1 V\nV (V),I (nA)\n"
            )
            text += "".join(
                f"{v:.6e},{i:.6e}\n" for v, i in zip(sweeps.axis.tolist(), (current * 1e9).tolist(), strict=True)
            )
            name = f"tip{'ABCDEFGHIJKL'[tip]}_site{number % sites + 1}_r{number // sites + 1}.txt"
            (folder / name).write_text(text, encoding="utf-8", newline="\n")


def make_grid(path: Path, count: int, kind: str = "iv", tips: int = 10, sites: int = 100) -> None:
    """A session of so many sweeps, a file for each tip."""
    files = []
    for tip in range(tips):
        made = _bias_sweeps(count // tips, tip) if kind == "iv" else _height_sweeps(count // tips, tip)
        each = -(-len(made) // sites)  # sweeps of a site
        table = made.table.assign(
            sweep=[f"t{tip}_{i:06d}" for i in range(len(made))], tip=f"tip {tip}", sample="gold",
            site=[f"s{i // each:03d}" for i in range(len(made))], repeat=np.arange(len(made)) % each // 2 + 1.0,
        )  # fmt: skip
        files.append(_file(f"tip{tip}_{kind}", made.with_table(table)))
    Session.create(path).add(files)


def make_long(path: Path, points: int, kind: str) -> None:
    """A session of five sweeps of so many points: short ones between whose samples straight lines are drawn, with white noise."""
    short = _bias_sweeps(5, 1, 2001, ("up",)) if kind == "iv" else _height_sweeps(5, 1, 2001, ("retract",))
    axis = np.linspace(short.axis[0], short.axis[-1], points)
    current = np.array([np.interp(axis, short.axis, row) for row in short.current])
    current += 1e-12 * np.random.default_rng(1).standard_normal(current.shape)
    made = SweepSet(kind, axis, current, short.table.assign(tip="heron", sample="gold", site="s1"))
    Session.create(path).add([_file(kind, made)])


def _bias_sweeps(sweeps: int, seed: int, points: int = 128, directions: tuple[str, ...] = ("up", "down")) -> SweepSet:
    return simulate_iv(
        density="gapped", bias=(-1.0, 1.0, points), sweeps=max(sweeps // len(directions), 1), bench=BENCH, seed=seed,
        ramp=BiasRamp(directions=directions),
    ).sweeps  # fmt: skip


def _height_sweeps(
    sweeps: int, seed: int, points: int = 128, directions: tuple[str, ...] = ("retract", "approach")
) -> SweepSet:
    return simulate_iz(
        barrier_eV=4.4, height=(0.0, 0.36e-9, points), sweeps=max(sweeps // len(directions), 1), bench=BENCH, seed=seed,
        ramp=HeightRamp(directions=directions),
    ).sweeps  # fmt: skip


def _file(name: str, sweeps: SweepSet) -> LoadedFile:
    return LoadedFile(f"{name}.npy", sweeps.current.tobytes(), "npy", "", (sweeps,))


def _used(*arguments: str | Path, cwd: Path) -> tuple[float, float]:
    """Processor time [s] and most resident memory [MB] of a command; NaN where the system does not tell."""
    if os.name == "nt":
        return float("nan"), float("nan")
    environment = os.environ | {"PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"}
    command = [sys.executable, "-m", "sts", *map(str, arguments)]
    with (cwd / "output.txt").open("w") as output:
        process = subprocess.Popen(command, cwd=cwd, env=environment, stdout=output, stderr=output)
        _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise RuntimeError(f"sts {arguments[0]} failed: {(cwd / 'output.txt').read_text()[-2000:]}")
    unit = 1 if sys.platform == "darwin" else 1024
    return usage.ru_utime + usage.ru_stime, usage.ru_maxrss * unit / 1e6


def _told(name: str, used: tuple[float, float]) -> dict[str, float]:
    return {f"{name}_s": used[0], f"{name}_MB": used[1]}


def _written(name: str, out: Path, sweeps: int) -> dict[str, float]:
    size = {path.name: path.stat().st_size for path in out.rglob("*") if path.is_file()}
    return {
        f"{name}_page_MB": size["report.html"] / 1e6,
        f"{name}_results_json_B_per_sweep": size["results.json"] / sweeps,
        f"{name}_folder_MB": sum(size.values()) / 1e6,
    }
