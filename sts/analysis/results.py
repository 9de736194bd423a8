"""The results of an analysis: what was judged, what the I(z) and the I(V) sweeps said."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import pandas as pd

from sts.analysis.named import positions
from sts.barrier import window_sensitivity
from sts.barrier.fit import BarrierFit
from sts.comparing.by_hand import ByHand
from sts.comparing.verdicts import TipTables, tip_verdicts
from sts.plan import Plan
from sts.provenance import Order
from sts.spectra.spectrum import Spectrum
from sts.sweeps import SweepSet


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
    advice: tuple[str, ...]  # what would narrow the intervals, with sizes
    notes: tuple[str, ...]  # what could not be said, and why
    group_tests: pd.DataFrame = field(default_factory=pd.DataFrame)  # tests between groups of tips
    unassigned: pd.DataFrame = field(default_factory=pd.DataFrame)  # barrier_unassigned.csv: sweeps without a tip

    @cached_property
    def window(self) -> pd.DataFrame:
        """How φ moves with the cuts: sweep, lower_cut_nm, upper_cut_nm, barrier_eV. Made when asked for: it takes longer than
        the fits, and no decision needs it."""
        parts = [window_sensitivity(fit) for fit in self.fits]
        return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


@dataclass(frozen=True, eq=False)
class SpectraAnalysis:
    """Everything the I(V) sweeps said."""

    spectra: tuple[Spectrum, ...]
    table: pd.DataFrame  # spectra.csv
    summary: pd.DataFrame  # spectra_summary.csv
    notes: tuple[str, ...]

    def __getitem__(self, name: str | int) -> Spectrum:
        """One spectrum, by its label, by parts of it (``"graphite, A"``), or by its place.

        Parameters
        ----------
        name : str or int

        Raises
        ------
        UnknownName
            If none or several are called so.
        """
        if isinstance(name, str):
            name = positions(name, self.labels, one=True)[0]
        return self.spectra[name]

    def __iter__(self) -> Iterator[Spectrum]:
        return iter(self.spectra)

    @property
    def labels(self) -> list[str]:
        """What the spectra are called."""
        return [spectrum.label for spectrum in self.spectra]

    def pick(self, names: Sequence[str]) -> SpectraAnalysis:
        """Only some spectra, in the order of their names, with their rows of the tables.

        Parameters
        ----------
        names : sequence of str
            Labels or parts of them; all that a name fits are taken.

        Raises
        ------
        UnknownName
            If a name fits none.
        """
        rows = list(dict.fromkeys(i for name in names for i in positions(name, self.labels)))
        ends = np.cumsum([0, *(spectrum.bias.size for spectrum in self.spectra)])
        points = np.concatenate([np.arange(ends[i], ends[i + 1]) for i in rows])
        return replace(self, spectra=tuple(self.spectra[i] for i in rows),
                       table=self.table.iloc[points].reset_index(drop=True),
                       summary=self.summary.iloc[rows].reset_index(drop=True))  # fmt: skip


@dataclass(frozen=True, eq=False)
class Analysis:
    """All results of one session under one plan."""

    session: str  # name of the session file
    plan: Plan
    sets: tuple[SweepSet, ...]  # as read, currents and heights times the calibrations in force
    judged: pd.DataFrame  # sweep, kind, sample, tip, ..., flags, reasons, used, decided_by, in order of measurement
    flags: pd.DataFrame  # every flag once: sweep (or, in brackets, the spectrum it is about), flag, detail
    sources: pd.DataFrame  # name, sha256, size, reader, recipe, imported
    decisions: pd.DataFrame  # time, sweep, action, why
    calibrations: pd.DataFrame  # kind, factor, factor_se, measured, known, source, time
    barrier: BarrierAnalysis | None
    spectra: SpectraAnalysis | None
    versions: dict[str, str]  # sts, python, numpy, scipy, ...
    order: Order = field(default_factory=lambda: Order((), "names"))  # in which the sweeps were measured
    by_hand: ByHand = field(default_factory=ByHand.none)  # what decisions changed, and which way

    @cached_property
    def verdicts(self) -> pd.DataFrame:
        """Which tip was good: one row per tip and sample, best first, with the reasons in words."""
        made = self.barrier
        tables = (
            TipTables(made.sweeps, made.sites, made.tips, made.pairs, made.directions) if made is not None else None
        )
        return tip_verdicts(self.judged, self.flags, tables, self.plan.verdict)
