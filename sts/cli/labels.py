"""Commands that bring sweeps and their labels into a session: import, logbook, annotate."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sts.cli.options import JSON, SESSION
from sts.cli.terminal import count, frame_rows, print_json, print_table, progress, say, text, warn

if TYPE_CHECKING:
    import pandas as pd

    from sts.session import ImportResult

NAMES = click.option(
    "--names", multiple=True, metavar="PATTERN",
    help="What folder and file names say, such as '{tip}/site{site}_{repeat}.txt'; 'none': nothing. Repeat for more.",
)  # fmt: skip
SET = click.option(
    "--set", "stated", multiple=True, metavar="COLUMN=VALUE",
    help="A label for all files of the call, such as tip=heron or 'temperature=77 K'. Repeat for more.",
)  # fmt: skip
LOGBOOK = click.option(
    "--logbook", type=click.Path(path_type=Path), help="CSV or XLSX with tip, sample, site ... by file."
)
PREFER = click.option("--prefer-logbook", is_flag=True, help="Where another word is known, believe the logbook.")


@click.command("import")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--into", "session", type=click.Path(path_type=Path), help="Session file; made if it is not there.")
@click.option(
    "--columns", multiple=True, metavar="NAMES",
    help="Names for columns that have none: 'V (V), I (A)'; for some files only: 'c_z*: z (nm), I (pA)'.",
)  # fmt: skip
@click.option(
    "--recipe",
    multiple=True,
    type=click.Path(path_type=Path),
    help="TOML file that says how to read files. Repeat for more.",
)
@LOGBOOK
@NAMES
@SET
@PREFER
@click.option("--decimal", type=click.Choice(["comma", "point"]), help="The decimal mark, where a comma may be either.")
@click.option("--keep-copies", is_flag=True, help="Take sweeps whose numbers are there already as new ones.")
@click.option("--strict", is_flag=True, help="All files or none.")
@click.option(
    "--try", "only_try", is_flag=True, help="Show what would be read of each kind of file, and a recipe to start from."
)
@JSON
def import_command(
    files: tuple[Path, ...], session: Path | None, columns: tuple[str, ...], recipe: tuple[Path, ...],
    logbook: Path | None, names: tuple[str, ...], stated: tuple[str, ...], *, prefer_logbook: bool, decimal: str | None,
    keep_copies: bool, strict: bool, only_try: bool, as_json: bool,
) -> int:  # fmt: skip
    """Read FILES (or whole folders) into a session; the originals are kept inside.

    Words in names such as tipB or site3 label the sweeps; a header, then a logbook, stand above them.
    """
    import sts

    if only_try:
        return _try(files, recipe, columns, decimal or "")
    if session is None:
        raise click.UsageError("Say which session to import into: --into SESSION.h5 (or --try to look only).")
    with progress("importing") as report:
        result = sts.import_files(
            files, session, recipe=recipe, logbook=logbook, names=names, values=_stated(stated), columns=columns,
            decimal=decimal or "", prefer_logbook=prefer_logbook, keep_copies=keep_copies, strict=strict, progress=report,
        )  # fmt: skip
    for line in _left_out(result.left_out):
        warn(line)
    if as_json:
        print_json(_as_json(result, session))
    else:
        _print_import(result, session)
    some = result.added or result.repeated or result.copied
    return (1 if result.left_out else 0) if some else 2


def _try(files: Sequence[Path], recipe: Sequence[Path], columns: Sequence[str], decimal: str) -> int:
    from sts.importing import how_to_read, preview_kinds

    kinds, found = preview_kinds(files, how_to_read(recipe, columns, decimal), but_not=recipe)
    for preview, names in kinds:
        if len(names) > 1:
            say(f"{len(names)} files of one kind: {', '.join(names[:4])}{', ...' if len(names) > 4 else ''}")
        say(f"{preview}\n")
    for line in _left_out(found.unreadable):
        warn(line)
    _print_no_sweeps(found.no_sweeps)
    reads = [not preview.problem for preview, _ in kinds]
    return 2 if not any(reads) else 1 if found.unreadable or not all(reads) else 0


def _stated(items: Sequence[str]) -> dict[str, str] | None:
    """``COLUMN=VALUE`` as given on the command line."""
    found = {}
    for item in items:
        column, equals, value = item.partition("=")
        if not (equals and column.strip() and value.strip()):
            raise click.UsageError(f"--set {item} is no COLUMN=VALUE; say for example --set tip=heron.")
        found[column.strip()] = value.strip()
    return found or None


def _as_json(result: ImportResult, session: Path) -> dict[str, object]:
    return {
        "session": str(session),
        "files": result.added,
        "repeated": result.repeated,
        "copied": result.copied,
        "left_out": [{"file": name, "message": message} for name, message in result.left_out],
        "no_sweeps": result.no_sweeps,
        "copies": result.copies,
        "conflicts": result.conflicts,
        "notes": result.notes,
        "sweeps": result.sweeps,
        "unassigned": result.unassigned,
    }


def _left_out(left_out: Sequence[tuple[str, str]]) -> list[str]:
    """Files that were left out; where several have the same reason but for its numbers, one line for all of them."""
    alike: dict[str, list[tuple[str, str]]] = {}
    for name, message in left_out:
        why = message.removeprefix(Path(name).name)
        alike.setdefault(re.sub(r"[-+]?\d+(?:[.,]\d+)?(?:e[-+]?\d+)?", "#", why), []).append((name, why))
    lines = []
    for members in alike.values():
        name, why = members[0]
        who = name if len(members) == 1 else f"{len(members)} files like {name}"
        lines.append(f"{who}{why}" if why[:1] in ",:" else f"{who}: {why}")
    return lines


def _print_import(result: ImportResult, session: Path) -> None:
    for line in (*notes_alike(result.notes), *_by_kind(result.conflicts)):
        say(f"note: {line}")
    if result.copies:
        more = f" (and {len(result.copies) - 1} more)" if len(result.copies) > 1 else ""
        say(f"note: {result.copies[0]} Left out as a copy{more}; --keep-copies takes such sweeps as new ones.")
    _print_no_sweeps(result.no_sweeps)
    say(f"{count(len(result.added), 'file')} with {count(result.sweeps, 'sweep')} imported into {session}.")
    if result.repeated:
        say(f"{count(len(result.repeated), 'file')} already there; nothing was added twice.")
    if result.copied:
        say(f"{count(len(result.copied), 'file')} with copies only; nothing was added twice.")
    if result.left_out:
        say(f"{count(len(result.left_out), 'file')} left out (see above).")
    for line in unassigned_lines(result.unassigned, result.total, session, result.proposed_names):
        say(line)


def _print_no_sweeps(files: Sequence[str]) -> None:
    if files:
        names = ", ".join(Path(name).name for name in files[:6]) + (", ..." if len(files) > 6 else "")
        say(f"{count(len(files), 'file')} without sweeps passed over: {names}.")


def unassigned_lines(unassigned: int, total: int, session: Path, proposed: str = "") -> list[str]:
    """How many sweeps have no tip, and the shortest ways to say it."""
    if not unassigned:
        return []
    who = f"{unassigned} of {total} sweeps have" if unassigned > 1 else f"1 of {total} sweeps has"
    lines = [f"{who} no tip, and will not be reported as one of a tip. To say it:"]
    if proposed:
        lines.append(f"  if the names say it:      sts annotate {session} --names '{proposed}'")
    lines += [
        f"  if all are of one tip:    sts annotate {session} --set tip=NAME",
        (
            f"  else, in a spreadsheet:   sts logbook {session} --out logbook.csv, then "
            f"sts annotate {session} --logbook logbook.csv"
        ),
    ]
    return lines


def notes_alike(notes: Sequence[str]) -> list[str]:
    """Notes ``file: text``; where several files have the same, one line for all of them."""
    files: dict[str, list[str]] = {}
    for note in notes:
        name, colon, said = note.partition(": ")
        files.setdefault(said if colon else note, []).append(name if colon else "")
    return [
        said if names == [""] else f"{names[0] if len(names) == 1 else f'{len(names)} files'}: {said}"
        for said, names in files.items()
    ]


def _by_kind(conflicts: Sequence[str]) -> list[str]:
    """Disagreements, those of a kind in one line with the first for an example."""
    kinds: dict[str, list[str]] = {}
    for conflict in conflicts:
        kinds.setdefault(str(getattr(conflict, "kind", conflict)), []).append(conflict)
    return [same[0] if len(same) == 1 else f"{len(same)} times {kind}; first {same[0]}" for kind, same in kinds.items()]


@click.command("logbook")
@SESSION
@click.option(
    "--out", required=True, type=click.Path(path_type=Path, dir_okay=False), help="CSV or XLSX file to write."
)
@click.option(
    "--decimal", type=click.Choice(["comma", "point"]), help="Decimal mark of a CSV; comma writes semicolons, too."
)
@click.option("--force", is_flag=True, help="Overwrite a logbook that is there already.")
def logbook_command(session: Path, out: Path, *, decimal: str | None, force: bool) -> int:
    """Write a started logbook of SESSION: a row per file, what is known filled in, the rest to be filled in.

    Edit it in a spreadsheet and give it back with 'sts annotate SESSION --logbook FILE', as often as you like.
    """
    from sts.importing import write_logbook

    rows = write_logbook(session, out, decimal=decimal or "", force=force)
    say(f"{count(rows, 'file')} written to {out}. Fill in what is empty, then: sts annotate {session} --logbook {out}")
    return 0


@click.command("annotate")
@SESSION
@LOGBOOK
@NAMES
@SET
@PREFER
@click.option("--undo", is_flag=True, help="Take the last annotation back.")
@JSON
def annotate_command(
    session: Path, logbook: Path | None, names: tuple[str, ...], stated: tuple[str, ...], *, prefer_logbook: bool,
    undo: bool, as_json: bool,
) -> int:  # fmt: skip
    """Fill in tip, sample, site ... of sweeps already in SESSION; without options, show what was.

    Currents and original files are not touched, and every changed cell is kept with its old value.
    """
    import sts
    from sts.session import take_back

    values = _stated(stated)
    said = logbook is not None or bool(names) or bool(values)
    if undo and said:
        raise click.UsageError("Give either --undo, or what to fill in.")
    if not said and not undo:
        _print_changes(sts.Session.open(session).annotations(), as_json=as_json)
        return 0
    conflicts: list[str] = []
    unmatched: list[str] = []
    notes: list[str] = []
    if undo:
        changes = take_back(session)
    else:
        found = sts.annotate_session(session, logbook, names=names, values=values, prefer_logbook=prefer_logbook)
        changes, conflicts, unmatched, notes = found.changes, found.conflicts, found.unmatched, found.notes
    if as_json:
        print_json({"changes": changes, "conflicts": conflicts, "unmatched": unmatched})
        return 0
    for line in (*notes, *_by_kind(conflicts)):
        say(f"note: {line}")
    for row in unmatched:
        say(f"note: {row}: fits no file of this session.")
    if conflicts and not prefer_logbook:
        say("note: with --prefer-logbook the logbook's word is taken where they disagree.")
    done = "taken back" if undo else "filled in or replaced"
    say(f"{count(len(changes), 'cell')} {done}, of {count(changes['sweep'].nunique(), 'sweep')}.")
    sweeps = sts.Session.open(session).sweeps()
    for line in unassigned_lines(int((sweeps["tip"] == "").sum()), len(sweeps), session):
        say(line)
    return 0


def _print_changes(changes: pd.DataFrame, *, as_json: bool) -> None:
    if as_json:
        print_json(changes)
    elif changes.empty:
        say("Nothing has been changed in this session since the import.")
    else:
        formats = dict.fromkeys(("time", "action", "sweep", "column", "before", "after", "source"), text)
        print_table("", list(formats), frame_rows(changes, formats))


COMMANDS = (import_command, logbook_command, annotate_command)
