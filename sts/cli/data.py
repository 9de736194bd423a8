"""Commands about the session: list, mark, export, merge, rescue."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sts.cli.options import BY, FORCE, JSON, OUT, PATH, SESSION, WHICH, Which, as_one
from sts.cli.summed import ALL
from sts.cli.terminal import Columns, count, number, print_frame, print_json, say, show, size, text

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

_SWEEPS: Columns = {
    "sweep": ("sweep", text), "kind": ("kind", text), "sample": ("sample", text), "tip": ("tip", text),
    "site": ("site", text), "direction": ("direction", text), "repeat": ("repeat", number(0)),
    "points": ("points", number(0)), "setpoint_current_A": ("set-point", size("A")),
    "temperature_K": ("T", size("K")),
}  # fmt: skip
_SOURCES: Columns = {
    "name": ("file", text), "size": ("bytes", number(0)), "reader": ("reader", text), "imported": ("imported", text),
    "sha256": ("SHA-256", text),
}  # fmt: skip
_DECISIONS: Columns = {
    "time": ("time", text), "sweep": ("sweep", text), "action": ("decision", text), "why": ("why", text),
    "by": ("by", lambda name: name or "not recorded"),
}  # fmt: skip
_FATES = {"omit": "to be left out", "keep": "to be kept", "undo": "back to the rules"}
_WHAT_TO_DO = "Say what to do with these sweeps: one of --omit, --keep or --undo."


@click.command("list")
@SESSION
@WHICH
@click.option("--sources", is_flag=True, help="List the imported files instead.")
@ALL
@JSON
def list_command(session: Path, which: Which, *, sources: bool, as_json: bool) -> int:
    """List the sweeps of SESSION."""
    import sts

    opened = sts.Session.open(session)
    if sources:
        files = opened.sources()
        show(files, _SOURCES, as_json=as_json, none="0 files.", last=f"{count(len(files), 'file')}.")
        return 0
    table = opened.sweeps(which.kind)
    if which.said:
        table = table[table["sweep"].isin(opened.find(**which.said))]
    if as_json:
        print_json(table)
        return 0
    print_frame("", table, _SWEEPS, spare=("points", "repeat", "kind", "temperature_K", "setpoint_current_A"))
    tips, samples = (len(set(table[column]) - {""}) for column in ("tip", "sample"))
    unassigned = int((table["tip"] == "").sum())
    without = f" ({unassigned} of the sweeps without a tip)" if unassigned else ""
    say(f"{count(len(table), 'sweep')}, {count(tips, 'tip')}, {count(samples, 'sample')}{without}.")
    return 0


@dataclass(frozen=True)
class _Decision:
    """What to do with sweeps, why, and who says so."""

    omit: bool
    keep: bool
    undo: bool
    why: str
    by: str | None

    @property
    def action(self) -> str:
        """The one that was asked for; "" for none."""
        said = [name for name in ("omit", "keep", "undo") if getattr(self, name)]
        if len(said) > 1:
            raise click.UsageError(_WHAT_TO_DO)
        return said[0] if said else ""


@click.command("mark")
@SESSION
@click.argument("sweeps", nargs=-1)
@as_one(
    "decision", _Decision,
    click.option("--omit", is_flag=True, help="Leave these sweeps out."),
    click.option("--keep", is_flag=True, help="Use these sweeps, whatever the rules say."),
    click.option("--undo", is_flag=True, help="Take the last decision on these sweeps back."),
    click.option("--why", default="", help="The reason; it goes into the report."),
    BY,
)  # fmt: skip
@WHICH
@click.option("--from", "table", type=PATH, help="CSV or XLSX with columns sweep (or file) and why.")
@click.option("--dry-run", is_flag=True, help="Only show which sweeps these are.")
@ALL
@JSON
def mark_command(
    session: Path, sweeps: tuple[str, ...], decision: _Decision, which: Which, *, table: Path | None,
    dry_run: bool, as_json: bool,
) -> int:  # fmt: skip
    """Decide about SWEEPS of SESSION, with a reason; without sweeps, show every decision taken.

    SWEEPS are names or patterns with * and ?. With --sample, --tip, --site or --kind those that fit all of it; these
    alone pick all their sweeps. The sweeps are named before anything is written.
    """
    import sts
    from sts.importing import read_reasons

    opened = sts.Session.open(session)
    chosen = bool(sweeps or which.said or table)
    action, why = decision.action, decision.why
    if not chosen and not action:
        show(opened.decisions(), _DECISIONS, as_json=as_json, none="No decision has been taken in this session.")
        return 0
    if not action:
        raise click.UsageError(_WHAT_TO_DO)
    if not chosen:
        raise click.UsageError(f"Name the sweeps to {action}; 'sts list {session}' shows their names.")
    if table is not None and (sweeps or which.said):
        raise click.UsageError("Give either --from FILE, or sweeps.")
    if table is not None:
        reasons = read_reasons(opened, table, why, needed=action != "undo")
    else:
        reasons = {why: opened.find(sweeps, **which.said)}
    if action == "undo":
        reasons = _decided(reasons, opened.current_decisions(), sweeps)
    opened.mark_all(action, reasons, dry_run=True)  # what cannot be done is said before anything else
    names = [name for group in reasons.values() for name in group]
    if not as_json:
        more = f" and {len(names) - 30} more" if len(names) > 30 else ""
        say(f"{count(len(names), 'sweep')} {_FATES[action]}: {', '.join(names[:30])}{more}")
    if not dry_run:
        opened.mark_all(action, reasons, by=decision.by)
    if as_json:
        print_json(opened.decisions())
    elif dry_run:
        say("Nothing was written (--dry-run).")
    else:
        say("Written." if action == "undo" else "Written. To take it back: the same with --undo.")
    return 0


def _decided(
    reasons: dict[str, list[str]], standing: Mapping[str, object], named: Sequence[str]
) -> dict[str, list[str]]:
    """Of sweeps found by pattern or label those with a decision to take back; those named stay, whatever they have."""
    some = {why: [name for name in names if name in standing or name in named] for why, names in reasons.items()}
    return some if any(some.values()) else reasons


@click.command("export")
@SESSION
@click.argument("what", type=click.Choice(["originals", "csv", "npz"]))
@OUT
@FORCE
def export_command(session: Path, what: str, out: Path, *, force: bool) -> int:
    """Write the imported files byte for byte (originals), or the sweeps as CSV or npz."""
    import sts
    from sts.session import export_csv, export_npz, export_originals

    write = {"originals": export_originals, "csv": export_csv, "npz": export_npz}[what]
    written = write(sts.Session.open(session), out, force=force)
    say(f"{count(len(written), 'file')} written to {out}.")
    return 0


@click.command("merge")
@click.argument("sessions", metavar="SESSION...", nargs=-1, required=True, type=PATH)
@click.option("--into", type=PATH, help="Session that all go into: a new one, or one that is there.")
def merge_command(sessions: tuple[Path, ...], into: Path | None) -> int:
    """Bring what each SESSION holds into one, each file once; the sessions named are left as they are.

    Every file keeps the name of its session: sites of one name in two sessions are two sites, and a calibration holds
    for the sweeps of its own session. Without --into the second of two sessions is brought into the first.
    """
    import sts

    if into is None and len(sessions) != 2:
        raise click.UsageError("Say where to: sts merge MONDAY.h5 TUESDAY.h5 WEDNESDAY.h5 --into ALL.h5.")
    target, *others = sessions if into is None else (into, *sessions)
    result = sts.merge(target, *others, create=into is not None)
    for line in (*result.notes, *result.conflicts):
        say(f"note: {line}")
    say(f"{count(len(result.added), 'file')} with {count(result.sweeps, 'sweep')} added to {target}; "
        f"{len(result.repeated)} were there already.")  # fmt: skip
    return 0


@click.command("rescue")
@SESSION
@click.option("--out", "new", required=True, type=PATH, help="New session file to write.")
def rescue_command(session: Path, new: Path) -> int:
    """Save what can still be read of a damaged SESSION into a new one; the damaged file is left as it is.

    Exit status 0: everything was saved; 1: something is lost, and each loss is named.
    """
    import sts

    lines = sts.rescue(session, new)
    for line in lines:
        say(line)
    return int(any(line.startswith("Lost") for line in lines))


COMMANDS = (list_command, mark_command, export_command, merge_command, rescue_command)
