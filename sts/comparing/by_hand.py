"""What decisions by hand did to the answer: how many, which way, and when they deserve a caution."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from sts.curves.distributions import at_most_heads

ONE_SIDED = 0.05  # how often decisions taken at random are called one-sided, all tips of a session together
SHARE_BEYOND = 0.05  # of its points, beyond which a spectrum has moved out of its band
MOST_NAMED = 3  # persons in a sentence
TIP = ["sample", "tip"]
OF_SPECTRUM = ("spectrum", "quantity", "points", "beyond")
QUANTITY = {"iz": "barrier", "iv": "current"}
COLUMNS = (
    "kind", "sample", "tip", "omitted", "kept", "raised", "lowered", "p_one_side", "by_rule_eV", "by_rule_low_eV",
    "by_rule_high_eV", "barrier_eV",
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class ByHand:
    """Decisions that changed which sweeps are used, and what they changed.

    Attributes
    ----------
    sweeps : pandas.DataFrame
        `sweep`, `kind`, `sample`, `tip`, `by` (name), `omitted` (else kept), `side`: +1 raises the answer, -1 lowers it, 0
        unknown.
    tips : pandas.DataFrame
        COLUMNS: one row per kind of sweep and tip that was decided about.
    cautions : tuple[str, ...]
        What a reader should know of them.
    spectra : pandas.DataFrame
        OF_SPECTRUM: one row per spectrum and quantity that was changed.
    """

    sweeps: pd.DataFrame
    tips: pd.DataFrame
    cautions: tuple[str, ...]
    spectra: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=list(OF_SPECTRUM)))

    @classmethod
    def none(cls) -> ByHand:
        """Nothing was decided."""
        return cls(
            pd.DataFrame(columns=["sweep", "kind", *TIP, "by", "omitted", "side"]),
            pd.DataFrame(columns=list(COLUMNS)),
            (),
        )

    @property
    def sentence(self) -> str:
        """How many, by whom, and which way; "" where no decision changed anything."""
        if self.sweeps.empty:
            return ""
        omitted, kept = (int((self.sweeps["omitted"] == which).sum()) for which in (True, False))
        parts = [f"{n} {'sweep' if n == 1 else 'sweeps'} {words}" for n, words in (
            (omitted, "left out that the rules would use"), (kept, "used that the rules would leave out")) if n]  # fmt: skip
        said = [f"By hand: {', '.join(parts)}.", _by_whom(self.sweeps["by"])]
        for kind, quantity in QUANTITY.items():
            side = self.sweeps.loc[self.sweeps["kind"] == kind, "side"]
            raised, lowered = int((side > 0).sum()), int((side < 0).sum())
            if raised or lowered:
                said.append(
                    f"Of these, {raised} raise{'s' * (raised == 1)} the {quantity} of {'its' if raised == 1 else 'their'} tip and "
                    f"{lowered} lower{'s' * (lowered == 1)} it."
                )
        for row in _rows(self.tips):
            if np.isfinite(row.by_rule_eV) and np.isfinite(row.barrier_eV):
                within = (
                    f" ({row.by_rule_low_eV:.3g} to {row.by_rule_high_eV:.3g})"
                    if np.isfinite(row.by_rule_low_eV)
                    else ""
                )
                said += [
                    f"{row.tip or 'no tip'} {row.by_rule_eV:.3g} eV{within} by rule.",
                    f"With the decisions {row.barrier_eV:.3g} eV.",
                ]
        return " ".join(said)


def by_hand(
    sweeps: pd.DataFrame, rule_tips: pd.DataFrame, tips: pd.DataFrame, points: pd.DataFrame | None = None
) -> ByHand:
    """What decisions by hand did, against what the rules alone would have used.

    Parameters
    ----------
    sweeps : pandas.DataFrame
        One row per sweep: `sweep`, `kind`, `sample`, `tip`, `place` (number of what it is a repeat of: site, and set-point of
        an I(V) sweep), `replicate`, `value` (what the answer grows with, any unit; NaN where unknown), `by_rule`, `used`, and `by`
        (who decided, "" where that is not known; may be left out).
    rule_tips, tips : pandas.DataFrame
        The tips by rule alone and under the decisions: `sample`, `tip`, `barrier_eV`, `barrier_low_eV`,
        `barrier_high_eV`; may be empty.
    points : pandas.DataFrame, optional
        Of the spectra that the decisions changed, one row per point: `spectrum`, `quantity` (in words), `low` and `high` (the band
        by rule) and `now`, in any unit.

    Notes
    -----
    A sweep left out raises the answer if its value is below the centre of its place (the median of what the rules use there),
    one that is used in spite of a rule if it is above. Where all of a place was left out, that is one decision, and its
    centre is held against the tip's. The two sweeps of a repeat are one decision, too. Whether the sides are one-sided is
    asked by the sign test (two-sided, of each tip and of all together), at `ONE_SIDED` divided by the number of questions.
    A tip's answer has moved too far if it is further from that by rule than half of the interval by rule, a spectrum if it has
    left its band by rule at more than `SHARE_BEYOND` of its points (a few points of many leave it by chance). Common practice,
    no source; tested by simulation.
    """
    sweeps = sweeps if "by" in sweeps else sweeps.assign(by="")
    of_interest = sweeps.loc[sweeps["used"] != sweeps["by_rule"], "tip"].unique()
    changed = _sides(sweeps[sweeps["tip"].isin(of_interest)])
    tables = []
    for (kind, *tip), rows in changed.groupby(["kind", *TIP], sort=False):
        before, after = (_tip(table, tip) if kind == "iz" else {} for table in (rule_tips, tips))
        tables.append({
            "kind": kind, **dict(zip(TIP, tip, strict=True)), "omitted": int(rows["omitted"].sum()),
            "kept": int((~rows["omitted"]).sum()), "raised": int((rows["side"] > 0).sum()),
            "lowered": int((rows["side"] < 0).sum()), "p_one_side": _p_one_side(rows),
            "by_rule_eV": before.get("barrier_eV", np.nan), "by_rule_low_eV": before.get("barrier_low_eV", np.nan),
            "by_rule_high_eV": before.get("barrier_high_eV", np.nan), "barrier_eV": after.get("barrier_eV", np.nan),
        })  # fmt: skip
    per_tip = pd.DataFrame(tables, columns=list(COLUMNS))
    told = changed[["sweep", "kind", *TIP, "by", "omitted", "side"]].reset_index(drop=True)
    spectra = _beyond(points)
    return ByHand(told, per_tip, (*_moved(per_tip), *_moved_spectra(spectra), *_one_sided(changed, per_tip)), spectra)


def _beyond(points: pd.DataFrame | None) -> pd.DataFrame:
    """How many points of each spectrum there are, and how many of them have left their band; `OF_SPECTRUM`."""
    if points is None or points.empty:
        return ByHand.none().spectra
    known = points[np.isfinite(points[["low", "high", "now"]].to_numpy(float)).all(axis=1)]
    known = known.assign(beyond=(known["now"] < known["low"]) | (known["now"] > known["high"]))
    found: pd.DataFrame = (
        known.groupby(["spectrum", "quantity"], sort=False)["beyond"].agg(["size", "sum"]).reset_index()
    )
    return found.set_axis(list(OF_SPECTRUM), axis=1)


def _moved_spectra(spectra: pd.DataFrame) -> list[str]:
    return [
        f"{row.spectrum}: decisions by hand move its {row.quantity} out of its band by rule at {row.beyond} of {row.points} "
        "points: the spectrum rests on what was chosen."
        for row in _rows(spectra) if row.beyond > SHARE_BEYOND * row.points
    ]  # fmt: skip


def _by_whom(by: pd.Series) -> str:
    """Who decided about how many sweeps."""
    counts = by.value_counts()
    named = [(str(name), int(n)) for name, n in counts.items() if name]
    unknown = int(counts.get("", 0))
    if not named:
        return "By whom was not recorded."
    if len(named) == 1 and not unknown:
        return f"Decided by {named[0][0]}."
    parts = [f"{name} ({n})" for name, n in named[:MOST_NAMED]]
    if rest := sum(n for _, n in named[MOST_NAMED:]):
        parts.append(f"{len(named) - MOST_NAMED} others ({rest})")
    return f"Decided by {', '.join(parts)}{f'; of {unknown} it was not recorded by whom' if unknown else ''}."


def _sides(sweeps: pd.DataFrame) -> pd.DataFrame:
    """The sweeps whose use was changed, which way each moves the answer, and which are one decision (`unit`)."""
    used, by_rule = sweeps["used"].to_numpy(bool), sweeps["by_rule"].to_numpy(bool)
    place, tip = ([sweeps["kind"], sweeps["sample"], sweeps["tip"], *more] for more in ([sweeps["place"]], []))
    value = sweeps["value"].where(by_rule)
    centre = value.groupby(place, dropna=False).transform("median").to_numpy(float)
    of_tip = value.groupby(tip, dropna=False).transform("median").to_numpy(float)
    left = pd.Series(used & by_rule).groupby([c.to_numpy() for c in place], dropna=False).transform("sum").to_numpy()
    gone = by_rule & (left == 0)
    off = np.where(gone, centre - of_tip, sweeps["value"].to_numpy(float) - centre)
    with np.errstate(invalid="ignore"):
        side = np.nan_to_num(np.sign(np.where(used, off, -off)))
    unit = np.where(gone, -1, sweeps["replicate"].to_numpy())
    found: pd.DataFrame = sweeps.assign(side=side.astype(int), unit=unit, omitted=by_rule)[used != by_rule]
    return found


def _p_one_side(rows: pd.DataFrame) -> float:
    """How often decisions taken without looking at the result would be as one-sided."""
    sums = np.sign(rows.groupby([*TIP, "place", "unit"], dropna=False)["side"].sum().to_numpy())
    raised, lowered = int((sums > 0).sum()), int((sums < 0).sum())
    return min(1.0, 2 * float(at_most_heads(min(raised, lowered), raised + lowered))) if raised + lowered else 1.0


def _moved(per_tip: pd.DataFrame) -> list[str]:
    said = []
    for row in _rows(per_tip):
        half = (row.by_rule_high_eV - row.by_rule_low_eV) / 2
        if abs(row.barrier_eV - row.by_rule_eV) > half:
            said.append(
                f"{_name(row.tip)}: decisions by hand move its barrier from {row.by_rule_eV:.3g} to {row.barrier_eV:.3g} eV, more "
                f"than its interval by rule allows (± {half:.2g} eV): the value rests on what was chosen."
            )
    return said


def _one_sided(changed: pd.DataFrame, per_tip: pd.DataFrame) -> list[str]:
    kinds = {str(kind): rows for kind, rows in changed.groupby("kind", sort=False)}
    several = {kind: rows for kind, rows in kinds.items() if (per_tip["kind"] == kind).sum() > 1}
    limit = ONE_SIDED / max(len(per_tip) + len(several), 1)
    said = [
        _side_words(_name(row.tip), row.kind, row.raised, row.lowered)
        for row in _rows(per_tip) if row.p_one_side <= limit
    ]  # fmt: skip
    for kind, rows in several.items():
        if _p_one_side(rows) <= limit:
            said.append(_side_words("all tips", kind, int((rows["side"] > 0).sum()), int((rows["side"] < 0).sum())))
    return said


def _side_words(who: str, kind: Any, raised: int, lowered: int) -> str:
    most, way = max((raised, "raise"), (lowered, "lower"))
    return (
        f"{who}: {most} of {raised + lowered} decisions by hand {way} the {QUANTITY[kind]}: if sweeps were chosen by their "
        "result, the interval no longer holds."
    )


def _rows(table: pd.DataFrame) -> list[Any]:
    return list(table.itertuples())


def _name(tip: Any) -> str:
    return str(tip) or "without a tip"


def _tip(table: pd.DataFrame, tip: list[Any]) -> dict[str, float]:
    if table.empty:
        return {}
    rows = table[(table["sample"] == tip[0]) & (table["tip"] == tip[1])]
    return {} if rows.empty else {str(k): v for k, v in rows.iloc[0].to_dict().items()}
