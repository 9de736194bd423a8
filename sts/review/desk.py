"""`Desk`: a session on the table. Measured once; every decision is written at once, and the answer follows."""

from __future__ import annotations

import importlib
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from threading import RLock
from typing import Any

import pandas as pd

from sts.analysis import Analysis, Measured, measure
from sts.plan import Plan
from sts.review.answer import Answer, spectrum_with, tips_then_and_now
from sts.review.commands import mark_lines
from sts.review.settings import changed_settings, with_settings
from sts.review.state import State, changes_between
from sts.review.worklist import Filters, order_of_work, worklist_of
from sts.selection import standing_decisions
from sts.session import NotWritten, Session, SessionError
from sts.session.deciding import decide, note_looked
from sts.settings import write_toml
from sts.spectra.spectrum import Spectrum

PATIENCE = 5.0  # [s] how long a decision waits for another program that changes the session
KEPT_HERE = " It is kept here and written with the next one, or when you try again."


@dataclass(frozen=True)
class Waiting:
    """A decision that could not be written yet."""

    sweeps: tuple[str, ...]
    action: str
    why: str


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
        self.plan = self.rule_plan = plan or Plan()
        self.read_only = not _may_write(self.path) if read_only is None else read_only
        self._lock = RLock()
        self._waiting: list[Waiting] = []
        self._unwritten: dict[str, None] = {}  # looked at, not yet in the session
        self._news: list[str] = []
        self._state = State.of(self.session)
        self._seen = set(self._state.looked)
        self.measured: Measured = measure(self.session, self.plan, progress=progress)
        self.opened: Analysis
        self._summarise(anew=True)
        self.opened = self.analysis

    # --- looking -----------------------------------------------------------------------------------------------------

    @property
    def worklist(self) -> pd.DataFrame:
        """Every sweep in the order in which it wants to be looked at; see `sts.review.worklist.COLUMNS`."""
        return self._worklist

    def filtered(self, filters: Filters) -> pd.DataFrame:
        """The rows of the worklist that pass.

        Parameters
        ----------
        filters : Filters
        """
        return self._worklist[filters.rows(self._worklist)]

    @property
    def looked_at(self) -> tuple[int, int]:
        """How many sweeps have been looked at, and how many there are."""
        return int(self._worklist["looked"].sum()), len(self._worklist)

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
        row = self._row(sweep)
        if sweep not in self._seen:
            self._seen.add(sweep)
            self._unwritten[sweep] = None
            self._worklist.iat[row, list(self._worklist.columns).index("looked")] = True

    def save_looks(self) -> bool:
        """Write what was looked at since the last writing; False if it could not be written now and stays here."""
        with self._lock:
            if self.read_only or not self._unwritten:
                return not self._unwritten
            try:
                note_looked(self.path, list(self._unwritten), timeout=PATIENCE)
            except NotWritten:
                return False
            self._unwritten.clear()
            self._refresh()
            return True

    def view(self, sweep: str) -> Any:
        """One sweep as arrays, with its fit, masks and flags.

        Parameters
        ----------
        sweep : str
        """
        self._row(sweep)
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
        self._row(sweep)
        rows = self.analysis.flags[self.analysis.flags["sweep"] == sweep]
        return [
            f"{flag}: {detail}" if detail else flag for flag, detail in zip(rows["flag"], rows["detail"], strict=True)
        ]

    # --- deciding ----------------------------------------------------------------------------------------------------

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
        names = (sweeps,) if isinstance(sweeps, str) else tuple(sweeps)
        with self._lock:
            decision = Waiting(names, action, " ".join(why.split()))
            if decision not in self._waiting:
                self._waiting.append(decision)
            try:
                self._write(decision)
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
            before = len(self._waiting)
            try:
                self._write(None)
            finally:
                self._refresh()
            return before

    @property
    def waiting(self) -> tuple[Waiting, ...]:
        """Decisions that could not be written yet, in order."""
        return tuple(self._waiting)

    def _write(self, own: Waiting | None) -> None:
        """Write what waits, in order; what can never be written is dropped, and said: to the caller if it is its own."""
        while self._waiting:
            first = self._waiting[0]
            try:
                decide(
                    self.path, first.action, {first.why: first.sweeps}, looked=self._unwritten, timeout=PATIENCE
                )  # fmt: skip
            except NotWritten as error:
                raise NotWritten(f"{error}{KEPT_HERE}") from error
            except SessionError as error:
                del self._waiting[0]
                if first == own:
                    raise
                self._news.append(
                    f"A decision that waited ({first.action} {', '.join(first.sweeps)}) was not taken: {error}"
                )
            else:
                del self._waiting[0]
                self._unwritten.clear()
                self._state = self._state.decided(first.sweeps, first.action, first.why)

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
        before = self._state
        after = before.again(self.session)
        if after is before:
            return
        self._news += changes_between(before, after)
        self._state = after
        self._seen |= set(after.looked)
        if not after.same_sweeps(before):
            self.measured = measure(self.session, self.plan)
            self._summarise(anew=True)
        elif len(after.decisions) != len(self.analysis.decisions):
            self._summarise()
        else:
            self._list_again()

    def _summarise(self, *, anew: bool = False) -> None:
        """The answer under the decisions in force."""
        decisions = self._state.decisions
        self.analysis: Analysis = self.measured.summarise(decisions)
        if anew:
            decided = bool(standing_decisions(decisions))
            self.rule: Analysis = self.measured.summarise(decisions.iloc[:0]) if decided else self.analysis
            self._order = order_of_work(self.measured, self.rule)
            self._rows = {name: row for row, name in enumerate(self._order["sweep"])}
        self._list_again()

    def _list_again(self) -> None:
        self._worklist = worklist_of(self._order, self.analysis, self._seen)

    def _row(self, sweep: str) -> int:
        if sweep not in self._rows:
            raise SessionError(f"there is no sweep '{sweep}' in {self.path.name}; the list shows their names.")
        return self._rows[sweep]

    # --- the answer --------------------------------------------------------------------------------------------------

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
        self._row(sweep)
        return spectrum_with(self.opened, sweep), spectrum_with(self.analysis, sweep)

    # --- settings ----------------------------------------------------------------------------------------------------

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
        self._use(with_settings(self.plan, settings))

    def back_to_rule(self) -> None:
        """Take all changes of settings back."""
        self._use(self.rule_plan)

    def _use(self, plan: Plan) -> None:
        with self._lock:
            if plan != self.plan:
                self.measured = measure(self.session, plan)
                self.plan = plan
                self._summarise(anew=True)

    @property
    def changed(self) -> list[tuple[str, Any, Any]]:
        """Settings that differ from the defaults: key, default, now."""
        return changed_settings(self.plan, Plan())

    def plan_text(self) -> str:
        """The settings in use as TOML, for `sts report --plan`."""
        return write_toml(self.plan)

    # --- out ---------------------------------------------------------------------------------------------------------

    def commands(self, shell: str = "posix") -> str:
        """The decisions in force as lines of `sts mark`.

        Parameters
        ----------
        shell : str
            ``"posix"`` or ``"cmd"``; lines without special characters are the same for both.
        """
        return mark_lines(str(self.path), standing_decisions(self._state.decisions), shell)

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
            if self._waiting:
                self.retry()
            self.save_looks()


def _may_write(path: Path) -> bool:
    return os.access(path, os.W_OK) and os.access(path.absolute().parent, os.W_OK)
