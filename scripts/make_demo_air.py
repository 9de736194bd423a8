"""Make the invented afternoon in air in ``data/demo-air`` anew, byte for byte: ``python scripts/make_demo_air.py``.

Runs in the environment of the scripts. Nothing in it was measured: a virtual junction with the faults of a bench in air.
Each file is two rows of numbers, axis and current, without any header, as table-top microscopes export them.
"""

from __future__ import annotations

import json
import shutil
import sys
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from sts.quantities import decay_from_barrier
from sts.simulate import Bench, BiasRamp, HeightRamp, Simulated, simulate_iv, simulate_iz, v_shaped

SEED = 20261015
DEMO = Path(__file__).resolve().parent.parent / "data" / "demo-air"
POINTS = 256
SAMPLE_S = 1e-3


@dataclass(frozen=True)
class Tip:
    """A cut tip, what its I(z) sweeps see and how many there are."""

    folder: str
    sample: str
    barrier_eV: float
    decades: float
    current_A: float
    sites: int
    repeats: int


TIPS = {
    "wren": Tip("IZ_Graphite", "graphite", 0.55, 1.7, 3e-10, 3, 3),
    "dunlin": Tip("IZ_Graphite", "graphite", 0.3, 1.3, 3e-10, 3, 3),
    "siskin": Tip("IZ_Gold", "gold film", 0.7, 1.8, 4e-10, 2, 2),
}
SITE_SCATTER = 0.08  # standard deviation of ln(barrier) from site to site
IZ_BENCH = Bench(
    white_A=3e-12, gap_noise=0.025, gap_noise_slope=1.0, setpoint_scatter=0.08, current_offset_A=-4e-12,
    offset_scatter_A=1e-12, full_scale_A=8.5e-9, converter_step_A=3e-12, settling_samples=2, settling_factor=18.0,
    hump_share=0.25, hump_size=0.2, hump_width=0.04,
)  # fmt: skip
COPY = ("IZ_Graphite/dunlin3_spec3.csv", "IZ_Graphite/dunlin3_spec4.csv")  # saved twice

IV_BENCH = Bench(
    white_A=2e-12, gap_noise=0.01, gap_noise_slope=1.0, setpoint_scatter=0.05, current_offset_A=-4e-12,
    full_scale_A=8.5e-9, converter_step_A=3e-12, ripple_A=9e-12, ripple_period_s=0.02, transient_s=0.03,
)  # fmt: skip
STARTS_V = (-0.5, -0.5, -0.5, -0.5, -0.5, -0.2, -0.1)  # each sweep ends at as much above 0
TRANSIENTS_A = (0.0, 0.0, 0.0, 0.0, 1.2e-10, 1.2e-10, 1.2e-10)


def main() -> int:
    generator = np.random.default_rng(SEED)
    for folder in ("IZ_Graphite", "IZ_Gold", "IV_Graphite"):
        shutil.rmtree(DEMO / folder, ignore_errors=True)
        (DEMO / folder).mkdir(parents=True)
    truth: dict[str, Any] = {
        "note": "invented by a virtual junction (scripts/make_demo_air.py); not measured",
        "seed": SEED,
        "height": "position of the piezo: it grows towards the surface",
        "tips": {name: {"barrier_eV": tip.barrier_eV, "sample": tip.sample} for name, tip in TIPS.items()},
        "sites": {},
        "offsets_pA": {},
        "settling": {},
        "humps": {},
        "ripple": {"amplitude_pA": IV_BENCH.ripple_A * 1e12, "period_samples": IV_BENCH.ripple_period_s / SAMPLE_S},
        "transients": {},
        "copies": {COPY[1]: COPY[0]},
    }
    for name, tip in TIPS.items():
        _write_heights(name, tip, generator, truth)
    _write_biases(generator, truth)
    shutil.copyfile(DEMO / COPY[0], DEMO / COPY[1])
    _text(DEMO / "logbook.csv", _logbook())
    _text(DEMO / "truth.json", json.dumps(truth, indent=1) + "\n")
    return 0


def _write_heights(name: str, tip: Tip, generator: np.random.Generator, truth: dict[str, Any]) -> None:
    """I(z) of one tip: the tip is drawn back, so the position of the piezo falls from about 75 nm."""
    span = tip.decades * np.log(10) / float(decay_from_barrier(tip.barrier_eV))
    for site in range(1, tip.sites + 1):
        barrier = tip.barrier_eV * float(np.exp(SITE_SCATTER * generator.standard_normal()))
        truth["sites"][f"{name}/{site}"] = barrier
        for repeat in range(1, tip.repeats + 1):
            made = simulate_iz(
                barrier_eV=barrier, height=(0.0, span, POINTS), current_A=tip.current_A, bench=IZ_BENCH, seed=generator,
                ramp=HeightRamp(duration_s=(POINTS - 1) * SAMPLE_S, bias_V=0.05),
            )  # fmt: skip
            file = f"{tip.folder}/{name}{site}_spec{repeat}.csv"
            _tell(file, made, truth)
            start = 75e-9 + 0.3e-9 * generator.standard_normal()
            _rows(DEMO / file, start - made.sweeps.axis, made.sweeps.current[0])


def _write_biases(generator: np.random.Generator, truth: dict[str, Any]) -> None:
    """I(V) of wren at one site: mains in all, and after a start without waiting the current relaxes."""
    for number, (start, transient) in enumerate(zip(STARTS_V, TRANSIENTS_A, strict=True), 1):
        made = simulate_iv(
            density=v_shaped(floor=0.3, per_eV=1.5), bias=(start, -start, POINTS), setpoint_current_A=-start * 1e-9,
            bench=replace(IV_BENCH, transient_A=transient), seed=generator,
            ramp=BiasRamp(directions=("up",), duration_s=(POINTS - 1) * SAMPLE_S),
        )  # fmt: skip
        file = f"IV_Graphite/wren1_iv{number}.csv"
        _tell(file, made, truth)
        if transient:
            truth["transients"][file] = {"size_pA": transient * 1e12, "samples": IV_BENCH.transient_s / SAMPLE_S}
        _rows(DEMO / file, made.sweeps.axis, made.sweeps.current[0])


def _tell(file: str, made: Simulated, truth: dict[str, Any]) -> None:
    """Add what chance decided for the only sweep of a file."""
    truth["offsets_pA"][file] = made.truth["offsets_pA"][0]
    for key in ("settling", "humps"):
        for value in made.truth[key].values():
            truth[key][file] = value


def _logbook() -> str:
    """A spreadsheet saved as CSV on a machine with decimal commas: one line a pattern of file names."""
    lines = ["file;tip;made_by;wire;sample;site;bias (V);duration (s);full scale (nA);remark"]
    for name, tip in TIPS.items():
        lines += [
            f"{tip.folder}/{name}{site}_*;{name};cut;platinum-iridium;{tip.sample};{site};0,05;0,255;8,5;invented"
            for site in range(1, tip.sites + 1)
        ]
    lines.append("IV_Graphite/wren1_*;wren;cut;platinum-iridium;graphite;1;;0,255;8,5;invented")
    return "\r\n".join(lines) + "\r\n"


def _rows(path: Path, axis: np.ndarray, current: np.ndarray) -> None:
    """Two rows with ``;`` between: axis and current, in SI with nine significant digits."""
    _text(path, "".join(";".join(f"{value:.8e}" for value in row) + "\n" for row in (axis, current + 0.0)))


def _text(path: Path, text: str) -> None:
    path.write_bytes(text.encode("utf-8"))


if __name__ == "__main__":
    sys.exit(main())
