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
    "sts.analysis": ("analyse", "curves_of", "how_many", "judge", "measure", "tip_record", "view_of"),
    "sts.report": ("show_sweeps", "write_results", "write_tip_record"),
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
