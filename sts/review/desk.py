"""`Desk`: a session on the table. Measured once; every decision is written at once, and the answer follows."""

from __future__ import annotations

import importlib
import os
from collections.abc import Callable, Sequence
from pathlib import Path
from threading import RLock
from typing import Any

import pandas as pd

from sts.analysis import Analysis, Measured
from sts.barrier.windows import WindowFit
from sts.plan import Plan
from sts.review.answer import Answer, spectrum_with, tips_then_and_now
from sts.review.commands import mark_lines
from sts.review.previews import preview
from sts.review.settings import changed_settings, with_settings
from sts.review.standing import Standing
from sts.review.worklist import Filters
from sts.review.writing import Waiting, Writing
from sts.selection import standing_decisions
from sts.session import Session, SessionError
from sts.settings import write_toml
from sts.spectra.spectrum import Spectrum


class Desk:
    """A session under review: the list of what to look at, decisions written at once, and the answer before and now.

    Parameters
    ----------
    path : path
        Of the session.
    plan : Plan, optional
        Every setting; the defaults if not given.
    read_only : bool, optional
        Whether it is only looked at; if not given, whether the file or its folder may not be written.
    progress : callable(done, total), optional
        Told how far the measuring is.

    Raises
    ------
    SessionError
        If the session cannot be used.
    ValueError
        If it has no sweeps.
    """

    def __init__(
        self,
        path: str | Path,
        plan: Plan | None = None,
        *,
        read_only: bool | None = None,
        progress: Callable[[int, int], None] | None = None,
    ) -> None:
        self.path = Path(path)
        self.session = Session.open(self.path)
        self.read_only = not _may_write(self.path) if read_only is None else read_only
        self._rule_plan = plan or Plan()
        self._lock = RLock()
        self._writing = Writing(self.path)
        self._news: list[str] = []
        self._now = Standing(self.session, self._rule_plan, progress)
        self.opened = self._now.analysis

    @property
    def plan(self) -> Plan:
        """The settings in use."""
        return self._now.plan

    @property
    def measured(self) -> Measured:
        """Every sweep measured under the settings in use."""
        return self._now.measured

    @property
    def analysis(self) -> Analysis:
        """The results under the decisions in force."""
        return self._now.analysis

    @property
    def rule(self) -> Analysis:
        """The results if nobody had decided anything."""
        return self._now.rule

    @property
    def worklist(self) -> pd.DataFrame:
        """Every sweep in the order in which it wants to be looked at; see `sts.review.worklist.COLUMNS`."""
        return self._now.worklist

    def filtered(self, filters: Filters) -> pd.DataFrame:
        """The rows of the worklist that pass.

        Parameters
        ----------
        filters : Filters
        """
        return self.worklist[filters.rows(self.worklist)]

    @property
    def looked_at(self) -> tuple[int, int]:
        """How many sweeps have been looked at, and how many there are."""
        return int(self.worklist["looked"].sum()), len(self.worklist)

    def look(self, sweep: str) -> None:
        """Remember that a sweep was looked at; written with the next decision, by `save_looks` or at closing.

        Parameters
        ----------
        sweep : str

        Raises
        ------
        SessionError
            If there is no such sweep.
        """
        if self._now.look(sweep):
            self._writing.looks[sweep] = None

    def save_looks(self) -> bool:
        """Write what was looked at since the last writing; False if it could not be written now and stays here."""
        with self._lock:
            written = not self.read_only and self._writing.write_looks()
            self._refresh()
            return written

    def view(self, sweep: str) -> Any:
        """One sweep as arrays, with its fit, masks and flags.

        Parameters
        ----------
        sweep : str
        """
        self._now.row(sweep)
        return importlib.import_module("sts.analysis.sweep_view").view_of(self.measured, self.analysis, sweep)

    def reasons(self, sweep: str) -> list[str]:
        """Words offered for leaving a sweep out: its flags with their sizes.

        Parameters
        ----------
        sweep : str

        Raises
        ------
        SessionError
            If there is no such sweep.
        """
        self._now.row(sweep)
        rows = self.analysis.flags[self.analysis.flags["sweep"] == sweep]
        return [
            f"{flag}: {detail}" if detail else flag for flag, detail in zip(rows["flag"], rows["detail"], strict=True)
        ]

    def decide(self, sweeps: Sequence[str], action: str, why: str = "") -> None:
        """Decide about sweeps, as `sts mark` does; when this returns the decision is in the session on disk.

        Parameters
        ----------
        sweeps : sequence of str
            Names; a single name is taken as one.
        action : str
            ``"omit"``, ``"keep"`` or ``"undo"`` (the last decision).
        why : str
            The reason, for all but undo.

        Raises
        ------
        SessionError
            If a name is unknown, the action is, a reason is missing, there is nothing to undo, or the session is open for
            looking only.
        NotWritten
            If it cannot be written now; it is kept and written with the next decision or by `retry`.
        """
        if self.read_only:
            raise SessionError(
                f"{self.path}: is open for looking only. Copy it to a folder where you may write, and review that copy."
            )
        with self._lock:
            try:
                self._writing.decide((sweeps,) if isinstance(sweeps, str) else sweeps, action, why)
            finally:
                self._refresh()

    def retry(self) -> int:
        """Write the decisions that wait; return how many were written.

        Raises
        ------
        NotWritten
            If they still cannot be written; they go on waiting.
        """
        with self._lock:
            before = len(self._writing.waiting)
            try:
                self._writing.write()
            finally:
                self._refresh()
            return before

    @property
    def waiting(self) -> tuple[Waiting, ...]:
        """Decisions that could not be written yet, in order."""
        return tuple(self._writing.waiting)

    def news(self) -> tuple[str, ...]:
        """What another window or program changed in the session since the last call, in words; the answer is made anew.

        Cheap where nothing changed: a look at the file's time and size.

        Raises
        ------
        SessionError
            If the session can no longer be read.
        """
        with self._lock:
            self._refresh()
            said, self._news = tuple(self._news), []
            return said

    def _refresh(self) -> None:
        """Take over what is in the file now."""
        written, self._writing.done = self._writing.done, []
        self._news += [*self._writing.said, *self._now.refresh(written)]
        self._writing.said = []

    def answer(self) -> Answer:
        """The tips with their numbers when opened and now, what was decided and which way, and cautions."""
        spectra = self.analysis.spectra.spectra if self.analysis.spectra is not None else ()
        return Answer(
            tips=tips_then_and_now(self.opened, self.analysis),
            spectra=tuple(s.label for s in spectra),
            decided=self.analysis.by_hand.tips,
            sentence=self.analysis.by_hand.sentence,
            cautions=self.analysis.by_hand.cautions,
        )

    def spectrum(self, sweep: str) -> tuple[Spectrum | None, Spectrum | None]:
        """The averaged spectrum of the group of a sweep when the session was opened, and now.

        Parameters
        ----------
        sweep : str
        """
        self._now.row(sweep)
        return spectrum_with(self.opened, sweep), spectrum_with(self.analysis, sweep)

    def change(self, **settings: Any) -> None:
        """Change settings and make the answer anew; measured again is only what they touch.

        Parameters
        ----------
        **settings
            Key of the plan with its section to value, as ``**{"spectra.average": "median"}``.

        Raises
        ------
        PlanError
            If there is no such key, or the value is not allowed.
        """
        with self._lock:
            self._now.use(with_settings(self.plan, settings))

    def preview_window(self, sweep: str, from_nm: float | None, to_nm: float | None) -> WindowFit:
        """The fit of one I(z) sweep over another window, at once; `change` measures all under it.

        Parameters
        ----------
        sweep : str
        from_nm, to_nm : float or None
            Heights from the near end of the ramp [nm]; None: as far as the rules allow.

        Raises
        ------
        SessionError
            If there is no such I(z) sweep.
        """
        self._now.row(sweep)
        return preview(self.measured, sweep, from_nm, to_nm)

    def back_to_rule(self) -> None:
        """Take all changes of settings back."""
        with self._lock:
            self._now.use(self._rule_plan)

    @property
    def changed(self) -> list[tuple[str, Any, Any]]:
        """Settings that differ from the defaults: key, default, now."""
        return changed_settings(self.plan, Plan())

    def plan_text(self) -> str:
        """The settings in use as TOML, for `sts report --plan`."""
        return write_toml(self.plan)

    def commands(self, shell: str = "posix") -> str:
        """The decisions in force as lines of `sts mark`.

        Parameters
        ----------
        shell : str
            ``"posix"`` or ``"cmd"``; lines without special characters are the same for both.
        """
        return mark_lines(str(self.path), standing_decisions(self._now.state.decisions), shell)

    def report(
        self, out: str | Path, progress: Callable[[int, int], None] | None = None, *, force: bool = False
    ) -> list[Path]:
        """Write the report under the settings in use.

        Parameters
        ----------
        out : path
            Folder.
        progress : callable(done, total), optional
        force : bool
            Overwrite results that are there already.

        Raises
        ------
        ValueError
            If results are there already and are not to be overwritten.
        """
        from sts.report import write_results  # matplotlib comes with it, which nobody needs to decide

        return write_results(self.analysis, out, force=force, progress=progress)

    def close(self) -> None:
        """Write what was looked at, and decisions that wait.

        Raises
        ------
        NotWritten
            If decisions still cannot be written.
        """
        if not self.read_only:
            if self.waiting:
                self.retry()
            self.save_looks()


def _may_write(path: Path) -> bool:
    return os.access(path, os.W_OK) and os.access(path.absolute().parent, os.W_OK)
