"""An untidy folder of an invented afternoon: sixty files in five styles, with copies, a photo, an empty and a cut file.

Truth: tip A 3.4 eV, tip B 1.3 eV, tip C 4.1 eV, each at three sites; I(V) of A and B on graphite. Nothing was measured.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from sts.quantities import decay_from_barrier

BARRIERS = {"A": 3.4, "B": 1.3, "C": 4.1}  # eV
Z = np.linspace(0, 0.5, 101)  # nm
V = np.linspace(-0.4, 0.4, 81)  # V


@dataclass(frozen=True)
class Truth:
    """What a reader would say of a sweep: by name of its file."""

    labels: dict[str, tuple[str, str]]  # file -> (tip, site)
    sweeps: int
    copies: int


def ramp(tip: str, rng: np.random.Generator) -> np.ndarray:
    """Current [A] of one I(z) sweep."""
    decay = decay_from_barrier(BARRIERS[tip] * np.exp(0.02 * rng.normal())) * 1e-9
    clean = 1e-9 * (1 + 0.05 * rng.normal()) * np.exp(-decay * Z)
    return clean * (1 + 0.01 * rng.normal(size=Z.size)) + 1e-12 * rng.normal(size=Z.size)


def spectrum(rng: np.random.Generator) -> np.ndarray:
    """Current [A] of one I(V) sweep."""
    return 1e-9 * (V + 1.5 * V**3) * (1 + 0.05 * rng.normal()) + 1e-12 * rng.normal(size=V.size)


def rows(*columns: np.ndarray, between: str, decimal: str = ".", digits: int = 7) -> str:
    lines = [between.join(f"{x:.{digits}g}" for x in row) for row in zip(*columns, strict=True)]
    return "\n".join(lines).replace(".", decimal) + "\n"


def make(folder: Path, seed: int = 0) -> Truth:
    """Write the folder ``wednesday`` and tell what is in it."""
    rng = np.random.default_rng(seed)
    root = folder / "wednesday"
    labels: dict[str, tuple[str, str]] = {}

    def write(name: str, text: str, encoding: str = "utf-8", end: str = "\n") -> Path:
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(text.replace("\n", end).encode(encoding))
        return path

    for tip, site, number in ((t, s, n) for t in "ABC" for s in (1, 2, 3) for n in (1, 2, 3, 4)):
        name, current = f"tip{tip}/tip{tip}_site{site}_{number:03d}.txt", ramp(tip, rng)
        labels[name.split("/")[1]] = tip, str(site)
        if tip == "A":  # decimal comma and semicolon, Windows
            text = "Höhe gemessen mit dem Piezo\nz (nm);I (nA)\n" + rows(Z, current * 1e9, between=";", decimal=",")
            write(name, text, "cp1252", "\r\n")
        elif tip == "B":  # tab, ångström and picoampere, a header that says the bias
            write(name, f"# bias: 50 mV\n# Operator: me\nz [Å]\tI [pA]\n{rows(Z * 10, current * 1e12, between=chr(9))}")
        else:  # white space and SI
            write(name, f"z_m I_A\n{rows(Z * 1e-9, current, between='  ', digits=9)}")
    for tip, number in ((t, n) for t in "AB" for n in (1, 2, 3, 4, 5)):  # without a line of names
        labels[f"tip{tip}_site1_iv_{number}.dat"] = tip, "1"
        write(f"tip{tip}/tip{tip}_site1_iv_{number}.dat", rows(V, spectrum(rng), between="\t", digits=9))
    wide = [spectrum(rng) for _ in range(6)]
    names = ",".join(["V (mV)", *(f"I sweep {k} (pA)" for k in range(1, 7))])
    write("tipA/tipA_site2_iv.csv", f"{names}\n{rows(V * 1e3, *(w * 1e12 for w in wide), between=',')}")
    labels["tipA_site2_iv.csv"] = "A", "2"
    both = np.concatenate([V, V[::-1]]), np.concatenate([spectrum(rng), spectrum(rng)[::-1]])
    write(
        "tipB/tipB_site2_iv.txt",
        f"# started: 2026-11-25 15:00\nU (V);I (nA)\n{rows(both[0], both[1] * 1e9, between=';')}",
    )
    labels["tipB_site2_iv.txt"] = "B", "2"
    original = (root / "tipA" / "tipA_site1_001.txt").read_bytes()
    write("tipA/tipA_site1_001 - Copy.txt", "")
    (root / "tipA" / "tipA_site1_001 - Copy.txt").write_bytes(original)
    (root / "backup").mkdir()
    (root / "backup" / "tipA_site1_002.txt").write_bytes((root / "tipA" / "tipA_site1_002.txt").read_bytes())
    text = (root / "tipB" / "tipB_site1_001.txt").read_text(encoding="utf-8")
    write("tipB/tipB_site1_001_commented.txt", text.replace("Operator: me", "Operator: somebody else"))
    lines = (root / "tipC" / "tipC_site1_001.txt").read_text(encoding="utf-8").split("\n")
    write("tipC/tipC_site4_001.txt", "\n".join(lines[:70]) + "\n" + lines[70][:5])  # a copy that was cut off
    write("tipC/empty.txt", "")
    write("notes.txt", "Tip C was cut at noon.\nGold looked fine.\n")
    (root / "photo.jpg").write_bytes(b"\xff\xd8\xff\xe0" + bytes(200))
    for number in range(1, 6):
        write(f"more/tipB_site3_{number:03d}.png", "not looked at")
    return Truth(labels, sweeps=36 + 10 + 6 + 2, copies=4)
