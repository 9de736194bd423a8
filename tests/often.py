"""Repeats of a simulation: a few whenever the tests run, where these already hold the bound, and many as a study."""

from __future__ import annotations

import pytest


def repeated(few: int, many: int) -> pytest.MarkDecorator:
    """Gives the test `repeats`; `many` are run by ``-m study``."""
    return pytest.mark.parametrize("repeats", [few, pytest.param(many, marks=pytest.mark.study)])
