"""How the tests call a command."""

from __future__ import annotations

from pathlib import Path

import pytest

from sts.cli import main


def run(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> tuple[int, str, str]:
    """Exit status, standard output, standard error."""
    status = main([str(a) for a in arguments])
    out, err = capsys.readouterr()
    return status, out, err
