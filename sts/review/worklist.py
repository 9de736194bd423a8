"""What to look at next: the sweeps of a session, doubtful ones first, each with the reason why it stands there."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from sts.analysis import Analysis, Measured
from sts.review.unusual import unusual_for_site

NEAR = 1.5  # times its limit: below this a sweep that a rule leaves out might as well have passed
UNUSUAL = 4.0  # robust standard deviations from its site: one in 16,000 of normal values
FEW = 4  # sweeps of a tip below which "most of them" says nothing
TIP = ["sample", "tip", "unassigned"]

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

    First those left out by rule but near the limit, the nearest first; then those flagged and used, those furthest over a
    limit first; then those unusual for their site, the furthest first; then the others left out by rule, and then the rest,
    in order of measurement. A flag that
    most sweeps of a tip carry tells of the tip, not of the sweep: by itself it makes none doubtful.

    Parameters
    ----------
    measured : Measured
    rule : Analysis
        What is used when nobody has decided anything.

    Returns
    -------
    pandas.DataFrame
        `sweep`, `why`, `times_limit` (NaN where there is no limit), `sigmas` (NaN where nothing could be compared).
    """
    judged = rule.judged
    flags = rule.flags[rule.flags["sweep"].isin(judged["sweep"])].merge(
        judged[["sweep", "kind", *TIP, "used"]], on="sweep", how="left"
    )
    grave = flags["flag"].isin(list(measured.plan.check.omit)).to_numpy(bool)
    telling = grave | ~_of_the_tip(flags, judged)
    nearest = _per_sweep(judged, flags[grave].fillna({"times_limit": np.inf}).groupby("sweep")["times_limit"].max())
    worst = _per_sweep(judged, flags[telling].groupby("sweep")["times_limit"].max())
    names = _per_sweep(judged, flags[telling].groupby("sweep")["flag"].agg(", ".join)).astype(object)
    far = unusual_for_site(measured).set_index("sweep").loc[judged["sweep"]]
    sigmas, respect = far["sigmas"].to_numpy(float), far["respect"].to_numpy(object)
    used = judged["used"].to_numpy(bool)
    doubtful = pd.notna(names)
    tiers = [~used & (nearest <= NEAR), used & doubtful, sigmas >= UNUSUAL, ~used]
    tier = np.select(tiers, range(4), 4)
    size = np.select([tier == 0, tier == 1, tier == 2], [nearest, -np.nan_to_num(worst), -sigmas], 0.0)
    place = np.lexsort((np.arange(len(judged)), size, tier))
    why = [
        _words(*row) for row in zip(tier, used, names, judged["flags"], nearest, sigmas, respect, strict=True)
    ]  # fmt: skip
    order = judged[["sweep"]].assign(why=why, times_limit=np.where(used, worst, nearest), sigmas=sigmas)
    return order.iloc[place].reset_index(drop=True)


def _per_sweep(judged: pd.DataFrame, values: pd.Series[Any]) -> np.ndarray:
    return values.reindex(judged["sweep"]).to_numpy()


def _of_the_tip(flags: pd.DataFrame, judged: pd.DataFrame) -> np.ndarray:
    """Which rows of flags are carried by most sweeps of that kind of the tip; a tip of few sweeps tells nothing."""
    group = ["kind", *TIP]
    carrying = flags.groupby([*group, "flag"], dropna=False)["sweep"].transform("size").to_numpy(float)
    sizes = judged.groupby(group, dropna=False).size().rename("whole").reset_index()
    whole = flags[group].merge(sizes, on=group, how="left")["whole"].to_numpy(float)
    return np.asarray((carrying > whole / 2) & (whole >= FEW))


def _words(
    tier: int, used: bool, names: str, flags: str, nearest: float, sigmas: float, respect: str
) -> str:  # fmt: skip
    """Why a sweep stands where it stands."""
    said = ", ".join(flags.split(";"))
    if tier == 0:
        return f"left out by rule but near the limit ({nearest:.2g} times it): {names}"
    if tier == 1:
        return f"flagged and used: {names}"
    out = f"; left out by rule: {said}" if not used else ""
    if tier == 2:
        return f"unusual for its site: {respect} {sigmas:.1f} standard deviations off{out}"
    if out:
        return out[2:]
    return f"as most of its tip: {said}" if said else ""


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
