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
from sts.showing import Shown
from sts.spectra.spectrum import Spectrum
from sts.sweeps import SweepSet


@dataclass(frozen=True, eq=False, repr=False)
class BarrierAnalysis(Shown):
    """Everything the I(z) sweeps said. Tables have the columns of the CSV of the same name, and more to the right.

    Attributes
    ----------
    fits : tuple[BarrierFit, ...]
        One for each set of sweeps.
    sweeps : pandas.DataFrame
        As barrier_sweeps.csv.
    directions : pandas.DataFrame
        One row for each retract/approach pair: slopes, drift_pm_per_s and others.
    sites : pandas.DataFrame
        As barrier_sites.csv.
    tips : pandas.DataFrame
        As barrier_tips.csv.
    pairs : pandas.DataFrame
        As barrier_pairs.csv.
    groups : pandas.DataFrame
        Groups of tips (made_by, ...): means with tips as replicates; empty unless asked for.
    components : pandas.DataFrame
        Variance components: level, sd_eV, share and others.
    budget : pandas.DataFrame
        Per tip: component, size_eV, kind (random / calibration / model), note.
    advice : tuple[str, ...]
        What would narrow the intervals, with sizes.
    notes : tuple[str, ...]
        What could not be said, and why.
    group_tests : pandas.DataFrame
        Tests between groups of tips.
    unassigned : pandas.DataFrame
        As barrier_unassigned.csv: sweeps without a tip.
    states : pandas.DataFrame
        As barrier_states.csv: the barrier of each tip in each state (before, after); empty unless asked for.
    changes : pandas.DataFrame
        As barrier_changes.csv: how much each tip, and all together, changed from state to state.
    steps : pandas.DataFrame
        As barrier_steps.csv: tips that changed on the way, with the barrier before and after.
    runs : pandas.DataFrame
        As barrier_runs.csv: stays at a site whose repeats run away.
    bias_V : float
        Of the height sweeps, where all were taken at the same; else NaN.
    """

    fits: tuple[BarrierFit, ...]
    sweeps: pd.DataFrame
    directions: pd.DataFrame
    sites: pd.DataFrame
    tips: pd.DataFrame
    pairs: pd.DataFrame
    groups: pd.DataFrame
    components: pd.DataFrame
    budget: pd.DataFrame
    advice: tuple[str, ...]
    notes: tuple[str, ...]
    group_tests: pd.DataFrame = field(default_factory=pd.DataFrame)
    unassigned: pd.DataFrame = field(default_factory=pd.DataFrame)
    states: pd.DataFrame = field(default_factory=pd.DataFrame)
    changes: pd.DataFrame = field(default_factory=pd.DataFrame)
    steps: pd.DataFrame = field(default_factory=pd.DataFrame)
    runs: pd.DataFrame = field(default_factory=pd.DataFrame)
    bias_V: float = float("nan")

    @cached_property
    def window(self) -> pd.DataFrame:
        """How φ moves with the cuts: sweep, lower_cut_nm, upper_cut_nm, barrier_eV. Made when asked for: it takes longer than
        the fits, and no decision needs it."""
        parts = [window_sensitivity(fit) for fit in self.fits]
        return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()

    @cached_property
    def bends(self) -> pd.DataFrame:
        """Bends that the sweeps of a tip share, as `BarrierFit.bends` of each set of sweeps; empty where there is none."""
        some = [fit.bends for fit in self.fits if len(fit.bends)]
        return pd.concat(some, ignore_index=True) if some else pd.DataFrame()

    @cached_property
    def tip_tables(self) -> TipTables:
        """What verdicts read; with what they found in it, for decisions about other sweeps than these."""
        return TipTables(
            self.sweeps, self.sites, self.tips, self.pairs, self.directions, self.steps, self.runs, self.bends
        )

    def _words(self) -> str:
        states = {
            row["tip"]: f"{row['before_eV']:.3g}, later {row['after_eV']:.3g}" for row in self.steps.to_dict("records")
        }
        means = zip(self.tips["tip"], self.tips["barrier_eV"], strict=True)
        tips = [f"{tip} {states.get(tip, format(value, '.3g'))} eV" for tip, value in means]
        more = f" and {len(tips) - 6} more" if len(tips) > 6 else ""
        return f"{len(self.sweeps)} I(z) sweeps, {len(self.sites)} sites; {', '.join(tips[:6]) or 'no tip'}{more}"


@dataclass(frozen=True, eq=False, repr=False)
class SpectraAnalysis(Shown):
    """Everything the I(V) sweeps said.

    Attributes
    ----------
    spectra : tuple[Spectrum, ...]
        The averaged spectra, in order; `spectra["graphite, A"]` finds one.
    table : pandas.DataFrame
        As spectra.csv.
    summary : pandas.DataFrame
        As spectra_summary.csv.
    notes : tuple[str, ...]
        What could not be said, and why.
    """

    spectra: tuple[Spectrum, ...]
    table: pd.DataFrame
    summary: pd.DataFrame
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

    def _words(self) -> str:
        more = f"; and {len(self.labels) - 6} more" if len(self.labels) > 6 else ""
        return f"{len(self.labels)} spectra: {'; '.join(self.labels[:6])}{more}"

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


@dataclass(frozen=True, eq=False, repr=False)
class Analysis(Shown):
    """All results of one session under one plan.

    Attributes
    ----------
    session : str
        Name of the session file.
    plan : Plan
        Every setting.
    sets : tuple[SweepSet, ...]
        As read, currents and heights times the calibrations in force.
    judged : pandas.DataFrame
        One row per sweep: sweep, kind, sample, tip, ..., flags, reasons, used, decided_by, by, in order of measurement.
    flags : pandas.DataFrame
        Every flag once: sweep (or, in brackets, the spectrum it is about), flag, detail.
    sources : pandas.DataFrame
        One row per file: name, sha256, size, reader, recipe, imported.
    decisions : pandas.DataFrame
        One row per decision: time, sweep, action, why.
    calibrations : pandas.DataFrame
        Columns: kind, factor, factor_se, measured, known, source, time.
    barrier : BarrierAnalysis, optional
        What the I(z) sweeps said; None without such.
    spectra : SpectraAnalysis, optional
        What the I(V) sweeps said; None without such.
    versions : dict[str, str]
        Of sts, python, numpy, scipy and others.
    order : Order
        In which the sweeps were measured.
    by_hand : ByHand
        What decisions changed, and which way.
    """

    session: str
    plan: Plan
    sets: tuple[SweepSet, ...]
    judged: pd.DataFrame
    flags: pd.DataFrame
    sources: pd.DataFrame
    decisions: pd.DataFrame
    calibrations: pd.DataFrame
    barrier: BarrierAnalysis | None
    spectra: SpectraAnalysis | None
    versions: dict[str, str]
    order: Order = field(default_factory=lambda: Order((), "names"))
    by_hand: ByHand = field(default_factory=ByHand.none)

    def _words(self) -> str:
        used = int(self.judged["used"].astype(bool).sum())
        parts = [f"{used} of {len(self.judged)} sweeps of {self.session} used"]
        parts += [f"barriers of {len(self.barrier.tips)} tips"] if self.barrier is not None else []
        parts += [f"{len(self.spectra.labels)} spectra"] if self.spectra is not None else []
        return ", ".join(parts)

    @cached_property
    def verdicts(self) -> pd.DataFrame:
        """Which tip was good: one row per tip and sample, best first, with the reasons in words."""
        tables = self.barrier.tip_tables if self.barrier is not None else None
        return tip_verdicts(self.judged, self.flags, tables, self.plan.verdict, self.plan.compare.confidence)
