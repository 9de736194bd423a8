"""Where a session stands: measured under a plan, with the decisions in force, listed; brought up to date with its file."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import pandas as pd

from sts.analysis import Analysis, Measured, measure
from sts.analysis.measured_again import measure_again
from sts.plan import Plan
from sts.review.state import State, changes_between
from sts.review.worklist import order_of_work, worklist_of
from sts.review.writing import Waiting
from sts.session import Session, SessionError


class Standing:
    """A session measured, summarised and listed.

    Parameters
    ----------
    session : Session
    plan : Plan
    progress : callable(done, total), optional

    Raises
    ------
    SessionError
        If the session cannot be used.
    ValueError
        If it has no sweeps.
    """

    measured: Measured
    analysis: Analysis
    rule: Analysis  # what is used when nobody has decided anything
    worklist: pd.DataFrame

    def __init__(self, session: Session, plan: Plan, progress: Callable[[int, int], None] | None = None) -> None:
        self.session, self.plan = session, plan
        self.state = State.of(session)
        self.seen = set(self.state.looked)
        self.measured = measure(session, plan, progress=progress)
        self._all_anew()

    def refresh(self, written: Sequence[Waiting] = ()) -> list[str]:
        """Take over what is in the file now; return what others changed, in words.

        Parameters
        ----------
        written : sequence of Waiting
            Decisions that were written from here since the last time.
        """
        before = self.state.decided(written)
        self.state = after = before.again(self.session)
        if after is before:
            return []
        self.seen |= set(after.looked)
        if not after.same_sweeps(before):
            self.measured = measure(self.session, self.plan)
            self._all_anew()
        elif len(after.decisions) != len(self.analysis.decisions):
            self.analysis = self.measured.summarise(after.decisions)
            self._list()
        else:
            self._list()
        return changes_between(before, after)

    def use(self, plan: Plan) -> None:
        """Measure under another plan what it touches.

        Parameters
        ----------
        plan : Plan
        """
        if plan != self.plan:
            self.measured, self.plan = measure_again(self.measured, plan), plan
            self._all_anew()

    def look(self, sweep: str) -> bool:
        """Note that a sweep was looked at; whether it is the first time.

        Parameters
        ----------
        sweep : str
        """
        row = self.row(sweep)
        if sweep in self.seen:
            return False
        self.seen.add(sweep)
        self.worklist.iat[row, list(self.worklist.columns).index("looked")] = True
        return True

    def row(self, sweep: str) -> int:
        """Where a sweep stands in the list.

        Parameters
        ----------
        sweep : str

        Raises
        ------
        SessionError
            If there is no such sweep.
        """
        if sweep not in self._rows:
            raise SessionError(f"there is no sweep '{sweep}' in {self.session.path.name}; the list shows their names.")
        return self._rows[sweep]

    def _all_anew(self) -> None:
        log = self.state.decisions
        self.rule = self.measured.summarise(log.iloc[:0])
        self.analysis = self.measured.summarise(log) if len(log) else self.rule
        self._order = order_of_work(self.measured, self.rule)
        self._rows = {name: row for row, name in enumerate(self._order["sweep"])}
        self._list()

    def _list(self) -> None:
        self.worklist = worklist_of(self._order, self.analysis, self.seen)
