"""Figures of a session are named by what differs, and count heights from the end near the surface."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from sts.analysis import analyse
from sts.importing import import_files
from sts.plan import Plan
from sts.report.lookup import axis_words
from sts.report.pictures_session import session_pictures
from sts.session import Session


def test_three_groups_of_an_afternoon_have_three_names(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    for i in range(9):
        bias = np.linspace(-0.5, 0.5, (101, 201)[i % 3 == 1]) * (2 if i % 3 == 2 else 1)
        rows = (bias, 1e-9 * bias + rng.normal(0, 2e-12, bias.size))
        (tmp_path / f"a{i}.csv").write_text("\n".join(";".join(f"{v:.8E}" for v in row) for row in rows) + "\n")
        out = np.linspace(0, 8e-10, 128)
        rows = (75e-9 - out, 1e-9 * np.exp(-1e10 * out) + rng.normal(0, 4e-12, out.size))
        (tmp_path / f"z{i}.csv").write_text("\n".join(";".join(f"{v:.8E}" for v in row) for row in rows) + "\n")
    path = tmp_path / "s.h5"
    import_files(sorted(tmp_path.glob("*.csv")), path, rows=["z (m), I (A)", "V (V), I (A)"], values={"tip": "heron"})
    analysis = analyse(Session.open(path), Plan())
    assert analysis.spectra is not None
    labels = [spectrum.label for spectrum in analysis.spectra.spectra]
    assert len(labels) == len(set(labels)) == 3
    assert all(any(words in label for label in labels) for words in ("-1 to 1 V", "101 points", "201 points"))
    titles = [picture.title for picture in session_pictures(analysis)]
    assert len(titles) == len(set(titles))
    assert any("I(z), 0 to 0.8 nm" in title for title in titles)
    assert axis_words(analysis, "iz") == "0 to 0.8 nm in 128 points"
