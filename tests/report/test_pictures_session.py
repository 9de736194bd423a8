"""Figures of a session are named by what differs, and count heights from the end near the surface."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np

from sts.analysis import Analysis, analyse
from sts.importing import import_files
from sts.plan import Plan
from sts.report.lookup import axis_words
from sts.report.pictures_session import MOST_TIPS, session_pictures
from sts.report.summary import Summary
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
    titles = [picture.title for picture in session_pictures(Summary(analysis))]
    assert len(titles) == len(set(titles))
    assert any("I(z), heron, 0 to 0.8 nm" in title for title in titles)
    assert axis_words(analysis, "iz") == "0 to 0.8 nm in 128 points"


def test_sweeps_are_drawn_by_tip_whatever_their_ranges_those_with_most_first(invented: Analysis) -> None:
    heights = invented.sets[-1]
    sizes = (3, 9, 5, 2, 7, 4)
    parts = []
    for number, size in enumerate(sizes):
        some = heights.select(np.arange(size))
        half = replace(some, axis=some.axis * 0.5)
        parts += [part.with_table(part.table.assign(tip=f"t{number}")) for part in (some, half)]
    pictures = [p for p in session_pictures(Summary(replace(invented, sets=tuple(parts)))) if p.kind == "sweeps"]
    assert len(pictures) == MOST_TIPS
    assert [re.search(r"t\d", p.title)[0] for p in pictures] == ["t1", "t4", "t2", "t5"]
    assert [p.finding.split(" of ")[1].split(" ")[0] for p in pictures] == ["18", "14", "10", "8"]


def test_places_are_mapped_where_they_are_known(invented: Analysis) -> None:
    heights = invented.sets[-1]
    assert "map" not in [p.kind for p in session_pictures(Summary(invented))]
    sites = heights.table["site"].astype("category").cat.codes.to_numpy(float)
    known = heights.with_table(heights.table.assign(x_m=1e-7 * sites, y_m=0.0))
    pictures = session_pictures(Summary(replace(invented, sets=(*invented.sets[:-1], known))))
    assert [p.kind for p in pictures].count("map") == 1


def test_what_was_left_out_is_named(invented: Analysis) -> None:
    found = [p.finding for p in session_pictures(Summary(invented)) if p.kind == "sweeps"]
    assert any(re.search(r"plover, .*: 11 of 12 sweeps kept; left out: plover_s2_r2_retract", text) for text in found)


def test_a_session_of_many_tips_has_no_time_line(invented: Analysis) -> None:
    kinds = [p.kind for p in session_pictures(Summary(invented))]
    assert kinds[-1] == "timeline"
    judged = invented.judged.assign(tip=[f"tip {i}" for i in range(len(invented.judged))])
    assert "timeline" not in [p.kind for p in session_pictures(Summary(replace(invented, judged=judged)))]
