"""The page of the record of tips: is each tip still as it was, in words first; then tables and charts of their days."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial
from importlib.resources import files
from typing import Any

import jinja2
import pandas as pd
from markupsafe import Markup

from sts.analysis import TipRecord
from sts.comparing import VERDICTS
from sts.figures.tip_days import plot_tip_days
from sts.report.captions import Picture
from sts.report.drawing import Drawn, inline
from sts.report.number_words import count, level_words, listed, minus, value_with_interval
from sts.report.page import CAUTIONS
from sts.settings import write_toml

MOST_CHARTS = 24  # tips with a chart on the page; those that changed come first
MOST_ROWS = 1500  # days listed on the page; all stand in the CSV
TITLE = "Tips over time"
_CHANGED_FIRST = ("changed", "cannot be told", "as it was")

_MEASURED = (
    ("φ (eV)", "barrier", "eV"), ("Noise (pA)", "noise", "pA"), ("Jumps per 100 sweeps", "jumps", "per_100"),
    ("Drift (pm/s)", "drift", "pm_per_s"),
)  # fmt: skip


def record_pictures(record: TipRecord) -> list[Picture]:
    """The chart of each tip that has two days with a barrier or more, those that changed first.

    Parameters
    ----------
    record : TipRecord
    """
    level, found = record.plan.compare.confidence, []
    order = record.tips["state"].map(_CHANGED_FIRST.index).sort_values(kind="stable").index
    several = record.tips["sample"].nunique() > 1
    for tip in record.tips.loc[order].to_dict("records"):
        own = record.days[(record.days["tip"] == tip["tip"]) & (record.days["sample"] == tip["sample"])]
        if own["barrier_eV"].notna().sum() < 2:
            continue
        name = f"{tip['tip']}, {tip['sample']}" if several and tip["sample"] else str(tip["tip"])
        finding = f"{tip['sentence']} {_one_in(record.plan.record.false_alarm)}"
        found.append(Picture("tip_days", f"days_{name}", name, finding, partial(plot_tip_days, own, confidence=level)))
    return found[:MOST_CHARTS]


def render_record(record: TipRecord, drawn: Sequence[Drawn]) -> str:
    """The record of tips as one HTML page that holds everything and asks nobody for anything.

    Parameters
    ----------
    record : TipRecord
    drawn : sequence of Drawn
        Its charts.
    """
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("sts.report", "templates"), autoescape=True, undefined=jinja2.StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    style = (files("sts.report") / "templates" / "page.css").read_text(encoding="utf-8")
    letters: set[str] = set()
    figures = [
        {"picture": one.picture, "svg": Markup(inline(one.svg, f"f{number}-", letters))}
        for number, one in enumerate(drawn, 1)
    ]
    read = record.sessions[record.sessions["why"] == ""]
    title = record.plan.report.title
    text = environment.get_template("tips.html.j2").render(
        paper=False,
        title=TITLE if title == type(record.plan.report)().title else title,
        style=Markup(style),
        subtitle=" · ".join(
            part for part in (
                count(len(record.tips), "tip"), count(record.days["day"].nunique(), "day"), count(len(read), "session"),
                record.plan.report.author,
            ) if part
        ),
        groups=_groups(record),
        rule=rule(record),
        notes=record.notes,
        figures=figures,
        tips=_table("Every tip over all its days", "tips.csv", *_tip_rows(record.tips)),
        days=_table(_day_caption(record), "tip_days.csv", *_day_rows(record.days.head(MOST_ROWS))),
        sessions=_table("Sessions", "sessions.csv", *_session_rows(record.sessions)),
        method=method(record),
        again=" ".join(f'"{name}"' for name in read["path"][:6]) + (" ..." if len(read) > 6 else ""),
        plan=write_toml(record.plan),
        versions=record.versions,
        cautions=CAUTIONS,
    )  # fmt: skip
    return str(text)


def _one_in(false_alarm: float) -> str:
    return f"A tip that did not change lies outside its limits on one day in {1 / false_alarm:.0f}, or less often."


def rule(record: TipRecord) -> str:
    """By which rule a tip is called changed, and how often that is wrong.

    Parameters
    ----------
    record : TipRecord
    """
    return (
        f"A tip is called changed from the first day whose barrier lies outside the limits that the days before it set. "
        f"{_one_in(record.plan.record.false_alarm)} With few days the limits are wide, and only large changes show. "
        "The verdict in the heading is that of the tip's last day: rules in the plan, section verdict."
    )


def method(record: TipRecord) -> str:
    """How the numbers were made, as text for a notebook or a paper.

    Parameters
    ----------
    record : TipRecord
    """
    return (
        "Each day of a session was analysed by itself, with the decisions and the calibration of that session. The limits of a day "
        "are those of a prediction for one more day of ln φ: scatter between days from this tip's days before and from all days "
        "of the other tips, about their own means, each day weighed with its own uncertainty from its sites. Jumps are sweeps "
        f"with the flag 'jump'; their {level_words(record.plan.compare.confidence)} intervals are those of counts (Garwood). "
        "Noise, drift and gap are medians over sweeps, pairs of directions and days."
    )


def _groups(record: TipRecord) -> list[dict[str, Any]]:
    """The sentences of the tips by the verdict of their last day, best first."""
    found = []
    for verdict in (*VERDICTS, ""):
        rows = record.tips[record.tips["verdict"] == verdict]
        if len(rows):
            lines = [_line(row, several=record.tips["sample"].nunique() > 1) for row in rows.to_dict("records")]
            found.append({"verdict": _heading(verdict), "lines": lines, "mind": verdict != VERDICTS[0]})
    return found


def _heading(verdict: str) -> str:
    return f"{verdict[:1].upper()}{verdict[1:]}" if verdict else "No verdict"


def _line(row: dict[Any, Any], *, several: bool) -> str:
    sample = (
        f" On {row['sample']}; verdicts: {row['verdicts']}."
        if several and row["sample"]
        else f" Verdicts: {row['verdicts']}."
    )
    return f"{row['sentence']}{sample}"


def _table(caption: str, file: str, head: list[tuple[str, bool]], rows: list[list[str]]) -> dict[str, Any]:
    """As the template wants it, without the columns that are empty in every row."""
    told = [i for i in range(len(head)) if not rows or any(row[i] for row in rows)]
    head, rows = [head[i] for i in told], [[row[i] for i in told] for row in rows]
    return {"caption": caption, "file": file, "head": head, "rows": rows, "folded": False}


def _day_caption(record: TipRecord) -> str:
    more = f": the first {MOST_ROWS} of {len(record.days)}" if len(record.days) > MOST_ROWS else ""
    return f"Every tip on every day{more}; in brackets {level_words(record.plan.compare.confidence)} intervals"


def _tip_rows(tips: pd.DataFrame) -> tuple[list[tuple[str, bool]], list[list[str]]]:
    head = [("Tip", False), ("Sample", False), ("State", False), ("Last verdict", False), ("Days", True),
            ("Changed on", False), *((name, True) for name, _, _ in _MEASURED),
            ("A next day within (eV)", True), ("Between days (%)", True), ("Gap seen", False),
            ("Sweeps used, left out", True)]  # fmt: skip
    rows = [
        [
            str(row["tip"]), str(row["sample"]), row["state"], row["verdict"], str(row["days"]), row["changed_on"],
            *_measured(row),
            _ends(row["next_low_eV"], row["next_high_eV"]), _number(row["between_day_sd_percent"], 1), _gap(row),
            f"{row['sweeps']}, {row['lost']}",
        ]
        for row in tips.to_dict("records")
    ]  # fmt: skip
    return head, rows


def _day_rows(days: pd.DataFrame) -> tuple[list[tuple[str, bool]], list[list[str]]]:
    head = [("Tip", False), ("Sample", False), ("Day", False), ("Verdict", False), ("Against the days before", False),
            *((name, True) for name, _, _ in _MEASURED), ("Limits (eV)", True), ("Gap", False), ("Sites", True),
            ("Sweeps used, left out", True), ("Why", False)]  # fmt: skip
    rows = [
        [
            str(row["tip"]), str(row["sample"]), row["day"], row["verdict"], row["like_before"], *_measured(row),
            _ends(row["limit_low_eV"], row["limit_high_eV"]), _gap(row), str(row["sites"]), f"{row['sweeps']}, {row['lost']}",
            row["reasons"],
        ]
        for row in days.to_dict("records")
    ]  # fmt: skip
    return head, rows


def _session_rows(sessions: pd.DataFrame) -> tuple[list[tuple[str, bool]], list[list[str]]]:
    head = [
        ("Session", False),
        ("Days", False),
        ("Sweeps", True),
        ("Counted before", True),
        ("Could not be read", False),
    ]
    return head, [
        [row["path"], row["days"], str(row["sweeps"]), str(row["twice"]), row["why"]]
        for row in sessions.to_dict("records")
    ]


def _measured(row: dict[Any, Any]) -> list[str]:
    """What was measured, each with its interval."""
    found = []
    for _, name, unit in _MEASURED:
        value, low, high = (float(row[f"{name}_{end}{unit}"]) for end in ("", "low_", "high_"))
        found.append(
            "" if not math.isfinite(value) else value_with_interval(value, low, high, "").replace(" (no interval)", "")
        )
    return found


def _ends(low: float, high: float) -> str:
    """Limits as ``3.9 to 4.8``; what is far out is not given to the digit."""
    if not (math.isfinite(low) and high > 0):
        return ""
    most = f"{high:.2f}" if high < 100 else "any"
    return f"{low:.2f} to {most}"


def _number(value: float, digits: int) -> str:
    return minus(f"{value:.{digits}f}") if math.isfinite(value) else ""


def _gap(row: dict[Any, Any]) -> str:
    size = row["gap_meV"]
    return listed(
        [str(row["gap"] or ""), f"{size:.3g} meV" if isinstance(size, float) and math.isfinite(size) else ""], last=","
    )
