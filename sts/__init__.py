"""Analysis of scanning tunnelling spectroscopy sweeps, I(V) and I(z), from the bench's exports to the report.

Everything the commands do is one call here::

    import sts

    sts.import_files(["sweeps/"], "session.h5", logbook="logbook.csv")
    results = sts.analyse("session.h5")
    results.barrier.tips
    sts.write_results(results, "results")

Names are looked up when first used, so that ``import sts`` and ``sts --help`` stay quick.
"""

from __future__ import annotations

import sys
from importlib import import_module
from typing import Any

from sts._version import __version__ as __version__

_HOMES = {
    "sts.quantities": ("barrier_from_decay", "decay_from_barrier", "thermal_width"),
    "sts.flags": ("FLAGS",),
    "sts.sweeps": ("SweepSet", "sweep_table"),
    "sts.plan": ("Plan", "read_plan"),
    "sts.settings": ("PlanError", "write_toml"),
    "sts.loaders": (
        "LoadedFile",
        "UnreadableFile",
        "apply_logbook",
        "preview_file",
        "read_file",
        "read_logbook",
        "read_recipe",
    ),
    "sts.session": ("Session", "SessionError", "merge", "rescue"),
    "sts.importing": ("annotate_session", "import_files"),
    "sts.spectra": ("average_spectrum", "judge_iv"),
    "sts.spectra.models": ("fit_superconducting_gap",),
    "sts.barrier": ("fit_barrier",),
    "sts.analysis": ("analyse", "curves_of", "judge", "measure", "view_of"),
    "sts.report": ("show_sweeps", "write_results"),
    "sts.simulate": ("simulate_iv", "simulate_iz"),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}

__all__ = ["__version__", *sorted(_HOME_OF)]


def __getattr__(name: str) -> Any:
    if name in _HOME_OF:
        return getattr(import_module(_HOME_OF[name]), name)
    raise AttributeError(f"module 'sts' has no attribute '{name}'")


def __dir__() -> list[str]:
    return sorted(__all__)


_TABLES = {  # what a notebook shows: module and type of the result, and the function of sts.notebook
    ("sts.sweeps", "SweepSet"): "sweeps_html",
    ("sts.spectra.spectrum", "Spectrum"): "spectrum_html",
    ("sts.barrier.fit", "BarrierFit"): "barrier_html",
    ("sts.analysis.results", "Analysis"): "analysis_html",
}


def load_ipython_extension(shell: Any) -> None:
    """Let a notebook show results as compact tables (``%load_ext sts``; ``import sts`` in a notebook does it too)."""
    html = shell.display_formatter.formatters["text/html"]
    for (module, name), table in _TABLES.items():
        html.for_type_by_name(module, name, _shown_by(table))


def _shown_by(table: str) -> Any:
    def shown(result: Any) -> str:
        return str(getattr(import_module("sts.notebook"), table)(result))

    return shown


if "IPython" in sys.modules and (_shell := sys.modules["IPython"].get_ipython()) is not None:
    load_ipython_extension(_shell)
