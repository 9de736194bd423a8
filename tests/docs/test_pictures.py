"""The pictures of README and docs are those that `scripts/pictures.py` makes, and small."""

from __future__ import annotations

import io
import re
from pathlib import Path

import matplotlib.pyplot as plt
import numpy as np
import pictures
import pytest
from _wrong import PANELS
from matplotlib.figure import Figure

ROOT = Path(__file__).resolve().parents[2]


def test_the_page_of_ways_to_be_wrong_shows_every_panel_in_its_order() -> None:
    page = (ROOT / "docs" / "how-to-be-wrong.md").read_text(encoding="utf-8")
    assert re.findall(r"\(pictures/wrong/([\w-]+)\.png\)", page) == list(PANELS)


def test_every_picture_is_small() -> None:
    for path in (ROOT / "docs" / "pictures").rglob("*.png"):
        assert path.stat().st_size < 150_000, path.name


@pytest.mark.parametrize("name", ["work-function", "too-smooth", "read-at-zero"])
def test_what_is_told_of_ways_to_be_wrong_is_so_now(name: str, tmp_path: Path) -> None:
    """Panels stop where the tool no longer gives what they claim; these three take less than a second."""
    figure = Figure(figsize=(4.2, 2.6), layout="constrained")
    PANELS[name](figure.subplots(), tmp_path)
    drawn = io.BytesIO()
    figure.savefig(drawn, format="png", dpi=110)
    assert pictures.alike(drawn.getvalue(), ROOT / "docs" / "pictures" / "wrong" / f"{name}.png")


def test_another_picture_is_told(tmp_path: Path) -> None:
    grey = np.full((80, 160, 3), 0.5)
    plt.imsave(tmp_path / "grey.png", grey)
    plt.imsave(tmp_path / "lighter.png", grey + 0.2)
    now = (tmp_path / "grey.png").read_bytes()
    pictures.keep(now, tmp_path / "kept.png")
    assert pictures.alike(now, tmp_path / "kept.png")
    assert not pictures.alike(now, tmp_path / "lighter.png")
    assert not pictures.alike(now, tmp_path / "none.png")
