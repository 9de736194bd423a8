"""Writing a session out again: the original files byte for byte, or the sweeps as CSV or npz."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from sts.session import layout
from sts.session.change import reading
from sts.session.layout import SessionError
from sts.session.store import Session
from sts.session.writer import unique
from sts.sweeps import AXIS_UNITS, KINDS, SweepSet

_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)
FORMULA_STARTS = ("=", "+", "-", "@")  # OWASP, "CSV Injection": cells that a spreadsheet may run
_CONTROLS = re.compile(r"[\x00-\x1f\x7f]")


def export_originals(session: Session, out: str | Path, *, force: bool = False) -> list[Path]:
    """Write every imported file as it was, byte for byte; return the paths.

    Raises
    ------
    SessionError
        If a file is there already (unless `force`), a stored copy is damaged, or the folder cannot be written.
    """
    names = list(session.sources()["name"])
    paths = _targets(Path(out), _safe_file_names(names), force=force)
    for name, path in zip(names, paths, strict=True):
        _write(path, session.original(name))
    return paths


def export_csv(session: Session, out: str | Path, *, force: bool = False) -> list[Path]:
    """Write ``sweeps.csv`` (the table), ``decisions.csv`` and, for each set, ``iv_001.csv`` ...: one row a point.

    Raises
    ------
    SessionError
        If a file is there already (unless `force`) or the folder cannot be written.
    """
    with reading(session.path) as file:
        names = layout.set_names(file)
    paths = _targets(Path(out), ["sweeps.csv", "decisions.csv", *(f"{name}.csv" for name in names)], force=force)
    for path, table in zip(paths, (session.sweeps(), session.decisions()), strict=False):
        _write(path, _inert(table).to_csv(index=False, lineterminator="\n").encode("utf-8"))
    for name, path in zip(names, paths[2:], strict=True):
        try:
            with path.open("w", encoding="utf-8", newline="\n") as stream:
                for number, part in enumerate(_parts(session, name)):
                    _inert(_long(part)).to_csv(stream, index=False, header=number == 0, lineterminator="\n")
        except OSError as error:
            raise _cannot_write(path, error) from error
    return paths


def export_npz(session: Session, out: str | Path, *, force: bool = False) -> list[Path]:
    """Write each set as ``iv_001.npz`` ...: axis, current, lock-in and what the table knows; no pickles.

    Raises
    ------
    SessionError
        If a file is there already (unless `force`) or the folder cannot be written.
    """
    with reading(session.path) as file:
        names = layout.set_names(file)
    paths = _targets(Path(out), [f"{name}.npz" for name in names], force=force)
    for name, path in zip(names, paths, strict=True):
        (part,) = _parts(session, name, whole=True)
        arrays: dict[str, Any] = {_axis_column(part): part.axis}
        if part.has_current or part.lockin is None:
            arrays["current_A"] = part.current
        if part.lockin is not None:
            arrays[_lockin_column(part)] = part.lockin
        for column, values in layout.known_part(part.table).items():
            taken = column in arrays or column in ("file", "allow_pickle")  # the latter two are words of np.savez
            arrays[f"sweep_{column}" if taken else str(column)] = (
                values.to_numpy(str) if layout.is_text(values) else values.to_numpy()
            )
        try:
            np.savez_compressed(path, **arrays)
        except OSError as error:
            raise _cannot_write(path, error) from error
    return paths


def inert(text: str) -> str:
    """A text cell that a spreadsheet shows instead of running.

    An apostrophe goes before a formula's first sign; control characters (tab, line ends) become spaces.
    """
    text = _CONTROLS.sub(" ", text)
    return f"'{text}" if text.lstrip().startswith(FORMULA_STARTS) else text


def _inert(table: pd.DataFrame) -> pd.DataFrame:
    """The table with all texts and names of columns inert."""
    cells = {
        str(column): [inert(str(value)) for value in table[column]]
        for column in table.columns
        if layout.is_text(table[column])
    }
    return table.assign(**cells).rename(columns=lambda column: inert(str(column)))


def safe_file_name(name: str) -> str:
    """A file name that stays in its folder and that every system takes."""
    last = re.split(r"[/\\]", name)[-1]
    clean = re.sub(r'[\x00-\x1f<>:"|?*]', "_", last).rstrip(". ")[:200]
    if clean.strip(".") == "":
        return "file"
    return f"_{clean}" if _RESERVED.fullmatch(clean) else clean


def _safe_file_names(names: Sequence[str]) -> list[str]:
    """Safe names, all different also where capitals do not count; two different names may have become one."""
    taken: dict[str, int] = {}
    safe = []
    for name in map(safe_file_name, names):
        lower = unique(name.lower(), taken, before_ending=True)
        safe.append(name if lower == name.lower() else lower)
    return safe


def _parts(session: Session, name: str, *, whole: bool = False) -> Any:
    """The sweeps of one set, in blocks."""
    with reading(session.path) as file:
        group = layout.part_of(file, name)
        table = layout.read_listing(group)
        if whole:
            yield layout.read_set(group, table)
            return
        for block in layout.blocks((len(table), layout.shape_of(group)[1])):
            yield layout.read_set(group, table, np.arange(block.start, block.stop))


def _axis_column(part: SweepSet) -> str:
    return f"{KINDS[part.kind]}_{AXIS_UNITS[part.kind]}"


def _lockin_column(part: SweepSet) -> str:
    return f"lockin_{part.lockin_unit}" if part.lockin_unit else "lockin"


def _long(part: SweepSet) -> pd.DataFrame:
    points = part.axis.size
    columns: dict[str, Any] = {
        "sweep": np.repeat(part.table["sweep"].to_numpy(object), points),
        _axis_column(part): np.tile(part.axis, len(part)),
    }
    if part.has_current or part.lockin is None:
        columns["current_A"] = part.current.ravel()
    if part.lockin is not None:
        columns[_lockin_column(part)] = part.lockin.ravel()
    return pd.DataFrame(columns)


def _targets(out: Path, names: Sequence[str], *, force: bool) -> list[Path]:
    paths = [out / name for name in names]
    there = [path.name for path in paths if path.exists()]
    if there and not force:
        more = f" and {len(there) - 1} more" if len(there) > 1 else ""
        raise SessionError(
            f"{out}: {there[0]}{more} is there already. Choose another folder, or overwrite with --force."
        )
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise _cannot_write(out, error) from error
    return paths


def _write(path: Path, content: bytes) -> None:
    try:
        path.write_bytes(content)
    except OSError as error:
        raise _cannot_write(path, error) from error


def _cannot_write(path: Path, error: OSError) -> SessionError:
    return SessionError(
        f"{path}: cannot be written ({error.strerror or error}). Free some space or choose another folder."
    )
