"""Commands about the session: list, mark, calibrate, export, merge, rescue."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sts.cli.options import FORCE, JSON, OUT, SESSION
from sts.cli.terminal import count, frame_rows, number, print_json, print_table, say, text

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd


@click.command("list")
@SESSION
@click.option("--kind", type=click.Choice(["iv", "iz"]), help="Only bias sweeps (iv) or height sweeps (iz).")
@click.option("--sample", help="Only this sample.")
@click.option("--tip", help="Only this tip.")
@click.option("--site", help="Only this site.")
@click.option("--sources", is_flag=True, help="List the imported files instead.")
@JSON
def list_command(
    session: Path,
    kind: str | None,
    sample: str | None,
    tip: str | None,
    site: str | None,
    *,
    sources: bool,
    as_json: bool,
) -> int:
    """List the sweeps of SESSION."""
    import sts

    opened = sts.Session.open(session)
    if sources:
        _print_sources(opened.sources(), as_json=as_json)
        return 0
    table = opened.sweeps(kind)
    for column, wanted in (("sample", sample), ("tip", tip), ("site", site)):
        if wanted is not None:
            known = sorted({str(value) for value in table[column]} - {""})
            if wanted not in known:
                raise click.ClickException(
                    f"no such {column} '{wanted}'; this session has {', '.join(known) or 'none named'}."
                )
            table = table[table[column] == wanted]
    if as_json:
        print_json(table)
        return 0
    formats = {
        "sweep": text,
        "kind": text,
        "sample": text,
        "tip": text,
        "site": text,
        "direction": text,
        "repeat": number(0),
        "points": number(0),
        "setpoint_current_A": number(0, 1e12),
        "temperature_K": number(1),
    }
    headings = ["sweep", "kind", "sample", "tip", "site", "direction", "repeat", "points", "set-point pA", "T K"]
    print_table("", headings, frame_rows(table, formats), right=(6, 7, 8, 9), spare=(7, 6, 1, 9, 8))
    tips, samples = (len(set(table[column]) - {""}) for column in ("tip", "sample"))
    unassigned = int((table["tip"] == "").sum())
    without = f" ({unassigned} of the sweeps without a tip)" if unassigned else ""
    say(f"{count(len(table), 'sweep')}, {count(tips, 'tip')}, {count(samples, 'sample')}{without}.")
    return 0


def _print_sources(sources: pd.DataFrame, *, as_json: bool) -> None:
    if as_json:
        print_json(sources)
        return
    formats: dict[str, Any] = {"name": text, "size": number(0), "reader": text, "imported": text, "sha256": text}
    print_table("", ["file", "bytes", "reader", "imported", "SHA-256"], frame_rows(sources, formats), right=(1,))
    say(f"{count(len(sources), 'file')}.")


@click.command("mark")
@SESSION
@click.argument("sweeps", nargs=-1)
@click.option("--omit", is_flag=True, help="Leave these sweeps out.")
@click.option("--keep", is_flag=True, help="Use these sweeps, whatever the rules say.")
@click.option("--undo", is_flag=True, help="Take the last decision on these sweeps back.")
@click.option("--why", default="", help="The reason; it goes into the report.")
@click.option(
    "--sample", help="All sweeps of this sample (with the patterns and the options below: those that fit all)."
)
@click.option("--tip", help="All sweeps of this tip.")
@click.option("--site", help="All sweeps of this site.")
@click.option("--kind", type=click.Choice(["iv", "iz"]), help="Only bias sweeps (iv) or height sweeps (iz).")
@click.option(
    "--from", "table", type=click.Path(path_type=Path), help="CSV or XLSX with columns sweep (or file) and why."
)
@click.option("--dry-run", is_flag=True, help="Only show which sweeps these are.")
@JSON
def mark_command(
    session: Path, sweeps: tuple[str, ...], *, omit: bool, keep: bool, undo: bool, why: str, sample: str | None,
    tip: str | None, site: str | None, kind: str | None, table: Path | None, dry_run: bool, as_json: bool,
) -> int:  # fmt: skip
    """Decide about SWEEPS of SESSION, with a reason; without sweeps, show every decision taken.

    SWEEPS are names or patterns with * and ?; the sweeps are named before anything is written.
    """
    import sts
    from sts.importing import read_reasons

    opened = sts.Session.open(session)
    labels = {k: v for k, v in (("sample", sample), ("tip", tip), ("site", site), ("kind", kind)) if v is not None}
    chosen = bool(sweeps or labels or table)
    actions = [word for word, said in (("omit", omit), ("keep", keep), ("undo", undo)) if said]
    if not chosen and not actions:
        _print_decisions(opened.decisions(), as_json=as_json)
        return 0
    if len(actions) != 1:
        raise click.UsageError("Say what to do with these sweeps: one of --omit, --keep or --undo.")
    action = actions[0]
    if not chosen:
        raise click.UsageError(f"Name the sweeps to {action}; 'sts list {session}' shows their names.")
    if table is not None and (sweeps or labels):
        raise click.UsageError("Give either --from FILE, or sweeps.")
    if table is not None:
        reasons = read_reasons(opened, table, why, needed=action != "undo")
    else:
        reasons = {why: opened.find(sweeps, **labels)}
    if action == "undo":
        reasons = _decided(reasons, opened.current_decisions(), sweeps)
    opened.mark_all(action, reasons, dry_run=True)  # what cannot be done is said before anything else
    names = [name for group in reasons.values() for name in group]
    if not as_json:
        words = {"omit": "to be left out", "keep": "to be kept", "undo": "back to the rules"}
        shown = names[:30]
        more = f" and {len(names) - 30} more" if len(names) > 30 else ""
        say(f"{count(len(names), 'sweep')} {words[action]}: {', '.join(shown)}{more}")
    if not dry_run:
        opened.mark_all(action, reasons)
    if as_json:
        _print_decisions(opened.decisions(), as_json=True)
    else:
        say("Nothing was written (--dry-run)." if dry_run else "Written. To take it back: the same with --undo.")
    return 0


def _decided(
    reasons: dict[str, list[str]], standing: Mapping[str, object], named: Sequence[str]
) -> dict[str, list[str]]:
    """Of sweeps found by pattern or label those with a decision to take back; those named stay, whatever they have."""
    some = {why: [name for name in names if name in standing or name in named] for why, names in reasons.items()}
    return some if any(some.values()) else reasons


def _print_decisions(decisions: pd.DataFrame, *, as_json: bool) -> None:
    if as_json:
        print_json(decisions)
    elif decisions.empty:
        say("No decision has been taken in this session.")
    else:
        formats = dict.fromkeys(("time", "sweep", "action", "why"), text)
        print_table("", ["time", "sweep", "decision", "why"], frame_rows(decisions, formats))


@click.command("calibrate")
@SESSION
@click.argument("what", type=click.Choice(["height", "current"]))
@click.option("--measured", help='What this bench measured, with its unit: "0.32 nm".')
@click.option("--measured-se", help='Its standard uncertainty, with unit: "0.01 nm".')
@click.option("--known", help='The true value: graphite, au111, si111 (step heights) or a value: "0.235 nm".')
@click.option("--known-se", help="Standard uncertainty of a --known value, with unit.")
@click.option("--source", default="", help="Where the known value comes from, and when it was measured.")
@JSON
def calibrate_command(
    session: Path,
    what: str,
    measured: str | None,
    measured_se: str | None,
    known: str | None,
    known_se: str | None,
    source: str,
    *,
    as_json: bool,
) -> int:
    """Store how far the height (or current) scale of SESSION is off; without options, show what is stored.

    The barrier height goes with the square of the height scale: 5 % in height are 10 % in the barrier.
    """
    import sts
    from sts.comparing import calibrate

    opened = sts.Session.open(session)
    if any(value is not None for value in (measured, measured_se, known, known_se)):
        if measured is None or measured_se is None or known is None:
            raise click.UsageError("A calibration needs --measured, --measured-se and --known.")
        found = calibrate(
            what, measured=measured, measured_se=measured_se, known=known, known_se=known_se, source=source
        )
        opened.add_calibration(
            what,
            factor=found.factor,
            factor_se=found.factor_se,
            measured=found.measured_nm * 1e-9,
            known=found.known_nm * 1e-9,
            source=found.source,
        )
        if not as_json:
            say(f"{what}: true = {found.factor:.4f} ± {found.factor_se:.4f} × nominal ({found.source}).")
            if what == "height":
                say(f"Barriers are multiplied by {found.factor**-2:.4f}; this scale adds "
                    f"{200 * found.factor_se / found.factor:.1f} % to their uncertainty.")  # fmt: skip
            return 0
    table = opened.calibrations()
    if as_json:
        print_json(table)
    elif table.empty:
        say("No calibration is stored; heights and currents are taken as the files give them.")
    else:
        formats = {"kind": text, "factor": number(4), "factor_se": number(4), "source": text, "time": text}
        headings = ["scale", "factor", "uncertainty", "source", "stored"]
        print_table("", headings, frame_rows(table, formats), right=(1, 2))
        say("The last of a kind is in force.")
    return 0


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
@SESSION
@click.argument("other", type=click.Path(path_type=Path))
def merge_command(session: Path, other: Path) -> int:
    """Bring what OTHER holds into SESSION; files that are in both are added once."""
    import sts

    result = sts.merge(session, other)
    for line in (*result.notes, *result.conflicts):
        say(f"note: {line}")
    say(f"{count(len(result.added), 'file')} with {count(result.sweeps, 'sweep')} added to {session}; "
        f"{len(result.repeated)} were there already.")  # fmt: skip
    return 0


@click.command("rescue")
@SESSION
@click.option("--out", "new", required=True, type=click.Path(path_type=Path), help="New session file to write.")
def rescue_command(session: Path, new: Path) -> int:
    """Save what can still be read of a damaged SESSION into a new one; the damaged file is left as it is."""
    import sts

    for line in sts.rescue(session, new):
        say(line)
    return 0


COMMANDS = (list_command, mark_command, calibrate_command, export_command, merge_command, rescue_command)
