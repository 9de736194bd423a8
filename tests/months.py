"""An invented month: sessions of a few sweeps, so that the record of tips is quick to make."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from sts.loaders import LoadedFile
from sts.session import Session
from sts.simulate import Bench, simulate_iv, simulate_iz
from sts.sweeps import SweepSet

SITES, REPEATS = 3, 2


def ramps(tip: str, barrier_eV: float, seed: int, started: str = "") -> SweepSet:
    """I(z) of one tip: two repeats at three sites that scatter by 3 %."""
    rng = np.random.default_rng(seed)
    each = np.repeat(barrier_eV * np.exp(0.03 * rng.normal(size=SITES)), REPEATS)
    made = simulate_iz(
        barrier_eV=each, height=(0.0, 0.4e-9, 60), sweeps=each.size, bench=Bench(white_A=1e-12, gap_noise=0.01), seed=rng,
        tip=tip, sample="gold", started=started,
    ).sweeps  # fmt: skip
    sites = np.repeat([f"s{i}" for i in range(SITES)], REPEATS)
    return made.with_table(made.table.assign(site=sites, repeat=np.tile(np.arange(1.0, REPEATS + 1), SITES)))


def spectra(tip: str, seed: int, started: str = "") -> SweepSet:
    """I(V) of a sample with a gap, three repeats."""
    return simulate_iv(
        density="gapped", bias=(-1.0, 1.0, 61), sweeps=3, bench=Bench(white_A=1e-12), seed=seed, tip=tip, sample="gold",
        site="s0", started=started,
    ).sweeps  # fmt: skip


def session(path: Path, barriers: Mapping[str, float], *, day: str = "", seed: int = 0, gap: bool = False) -> Path:
    """A session of these tips; the files differ by their seed, so that the same call makes the same session."""
    started = f"{day}T14:00:00" if day else ""
    files = []
    for number, (tip, barrier_eV) in enumerate(barriers.items()):
        own = 100 * seed + number
        files.append(
            LoadedFile(f"{tip}.npz", f"z {tip} {own}".encode(), "npz", "", (ramps(tip, barrier_eV, own, started),))
        )
        if gap:
            files.append(LoadedFile(f"{tip}_v.npz", f"v {own}".encode(), "npz", "", (spectra(tip, own, started),)))
    Session.create(path).add(files)
    return path


def month(folder: Path) -> list[Path]:
    """Six days: heron stays as it is, stork falls by 30 % before the fifth day, gull is measured once."""
    paths = []
    for number in range(6):
        day = f"2026-11-{2 + 3 * number:02d}"
        barriers = {"heron": 4.4, "stork": 4.2 * (0.7 if number >= 4 else 1.0)} | ({"gull": 4.6} if number == 1 else {})
        paths.append(session(folder / f"day{number}.h5", barriers, day=day, seed=number + 1, gap=number == 5))
    return paths
