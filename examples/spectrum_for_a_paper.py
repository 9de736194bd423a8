"""A spectrum for a paper: (dI/dV)/(I/V) with its band, one column wide, and the numbers behind it as CSV.

Run it with the folder of the sweeps and the figure to write; the CSV goes beside it::

    python examples/spectrum_for_a_paper.py data/demo spectrum.pdf
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np

import sts
from sts.figures import plot_normalised
from sts.figures.marks import data_behind
from sts.figures.style import house_style, new_figure


def main(folder: Path, picture: Path) -> None:
    with tempfile.TemporaryDirectory() as made:
        session = Path(made) / "session.h5"
        sts.import_files([folder / "iv"], session, logbook=folder / "logbook.csv")
        results = sts.analyse(session, only="iv")
    assert results.spectra is not None

    with_gap = [s for s in results.spectra.spectra if np.isfinite(s.normalised).any()]
    spectrum = max(with_gap, key=lambda s: len(s.sweeps))
    print(f"{spectrum.label}: {len(spectrum.sweeps)} sweeps used, smoothed by {spectrum.smoothing}")
    print(results.spectra.summary.to_string())

    with house_style():
        axes = new_figure(width="single", height_in=2.6)
        plot_normalised(spectrum, ax=axes[0])
        axes[0].figure.savefig(picture)
    data_behind(axes).to_csv(picture.with_suffix(".csv"), index=False)


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
