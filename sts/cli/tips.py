"""The command about tips over many sessions: what each was like, day by day."""

from __future__ import annotations

from pathlib import Path

import click

from sts.cli.options import FORCE, JSON, OUT, PLAN, plan_from
from sts.cli.terminal import Columns, number, print_frame, print_json, progress, say, text, warn

MOST_DAYS = 40  # rows that are printed; all stand in tip_days.csv

_TIPS: Columns = {
    "tip": ("tip", text), "sample": ("sample", text), "state": ("state", text), "verdict": ("last verdict", text),
    "days": ("days", number(0)), "barrier_eV": ("barrier eV", number(3)), "barrier_low_eV": ("from", number(3)),
    "barrier_high_eV": ("to", number(3)), "changed_on": ("changed on", text), "noise_pA": ("noise pA", number(2)),
    "jumps_per_100": ("jumps per 100", number(1)), "gap": ("gap seen", text),
}  # fmt: skip
_DAYS: Columns = {
    "tip": ("tip", text), "day": ("day", text), "verdict": ("verdict", text), "like_before": ("against days before", text),
    "barrier_eV": ("barrier eV", number(3)), "barrier_low_eV": ("from", number(3)), "barrier_high_eV": ("to", number(3)),
    "sites": ("sites", number(0)), "sweeps": ("used", number(0)), "lost": ("left out", number(0)),
    "noise_pA": ("noise pA", number(2)), "jumps_per_100": ("jumps per 100", number(1)),
    "drift_pm_per_s": ("drift pm/s", number(1)), "gap": ("gap", text),
}  # fmt: skip


@click.command("tips")
@click.argument("sessions", nargs=-1, required=True)
@OUT
@PLAN
@FORCE
@JSON
def tips_command(sessions: tuple[str, ...], out: Path, plan_file: Path | None, *, force: bool, as_json: bool) -> int:
    """The record of each tip over many SESSIONS: what it was like day by day, and whether it is still as it was.

    A pattern such as 'november/*.h5' stands for all files that fit. A session that cannot be read is named, the others are
    taken; the exit status is then 1. A folder that an earlier record wrote is renewed.
    """
    import sts
    from sts.report.folder import RECORD, ready_to_write

    plan = plan_from(plan_file)
    ready_to_write(out, what=RECORD, force=force, renew=True)
    with progress("analysing") as report:
        record = sts.tip_record(sessions, plan, progress=report)
    with progress("writing") as report:
        written = sts.write_tip_record(record, out, force=force, progress=report)
    for row in record.unread.to_dict("records"):
        warn(f"sts: {row['path']} was left out: {row['why']}")
    if as_json:
        print_json({"tips": record.tips, "days": record.days, "notes": list(record.notes)})
        return int(len(record.unread) > 0)
    for line in record.tips["sentence"]:
        say(line)
    if len(record.tips):
        print_frame("Tips over all days, by the verdict of the last", record.tips, _TIPS,
                    spare=("sample", "noise_pA", "jumps_per_100", "gap"))  # fmt: skip
        shown = record.days.head(MOST_DAYS)
        print_frame("Tips day by day", shown, _DAYS, spare=("drift_pm_per_s", "gap", "noise_pA", "lost"))
        if len(shown) < len(record.days):
            say(f"{len(record.days) - len(shown)} more days stand in {out / 'tip_days.csv'}.")
    for note in record.notes:
        say(f"note: {note}")
    say(f"{len(written)} files written; open {out / 'tips.html'}.")
    return int(len(record.unread) > 0)
