"""Which tip was good: a verdict for each tip by stated rules, against the bench's own other tips, with its reasons in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from sts.plan import VerdictPlan

USE, WITH_CARE, TOO_LITTLE, DO_NOT_USE = VERDICTS = ("use", "use with care", "too little data", "do not use")
COLUMNS = (
    "sample", "tip", "verdict", "reasons", "barrier_eV", "barrier_low_eV", "barrier_high_eV", "sites", "sweeps", "lost",
    "jumps", "noise_pA", "noise_ratio", "between_sites_percent", "within_sites_percent", "drift_pm_per_s", "pairs_agree",
    "pairs_of_directions", "reads_less_than",
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class TipTables:
    """The tables of I(z) sweeps that a verdict reads; empty ones where there are none."""

    sweeps: pd.DataFrame  # barrier_sweeps.csv
    sites: pd.DataFrame
    tips: pd.DataFrame
    pairs: pd.DataFrame
    directions: pd.DataFrame


def tip_verdicts(
    judged: pd.DataFrame, flags: pd.DataFrame, barrier: TipTables | None, rules: VerdictPlan
) -> pd.DataFrame:
    """One row per tip and sample, best first: the verdict, its reasons, and the facts that it rests on.

    Too little data: fewer sites or sweeps than the plan asks for, or no interval. Do not use: most sweeps lost, or shown to
    read far less than the other tips of the sample. With care: some of either, or more noise, scatter or disagreement than
    the plan allows. The limits are common practice, no source; a barrier is judged against the bench's other tips only,
    since in air all of them read low.

    Parameters
    ----------
    judged : pandas.DataFrame
        One row per sweep: `sweep`, `kind`, `sample`, `tip`, `site`, `used`.
    flags : pandas.DataFrame
        Rows (sweep, flag, detail).
    barrier : TipTables, optional
        What the I(z) sweeps came to.
    rules : VerdictPlan
        The limits.

    Returns
    -------
    pandas.DataFrame
        `COLUMNS`: barriers [eV], shares [%], counts; `reasons` joined by ``"; "``.
    """
    named = judged[judged["tip"] != ""]
    jumping = set(flags.loc[flags["flag"] == "jump", "sweep"])
    low = set(flags.loc[flags["flag"] == "low barrier", "sweep"])
    rows = []
    for sample, tip in _subjects(named, barrier):
        own = _sweeps_of(named, sample, tip)
        facts = _counts(own, jumping, low)
        if barrier is not None and facts["ramps"]:
            facts |= _barrier_facts(barrier, sample, tip)
        verdict, reasons = _verdict(facts, rules)
        rows.append({"sample": sample, "tip": tip, "verdict": verdict, "reasons": "; ".join(reasons), **facts})
    table = pd.DataFrame(rows, columns=[*COLUMNS])
    half = (table["barrier_high_eV"] - table["barrier_low_eV"]) / table["barrier_eV"]
    order = pd.DataFrame(
        {
            "verdict": table["verdict"].map(VERDICTS.index),
            "reasons": table["reasons"].str.count(";") + (table["reasons"] != ""),
            "lost": table["lost"] / (table["lost"] + table["sweeps"]),
            "half": half.astype(float),
        }
    )
    return table.loc[order.sort_values(list(order.columns), kind="stable").index].reset_index(drop=True)


def _subjects(named: pd.DataFrame, barrier: TipTables | None) -> list[tuple[str, str]]:
    """(sample, tip) with I(z) sweeps, then tips without any."""
    ramps = named[named["kind"] == "iz"] if barrier is not None else named.iloc[:0]
    found = [(str(s), str(t)) for s, t in ramps[["sample", "tip"]].drop_duplicates().itertuples(index=False)]
    others = named[~named["tip"].isin([tip for _, tip in found])]
    samples = others.groupby("tip", sort=False)["sample"].unique()
    return found + [(", ".join(filter(None, map(str, names))), str(tip)) for tip, names in samples.items()]


def _sweeps_of(named: pd.DataFrame, sample: str, tip: str) -> pd.DataFrame:
    """Sweeps of the tip: those on this sample, and those on samples where it has no I(z) sweep."""
    own = named[named["tip"] == tip]
    elsewhere = set(own.loc[own["kind"] == "iz", "sample"]) - {sample}
    return own[~own["sample"].isin(list(elsewhere))]


def _counts(own: pd.DataFrame, jumping: set[str], low: set[str]) -> dict[str, Any]:
    used = own["used"].astype(bool)
    ramps = own["kind"] == "iz"
    return {
        "ramps": bool(ramps.any()),
        "low": float(own.loc[used & ramps, "sweep"].isin(low).mean()) > 0.5,
        "sites": own.loc[used & ramps, ["sample", "site"]].drop_duplicates().shape[0],
        "sweeps": int(used.sum()),
        "lost": int((~used).sum()),
        "jumps": int(own["sweep"].isin(jumping).sum()),
    }


def _barrier_facts(barrier: TipTables, sample: str, tip: str) -> dict[str, Any]:
    """What the tables of I(z) sweeps say of the tip; nothing where none of its sweeps was used."""

    def own(table: pd.DataFrame) -> pd.DataFrame:
        return table[(table["tip"] == tip) & (table["sample"] == sample)] if len(table) else table

    if not len(own(barrier.tips)):
        return {}
    mean = own(barrier.tips).iloc[0]
    noise = barrier.sweeps.groupby("tip")["noise_pA"].median()
    usual = float(np.median(rest)) if len(rest := noise.drop(tip, errors="ignore")[lambda s: s.index != ""]) else np.nan
    sites, directions = own(barrier.sites), own(barrier.directions)
    repeats = sites["repeat_sd_eV"].dropna() if "repeat_sd_eV" in sites else sites.index[:0]
    within = float(np.sqrt(np.mean(repeats**2))) if len(repeats) else np.nan
    between = mean["between_site_sd_eV"] if mean["sites"] > 1 else np.nan
    return {
        **{key: float(mean[key]) for key in ("barrier_eV", "barrier_low_eV", "barrier_high_eV")},
        "sites": int(mean["sites"]),
        "noise_pA": float(noise.get(tip, np.nan)),
        "noise_ratio": float(noise.get(tip, np.nan)) / usual,
        "between_sites_percent": 100 * float(between) / float(mean["barrier_eV"]),
        "within_sites_percent": 100 * within / float(mean["barrier_eV"]),
        "drift_pm_per_s": float(directions["drift_pm_per_s"].abs().median()) if len(directions) else np.nan,
        "pairs_agree": int(directions["agree"].sum()) if len(directions) else 0,
        "pairs_of_directions": len(directions),
        "ratios": _ratios(barrier.pairs, sample, tip),
    }


def _ratios(pairs: pd.DataFrame, sample: str, tip: str) -> list[tuple[str, float, float]]:
    """(other tip, ratio of this tip's barrier to its, upper end of the interval of the ratio)."""
    if not len(pairs):
        return []
    if "sample" in pairs:
        pairs = pairs[pairs["sample"] == sample]
    first, second = pairs[pairs["tip_a"] == tip], pairs[pairs["tip_b"] == tip]
    return [
        *zip(first["tip_b"].astype(str), first["ratio"], first["ratio_high"], strict=True),
        *zip(second["tip_a"].astype(str), 1 / second["ratio"], 1 / second["ratio_low"], strict=True),
    ]


def _verdict(facts: dict[str, Any], rules: VerdictPlan) -> tuple[str, list[str]]:
    recorded = facts["sweeps"] + facts["lost"]
    lost, jumps = facts["lost"] / recorded, facts["jumps"] / recorded
    enough = recorded >= rules.sweeps
    lost_words = f"{facts['lost']} of {recorded} sweeps left out"
    if enough and lost > rules.lost_refuse:
        return DO_NOT_USE, [lost_words]
    missing = _missing(facts, rules)
    if missing:
        return TOO_LITTLE, missing
    ratios = facts.get("ratios", [])
    refused = _reads_less(ratios, rules.ratio_refuse)
    facts["reads_less_than"] = ", ".join(name for name, _ in refused or _reads_less(ratios, rules.ratio_care))
    if refused:
        return DO_NOT_USE, [_less_words(refused)]
    reasons = [
        (lost > rules.lost_care, lost_words),
        (jumps > rules.jumps_care, f"{facts['jumps']} of {recorded} sweeps jump"),
        (not facts["ramps"], "no I(z) sweep: nothing tells whether the gap is clean"),
    ]
    if facts["ramps"]:
        reasons += _doubts(facts, rules)
        if facts["low"] and not ratios:
            words = (
                f"{facts['barrier_eV']:.2f} eV is no work function, and no other tip of the sample tells what is usual"
            )
            reasons.append((True, words))
        if less := _reads_less(ratios, rules.ratio_care):
            reasons.append((True, _less_words(less)))
    doubts = [words for true, words in reasons if true]
    return (WITH_CARE if doubts else USE), doubts


def _missing(facts: dict[str, Any], rules: VerdictPlan) -> list[str]:
    """What a verdict would need and does not have."""
    found = []
    if facts["sites"] < rules.sites and facts["ramps"]:
        found.append(f"{facts['sites']} of {rules.sites} sites that a verdict needs")
    if facts["sweeps"] < rules.sweeps:
        found.append(f"{facts['sweeps']} of {rules.sweeps} sweeps that a verdict needs")
    if not found and facts["ramps"] and not np.isfinite(facts.get("barrier_high_eV", np.nan)):
        found.append("its barrier has no interval")
    return found


def _doubts(facts: dict[str, Any], rules: VerdictPlan) -> list[tuple[bool, str]]:
    half = (facts["barrier_high_eV"] - facts["barrier_low_eV"]) / 2 / facts["barrier_eV"]
    apart = facts["pairs_of_directions"] - facts["pairs_agree"]
    pairs = facts["pairs_of_directions"]
    return [
        (
            half > rules.width_care,
            f"its interval is wide: {facts['barrier_low_eV']:.2g} to {facts['barrier_high_eV']:.2g} eV",
        ),
        (facts["noise_ratio"] > rules.noise_care, f"{facts['noise_ratio']:.1f} times the noise of the other tips"),
        (
            facts["between_sites_percent"] > 100 * rules.scatter_care,
            f"sites scatter by {facts['between_sites_percent']:.0f} %",
        ),
        (
            pairs > 0 and apart > rules.directions_care * pairs,
            f"{apart} of {pairs} pairs of retract and approach disagree",
        ),
    ]


def _reads_less(ratios: list[tuple[str, float, float]], limit: float) -> list[tuple[str, float]]:
    """The other tips of which this one is shown to read less than `limit`; none unless they are half of them or more."""
    less = [(name, ratio) for name, ratio, high in ratios if high < limit]
    return less if less and 2 * len(less) >= len(ratios) else []


def _less_words(less: list[tuple[str, float]]) -> str:
    size = f"{min(ratio for _, ratio in less):.2f}"
    if len(less) > 1 and f"{max(ratio for _, ratio in less):.2f}" != size:
        size += f" to {max(ratio for _, ratio in less):.2f}"
    return (
        f"reads {size} of {', '.join(name for name, _ in less[:3])}: possible reason, a contaminated or compliant gap"
    )
