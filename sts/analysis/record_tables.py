"""The tables of the record of tips: one row per tip and day, and one per tip over all days."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from sts.analysis.record_words import AS_IT_WAS, CHANGED, STATES, UNTOLD, Told, sentence
from sts.analysis.tip_days import TIP_DAY, TipDays, scale_of
from sts.comparing import VERDICTS, Chart, borrowed, chart_days, tip_level
from sts.comparing.scatter_intervals import median_interval, rate_interval
from sts.loaders.path_names import natural_key
from sts.plan import Plan

FACTS = (
    "sites", "sweeps", "lost", "noise_pA", "noise_low_pA", "noise_high_pA", "jumps", "jumps_per_100", "jumps_low_per_100",
    "jumps_high_per_100", "drift_pm_per_s", "drift_low_pm_per_s", "drift_high_pm_per_s", "gap", "gap_meV", "gap_se_meV",
)  # fmt: skip
DAY_COLUMNS = (
    "sample", "tip", "day", "verdict", "reasons", "like_before", "barrier_eV", "barrier_se_eV", "barrier_low_eV",
    "barrier_high_eV", "before_eV", "limit_low_eV", "limit_high_eV", *FACTS, "sessions",
)  # fmt: skip
RECORD_COLUMNS = (
    "sample", "tip", "state", "verdict", "sentence", "days", "first_day", "last_day", "changed_on", "off_on", "ratio", "ratio_low",
    "ratio_high", "since", "barrier_eV", "barrier_low_eV", "barrier_high_eV", "next_low_eV", "next_high_eV",
    "between_day_sd_percent", "scatter_dof", *FACTS, "verdicts",
)  # fmt: skip
FIRST, INSIDE, OUTSIDE, ALONE = ("first day", "as before", "changed", "off that day alone")
YES, NO, SOFT = ("yes", "no", "dip, no gap")


def record_tables(parts: Sequence[TipDays], plan: Plan) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Tips over all days, and their days.

    Parameters
    ----------
    parts : sequence of TipDays
        Of each session.
    plan : Plan
        Sections `compare` (level of the intervals) and `record`.

    Returns
    -------
    (pandas.DataFrame, pandas.DataFrame)
        `RECORD_COLUMNS`, in order of the last day's verdict, and `DAY_COLUMNS`, in order of tip and day.
    """
    level = plan.compare.confidence
    days = _days(parts, level, plan.compare.average)
    known = days[(days["barrier_eV"] > 0) & (days["_u"] > 0)]
    groups = [(key, rows) for key, rows in known.groupby(["sample", "tip"], sort=False)]
    charts = chart_days(
        [np.log(rows["barrier_eV"].to_numpy(float)) for _, rows in groups],
        [rows["_u"].to_numpy(float) for _, rows in groups],
        false_alarm=plan.record.false_alarm, confidence=level,
    )  # fmt: skip
    drawn = {key: (rows, chart) for (key, rows), chart in zip(groups, charts, strict=True)}
    for rows, chart in drawn.values():
        with np.errstate(over="ignore"):
            limits = {"before_eV": chart.centre, "limit_low_eV": chart.low, "limit_high_eV": chart.high}
            days.loc[rows.index, list(limits)] = np.exp(np.column_stack(list(limits.values())))
        told = np.select([chart.changed, chart.alone, np.isfinite(chart.low)], [OUTSIDE, ALONE, INSIDE], "")
        days.loc[rows.index, "like_before"] = [FIRST, *told[1:].tolist()]
    found = [_tip(key, own, drawn.get(key), plan) for key, own in days.groupby(["sample", "tip"], sort=False)]
    tips = pd.DataFrame(found, columns=[*RECORD_COLUMNS])
    order = pd.DataFrame(
        {"verdict": tips["verdict"].map([*VERDICTS, ""].index), "state": tips["state"].map(STATES.index)}
    )
    tips = tips.loc[order.sort_values(["verdict", "state"], kind="stable").index].reset_index(drop=True)
    return tips, days[[*DAY_COLUMNS]]


def _days(parts: Sequence[TipDays], level: float, average: str) -> pd.DataFrame:
    """One row per tip and day, without the chart; `_u` is the uncertainty of ln of the barrier that the chart takes."""
    verdicts, sites, sweeps, drifts, gaps = (
        pd.concat([getattr(part, name).assign(session=part.session) for part in parts], ignore_index=True)
        for name in ("verdicts", "sites", "sweeps", "drifts", "gaps")
    )
    barriers = _barriers(sites, level, average)
    scale = _scales(parts)
    own = {name: table.groupby(TIP_DAY, sort=False).indices if len(table) else {} for name, table in
           {"sweeps": sweeps, "drifts": drifts}.items()}  # fmt: skip
    gap_rows = gaps.groupby(["tip", "day"], sort=False).indices if len(gaps) else {}
    rows: list[dict[str, Any]] = []
    for key, said in verdicts.groupby(TIP_DAY, sort=False):
        sample, tip, day = key = tuple(map(str, key))
        one: dict[str, Any] = {"sample": sample, "tip": tip, "day": day, "like_before": "", **_verdict(said)}
        one |= {name: int(said[name].sum()) for name in ("sites", "sweeps", "lost", "jumps")}
        one |= barriers.get((sample, tip, day), {})
        noise = sweeps["noise_pA"].iloc[own["sweeps"].get(key, [])]
        drift = (
            drifts["drift_pm_per_s"].iloc[own["drifts"].get(key, [])].abs() if len(drifts) else pd.Series(dtype=float)
        )
        one |= _middle("noise", "pA", noise, level) | _middle("drift", "pm_per_s", drift, level)
        one |= _gap(gaps.iloc[gap_rows.get((tip, day), [])], sample) if len(gaps) else {"gap": ""}
        one |= {"sessions": ", ".join(said["session"]), "_scale": max(scale[name, day] for name in said["session"])}
        rows.append(one)
    table = pd.DataFrame(rows, columns=[*DAY_COLUMNS, "_scale", "_dof"])
    table = _with_rates(table, level)
    u = borrowed(table["barrier_se_eV"] / table["barrier_eV"], table["_dof"], table["sites"])
    order = sorted(table.index, key=lambda i: (*(natural_key(str(table[c][i])) for c in TIP_DAY),))
    return table.assign(_u=np.hypot(u, table["_scale"].to_numpy(float))).loc[order].reset_index(drop=True)


def _barriers(sites: pd.DataFrame, level: float, average: str) -> dict[tuple[str, str, str], dict[str, Any]]:
    """The barrier of each tip on each day from its sites, those of all sessions of that day together."""
    if not len(sites):
        return {}
    names = ["barrier_eV", "barrier_se_eV", "barrier_low_eV", "barrier_high_eV", "dof", "sites"]
    barriers = {}
    for day, rows in sites.groupby(
        "day", sort=False
    ):  # by day, since what tips of a session lend each other stays within it
        labels = rows["session"].astype(str) + "\x1f" + rows["site"].astype(str)
        own = rows.assign(site=labels).drop(columns=["day", "session"]).reset_index(drop=True)
        for row in tip_level(own, confidence=level, average=average).to_dict("records"):
            key = (str(row["sample"]), str(row["tip"]), str(day))
            barriers[key] = {("_dof" if name == "dof" else name): row[name] for name in names}
    return barriers


def _scales(parts: Sequence[TipDays]) -> dict[tuple[str, str], float]:
    """Relative uncertainty that the height scale gives the barriers of each session and day; 0 where all have one scale."""
    heights = {(part.session, day): height for part in parts for day, height in part.heights.items()}
    alike = len(set(map(scale_of, heights.values()))) < 2
    return {key: 0.0 if alike or height is None else 2 * height.relative_se for key, height in heights.items()}


def _verdict(said: pd.DataFrame) -> dict[str, str]:
    """The verdict of a day; with several sessions the worst of them."""
    place = said["verdict"].map(VERDICTS.index)
    worst = said.iloc[int(place.to_numpy().argmax())]
    where = f"{worst['session']}: " if len(said) > 1 and worst["reasons"] else ""
    return {"verdict": worst["verdict"], "reasons": f"{where}{worst['reasons']}"}


def _middle(name: str, unit: str, values: pd.Series, level: float) -> dict[str, float]:
    """The median of a quantity with its interval; none where all values are one, found from all sweeps together."""
    known = values.dropna()
    low, high = median_interval(known, level)
    if len(known) and np.ptp(known.to_numpy(float)) <= 1e-6 * abs(float(known.iloc[0])):
        low = high = np.nan
    middle = float(known.median()) if len(known) else np.nan
    return {f"{name}_{unit}": middle, f"{name}_low_{unit}": low, f"{name}_high_{unit}": high}


def _gap(rows: pd.DataFrame, sample: str) -> dict[str, Any]:
    """Whether a gap was seen, by the spectrum of most sweeps; on the sample of the row where there is one."""
    own = rows[rows["sample"] == sample]
    rows = own if len(own) else rows
    if not len(rows):
        return {"gap": ""}
    best = rows.iloc[int(rows["sweeps_used"].to_numpy(float).argmax())]
    method = str(best["gap_method"] or "")
    seen = NO if not method else SOFT if method.startswith("soft") else YES
    return {"gap": seen, "gap_meV": float(best["gap_meV"]), "gap_se_meV": float(best["gap_se_meV"])}


def _with_rates(table: pd.DataFrame, level: float) -> pd.DataFrame:
    hundreds = (table["sweeps"] + table["lost"]).to_numpy(float) / 100
    jumps = table["jumps"].to_numpy(float)
    low, high = rate_interval(jumps, hundreds, level)
    return table.assign(jumps_per_100=jumps / hundreds, jumps_low_per_100=low, jumps_high_per_100=high)


def _tip(key: Any, own: pd.DataFrame, drawn: tuple[pd.DataFrame, Chart] | None, plan: Plan) -> dict[str, Any]:
    """A tip over all its days."""
    level, last = plan.compare.confidence, own.iloc[-1]
    counts = own["verdict"].value_counts()
    one: dict[str, Any] = {
        "sample": key[0], "tip": key[1], "verdict": last["verdict"], "days": len(own), "first_day": own["day"].iloc[0],
        "last_day": last["day"], "changed_on": "", "off_on": "", "since": "",
        "verdicts": ", ".join(f"{name} {counts[name]}" for name in VERDICTS if name in counts),
        **{name: int(own[name].sum()) for name in ("sites", "sweeps", "lost", "jumps")},
        **_middle("noise", "pA", own["noise_pA"], level), **_middle("drift", "pm_per_s", own["drift_pm_per_s"], level),
        **_gaps_of(own),
    }  # fmt: skip
    one |= {str(k): v for k, v in _with_rates(pd.DataFrame([one]), level).iloc[0].items()}
    if drawn is None:
        return one | {"state": UNTOLD, "sentence": sentence(Told(str(key[1]), UNTOLD, 0), level)}
    rows, chart = drawn
    with np.errstate(over="ignore"):
        value, low, high = np.exp(chart.level)
        soonest, latest = np.exp(chart.next_limits)
        steps = np.exp(chart.steps)
    days = rows["day"].to_numpy(object)
    state = _state(chart, plan.record.telling_factor)
    on = days[chart.changed]
    since = on[-1] if len(on) else days[0]
    off = rows["barrier_eV"].to_numpy(float)[chart.alone] / np.exp(chart.centre[chart.alone])
    reach = chart.next_limits - chart.level[0]
    told = Told(
        str(key[1]), state, len(days), first=str(days[0]), last=str(days[-1]), since=str(since),
        changes=tuple((str(day), float(f), float(a), float(b)) for day, (f, a, b) in zip(on, steps, strict=True)),
        alone=tuple(zip(map(str, days[chart.alone]), map(float, off), strict=True)),
        barrier=(float(value), float(low), float(high)), unseen=(float(np.exp(reach[0])), float(np.exp(reach[1]))),
        days_since=int(len(days) - np.flatnonzero(np.append(True, chart.changed[1:]))[-1]),
    )  # fmt: skip
    return one | {
        "state": state, "sentence": sentence(told, level), "changed_on": ", ".join(on), "since": since,
        "off_on": ", ".join(days[chart.alone]),
        **dict(zip(("ratio", "ratio_low", "ratio_high"), steps[-1] if len(on) else [np.nan] * 3, strict=True)),
        "barrier_eV": value, "barrier_low_eV": low, "barrier_high_eV": high, "next_low_eV": soonest, "next_high_eV": latest,
        "between_day_sd_percent": 100 * chart.scatter, "scatter_dof": chart.scatter_dof,
    }  # fmt: skip


def _gaps_of(own: pd.DataFrame) -> dict[str, Any]:
    """On how many days a gap was seen, and its middle size."""
    looked = own[own["gap"].fillna("") != ""]
    seen = looked[looked["gap"] == YES]
    words = f"{len(seen)} of {len(looked)} {'day' if len(looked) == 1 else 'days'}" if len(looked) else ""
    return {"gap": words, "gap_meV": float(seen["gap_meV"].median()) if len(seen) else np.nan, "gap_se_meV": np.nan}


def _state(chart: Chart, factor: float) -> str:
    """Changed where a day lay outside its limits; as it was only where these were narrow enough to tell."""
    if chart.changed.any():
        return CHANGED
    limits = np.array([chart.low[-1], chart.high[-1]]) - chart.centre[-1]
    return AS_IT_WAS if chart.low.size > 1 and (np.abs(limits) < np.log(factor)).all() else UNTOLD
