"""How fast and how lean the session is: ratios to plain h5py and seconds, measured in one run.

`run` returns, with the bound of each in `BOUNDS`:

- ``import_over_plain_write``: time to add an array file, over the time h5py takes to write the same bytes (the arrays,
  and the original file that is kept with them) into two contiguous datasets, both to the disk, fsync included.
- ``import_over_plain_arrays``: the same over the time to write the arrays alone; no bound, since half of what an
  import writes is the original.
- ``open_s``, ``list_s``: opening, and listing all sweeps with their table [s].
- ``text_over_pandas``: time to import a folder of 1,000 text files of one sweep of 256 points, over the time in which
  pandas' C parser alone reads the same files; ``text_tab_comma_over_pandas`` for tabs and decimal commas.
- ``memory_over_block``: memory needed for the import beyond the arrays handed over, in blocks of 32 MB.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np
import pandas as pd

from sts.importing import import_files
from sts.loaders.loaded import LoadedFile
from sts.session import Session
from sts.session.layout import BLOCK_BYTES
from sts.sweeps import SweepSet, sweep_table

TITLE = "Session: import, opening and listing"
BOUNDS = {
    "import_over_plain_write": 4.0, "open_s": 1.0, "list_s": 1.0, "text_over_pandas": 3.0,
    "text_tab_comma_over_pandas": 3.0, "memory_over_block": 8.0,
}  # fmt: skip


def run(quick: bool) -> dict[str, float]:
    """Measure; 100,000 sweeps of 512 points, or a tenth of that."""
    sweeps = 10_000 if quick else 100_000
    memory = _memory(sweeps)  # first: a child starts with its parent's peak
    with tempfile.TemporaryDirectory() as folder:
        file = _file(sweeps)
        path = Path(folder) / "ours.h5"
        plain = arrays = ours = float("inf")
        current, original = file.sets[0].current, np.frombuffer(file.content, np.uint8)
        for _ in range(4):  # by turns: a disk is fast and slow by turns too
            plain = min(plain, _time(lambda: _write_plain(Path(folder) / "plain.h5", current, original)))
            arrays = min(arrays, _time(lambda: _write_plain(Path(folder) / "plain.h5", current)))
            path.unlink(missing_ok=True)
            ours = min(ours, _time(lambda: _import(path, file)))
        open_s = min(_time(lambda: Session.open(path)) for _ in range(3))
        list_s = min(_time(lambda: Session(path).sweeps()) for _ in range(3))
    return {
        "import_over_plain_write": ours / plain,
        "import_over_plain_arrays": ours / arrays,
        "import_MB_per_s": file.sets[0].current.nbytes / ours / 1e6,
        "open_s": open_s,
        "list_s": list_s,
        "text_over_pandas": _text_over_pandas(sweeps // 100, delimiter=",", decimal="."),
        "text_tab_comma_over_pandas": _text_over_pandas(sweeps // 100, delimiter="\t", decimal=","),
        "memory_over_block": memory / BLOCK_BYTES,
    }


def _file(sweeps: int) -> LoadedFile:
    rng = np.random.default_rng(1)
    current = rng.normal(scale=1e-9, size=(sweeps, 512))
    site = np.arange(sweeps)
    table = sweep_table(
        [f"grid_{i:06d}" for i in site], sample="gold", tip="heron", site=[f"s{i // 100}" for i in site],
        direction="up", x_m=site * 1e-10, y_m=site * 2e-10, setpoint_current_A=1e-10,
    )  # fmt: skip
    # the original is as large as the arrays: a grid exported as .npy
    content = current.tobytes()
    return LoadedFile("grid.npy", content, "npy", "", (SweepSet("iv", np.linspace(-1, 1, 512), current, table),))


def _text_over_pandas(files: int, *, delimiter: str, decimal: str) -> float:
    with tempfile.TemporaryDirectory() as folder:
        inbox, session = Path(folder) / "inbox", Path(folder) / "s.h5"
        inbox.mkdir()
        paths = [inbox / f"heron_s{i // 10}_r{i % 10}.txt" for i in range(files)]
        rng = np.random.default_rng(2)
        for path in paths:
            header = "# sample: gold\n# tip: heron\n# temperature: 295 K\n# set-point current: 100 pA\n"
            table = pd.DataFrame({"V (V)": np.linspace(-1, 1, 256), "I (nA)": rng.normal(size=256)})
            text = table.to_csv(sep=delimiter, decimal=decimal, index=False, float_format="%.6e", lineterminator="\n")
            path.write_text(header + text, encoding="utf-8", newline="\n")

        def plain() -> None:
            for path in paths:
                pd.read_csv(path, sep=delimiter, decimal=decimal, comment="#", engine="c")

        def ours() -> None:
            session.unlink(missing_ok=True)
            if len(import_files([inbox], session).added) != files:
                raise RuntimeError("not every file was imported")

        times = [(_time(plain), _time(ours)) for _ in range(10)]  # by turns
    return min(own for _, own in times) / min(alone for alone, _ in times)


def _time(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def _write_plain(path: Path, *arrays: np.ndarray) -> None:
    with h5py.File(path, "w") as file:
        for number, array in enumerate(arrays):
            file.create_dataset(f"array{number}", data=array)
    with path.open("rb+") as stream:
        os.fsync(stream.fileno())


def _import(path: Path, file: LoadedFile) -> None:
    Session.create(path).add([file])


def _memory(sweeps: int) -> float:
    """Growth of the peak memory [bytes] while arrays that are there already are imported (a process of its own)."""
    if os.name == "nt":  # no figure for the peak in the standard library
        return float("nan")
    code = f"import benchmarks.session as s; print(s.peak_growth({sweeps}))"
    scripts = Path(__file__).resolve().parent.parent
    done = subprocess.run([sys.executable, "-c", code], cwd=scripts, capture_output=True, text=True, check=True)
    return float(done.stdout)


def peak_growth(sweeps: int) -> int:
    """As `_memory`, in this process."""
    import resource

    unit = 1 if sys.platform == "darwin" else 1024
    with tempfile.TemporaryDirectory() as folder:
        Session.create(Path(folder) / "warm.h5").add([_file(100)])
        file = _file(sweeps)
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        _import(Path(folder) / "s.h5", file)
        return (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) * unit


if __name__ == "__main__":
    for name, value in run(quick="--quick" in sys.argv).items():
        print(f"{name:30s} {value:10.3f}  {f'(at most {BOUNDS[name]})' if name in BOUNDS else ''}")
