"""Make the invented demo session in ``data/demo`` anew, byte for byte: ``python scripts/make_demo.py``.

Runs in the environment of the scripts. Nothing in it was measured: a virtual junction with the faults of a bench.
"""

from __future__ import annotations

import json
import shutil
import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import numpy as np

from sts.simulate import Bench, BiasRamp, HeightRamp, gapped, simulate_iv, simulate_iz
from sts.sweeps import SweepSet

SEED = 20260410
DEMO = Path(__file__).resolve().parent.parent / "data" / "demo"

TIPS: dict[str, dict[str, Any]] = {
    "heron": {"barrier_eV": 4.4, "made_by": "etched", "wire": "tungsten", "range_m": 0.36e-9},
    "plover": {"barrier_eV": 4.3, "made_by": "etched", "wire": "tungsten", "range_m": 0.36e-9},
    "curlew": {"barrier_eV": 4.9, "made_by": "etched", "wire": "gold", "range_m": 0.34e-9},
    "sandpiper": {"barrier_eV": 0.7, "made_by": "cut", "wire": "tungsten", "range_m": 0.85e-9},
}
SITES, REPEATS, POINTS = 4, 4, 140
SITE_SCATTER = 0.02  # relative standard deviation of the barrier between sites
JUMPS = {("heron", 2, 3): ("approach", 0.67), ("plover", 4, 1): ("retract", 0.33)}  # where in the sweep's time
SATURATED = ("curlew", 2, 2)
IZ_BENCH = Bench(
    white_A=1e-12, gap_noise=0.012, current_offset_A=1.8e-12, converter_step_A=3.1e-13, drift_m_per_s=2e-12,
    setpoint_scatter=0.04, full_scale_A=1e-8, jump_factor=1.7,
)  # fmt: skip

GAP_EV = 1.15
SETPOINTS_A = (1e-10, 2e-10, 4e-10)
IV_REPEATS, GOLD_REPEATS = 10, 5
IV_BENCH = Bench(
    white_A=4e-13, gap_noise=0.004, gap_noise_slope=1.0, setpoint_scatter=0.05, current_offset_A=1.2e-12,
    bias_offset_V=3e-3, capacitance_F=8e-14, full_scale_A=1e-8, converter_step_A=3.1e-13, jump_factor=1.8,
)  # fmt: skip
JUMPS_IV = {"layer_200pA": {"layer_200pA_006_up": 0.85}}


def main() -> int:
    generator = np.random.default_rng(SEED)
    for folder in (DEMO / "iz", DEMO / "iv"):
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir(parents=True)
    truth: dict[str, Any] = {
        "note": "invented by a virtual junction (scripts/make_demo.py); not measured",
        "seed": SEED,
        "tips": {},
        "sites": {},
        "gap_eV": GAP_EV,
        "bias_offset_mV": IV_BENCH.bias_offset_V * 1e3,
        "current_offset_iv_pA": IV_BENCH.current_offset_A * 1e12,
        "displacement_fF": IV_BENCH.capacitance_F * 1e15,
        "faults": {"jump": [], "saturated": []},
    }
    for tip, about in TIPS.items():
        _write_tip(tip, about, generator, truth)
    _write_spectra(generator, truth)
    _text(DEMO / "logbook.csv", _logbook(), "utf-8")
    _text(DEMO / "truth.json", json.dumps(truth, indent=1) + "\n", "utf-8")
    return 0


# --- I(z) -----------------------------------------------------------------------------------------------------------


def _write_tip(tip: str, about: dict[str, Any], generator: np.random.Generator, truth: dict[str, Any]) -> None:
    truth["tips"][tip] = {"barrier_eV": about["barrier_eV"], "made_by": about["made_by"]}
    for site in range(1, SITES + 1):
        barrier = about["barrier_eV"] * float(np.exp(SITE_SCATTER * generator.standard_normal()))
        truth["sites"][f"{tip}/{site}"] = barrier
        for repeat in range(1, REPEATS + 1):
            saturated = (tip, site, repeat) == SATURATED
            name = f"{tip}_s{site}_r{repeat}"
            direction, where = JUMPS.get((tip, site, repeat), ("", 0.0))
            made = simulate_iz(
                barrier_eV=barrier,
                height=(0.0, about["range_m"], POINTS),
                current_A=1.6e-8 if saturated else 1e-9,
                bench=IZ_BENCH,
                seed=generator,
                ramp=HeightRamp(
                    directions=("retract", "approach"),
                    duration_s=0.36,
                    bias_V=0.05,
                    names=name,
                    jumps={f"{name}_001_{direction}": where} if direction else None,
                ),
            )
            for kind, found in (("jump", made.truth["jumps"]), ("saturated", made.truth["saturated"])):
                truth["faults"][kind] += [sweep.replace("_001_", "_") for sweep in found]
            _WRITERS[tip](DEMO / "iz", name, tip, site, repeat, made.sweeps.axis, made.sweeps.current)


def _comma(folder: Path, name: str, tip: str, site: int, repeat: int, z: np.ndarray, current: np.ndarray) -> None:
    """Comma and point, ``#`` header, both directions side by side."""
    lines = [f"# tip: {tip}", f"# site: {site}", f"# repeat: {repeat}", "# bias: 50 mV", "# duration: 0.36 s"]
    lines += ["# full scale: 10 nA", "z (nm),I (nA) retract,I (nA) approach"]
    lines += _rows([z * 1e9, *(current * 1e9)], ",", ".", digits=6)
    _text(folder / f"{name}.csv", "\n".join(lines) + "\n", "utf-8")


def _semicolon(folder: Path, name: str, tip: str, site: int, repeat: int, z: np.ndarray, current: np.ndarray) -> None:
    """Semicolon and decimal comma, Windows line ends, the ramp out and back in one pair of columns."""
    lines = [f"Tip;{tip}", f"Site;{site}", f"Repeat;{repeat}", "Bias;50 mV", "Duration;0,36 s", "Full scale;10 nA", ""]
    lines += ["z / nm;I / pA"]
    path = np.concatenate([z, z[::-1]])
    both = np.concatenate([current[0], current[1][::-1]])
    lines += _rows([path * 1e9, both * 1e12], ";", ",", digits=5)
    _text(folder / f"{name}.txt", "\r\n".join(lines) + "\r\n", "cp1252")


def _tab(folder: Path, name: str, tip: str, site: int, repeat: int, z: np.ndarray, current: np.ndarray) -> None:
    """Tab and µ; heights in ångström, retract and approach in files of their own."""
    for row, direction in enumerate(("retract", "approach")):
        lines = [f"site = {site}", f"repeat = {repeat}", f"direction = {direction}", "bias = 50000 µV"]
        lines += ["duration = 0.36 s", "full scale = 0.01 µA", "z [Å]\tI [µA]"]
        order = slice(None) if direction == "retract" else slice(None, None, -1)
        lines += _rows([z[order] * 1e10, current[row, order] * 1e6], "\t", ".", digits=8)
        _text(folder / f"{name}_{direction}.dat", "\n".join(lines) + "\n", "utf-8")


_WRITERS: dict[str, Callable[..., None]] = {"heron": _comma, "plover": _comma, "curlew": _semicolon, "sandpiper": _tab}


# --- I(V) -----------------------------------------------------------------------------------------------------------


def _write_spectra(generator: np.random.Generator, truth: dict[str, Any]) -> None:
    layer = gapped(valence_eV=-0.62, conduction_eV=GAP_EV - 0.62, exponent=1.0)
    for setpoint in SETPOINTS_A:
        name = f"layer_{setpoint * 1e12:.0f}pA"
        made = simulate_iv(
            density=layer,
            bias=(-1.4, 1.4, 281),
            temperature_K=77.0,
            setpoint_current_A=setpoint,
            sweeps=IV_REPEATS,
            bench=IV_BENCH,
            seed=generator,
            ramp=BiasRamp(duration_s=0.5, names=name, jumps=JUMPS_IV.get(name)),
        )
        for sweep in made.truth["jumps"]:  # named as the import names the columns of a wide table
            _, repeat, direction = sweep.rsplit("_", 2)
            truth["faults"]["jump"].append(f"{name}_{direction}_{int(repeat)}")
        _semicolon_table(name, setpoint, made.sweeps)
    for setpoint in SETPOINTS_A:
        made = simulate_iv(
            density="flat",
            bias=(-0.5, 0.5, 101),
            temperature_K=77.0,
            setpoint_current_A=setpoint,
            sweeps=GOLD_REPEATS,
            bench=IV_BENCH,
            seed=generator,
            ramp=BiasRamp(duration_s=0.5),
        )
        for repeat in range(GOLD_REPEATS):
            _triangle(f"gold_{setpoint * 1e12:.0f}pA_r{repeat + 1}", setpoint, repeat + 1, made.sweeps, repeat)


def _semicolon_table(name: str, setpoint: float, sweeps: SweepSet) -> None:
    """All repeats of a set-point in one wide table: semicolon and decimal comma."""
    lines = [f"Set-point current;{_comma_number(setpoint * 1e12)} pA", "Set-point bias;1,4 V", "Duration;0,5 s"]
    lines += ["Full scale;10 nA"]
    names = [f"I (pA) {d} {r:.0f}" for d, r in zip(sweeps.table["direction"], sweeps.table["repeat"], strict=True)]
    lines += [";".join(["U (mV)", *names]), *_rows([sweeps.axis * 1e3, *(sweeps.current * 1e12)], ";", ",", digits=5)]
    _text(DEMO / "iv" / f"{name}.txt", "\r\n".join(lines) + "\r\n", "cp1252")


def _triangle(name: str, setpoint: float, repeat: int, sweeps: SweepSet, row: int) -> None:
    """Up and down in one pair of columns: tab, currents in nA."""
    lines = [f"# repeat: {repeat}", f"# set-point current: {setpoint * 1e12:.0f} pA", "# set-point bias: 0.5 V"]
    lines += ["# duration: 500 ms", "# full scale: 10 nA", "bias (mV)\tcurrent (nA)"]
    up, down = sweeps.current[2 * row], sweeps.current[2 * row + 1]
    bias = np.concatenate([sweeps.axis, sweeps.axis[::-1]])
    lines += _rows([bias * 1e3, np.concatenate([up, down[::-1]]) * 1e9], "\t", ".", digits=6)
    _text(DEMO / "iv" / f"{name}.tsv", "\n".join(lines) + "\n", "utf-8")


# --- text -----------------------------------------------------------------------------------------------------------


def _logbook() -> str:
    """A spreadsheet saved as CSV on a machine with decimal commas: one line per pattern of file names."""
    lines = ["file;tip;made_by;wire;sample;temperature (K);remark"]
    for tip, about in TIPS.items():
        remark = "touched the surface on the first approach" if tip == "sandpiper" else ""
        lines.append(f"{tip}_*;{tip};{about['made_by']};{about['wire']};gold film;295,0;{remark}")
    lines.append("layer_*;heron;etched;tungsten;layered semiconductor;77,0;invented")
    lines.append("gold_*;heron;etched;tungsten;gold film;77,0;reference for the layer")
    return "\r\n".join(lines) + "\r\n"


def _comma_number(value: float) -> str:
    return f"{value:.1f}".replace(".", ",")


def _rows(columns: Iterable[np.ndarray], delimiter: str, decimal: str, *, digits: int) -> list[str]:
    rows = []
    for values in zip(*columns, strict=True):
        cells = [f"{value:.{digits}g}" for value in values]
        rows.append(delimiter.join(cells).replace(".", decimal) if decimal != "." else delimiter.join(cells))
    return rows


def _text(path: Path, text: str, encoding: str) -> None:
    path.write_bytes(text.encode(encoding))


if __name__ == "__main__":
    sys.exit(main())
