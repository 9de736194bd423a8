"""Commands about the session: import, list, mark, annotate, calibrate, export, merge, rescue."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sts.cli.terminal import frame_rows, number, print_json, print_table, progress, say, text, warn

if TYPE_CHECKING:
    import pandas as pd

SESSION = click.argument("session", type=click.Path(path_type=Path))
OUT = click.option("--out", required=True, type=click.Path(path_type=Path, file_okay=False), help="Folder to write to.")
JSON = click.option("--json", "as_json", is_flag=True, help="Print JSON for machines instead of a table.")
FORCE = click.option("--force", is_flag=True, help="Overwrite results that are there already.")


@click.command("import")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--into", "session", type=click.Path(path_type=Path), help="Session file; made if it is not there.")
@click.option("--recipe", type=click.Path(path_type=Path), help="TOML file that says how to read these files.")
@click.option("--logbook", type=click.Path(path_type=Path), help="CSV or XLSX with tip, sample, site ... by file.")
@click.option("--prefer-logbook", is_flag=True, help="Where header and logbook disagree, believe the logbook.")
@click.option("--strict", is_flag=True, help="All files or none.")
@click.option("--try", "only_try", is_flag=True, help="Show what would be read, and a recipe to start from.")
@JSON
def import_command(
    files: tuple[Path, ...],
    session: Path | None,
    recipe: Path | None,
    logbook: Path | None,
    *,
    prefer_logbook: bool,
    strict: bool,
    only_try: bool,
    as_json: bool,
) -> int:
    """Read FILES (or whole folders) into a session; the originals are kept inside."""
    import sts
    from sts.importing import files_in

    if only_try:
        how = sts.read_recipe(recipe) if recipe else None
        for path in files_in(files, but_not=[logbook]):
            say(str(sts.preview_file(path, recipe=how)))
        return 0
    if session is None:
        raise click.UsageError("Say which session to import into: --into SESSION.h5 (or --try to look only).")
    with progress("importing") as report:
        result = sts.import_files(
            files,
            session,
            recipe=recipe,
            logbook=logbook,
            prefer_logbook=prefer_logbook,
            strict=strict,
            progress=report,
        )
    for name, message in result.left_out:
        own = Path(name).name  # most messages begin with it
        warn(f"{name}{message.removeprefix(own)}" if message.startswith(own) else f"{name}: {message}")
    if as_json:
        print_json(
            {
                "session": str(session),
                "files": result.added,
                "repeated": result.repeated,
                "left_out": [{"file": name, "message": message} for name, message in result.left_out],
                "conflicts": result.conflicts,
                "notes": result.notes,
                "sweeps": result.sweeps,
            }
        )
    else:
        for line in (*_alike(result.notes), *result.conflicts):
            say(f"note: {line}")
        say(f"{_count(len(result.added), 'file')} with {_count(result.sweeps, 'sweep')} imported into {session}.")
        if result.repeated:
            say(f"{_count(len(result.repeated), 'file')} already there; nothing was added twice.")
        if result.left_out:
            say(f"{_count(len(result.left_out), 'file')} left out (see above).")
    if result.left_out:
        return 1 if result.added or result.repeated else 2
    return 0


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


def _alike(notes: list[str]) -> list[str]:
    """Notes ``file: text``; where several files have the same, one line for all of them."""
    files: dict[str, list[str]] = {}
    for note in notes:
        name, _, said = note.partition(": ")
        files.setdefault(said, []).append(name)
    return [f"{names[0] if len(names) == 1 else f'{len(names)} files'}: {said}" for said, names in files.items()]


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
    tips, samples = table["tip"].nunique(), table["sample"].nunique()
    say(f"{_count(len(table), 'sweep')}, {_count(tips, 'tip')}, {_count(samples, 'sample')}.")
    return 0


def _print_sources(sources: pd.DataFrame, *, as_json: bool) -> None:
    if as_json:
        print_json(sources)
        return
    formats: dict[str, Any] = {"name": text, "size": number(0), "reader": text, "imported": text, "sha256": text}
    print_table("", ["file", "bytes", "reader", "imported", "SHA-256"], frame_rows(sources, formats), right=(1,))
    say(f"{_count(len(sources), 'file')}.")


@click.command("mark")
@SESSION
@click.argument("sweeps", nargs=-1)
@click.option("--omit", "action", flag_value="omit", help="Leave these sweeps out.")
@click.option("--keep", "action", flag_value="keep", help="Use these sweeps, whatever the rules say.")
@click.option("--undo", "action", flag_value="undo", help="Take the last decision on these sweeps back.")
@click.option("--why", default="", help="The reason; it goes into the report.")
@JSON
def mark_command(session: Path, sweeps: tuple[str, ...], action: str | None, why: str, *, as_json: bool) -> int:
    """Decide about SWEEPS of SESSION, with a reason; without sweeps, show every decision taken."""
    import sts

    opened = sts.Session.open(session)
    if sweeps or action:
        if not action:
            raise click.UsageError("Say what to do with these sweeps: --omit, --keep or --undo.")
        if not sweeps:
            raise click.UsageError(f"Name the sweeps to {action}; 'sts list {session}' shows their names.")
        opened.mark(list(sweeps), action, why)
        if not as_json:
            words = {"omit": "left out from now on", "keep": "kept from now on", "undo": "back to the rules"}
            say(f"{_count(len(sweeps), 'sweep')} {words[action]}.")
            return 0
    decisions = opened.decisions()
    if as_json:
        print_json(decisions)
    elif decisions.empty:
        say("No decision has been taken in this session.")
    else:
        formats = dict.fromkeys(("time", "sweep", "action", "why"), text)
        print_table("", ["time", "sweep", "decision", "why"], frame_rows(decisions, formats))
    return 0


@click.command("annotate")
@SESSION
@click.option("--logbook", type=click.Path(path_type=Path), help="CSV or XLSX with tip, sample, site ... by file.")
@click.option("--prefer-logbook", is_flag=True, help="Where session and logbook disagree, believe the logbook.")
@click.option("--undo", is_flag=True, help="Take the last annotation back.")
@JSON
def annotate_command(session: Path, logbook: Path | None, *, prefer_logbook: bool, undo: bool, as_json: bool) -> int:
    """Fill in tip, sample, site ... of sweeps already in SESSION from a later logbook; without options, show what was.

    Currents and original files are not touched, and every changed cell is kept with its old value.
    """
    import sts
    from sts.session import take_back

    if undo and logbook is not None:
        raise click.UsageError("Give either --logbook or --undo.")
    if logbook is None and not undo:
        _print_changes(sts.Session.open(session).annotations(), as_json=as_json)
        return 0
    conflicts: list[str] = []
    unmatched: list[str] = []
    if logbook is None:
        changes = take_back(session)
    else:
        found = sts.annotate_session(session, logbook, prefer_logbook=prefer_logbook)
        changes, conflicts, unmatched = found.changes, found.conflicts, found.unmatched
    if as_json:
        print_json({"changes": changes, "conflicts": conflicts, "unmatched": unmatched})
        return 0
    for line in conflicts:
        say(f"note: {line}")
    for pattern in unmatched:
        say(f"note: no file of this session fits '{pattern}'.")
    if conflicts and not prefer_logbook:
        say("note: with --prefer-logbook the logbook's word is taken where they disagree.")
    done = "taken back" if undo else "filled in or replaced"
    say(f"{_count(len(changes), 'cell')} {done}, of {_count(changes['sweep'].nunique(), 'sweep')}.")
    return 0


def _print_changes(changes: pd.DataFrame, *, as_json: bool) -> None:
    if as_json:
        print_json(changes)
    elif changes.empty:
        say("Nothing has been changed in this session since the import.")
    else:
        formats = dict.fromkeys(("time", "action", "sweep", "column", "before", "after", "source"), text)
        print_table("", list(formats), frame_rows(changes, formats))


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
    say(f"{_count(len(written), 'file')} written to {out}.")
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
    say(f"{_count(len(result.added), 'file')} with {_count(result.sweeps, 'sweep')} added to {session}; "
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


COMMANDS = (
    import_command,
    list_command,
    mark_command,
    annotate_command,
    calibrate_command,
    export_command,
    merge_command,
    rescue_command,
)
