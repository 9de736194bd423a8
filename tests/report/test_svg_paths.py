"""Shorter paths lead to the same places, counted from absolute and from relative commands by the rules of SVG 2, section 9.3."""

from __future__ import annotations

import re

import numpy as np
import pytest
from matplotlib.path import Path as Outline
from numpy.testing import assert_allclose

from sts.report.svg_paths import shorter_path

NUMBERS = {"M": 2, "L": 2, "Q": 4, "C": 6, "Z": 0}


def places(path: str) -> tuple[str, np.ndarray]:
    """Commands, and all absolute coordinates, of a path in the full grammar of these commands."""
    words = re.findall(r"[A-Za-z]|-?(?:\d+\.?\d*|\.\d+)", path)
    here, start = np.zeros(2), np.zeros(2)
    command, commands, found = "", "", []
    while words:
        if words[0].isalpha():
            command = words.pop(0)
        kind = command.upper()
        commands += kind
        numbers = np.array([float(words.pop(0)) for _ in range(NUMBERS[kind])]).reshape(-1, 2)
        numbers = numbers + here if command.islower() and kind != "Z" else numbers
        found.append(numbers)
        here = start if kind == "Z" else numbers[-1]
        start = here if kind == "M" else start
        command = {"m": "l", "M": "L"}.get(command, command)
    return commands, np.concatenate(found)


@pytest.mark.parametrize(
    ("path", "short"),
    [
        ("M 0 0 L 0 3.5", "m 0 0 0 3.5"),
        ("M 43.2 141.824 L 44.21 141.5 L 43.9 142.25", "m 43.2 141.82 1.01-.32-.31 .75"),
        ("M 1 1 L 2 1 L 2 2 z M 5 5 L 6 5 z", "m 1 1 1 0 0 1zm 4 4 1 0z"),
        ("M 0 1 Q 1 2 3 4 C 1 1 2 2 0 0", "m 0 1q 1 1 3 3c-2-3-1-2-3-4"),
    ],
)
def test_a_path_is_said_in_steps(path: str, short: str):
    assert shorter_path(path) == short


def test_places_are_the_same_to_a_hundredth_however_long_the_path():
    rng = np.random.default_rng(1)
    kinds = rng.choice(["L", "Q", "C"], 3000, p=[0.8, 0.1, 0.1])
    path = "M 1.234567 -9.87" + "".join(
        f" {kind} " + " ".join(f"{v:.6f}" for v in rng.uniform(-400, 400, NUMBERS[kind])) for kind in kinds
    )
    path += " z M 3 4 L 5.005 6 z"
    short = shorter_path(path)
    (commands, before), (same, after) = places(path), places(short)
    assert commands == same
    assert_allclose(after, before, atol=0.00501)
    assert len(short) < 0.8 * len(path)


def test_what_the_plotting_library_writes_is_understood():
    circle = Outline.unit_circle()
    words = []
    for vertices, code in circle.iter_segments(simplify=False):
        words += [{1: "M", 2: "L", 3: "Q", 4: "C", 79: "z"}[int(code)], *([] if code == 79 else map(str, vertices))]
    assert_allclose(places(shorter_path(" ".join(words)))[1], places(" ".join(words))[1], atol=0.00501)
    with pytest.raises(KeyError):
        shorter_path("M 0 0 A 1 1")
