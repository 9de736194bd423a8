"""The measured stage of an analysis: sweeps judged and fitted. It knows no decision; from it everything else is summarised."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any, Literal

import pandas as pd

from sts.analysis.barriers import Barriers, barrier_analysis, without_slope
from sts.analysis.by_day import fit_by_day, labelled, split_by_day
from sts.analysis.by_hand import moved_points, values_of
from sts.analysis.calibrated import Scales, calibrated, current_notes, scales_of
from sts.analysis.changes import Course
from sts.analysis.judged_spectra import flags_of_spectrum, judge_spectra
from sts.analysis.results import Analysis, BarrierAnalysis, SpectraAnalysis
from sts.analysis.spectra import SpectraOf
from sts.analysis.versions import versions
from sts.barrier.fit import BarrierFit
from sts.comparing.by_hand import ByHand, by_hand
from sts.curves.replicates import with_replicates
from sts.flags import flags_of, join_flags
from sts.plan import Plan
from sts.provenance import Order, measurement_order
from sts.selection import deciders, select, standing_decisions
from sts.session import Session
from sts.showing import Shown
from sts.sweeps import SweepSet

Progress = Callable[[int, int], None]
SITE = ("sample", "tip", "unassigned", "day", "site")
IDENTITY = ["sweep", "sample", "tip", "day", "site", "direction", "repeat", "unassigned"]


@dataclass(frozen=True, eq=False, repr=False)
class Measured(Shown):
    """Every sweep of a session measured under one plan. `summarise` may be called again and again, with other decisions.

    Attributes
    ----------
    session, plan, order : str, Plan, Order
        Name of the session file, every setting, and in which order the sweeps were measured.
    sets, settled, fits : tuple
        The sets as read, times the calibrations in force; the I(V) sets without the samples of start transients; the fits
        of the I(z) sets. All in order.
    flags, unusable : pandas.DataFrame, frozenset[str]
        Of the sweeps: sweep, flag, detail; sweeps without a slope, which nobody can use.
    sources, calibrations : pandas.DataFrame
        One row per file; calibrations in force and before.
    """

    session: str
    plan: Plan
    sets: tuple[SweepSet, ...]
    settled: tuple[SweepSet, ...]
    fits: tuple[BarrierFit, ...]
    flags: pd.DataFrame
    unusable: frozenset[str]
    sources: pd.DataFrame
    calibrations: pd.DataFrame
    order: Order
    _last: dict[frozenset[str], Barriers] = field(default_factory=dict, init=False)  # made of the sweeps used

    @cached_property
    def spectra(self) -> SpectraOf:
        """What the spectra are made from."""
        return SpectraOf(self.settled, self.flags, self.plan)

    @cached_property
    def rows(self) -> dict[str, tuple[int, int]]:
        """Where each sweep is: number of its set and row in it."""
        return {name: (number, row) for number, part in enumerate(self.sets) for row, name in enumerate(part.names)}

    @cached_property
    def sites(self) -> dict[tuple[str, ...], list[str]]:
        """Names of the sweeps of each kind at each site, in order of measurement; key as `site_of` makes it."""
        found: dict[tuple[str, ...], list[str]] = {}
        for name in self.order.names:
            found.setdefault(self.site_of(name), []).append(name)
        return found

    def site_of(self, sweep: str) -> tuple[str, ...]:
        """Kind and labels of the site of a sweep.

        Parameters
        ----------
        sweep : str

        Raises
        ------
        KeyError
            If there is no such sweep.
        """
        number, row = self.rows[sweep]
        part = self.sets[number]
        return part.kind, *(str(part.columns[name][row]) for name in SITE if name in part.columns)

    @cached_property
    def _identity(self) -> pd.DataFrame:
        """What each sweep is, in the order of the sets."""
        return pd.concat([part.table[IDENTITY].assign(kind=part.kind) for part in self.sets], ignore_index=True)

    def judge(self, decisions: pd.DataFrame) -> pd.DataFrame:
        """One row per sweep with flags, reasons, who decided and what; in order of measurement.

        Parameters
        ----------
        decisions : pandas.DataFrame
            As `Session.decisions` gives them.
        """
        return self._judged(self._selected(decisions), self.flags, deciders(decisions))

    def summarise(self, decisions: pd.DataFrame) -> Analysis:
        """Everything that follows from the sweeps that are used: barriers, spectra, tables.

        Parameters
        ----------
        decisions : pandas.DataFrame
            As `Session.decisions` gives them.
        """
        selected, by = self._selected(decisions), deciders(decisions)
        used = frozenset(selected.loc[selected["used"], "sweep"])
        barrier = spectra = None
        flags = [self.flags]
        if self._heights:
            barrier, disagree = self.barriers(used)
            flags.append(disagree)
        of_sweeps = join_flags(flags)
        if self.settled:
            spectra = self.spectra.summarise(used, barrier, current_notes(self.calibrations, self.sources))
            flags += [flags_of_spectrum(spectrum.flags, spectrum.label) for spectrum in spectra.spectra]
        return Analysis(
            session=self.session,
            plan=self.plan,
            sets=self.sets,
            judged=self._judged(selected, of_sweeps, by),
            flags=join_flags(flags),
            sources=self.sources,
            decisions=decisions,
            calibrations=self.calibrations,
            barrier=barrier,
            spectra=spectra,
            versions=versions(),
            order=self.order,
            by_hand=self._by_hand(selected.assign(by=[by.get(n, "") for n in selected["sweep"]]), barrier, spectra),
        )

    def barriers(self, used: frozenset[str]) -> Barriers:
        """What the I(z) sweeps among these come to; kept for the last two choices, so that an undo finds its barriers.

        Parameters
        ----------
        used : frozenset of str
        """
        if (own := used & self._heights) not in self._last:
            ramps = [part for part in self.sets if part.kind == "iz"]
            self._last[own] = barrier_analysis(self.fits, ramps, own, self.plan, self.scales, self._course)
        self._last[own] = self._last.pop(own)  # to the end
        if len(self._last) > 2:
            del self._last[next(iter(self._last))]
        return self._last[own]

    @cached_property
    def scales(self) -> Scales:
        """The height scales that the sweeps are on."""
        return scales_of(self.sets, self.calibrations, self.sources, self.plan.compare.piezo_percent_per_K)

    @cached_property
    def _course(self) -> Course:
        """The sweeps in order of measurement, where changes of tips are looked for."""
        return Course.of(self.order, self.sets)

    @cached_property
    def _heights(self) -> frozenset[str]:
        return frozenset(name for part in self.sets if part.kind == "iz" for name in part.names)

    @cached_property
    def _by_rule(self) -> pd.Series[Any]:
        """Which sweeps are used where nobody decided anything, in the order of the sets."""
        return self._selected(pd.DataFrame({"sweep": [], "action": [], "why": []}))["used"]

    @cached_property
    def _used_by_rule(self) -> frozenset[str]:
        return frozenset(self._identity.loc[self._by_rule, "sweep"])

    @cached_property
    def _barriers_by_rule(self) -> BarrierAnalysis | None:
        return self.barriers(self._used_by_rule)[0] if self._heights else None

    @cached_property
    def _spectra_by_rule(self) -> SpectraAnalysis:
        return self.spectra.summarise(self._used_by_rule, self._barriers_by_rule, ())

    @cached_property
    def _values(self) -> pd.DataFrame:
        return values_of(self.sets, self.fits).assign(by_rule=self._by_rule)

    def _by_hand(
        self, selected: pd.DataFrame, barrier: BarrierAnalysis | None, spectra: SpectraAnalysis | None
    ) -> ByHand:
        """What decisions did; nothing is worked out where they changed nothing."""
        if (selected["used"] == self._by_rule).all():
            return ByHand.none()
        sweeps = self._values.assign(used=selected["used"], by=selected["by"])
        biases = sweeps.loc[sweeps["used"] != sweeps["by_rule"], "kind"].eq("iv").any()
        points = (
            moved_points(self._spectra_by_rule.spectra, spectra.spectra) if spectra is not None and biases else None
        )
        if barrier is None or self._barriers_by_rule is None:
            return by_hand(sweeps, pd.DataFrame(), pd.DataFrame(), points)
        return by_hand(sweeps, self._barriers_by_rule.tips, barrier.tips, points)

    def _selected(self, decisions: pd.DataFrame) -> pd.DataFrame:
        return select(
            list(self._identity["sweep"]), self.flags, rules=self.plan.check.omit,
            decisions=standing_decisions(decisions), unusable=self.unusable,
        )  # fmt: skip

    def _judged(self, selected: pd.DataFrame, flags: pd.DataFrame, by: Mapping[str, str]) -> pd.DataFrame:
        """The table of `judge`, with these flags and persons; who was used is settled before."""
        table = self._identity
        names = list(table["sweep"])
        reasons = flags_of(names, flags, column="detail")
        table = table.assign(
            flags=flags_of(names, flags),
            reasons=["; ".join(part for part in (decision, reason.replace(";", "; ")) if part)
                     for decision, reason in zip(selected["decision"], reasons, strict=True)],
            used=selected["used"],
            decided_by=selected["decided_by"],
            by=[by.get(name, "") for name in names],
        )  # fmt: skip
        shown = ["sweep", "kind", *IDENTITY[1:], "flags", "reasons", "used", "decided_by", "by"]
        return table.set_index("sweep").loc[list(self.order.names)].reset_index()[shown]


def opened_session(session: Session | str | Path) -> Session:
    """A session that is open, or the path of one.

    Parameters
    ----------
    session : Session or path
    """
    return session if isinstance(session, Session) else Session.open(session)


def measure(
    session: Session | str | Path,
    plan: Plan | None = None,
    *,
    only: Literal["iv", "iz", ""] = "",
    sweeps: Sequence[str] | None = None,
    progress: Progress | None = None,
) -> Measured:
    """Judge and fit every sweep of a session; no decision matters here.

    Parameters
    ----------
    session : Session or path
    plan : Plan, optional
        Every setting; the defaults if not given.
    only : str
        ``"iv"`` or ``"iz"`` for one kind of sweep.
    sweeps : sequence of str, optional
        Only sweeps of these names, as if there were no others.
    progress : callable(done, total), optional

    Returns
    -------
    Measured

    Raises
    ------
    ValueError
        If the session holds no sweeps of the kind asked for.

    Examples
    --------
    >>> made = sts.simulate_iz(barrier_eV=4.0, sweeps=4, bench=sts.simulate.Bench(white_A=1e-12), seed=1)
    >>> np.savez("heron.npz", height_m=made.sweeps.axis, current_A=made.sweeps.current)
    >>> imported = sts.import_files(["heron.npz"], "session.h5", values={"tip": "heron"})
    >>> measured = sts.measure("session.h5")

    Each decision asks for a summary only, not for another fit:

    >>> session = sts.Session.open("session.h5")
    >>> session.mark(["heron_2"], "omit", "tip touched")
    >>> measured.summarise(session.decisions()).barrier.tips["sweeps"].tolist()
    [3]
    """
    opened, settings = opened_session(session), plan or Plan()
    calibrations, sources = opened.calibrations(), opened.sources()
    whole = calibrated(opened.sets(only or None, sweeps=sweeps), calibrations, sources)
    sets = with_replicates(split_by_day(labelled(whole, sources, opened.days())))
    if not sets:
        kinds = {"iv": "I(V) sweeps", "iz": "I(z) sweeps", "": "sweeps"}[only]
        raise ValueError(f"{opened.path}: there are no {kinds} in this session. Import some with 'sts import'.")
    spectra, ramps = ([part for part in sets if part.kind == kind] for kind in ("iv", "iz"))
    settled, judged = judge_spectra(
        spectra, settings.check, None if progress is None else lambda done: progress(done, len(sets) + 1)
    )
    fits = fit_by_day(ramps, settled, judged, settings)
    if progress is not None:
        progress(len(sets), len(sets) + 1)
    flags = [*(fit.flags for fit in fits), judged]
    return Measured(
        session=opened.path.name,
        plan=settings,
        sets=tuple(sets),
        settled=settled,
        fits=tuple(fits),
        flags=join_flags(flags),
        unusable=without_slope(fits),
        sources=sources,
        calibrations=calibrations,
        order=measurement_order(
            pd.concat([part.table[["sweep", "started", "source"]] for part in sets], ignore_index=True), sources
        ),
    )


def judge(session: Session | str | Path, plan: Plan | None = None, *, progress: Progress | None = None) -> pd.DataFrame:
    """Judge every sweep of a session.

    Parameters
    ----------
    session : Session or path
    plan : Plan, optional
    progress : callable(done, total), optional

    Returns
    -------
    pandas.DataFrame
        One row per sweep, in order of measurement: `sweep`, `kind`, `sample`, `tip`, `day`, `site`, `direction`, `repeat`,
        `unassigned` (the series of a sweep that stands for no tip), `flags`, `reasons` (with sizes), `used`, `decided_by`
        ("rule" or "person"), `by` (that person's name, "" where it was not recorded).

    Examples
    --------
    >>> made = sts.simulate_iz(barrier_eV=4.0, sweeps=4, bench=sts.simulate.Bench(white_A=1e-12), seed=1)
    >>> np.savez("heron.npz", height_m=made.sweeps.axis, current_A=made.sweeps.current)
    >>> imported = sts.import_files(["heron.npz"], "session.h5", values={"tip": "heron"})
    >>> sts.Session.open("session.h5").mark(["heron_2"], "omit", "tip touched")
    >>> sts.judge("session.h5")[["sweep", "used", "decided_by"]].values.tolist()[:2]
    [['heron_1', True, 'rule'], ['heron_2', False, 'person']]
    """
    opened = opened_session(session)
    return measure(opened, plan, progress=progress).judge(opened.decisions())
