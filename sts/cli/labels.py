"""Commands that bring sweeps and their labels into a session: import, logbook, annotate."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sts.cli.options import JSON, LABELS, PATH, SESSION, Labels, as_one
from sts.cli.summed import ALL
from sts.cli.terminal import Columns, count, print_json, progress, say, show, text, warn

if TYPE_CHECKING:
    import pandas as pd

    from sts.session import ImportResult

_CHANGES: Columns = {name: (name, text) for name in ("time", "action", "sweep", "column", "before", "after", "source")}
DECIMAL = click.Choice(["comma", "point"])


@dataclass(frozen=True)
class _Reading:
    """How files are read where they do not say it."""

    columns: tuple[str, ...]
    rows: tuple[str, ...]
    recipe: tuple[Path, ...]
    decimal: str | None
    height_grows: str | None


@click.command("import")
@click.argument("files", nargs=-1, required=True, type=PATH)
@click.option("--into", "session", type=PATH, help="Session file; made if it is not there.")
@as_one(
    "reading", _Reading,
    click.option(
        "--columns", multiple=True, metavar="NAMES",
        help="Names for columns that have none: 'V (V), I (A)'; for some files only: 'c_z*: z (nm), I (pA)'.",
    ),
    click.option(
        "--rows", multiple=True, metavar="NAMES",
        help="Names for rows of many numbers, axis first: 'z (m), I (A)'. Repeat for another kind; sizes tell which fits.",
    ),
    click.option("--recipe", multiple=True, type=PATH, help="TOML file that says how to read files. Repeat for more."),
    click.option("--decimal", type=DECIMAL, help="The decimal mark, where a comma may be either."),
    click.option(
        "--height-grows", type=click.Choice(["away", "towards"]),
        help="Which way the height of I(z) grows: away from the surface or towards it, where files do not say it.",
    ),
)  # fmt: skip
@LABELS
@click.option("--keep-copies", is_flag=True, help="Take sweeps whose numbers are there already as new ones.")
@click.option("--strict", is_flag=True, help="All files or none.")
@click.option(
    "--try", "only_try", is_flag=True, help="Show what would be read of each kind of file, and a recipe to start from."
)
@JSON
def import_command(
    files: tuple[Path, ...], session: Path | None, reading: _Reading, labels: Labels, *, keep_copies: bool, strict: bool,
    only_try: bool, as_json: bool,
) -> int:  # fmt: skip
    """Read FILES (or whole folders) into a session; the originals are kept inside.

    Words in names such as tipB or site3 label the sweeps; a header, then a logbook, stand above them.
    """
    import sts

    if only_try:
        return _try(files, reading)
    if session is None:
        raise click.UsageError("Say which session to import into: --into SESSION.h5 (or --try to look only).")
    with progress("importing") as report:
        result = sts.import_files(
            files, session, recipe=reading.recipe, logbook=labels.logbook, names=labels.names, values=labels.values,
            columns=reading.columns, rows=reading.rows, decimal=reading.decimal or "",
            height_grows=reading.height_grows or "", prefer_logbook=labels.prefer_logbook,
            keep_copies=keep_copies, strict=strict, progress=report,
        )  # fmt: skip
    for line in _left_out(result.left_out):
        warn(line)
    if as_json:
        print_json(_as_json(result, session))
    else:
        _print_import(result, session)
    some = result.added or result.repeated or result.copied
    return (1 if result.left_out else 0) if some else 2


def _try(files: Sequence[Path], reading: _Reading) -> int:
    from sts.importing import how_to_read, preview_kinds

    how = how_to_read(reading.recipe, reading.columns, reading.decimal or "", rows=reading.rows)
    kinds, found = preview_kinds(files, how, but_not=reading.recipe)
    for preview, names in kinds:
        if len(names) > 1:
            say(f"{len(names)} files of one kind: {', '.join(names[:4])}{', ...' if len(names) > 4 else ''}")
        say(f"{preview}\n")
    for line in _left_out(found.unreadable):
        warn(line)
    _print_no_sweeps(found.no_sweeps)
    reads = [not preview.problem for preview, _ in kinds]
    return 2 if not any(reads) else 1 if found.unreadable or not all(reads) else 0


def _as_json(result: ImportResult, session: Path) -> dict[str, object]:
    said = {name: getattr(result, name) for name in _TOLD}
    left_out = [{"file": name, "message": message} for name, message in result.left_out]
    return {"session": str(session), "files": result.added, "left_out": left_out, **said}


_TOLD = ("repeated", "copied", "no_sweeps", "copies", "conflicts", "notes", "sweeps", "unassigned")


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


def say_unassigned(table: pd.DataFrame, session: Path) -> None:
    """The same of a table of sweeps."""
    for line in unassigned_lines(int((table["tip"] == "").sum()), len(table), session):
        say(line)


def notes_alike(notes: Sequence[str]) -> list[str]:
    """Notes ``file: text``; where several files have the same (but for names in it), one line for all of them."""
    files: dict[str, list[tuple[str, str]]] = {}
    for note in notes:
        name, colon, said = note.partition(": ")
        name, said = (name, said) if colon else ("", note)
        files.setdefault(re.sub(r"'[^']*'", "''", said), []).append((name, said))
    lines = []
    for alike in files.values():
        name, said = alike[0]
        different = len({text for _, text in alike}) > 1
        who = name if len(alike) == 1 else f"{len(alike)} files like {name}" if different else f"{len(alike)} files"
        lines.append(f"{who}: {said}" if name else said)
    return lines


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
@click.option("--decimal", type=DECIMAL, help="Decimal mark of a CSV; comma writes semicolons, too.")
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
@LABELS
@click.option("--undo", is_flag=True, help="Take the last annotation back.")
@ALL
@JSON
def annotate_command(session: Path, labels: Labels, *, undo: bool, as_json: bool) -> int:
    """Fill in tip, sample, site ... of sweeps already in SESSION; without options, show what was.

    Currents and original files are not touched, and every changed cell is kept with its old value.
    """
    import sts
    from sts.importing import Annotated
    from sts.session import take_back

    values = labels.values
    said = labels.logbook is not None or bool(labels.names) or bool(values)
    if undo and said:
        raise click.UsageError("Give either --undo, or what to fill in.")
    if not said and not undo:
        changes = sts.Session.open(session).annotations()
        show(changes, _CHANGES, as_json=as_json, none="Nothing has been changed in this session since the import.")
        return 0
    if undo:
        found = Annotated(take_back(session), [], [])
    else:
        found = sts.annotate_session(
            session, labels.logbook, names=labels.names, values=values, prefer_logbook=labels.prefer_logbook
        )
    if as_json:
        print_json({"changes": found.changes, "conflicts": found.conflicts, "unmatched": found.unmatched})
        return 0
    for line in (*found.notes, *_by_kind(found.conflicts)):
        say(f"note: {line}")
    for row in found.unmatched:
        say(f"note: {row}: fits no file of this session.")
    if found.conflicts and not labels.prefer_logbook:
        say("note: with --prefer-logbook the logbook's word is taken where they disagree.")
    done = "taken back" if undo else "filled in or replaced"
    say(f"{count(len(found.changes), 'cell')} {done}, of {count(found.changes['sweep'].nunique(), 'sweep')}.")
    say_unassigned(sts.Session.open(session).sweeps(), session)
    return 0


COMMANDS = (import_command, logbook_command, annotate_command)
