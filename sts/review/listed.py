"""A session before it is measured: its sweeps by name, what was decided about them, and one site at a time to look at."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from sts.analysis import Analysis, Curve, Measured, curves_of, measure, view_of
from sts.plan import Plan
from sts.review.state import State, changes_between
from sts.review.worklist import COLUMNS
from sts.review.writing import Waiting
from sts.selection import standing_decisions
from sts.session import Session, SessionError

SITE = ["kind", "sample", "tip", "day", "site"]
MOST = 200  # sweeps of a site that are measured with one that is looked at
MEASURING = "measuring all sweeps ..."


class Listing(ABC):
    """The list of a session's sweeps, and which of them were looked at.

    Parameters
    ----------
    session : Session
    plan : Plan

    Raises
    ------
    SessionError
        If the session cannot be used.
    """

    worklist: pd.DataFrame  # see `sts.review.worklist.COLUMNS`

    def __init__(self, session: Session, plan: Plan) -> None:
        self.session, self.plan = session, plan
        self.state = State.of(session)
        self.seen = set(self.state.looked)
        self._rows: dict[str, int] = {}

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
        self._follow(same_sweeps=after.same_sweeps(before))
        return changes_between(before, after)

    @abstractmethod
    def _follow(self, *, same_sweeps: bool) -> None:
        """Make anew what the list shows, now that the file holds something else."""

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

    def _number(self, sweeps: Iterable[str]) -> None:
        self._rows = {name: row for row, name in enumerate(sweeps)}


class Listed(Listing):
    """A session whose sweeps are being measured: nothing is judged yet, and the list is in order of import.

    Parameters
    ----------
    session : Session
    plan : Plan

    Raises
    ------
    SessionError
        If the session cannot be used.
    ValueError
        If it has no sweeps.
    """

    def __init__(self, session: Session, plan: Plan) -> None:
        super().__init__(session, plan)
        self._read()

    def _read(self) -> None:
        self._table = self.session.sweeps()
        self._table["day"] = self._table["sweep"].map(self.session.days())
        if self._table.empty:
            raise ValueError(
                f"{self.session.path}: there are no sweeps in this session. Import some with 'sts import'."
            )
        self._site = self._table.groupby(SITE, sort=False, dropna=False).ngroup().to_numpy()
        self._number(self._table["sweep"])
        self._list()

    def _list(self) -> None:
        self._last: tuple[list[str], Measured, Analysis] | None = None
        table, standing = self._table, standing_decisions(self.state.decisions)
        acts = pd.Series({sweep: action for sweep, (action, _) in standing.items()}, dtype=object)
        act = table["sweep"].map(acts).to_numpy(object) if len(acts) else np.full(len(table), None)
        by = np.where(pd.isna(act), "rule", "person")
        looked = table["sweep"].isin(list(self.seen)).to_numpy()
        about = {"flags": "", "used": act != "omit", "decided_by": by, "why": MEASURING, "looked": looked}
        self.worklist = table.assign(**about)[list(COLUMNS)]

    def _follow(self, *, same_sweeps: bool) -> None:
        if same_sweeps:
            self._list()
        else:
            self._read()

    def view(self, sweep: str) -> Any:
        """One sweep as arrays, with a fit of its site alone; what is said of it is left out, since all sweeps have a say in it.

        Parameters
        ----------
        sweep : str

        Raises
        ------
        SessionError
            If there is no such sweep.
        """
        _, measured, analysis = self._of_site(self.row(sweep))
        view = view_of(measured, analysis, sweep)
        silent: dict[str, Any] = {
            name: np.nan for name in ("barrier_eV", "barrier_low_eV", "barrier_high_eV") if hasattr(view, name)
        }
        return replace(view, places=(), **silent)

    def curves(self, sweeps: Sequence[str]) -> tuple[Curve, ...]:
        """The currents of some sweeps of one site.

        Parameters
        ----------
        sweeps : sequence of str
        """
        return curves_of(self._of_site(self.row(sweeps[0]))[1], sweeps) if sweeps else ()

    def _of_site(self, row: int) -> tuple[list[str], Measured, Analysis]:
        """The sweeps of the site of a sweep, or those nearest in the list where there are many, measured; the last are kept."""
        sweep = str(self._table["sweep"].iloc[row])
        if self._last is None or sweep not in self._last[0]:
            rows = np.flatnonzero(self._site == self._site[row])
            first = min(max(int(np.searchsorted(rows, row)) - MOST // 2, 0), max(rows.size - MOST, 0))
            names = self._table["sweep"].iloc[rows[first : first + MOST]].tolist()
            measured = measure(self.session, self.plan, sweeps=names)
            self._last = names, measured, measured.summarise(self.state.decisions)
        return self._last
