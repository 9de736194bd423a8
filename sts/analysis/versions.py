"""The versions of the packages that made a result."""

from __future__ import annotations

import platform
from functools import lru_cache
from importlib.metadata import version

from sts._version import __version__

PACKAGES = ("numpy", "scipy", "pandas", "h5py", "lmfit", "matplotlib")


@lru_cache(1)
def _installed() -> dict[str, str]:
    return {name: version(name) for name in PACKAGES}


def versions() -> dict[str, str]:
    """Package to version, Python and this one first."""
    return {"sts": __version__, "python": platform.python_version(), **_installed()}
