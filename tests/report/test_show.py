"""Pictures of single sweeps: one file, pages in a PDF, the same bytes again, refused where there are too many."""

from __future__ import annotations

import numpy as np
import pytest

import sts
from sts.simulate import Bench


@pytest.fixture(scope="module")
def session(tmp_path_factory):
    folder = tmp_path_factory.mktemp("show")
    made = sts.simulate_iz(barrier_eV=4.0, sweeps=26, bench=Bench(white_A=1e-12), seed=1)
    np.savez(folder / "heron.npz", height_m=made.sweeps.axis, current_A=made.sweeps.current)
    sts.import_files([folder / "heron.npz"], folder / "s.h5", values={"tip": "heron"})
    return folder / "s.h5"


def test_a_pdf_has_a_page_for_each_sweep_and_the_same_bytes_again(session, tmp_path):
    names = sts.show_sweeps(session, ["heron_01", "heron_02"], tmp_path / "a.pdf")
    sts.show_sweeps(session, ["heron_01", "heron_02"], tmp_path / "b.pdf")
    content = (tmp_path / "a.pdf").read_bytes()
    assert names == ["heron_01", "heron_02"]
    assert content.startswith(b"%PDF")
    assert b"/Count 2" in content
    assert content == (tmp_path / "b.pdf").read_bytes()


def test_a_drawing_of_lines_is_replaced_whole(session, tmp_path):
    (tmp_path / "one.svg").write_text("old")
    sts.show_sweeps(session, ["heron_03"], tmp_path / "one.svg")
    assert "<svg" in (tmp_path / "one.svg").read_text()
    assert [path.name for path in tmp_path.iterdir()] == ["one.svg"]


def test_more_sweeps_than_a_picture_holds_are_refused(session, tmp_path):
    with pytest.raises(
        ValueError, match=r"26 sweeps fit; 24 at most go into one PNG file. Name fewer, or write a \.pdf"
    ):
        sts.show_sweeps(session, ["heron_*"], tmp_path / "all.png")
