"""How the tests call a command, and what with."""

from __future__ import annotations

from pathlib import Path

import pytest

from sts.cli import main

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "data" / "demo"
SWEEP = "V (V),I (nA)\n" + "".join(f"{v / 10},{v}\n" for v in range(-4, 5))


def run(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> tuple[int, str, str]:
    """Exit status, standard output, standard error."""
    status = main([str(a) for a in arguments])
    out, err = capsys.readouterr()
    return status, out, err


def said(capsys: pytest.CaptureFixture[str], *arguments: str | Path, code: int | None = 0) -> str:
    """What a command prints: its results, or its error where `code` is 2."""
    status, out, err = run(capsys, *arguments)
    assert code is None or status == code
    return err if code == 2 else out
