"""Which tip was good: a verdict for each tip by stated rules, against the bench's own other tips, with its reasons in words."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from sts.comparing.scatter_intervals import NONE, between_interval, median_interval, within_interval
from sts.comparing.shape import window_words
from sts.comparing.tip_change import rows_of
from sts.plan import VerdictPlan
from sts.sweeps import with_day

USE, WITH_CARE, TOO_LITTLE, DO_NOT_USE = VERDICTS = ("use", "use with care", "too little data", "do not use")
COLUMNS = (
    "sample", "tip", "verdict", "reasons", "barrier_eV", "barrier_low_eV", "barrier_high_eV", "sites", "sweeps", "lost",
    "jumps", "noise_pA", "noise_ratio", "between_sites_percent", "within_sites_percent", "drift_pm_per_s", "pairs_agree",
    "pairs_of_directions", "reads_less_than", "noise_low_pA", "noise_high_pA", "noise_sweeps", "between_sites_low_percent",
    "between_sites_high_percent", "within_sites_low_percent", "within_sites_high_percent", "drift_low_pm_per_s",
    "drift_high_pm_per_s",
)  # fmt: skip

_OF_ONE_STATE = (  # what a mean over two states of a tip says nothing about
    "barrier_eV", "barrier_low_eV", "barrier_high_eV", "between_sites_percent", "between_sites_low_percent",
    "between_sites_high_percent",
)  # fmt: skip
_CHANGED = "changed after {last_before}: {before_eV:.2g} eV before, {after_eV:.2g} eV after"
_AWAY = "repeats at site {site} run away: {first_eV:.3g} to {last_eV:.3g} eV"


@dataclass(frozen=True, eq=False)
class TipTables:
    """The tables of I(z) sweeps that a verdict reads; empty ones where there are none."""

    sweeps: pd.DataFrame  # barrier_sweeps.csv
    sites: pd.DataFrame
    tips: pd.DataFrame
    pairs: pd.DataFrame
    directions: pd.DataFrame
    steps: pd.DataFrame = field(default_factory=pd.DataFrame)  # tips that changed on the way
    runs: pd.DataFrame = field(default_factory=pd.DataFrame)  # stays whose repeats run away
    bends: pd.DataFrame = field(default_factory=pd.DataFrame)  # that the sweeps of a tip share
    found: dict[Any, dict[str, Any]] = field(default_factory=dict, init=False)  # of tips, for the next verdict

    @cached_property
    def noises(self) -> dict[str, pd.Series]:
        """Noise of the sweeps of each tip [pA]."""
        return dict(iter(self.sweeps.groupby("tip")["noise_pA"]))

    @cached_property
    def noise(self) -> pd.Series:
        """Median noise of the sweeps of each tip [pA]."""
        return self.sweeps.groupby("tip")["noise_pA"].median()

    def column(self, name: str, column: str, sample: str, tip: str) -> pd.Series:
        """A column of the rows of a tip on a sample; empty where there is none.

        Parameters
        ----------
        name : str
            Of the table.
        column, sample, tip : str
        """
        table: pd.DataFrame = getattr(self, name)
        if column not in table:
            return pd.Series(dtype=float)
        found: pd.Series = table[column].iloc[self._places[name].get((tip, sample), [])]
        return found

    @cached_property
    def _places(self) -> dict[str, Any]:
        """Where the rows of each tip and sample are: asked for once, since frames are slow to be searched."""
        tables = {"tips": self.tips, "sites": self.sites, "directions": self.directions}
        return {
            name: table[["tip", "sample"]].groupby(["tip", "sample"], sort=False).indices if len(table) else {}
            for name, table in tables.items()
        }

    def about(self, table: pd.DataFrame, sample: str, tip: str) -> list[dict[str, Any]]:
        """The rows of steps, runs or bends that are about a tip on a sample.

        Parameters
        ----------
        table : pandas.DataFrame
        sample, tip : str
        """
        return [row for row in rows_of(table) if (row["sample"], row["tip"]) == (sample, tip)]

    def ratios(self, sample: str, tip: str) -> list[tuple[str, float, float]]:
        """(other tip, ratio of this tip's barrier to its, upper end of the interval of the ratio).

        Parameters
        ----------
        sample, tip : str
        """
        pairs = [pair for pair in self._pairs if pair[0] in (sample, None)]
        return [
            *((b, ratio, high) for _, a, b, ratio, _, high in pairs if a == tip),
            *((a, 1 / ratio, 1 / low) for _, a, b, ratio, low, _ in pairs if b == tip),
        ]

    @cached_property
    def _pairs(self) -> list[tuple[Any, str, str, float, float, float]]:
        """Sample (None where there is no such column), tips, ratio and its interval."""
        pairs = self.pairs
        if not len(pairs):
            return []
        tips = (pairs[name].astype(str) for name in ("tip_a", "tip_b"))
        numbers = (pairs[name].tolist() for name in ("ratio", "ratio_low", "ratio_high"))
        samples = pairs["sample"].tolist() if "sample" in pairs else [None] * len(pairs)
        return list(zip(samples, *tips, *numbers, strict=True))


def tip_verdicts(
    judged: pd.DataFrame, flags: pd.DataFrame, barrier: TipTables | None, rules: VerdictPlan, confidence: float = 0.95
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
    confidence : float
        Of the intervals of noise, scatter and drift (`sts.comparing.scatter_intervals`).

    Returns
    -------
    pandas.DataFrame
        `COLUMNS`: barriers [eV], shares [%], counts; `reasons` joined by ``"; "``.
    """
    named = with_day(judged)
    named = named.loc[named["tip"] != "", ["sweep", "kind", "sample", "tip", "day", "site", "used"]]
    jump, low = (
        named["sweep"].isin(flags.loc[flags["flag"] == flag, "sweep"]).to_numpy(bool)
        for flag in ("jump", "low barrier")
    )
    about = {
        "sample": named["sample"].to_numpy(object), "site": (named["day"] + "\n" + named["site"]).to_numpy(object), "jump": jump,
        "low": low,
        "ramps": (named["kind"] == "iz").to_numpy(bool), "used": named["used"].to_numpy(bool),
    }  # fmt: skip
    places = named.groupby("tip", sort=False).indices
    rows = []
    for sample, tip in _subjects(named, barrier):
        facts = _counts(_sweeps_of({name: column[places[tip]] for name, column in about.items()}, sample))
        if barrier is not None and facts["ramps"]:
            if (asked := (sample, tip, confidence)) not in barrier.found:
                barrier.found[asked] = _barrier_facts(barrier, *asked)
            facts |= barrier.found[asked]
        verdict, reasons = _verdict(facts, rules)
        if facts.get("two_states"):
            facts |= dict.fromkeys(_OF_ONE_STATE, np.nan)
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
    found = list(dict.fromkeys(zip(ramps["sample"].map(str), ramps["tip"].map(str), strict=True)))
    others = named[~named["tip"].isin([tip for _, tip in found])]
    samples = others.groupby("tip", sort=False)["sample"].unique()
    return found + [(", ".join(filter(None, map(str, names))), str(tip)) for tip, names in samples.items()]


def _sweeps_of(own: dict[str, Any], sample: str) -> dict[str, Any]:
    """Of the sweeps of a tip those on this sample, and those on samples where it has no I(z) sweep."""
    elsewhere = set(own["sample"][own["ramps"]]) - {sample}
    stays = np.array([one not in elsewhere for one in own["sample"]], bool)
    return {name: column[stays] for name, column in own.items()}


def _counts(own: dict[str, Any]) -> dict[str, Any]:
    used = own["used"]
    seen = used & own["ramps"]
    return {
        "ramps": bool(own["ramps"].any()),
        "low": bool(own["low"][seen].sum() > 0.5 * seen.sum()),
        "sites": len(set(zip(own["sample"][seen], own["site"][seen], strict=True))),
        "sweeps": int(used.sum()),
        "lost": int((~used).sum()),
        "jumps": int(own["jump"].sum()),
    }


def _barrier_facts(barrier: TipTables, sample: str, tip: str, confidence: float) -> dict[str, Any]:
    """What the tables of I(z) sweeps say of the tip; nothing where none of its sweeps was used."""
    names = ("barrier_eV", "barrier_low_eV", "barrier_high_eV", "between_site_sd_eV", "sites")
    own = {name: barrier.column("tips", name, sample, tip) for name in names}
    if not len(own["sites"]):
        return {}
    mean, noise = {name: column.iloc[0] for name, column in own.items()}, barrier.noise
    usual = float(np.median(rest)) if len(rest := noise.drop(tip, errors="ignore")[lambda s: s.index != ""]) else np.nan
    repeats = barrier.column("sites", "repeat_sd_eV", sample, tip).dropna()
    within = float(np.sqrt(np.mean(repeats**2))) if len(repeats) else np.nan
    between = mean["between_site_sd_eV"] if mean["sites"] > 1 else np.nan
    steps, runs = (barrier.about(table, sample, tip) for table in (barrier.steps, barrier.runs))
    drift, agree = (barrier.column("directions", name, sample, tip) for name in ("drift_pm_per_s", "agree"))
    return {
        **{key: float(mean[key]) for key in ("barrier_eV", "barrier_low_eV", "barrier_high_eV")},
        "sites": int(mean["sites"]),
        "noise_pA": float(noise.get(tip, np.nan)),
        "noise_ratio": float(noise.get(tip, np.nan)) / usual,
        "between_sites_percent": 100 * float(between) / float(mean["barrier_eV"]),
        "within_sites_percent": 100 * within / float(mean["barrier_eV"]),
        "drift_pm_per_s": float(drift.abs().median()) if len(drift) else np.nan,
        "pairs_agree": int(agree.sum()) if len(agree) else 0,
        "pairs_of_directions": len(agree),
        "ratios": barrier.ratios(sample, tip),
        "bends": barrier.about(barrier.bends, sample, tip),
        "changed": [*(_CHANGED.format(**row) for row in steps), *(_AWAY.format(**row) for row in runs)],
        "two_states": bool(steps),
        **_intervals(barrier, sample, tip, float(mean["barrier_eV"]), confidence),
    }


def _unless_shared(ends: tuple[float, float]) -> tuple[float, float]:
    """No interval where its ends are one number: that noise was found from all sweeps together, and their spread says nothing."""
    return NONE if ends[1] - ends[0] <= 1e-6 * abs(ends[1]) else ends


def _intervals(barrier: TipTables, sample: str, tip: str, barrier_eV: float, confidence: float) -> dict[str, Any]:
    """Ends of the intervals of noise, scatter and drift; NaN where there are too few sweeps, sites or pairs."""
    columns = ("repeat_sd_eV", "repeats", "barrier_eV", "barrier_se_eV")
    within_sd, repeats, site_means, their_u = (barrier.column("sites", name, sample, tip) for name in columns)
    noise = barrier.noises.get(tip, pd.Series(dtype=float))
    drift = barrier.column("directions", "drift_pm_per_s", sample, tip).abs()
    found = {
        "noise_{}_pA": _unless_shared(median_interval(noise, confidence)),
        "drift_{}_pm_per_s": median_interval(drift, confidence),
        "within_sites_{}_percent": _share(within_interval(within_sd, repeats, confidence), barrier_eV),
        "between_sites_{}_percent": _share(between_interval(site_means, their_u, confidence), barrier_eV),
    }
    ends = {
        name.format(end): value
        for name, pair in found.items()
        for end, value in zip(("low", "high"), pair, strict=True)
    }
    return {**ends, "noise_sweeps": int(noise.notna().sum())}


def _share(interval: tuple[float, float], of: float) -> tuple[float, float]:
    """In per cent."""
    return 100 * interval[0] / of, 100 * interval[1] / of


def _verdict(facts: dict[str, Any], rules: VerdictPlan) -> tuple[str, list[str]]:
    recorded = facts["sweeps"] + facts["lost"]
    lost, jumps = facts["lost"] / recorded, facts["jumps"] / recorded
    enough = recorded >= rules.sweeps
    lost_words = f"{facts['lost']} of {recorded} sweeps left out"
    if enough and lost > rules.lost_refuse:
        return DO_NOT_USE, [lost_words]
    missing = _missing(facts, rules)
    changed = facts.get("changed", [])
    if missing:
        return TOO_LITTLE, [*changed, *missing]
    ratios = facts.get("ratios", [])
    refused = _reads_less(ratios, rules.ratio_refuse)
    facts["reads_less_than"] = ", ".join(name for name, _ in refused or _reads_less(ratios, rules.ratio_care))
    if refused:
        return DO_NOT_USE, [_less_words(refused), *changed]
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
    doubts = [*changed, *(words for true, words in reasons if true)]
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
    one_state = not facts.get("two_states")  # else both intervals hold two
    apart = facts["pairs_of_directions"] - facts["pairs_agree"]
    pairs = facts["pairs_of_directions"]
    wide = f"its interval is wide: {facts['barrier_low_eV']:.2g} to {facts['barrier_high_eV']:.2g} eV"
    return [
        *((True, window_words(bend)) for bend in facts.get("bends", []) if bend["bound_percent"] > 100 * rules.bend_care),
        (one_state and half > rules.width_care, wide),
        (facts["noise_ratio"] > rules.noise_care, f"{facts['noise_ratio']:.1f} times the noise of the other tips"),
        (one_state and facts["between_sites_percent"] > 100 * rules.scatter_care,
         f"sites scatter by {facts['between_sites_percent']:.0f} %"),
        (pairs > 0 and apart > rules.directions_care * pairs, f"{apart} of {pairs} pairs of retract and approach disagree"),
    ]  # fmt: skip


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
