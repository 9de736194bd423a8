"""Versions: what is said is what is installed."""

from __future__ import annotations

import sys

import h5py
import numpy as np
import scipy

import sts
from sts.analysis.versions import versions


def test_versions_are_those_of_the_packages_in_use() -> None:
    found = versions()
    assert list(found)[:2] == ["sts", "python"]
    assert found["sts"] == sts.__version__
    assert found["python"] == ".".join(map(str, sys.version_info[:3]))
    assert (found["numpy"], found["scipy"], found["h5py"]) == (np.__version__, scipy.__version__, h5py.__version__)
