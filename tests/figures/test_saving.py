"""Figures as bytes: the same figure gives the same bytes, in every format."""

from __future__ import annotations

from pathlib import Path

import pytest
from figures.drawings import drawn
from matplotlib.figure import Figure

from sts.figures import house_style
from sts.figures.saving import save, write_whole


@pytest.mark.parametrize(("suffix", "start"), [("svg", b"<?xml"), ("png", b"\x89PNG"), ("pdf", b"%PDF")])
def test_the_same_figure_gives_the_same_bytes_without_a_date(suffix: str, start: bytes) -> None:
    made = []
    for _ in range(2):
        with house_style():
            figure = drawn("pairs")[0].figure
            assert isinstance(figure, Figure)
            made.append(save(figure, suffix))
    assert made[0] == made[1]
    assert made[0].startswith(start)
    assert b"CreationDate" not in made[0]
    assert b"<dc:date>" not in made[0]


def test_more_dots_per_inch_make_a_larger_picture() -> None:
    with house_style():
        figure = drawn("pairs")[0].figure
        assert isinstance(figure, Figure)
        sizes = [
            int.from_bytes(save(figure, "png", dpi=dpi)[16:20], "big") for dpi in (100, 200)
        ]  # width, in the header
    assert sizes[1] == pytest.approx(2 * sizes[0], abs=2)


def test_letters_of_a_pdf_are_outlines_that_journals_take() -> None:
    """PDF 1.7 (ISO 32000-1), 9.6: TrueType programs are embedded as FontFile2; fonts of type 3 have no outlines."""
    with house_style():
        figure = drawn("pairs")[0].figure
        assert isinstance(figure, Figure)
        data = save(figure, "pdf")
    assert b"/FontFile2" in data
    assert b"/Type3" not in data


def test_a_file_is_written_whole_or_stays_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "new" / "a.svg"
    write_whole(path, b"first")
    write_whole(path, b"second")
    assert path.read_bytes() == b"second"

    def fail(*_: object) -> None:
        raise OSError("no space left")

    monkeypatch.setattr("os.replace", fail)
    with pytest.raises(OSError, match="no space left"):
        write_whole(path, b"third")
    assert path.read_bytes() == b"second"
    assert [p.name for p in path.parent.iterdir()] == ["a.svg"]
