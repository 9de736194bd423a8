"""Comparing tips: do they differ, by how much, and where does the uncertainty come from?

Run it with the folder of the sweeps and the figure to write::

    python examples/comparing_tips.py data/demo comparing_tips.svg
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import sts
from sts.figures import plot_tip_pairs


def main(folder: Path, picture: Path) -> None:
    with tempfile.TemporaryDirectory() as made:
        session = Path(made) / "session.h5"
        sts.import_files([folder / "iz"], session, logbook=folder / "logbook.csv")
        barrier = sts.analyse(session, only="iz").barrier
    assert barrier is not None

    print(barrier.tips[["tip", "sites", "sweeps", "barrier_eV", "barrier_low_eV", "barrier_high_eV"]].to_string())
    print(barrier.pairs[["tip_a", "tip_b", "ratio", "ratio_low", "ratio_high", "verdict"]].to_string())
    print(barrier.budget.to_string())  # random parts average out with more sites; calibration and model do not
    for note in (*barrier.notes, *barrier.advice):
        print(f"- {note}")

    ax = plot_tip_pairs(barrier.pairs)
    ax.figure.savefig(picture)


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
