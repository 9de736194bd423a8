"""An invented Thursday: two tips in folders, and files of which names or headers say more or less."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from sts.session import Session

Z = np.linspace(0, 0.5, 60)
NAMED = {"tipA_site1_001.txt": "A", "tipA_site2_001.txt": "A", "tipB_site1_001.txt": "B", "tipB_site2_001.txt": "B",
         "tipB_site3_001.txt": "heron", "odd.txt": ""}  # fmt: skip


def sweep(path: Path, number: int, header: str = "") -> Path:
    """A height sweep of its own numbers."""
    rng = np.random.default_rng(number)
    current = 10 * np.exp(-20 * Z) * (1 + 0.02 * rng.normal(size=Z.size))
    path.parent.mkdir(parents=True, exist_ok=True)
    rows = "".join(f"{z:.6g},{i:.6g}\n" for z, i in zip(Z, current, strict=True))
    path.write_text(f"{header}z (nm),I (nA)\n{rows}", encoding="utf-8")
    return path


def afternoon(root: Path) -> Path:
    """Two tips in folders, one file whose header says another tip, one that nothing names."""
    for number, (tip, site) in enumerate((t, s) for t in "AB" for s in (1, 2)):
        sweep(root / f"tip{tip}" / f"tip{tip}_site{site}_001.txt", number)
    sweep(root / "tipB" / "tipB_site3_001.txt", 10, "# tip: heron\n")
    sweep(root / "odd.txt", 11)
    return root


def labels(path: Path, column: str = "tip") -> dict[str, str]:
    table = Session.open(path).sweeps()
    return dict(zip(table["source"], table[column], strict=True))
