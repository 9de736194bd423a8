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
from typing import TYPE_CHECKING, Any

from sts._version import __version__ as __version__

if TYPE_CHECKING:  # the same names once more, for programs that check types: they follow no table
    from sts.analysis import analyse as analyse
    from sts.analysis import curves_of as curves_of
    from sts.analysis import how_many as how_many
    from sts.analysis import judge as judge
    from sts.analysis import measure as measure
    from sts.analysis import tip_record as tip_record
    from sts.analysis import view_of as view_of
    from sts.barrier import fit_barrier as fit_barrier
    from sts.flags import FLAGS as FLAGS
    from sts.importing import annotate_session as annotate_session
    from sts.importing import import_files as import_files
    from sts.loaders import LoadedFile as LoadedFile
    from sts.loaders import UnreadableFile as UnreadableFile
    from sts.loaders import apply_logbook as apply_logbook
    from sts.loaders import preview_file as preview_file
    from sts.loaders import read_file as read_file
    from sts.loaders import read_logbook as read_logbook
    from sts.loaders import read_recipe as read_recipe
    from sts.plan import Plan as Plan
    from sts.plan import read_plan as read_plan
    from sts.quantities import barrier_from_decay as barrier_from_decay
    from sts.quantities import decay_from_barrier as decay_from_barrier
    from sts.quantities import thermal_width as thermal_width
    from sts.report import show_sweeps as show_sweeps
    from sts.report import write_results as write_results
    from sts.report import write_tip_record as write_tip_record
    from sts.session import Session as Session
    from sts.session import SessionError as SessionError
    from sts.session import merge as merge
    from sts.session import rescue as rescue
    from sts.settings import PlanError as PlanError
    from sts.settings import write_toml as write_toml
    from sts.simulate import simulate_iv as simulate_iv
    from sts.simulate import simulate_iz as simulate_iz
    from sts.spectra import average_spectrum as average_spectrum
    from sts.spectra import judge_iv as judge_iv
    from sts.spectra.models import fit_superconducting_gap as fit_superconducting_gap
    from sts.sweeps import SweepSet as SweepSet
    from sts.sweeps import sweep_table as sweep_table

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


if not TYPE_CHECKING:  # to a type checker a name that is not there is a mistake, not Any

    def __getattr__(name: str) -> Any:
        if name in _HOME_OF:
            return getattr(import_module(_HOME_OF[name]), name)
        raise AttributeError(f"module 'sts' has no attribute '{name}'")


def __dir__() -> list[str]:
    return sorted(__all__)
