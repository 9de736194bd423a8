"""`Desk`: a session on the table. Measured once; every decision is written at once, and the answer follows."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Future
from pathlib import Path
from threading import RLock
from typing import Any

from sts.plan import Plan
from sts.review.commands import mark_lines
from sts.review.listed import Listed
from sts.review.settings import with_settings
from sts.review.shown import Shown
from sts.review.standing import Standing
from sts.review.writing import Waiting, Writing, may_write
from sts.selection import deciders, standing_decisions
from sts.session import Session, SessionError
from sts.settings import write_toml


class Desk(Shown):
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
    standing : concurrent.futures.Future, optional
        Gives the session measured by somebody else, for `go_on`; until then sweeps are listed, looked at and decided about.
    by : str, optional
        Who decides; that of the plan if not given, else the account's name; "": not recorded.

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
        standing: Future[Standing] | None = None,
        by: str | None = None,
    ) -> None:
        self.path = Path(path)
        self.session = Session.open(self.path)
        self.read_only = not may_write(self.path) if read_only is None else read_only
        self._rule_plan = plan or Plan()
        self._lock = RLock()
        self._writing = Writing(self.path, self._rule_plan.review.by if by is None else by)
        self._news: list[str] = []
        self.standing = standing
        self._now: Standing | Listed = (
            Listed(self.session, self._rule_plan)
            if standing is not None
            else Standing(self.session, self._rule_plan, progress)
        )

    def go_on(self) -> None:
        """Wait until the sweeps are measured, and go on with that; what was decided and looked at meanwhile counts.

        Raises
        ------
        ValueError
            If they cannot be measured.
        """
        if self.standing is not None and self.measuring:
            made = self.standing.result()
            with self._lock:
                self._refresh()
                made.go_on(self._now.seen)
                self._now = made

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
            self._measured.use(with_settings(self.plan, settings))

    def back_to_rule(self) -> None:
        """Take all changes of settings back."""
        with self._lock:
            self._measured.use(self._rule_plan)

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
        log = self._now.state.decisions
        return mark_lines(str(self.path), standing_decisions(log), shell, by=deciders(log))

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
