"""Where a session stands: measured under a plan, with the decisions in force, listed; brought up to date with its file."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from typing import Any

from sts.analysis import Analysis, Curve, Measured, curves_of, measure, view_of
from sts.analysis.measured_again import measure_again
from sts.plan import Plan
from sts.review.listed import Listing
from sts.review.worklist import order_of_work, worklist_of
from sts.session import Session


class Standing(Listing):
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
    opened: Analysis  # as it was first
    rule: Analysis  # what is used when nobody has decided anything

    def __init__(self, session: Session, plan: Plan, progress: Callable[[int, int], None] | None = None) -> None:
        super().__init__(session, plan)
        self.measured = measure(session, plan, progress=progress)
        self._all_anew()
        self.opened = self.analysis

    def _follow(self, *, same_sweeps: bool) -> None:
        if not same_sweeps:
            self.measured = measure(self.session, self.plan)
            self._all_anew()
            return
        if len(self.state.decisions) != len(self.analysis.decisions):
            self.analysis = self.measured.summarise(self.state.decisions)
        self._list()

    def use(self, plan: Plan) -> None:
        """Measure under another plan what it touches.

        Parameters
        ----------
        plan : Plan
        """
        if plan != self.plan:
            self.measured, self.plan = measure_again(self.measured, plan), plan
            self._all_anew()

    def go_on(self, seen: Collection[str]) -> None:
        """Take over what happened while the sweeps were being measured.

        Parameters
        ----------
        seen : collection of str
            Sweeps that were looked at.
        """
        self.seen |= set(seen)
        self.refresh()
        self._list()

    def view(self, sweep: str) -> Any:
        """One sweep as arrays, with its fit, masks and flags.

        Parameters
        ----------
        sweep : str

        Raises
        ------
        SessionError
            If there is no such sweep.
        """
        self.row(sweep)
        return view_of(self.measured, self.analysis, sweep)

    def curves(self, sweeps: Sequence[str]) -> tuple[Curve, ...]:
        """The currents of some sweeps.

        Parameters
        ----------
        sweeps : sequence of str
        """
        return curves_of(self.measured, sweeps)

    def _all_anew(self) -> None:
        log = self.state.decisions
        self.rule = self.measured.summarise(log.iloc[:0])
        self.analysis = self.measured.summarise(log) if len(log) else self.rule
        self._order = order_of_work(self.measured, self.rule)
        self._number(self._order["sweep"])
        self._list()

    def _list(self) -> None:
        self.worklist = worklist_of(self._order, self.analysis, self.seen)
