"""The whole analysis of a session: sweeps judged, spectra averaged, barriers fitted, tips compared."""

from __future__ import annotations

import platform
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pandas as pd

from sts import __version__
from sts.comparing import (
    advice,
    budget,
    compare_groups,
    compare_pairs,
    site_level,
    tip_level,
    variance_components,
)
from sts.fitting import fit_barrier, pair_directions, slopes_by_repeat, window_sensitivity
from sts.fitting.barrier import BarrierFit
from sts.flags import flags_of
from sts.plan import Plan
from sts.processing import average_spectrum, find_offsets, group_sweeps, judge_iv
from sts.processing.spectrum import Spectrum
from sts.session import Session
from sts.sweeps import SweepSet

Progress = Callable[[int, int], None]


@dataclass(frozen=True, eq=False)
class BarrierAnalysis:
    """Everything the I(z) sweeps said. Tables have the columns of the CSV of the same name, and more to the right."""

    fits: tuple[BarrierFit, ...]  # one for each set of sweeps
    sweeps: pd.DataFrame  # barrier_sweeps.csv
    directions: pd.DataFrame  # one row for each retract/approach pair: slopes, drift_pm_per_s, ...
    sites: pd.DataFrame  # barrier_sites.csv
    tips: pd.DataFrame  # barrier_tips.csv
    pairs: pd.DataFrame  # barrier_pairs.csv
    groups: pd.DataFrame  # groups of tips (made_by, ...): means with tips as replicates; empty unless asked for
    components: pd.DataFrame  # variance components: level, sd_eV, share, ...
    budget: pd.DataFrame  # per tip: component, size_eV, kind (random / calibration / model), note
    window: pd.DataFrame  # how φ moves with the cuts: sweep, lower_cut_nm, upper_cut_nm, barrier_eV
    advice: tuple[str, ...]  # what would narrow the intervals, with sizes
    notes: tuple[str, ...]  # what could not be said, and why


@dataclass(frozen=True, eq=False)
class SpectraAnalysis:
    """Everything the I(V) sweeps said."""

    spectra: tuple[Spectrum, ...]
    table: pd.DataFrame  # spectra.csv
    summary: pd.DataFrame  # spectra_summary.csv
    notes: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Analysis:
    """All results of one session under one plan."""

    session: str  # name of the session file
    plan: Plan
    sets: tuple[SweepSet, ...]
    judged: pd.DataFrame  # sweep, kind, sample, tip, site, direction, repeat, flags, reasons, used, decided_by
    sources: pd.DataFrame  # name, sha256, size, reader, recipe, imported
    decisions: pd.DataFrame  # time, sweep, action, why
    calibrations: pd.DataFrame  # kind, factor, factor_se, measured, known, source, time
    barrier: BarrierAnalysis | None
    spectra: SpectraAnalysis | None
    versions: dict[str, str]  # sts, python, numpy, scipy, ...
