"""The command show writes the picture that the library call makes, and answers wrong names and endings."""

from __future__ import annotations

import pytest

import sts
from sts.cli import main


def test_a_picture_of_several_sweeps_is_that_of_the_library(demo, tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main(["show", str(demo), "heron_s1_r1_*"]) == 0
    assert "and 1 more drawn in show.png." in "".join(capsys.readouterr())
    sts.show_sweeps(demo, ["heron_s1_r1_*"], tmp_path / "own.png")
    assert (tmp_path / "show.png").read_bytes() == (tmp_path / "own.png").read_bytes()


@pytest.mark.parametrize(
    ("arguments", "answer"),
    [
        (["heron_s1_r1_retrac"], "no such sweep 'heron_s1_r1_retrac'; near to it: heron_s1_r1_retract"),
        (["heron_s1_r1_retract", "--out", "a.jpg"], "a picture ends with .png, .svg or .pdf, not with '.jpg'"),
        (["*", "--out", "all.png"], "24 at most go into one PNG file"),
    ],
)
def test_what_cannot_be_drawn_is_answered_and_nothing_is_written(
    demo, tmp_path, capsys, monkeypatch, arguments, answer
):
    monkeypatch.chdir(tmp_path)
    assert main(["show", str(demo), *arguments]) == 2
    assert answer in capsys.readouterr().err
    assert not list(tmp_path.iterdir())
