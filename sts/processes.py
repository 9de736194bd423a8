"""Another process of Python, which runs what stands in this package: nothing of the user's own script runs twice."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any


def start_python(*arguments: str, **options: Any) -> subprocess.Popen[Any]:
    """Start Python beside this process; it finds this package, and no module by where it was started.

    Parameters
    ----------
    *arguments : str
        As on its command line: ``"-m", "sts.review.apart", ...``.
    **options
        Of `subprocess.Popen`.

    Notes
    -----
    The folder that one works in is left out of its path (``-P``): a ``statistics.py`` among a stranger's data would be run.
    """
    here = str(Path(__file__).parents[1])
    paths = os.pathsep.join([here, *filter(None, [os.environ.get("PYTHONPATH")])])
    return subprocess.Popen([sys.executable, "-P", *arguments], env=os.environ | {"PYTHONPATH": paths}, **options)
