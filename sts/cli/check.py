"""The command that judges every sweep, and says alike what is alike."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sts.cli.labels import notes_alike, say_unassigned
from sts.cli.options import JSON, PLAN, SESSION, plan_from
from sts.cli.summed import ALL, too_long
from sts.cli.terminal import Columns, count, print_frame, print_json, progress, say, text, yes

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

_JUDGED: Columns = {
    **{name: (name, text) for name in ("kind", "sample", "tip", "site")}, "used": ("used", yes),
    "flags": ("flags", lambda flags: text(flags.replace(";", ", "))),
}  # fmt: skip


@click.command("check")
@SESSION
@PLAN
@click.option("--flagged", is_flag=True, help="Show only sweeps with a flag or a decision.")
@ALL
@JSON
def check_command(session: Path, plan_file: Path | None, *, flagged: bool, as_json: bool) -> int:
    """Judge every sweep of SESSION: used or not, and why.

    Sweeps of a tip that are judged alike share a line; --json gives each its own.
    """
    import sts

    with progress("judging") as report:
        table = sts.judge(session, plan_from(plan_file), progress=report)
    shown = table[(table["flags"] != "") | (table["decided_by"] == "person")] if flagged else table
    if as_json:
        print_json(shown)
        return 0
    _print_judged(shown, table)
    used, with_flag = int(table["used"].sum()), int((table["flags"] != "").sum())
    say(f"{count(len(table), 'sweep')}: {used} used, {len(table) - used} left out, {with_flag} flagged.")
    sources = sts.Session.open(session).sources()
    signs = [
        f"{name}: {note.removeprefix('sign: ')}"
        for name, notes in zip(sources["name"], sources["notes"], strict=True)
        for note in notes.splitlines()
        if note.startswith("sign: ")
    ]
    for line in notes_alike(signs):
        say(f"note: {line}")
    say_unassigned(table, session)
    return 0


def _print_judged(shown: pd.DataFrame, table: pd.DataFrame) -> None:
    """The sweeps, those judged alike in one line; of very many the sums, and those left out by name if they are not."""
    rows = judged_alike(shown, table)
    if too_long(len(rows)):
        print_frame("", shown, _JUDGED)
        rows = judged_alike(shown[~shown["used"]], table)
        if too_long(len(rows)) or rows.empty:
            return
    print_frame("", rows, {str(name): (str(name), text) for name in rows.columns})


def judged_alike(shown: pd.DataFrame, table: pd.DataFrame) -> pd.DataFrame:
    """What is printed of the sweeps: those of a tip without any flag, or all with the same, share a row.

    Where a few of many carry a flag each keeps its row: its name is needed for a decision.
    """
    import pandas as pd

    from sts.sweeps import KIND_WORDS

    tip = ["kind", "sample", "tip"]
    total = table.groupby(tip, dropna=False).size().to_dict()
    rows: list[tuple[Any, ...]] = []
    key: tuple[Any, ...]
    for key, group in shown.groupby([*tip, "flags", "used", "decided_by"], sort=False, dropna=False):
        kind, sample, name, flags, used, decided_by = key
        whole = len(group) == total[key[:3]]
        if len(group) > 1 and decided_by == "rule" and (whole or (used and not flags)):
            sites = list(dict.fromkeys(group["site"]))
            sweeps = f"{'all ' if whole else ''}{len(group)} {KIND_WORDS[str(kind)]} sweeps"
            sweeps += f", {sample or 'no sample'}" if table["sample"].nunique() > 1 else ""
            site = sites[0] if len(sites) == 1 else f"{len(sites)} sites"
            why = _why(str(flags), _common_words(list(group["reasons"])))
            rows.append((sweeps, name, site, yes(used), why))
        else:
            rows += [
                (row["sweep"], row["tip"], row["site"], yes(row["used"]), _why(row["flags"], row["reasons"]) + _by(row))
                for row in group.to_dict(orient="records")
            ]
    return pd.DataFrame(rows, columns=["sweep", "tip", "site", "used", "why"], dtype=object)


def _why(flags: str, reasons: str) -> str:
    return f"{flags.replace(';', ', ')}: {reasons}" if flags and reasons else flags or reasons


def _by(row: Mapping[Any, Any]) -> str:
    return f" (by {row['by'] or 'whom: not recorded'})" if row["decided_by"] == "person" else ""


def _common_words(reasons: list[str]) -> str:
    """Reasons that differ in their numbers only, with the range of each number; else the first for an example."""
    numbers = re.compile(r"\d+(?:\.\d+)?")
    if len({numbers.sub("#", reason) for reason in reasons}) > 1:
        return f"for one, {reasons[0]}"
    columns = zip(*(numbers.findall(reason) for reason in reasons), strict=True)
    ends = [(min(column, key=float), max(column, key=float)) for column in columns]
    ranges = iter(low if low == high else f"{low} to {high}" for low, high in ends)
    return numbers.sub(lambda _: next(ranges), reasons[0])
