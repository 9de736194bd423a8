"""What to look at next: the sweeps of a session, doubtful ones first, each with the reason why it stands there."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
import pandas as pd

from sts.analysis import Analysis, Measured

COLUMNS = (
    "sweep", "kind", "sample", "tip", "site", "direction", "repeat", "flags", "used", "decided_by", "why", "looked",
)  # fmt: skip


@dataclass(frozen=True)
class Filters:
    """Which rows of the worklist are shown; what is left empty shows all."""

    kind: str = ""  # "iv" or "iz"
    sample: str = ""
    tip: str = ""
    site: str = ""
    flag: str = ""
    used: bool | None = None
    decided_by: str = ""  # "rule" or "person"
    text: str = ""  # within the name, the flags or the reason, small or capital letters alike
    unseen: bool = False  # only what has not been looked at

    def rows(self, worklist: pd.DataFrame) -> np.ndarray:
        """Which rows of a worklist pass (m,).

        Parameters
        ----------
        worklist : pandas.DataFrame
            m rows.
        """
        passing = np.ones(len(worklist), bool)
        for column in ("kind", "sample", "tip", "site", "decided_by"):
            if wanted := getattr(self, column):
                passing &= (worklist[column] == wanted).to_numpy(bool)
        if self.used is not None:
            passing &= (worklist["used"] == self.used).to_numpy(bool)
        if self.unseen:
            passing &= ~worklist["looked"].to_numpy(bool)
        if self.flag:
            passing &= np.array([self.flag in flags.split(";") for flags in worklist["flags"]], bool)
        if self.text:
            words = self.text.casefold()
            some = worklist.loc[passing, ["sweep", "flags", "why"]].itertuples(index=False)
            passing[passing] = [any(words in str(cell).casefold() for cell in row) for row in some]
        return passing


def order_of_work(measured: Measured, rule: Analysis) -> pd.DataFrame:
    """The sweeps in the order in which they want to be looked at, and why; decisions do not change it.

    Parameters
    ----------
    measured : Measured
    rule : Analysis
        What is used when nobody has decided anything.

    Returns
    -------
    pandas.DataFrame
        `sweep`, `why`.
    """
    judged = rule.judged
    used, flagged = judged["used"].to_numpy(bool), (judged["flags"] != "").to_numpy(bool)
    rank = np.where(~used, 0, np.where(flagged, 1, 3))
    why = np.where(
        ~used, "left out by rule: " + judged["flags"], np.where(flagged, "flagged and used: " + judged["flags"], "")
    )
    place = np.argsort(rank, kind="stable")
    return pd.DataFrame({"sweep": judged["sweep"].to_numpy()[place], "why": why[place]})


def worklist_of(order: pd.DataFrame, analysis: Analysis, looked: Collection[str]) -> pd.DataFrame:
    """The rows of the worklist as things stand.

    Parameters
    ----------
    order : pandas.DataFrame
        Of `order_of_work`.
    analysis : Analysis
        Under the decisions in force.
    looked : collection of str
        Sweeps that have been looked at.

    Returns
    -------
    pandas.DataFrame
        `COLUMNS`.
    """
    rows = analysis.judged.set_index("sweep").loc[order["sweep"]].reset_index()
    rows = rows.assign(why=order["why"].to_numpy(), looked=rows["sweep"].isin(list(looked)).to_numpy())
    return rows[list(COLUMNS)]
