"""Writing a session out again: the original files byte for byte, or the sweeps as CSV or npz."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from sts.naming import unique_files
from sts.session import layout, tables
from sts.session.change import reading
from sts.session.originals import contents_of
from sts.session.store import Session
from sts.session.tables import SessionError
from sts.session.whole_folder import whole_folder
from sts.sweeps import AXIS_UNITS, KINDS, SweepSet

_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)
FORMULA_STARTS = (
    "=",
    "+",
    "-",
    "@",
    "＝",
    "＋",
    "－",
    "＠",
)  # OWASP, "CSV Injection": cells that a spreadsheet may run
_INNER = re.compile(  # where a table of another country's separator is split; a plain number there stays
    r"""([;,][\s"']*)([=@＝＠]|[-+＋－](?!\s*\d[\d.,]*(?:\s[^(|!=@"]*)?(?:[;,]|$)))"""
)
_CONTROLS = re.compile(r"[\x00-\x1f\x7f]")


def export_originals(session: Session, out: str | Path, *, force: bool = False) -> list[Path]:
    """Write every imported file as it was, byte for byte; return the paths.

    Parameters
    ----------
    session : Session
    out : path
        Folder; made if it is not there.
    force : bool
        Whether files that are there may be overwritten.

    Raises
    ------
    SessionError
        If a file is there already (unless `force`), a stored copy is damaged, or the folder cannot be written.
    """
    names = list(session.sources()["name"])
    files = unique_files(map(safe_file_name, names))
    with _new_files(Path(out), files, force=force) as paths, reading(session.path) as file:
        for content, path in zip(contents_of(file, names), paths, strict=True):
            path.write_bytes(content)
    return [Path(out) / file for file in files]


def export_csv(session: Session, out: str | Path, *, force: bool = False) -> list[Path]:
    """Write ``sweeps.csv`` (the table), ``decisions.csv`` and, for each set, ``iv_001.csv`` ...: one row per point.

    Parameters
    ----------
    session, out, force
        As for `export_originals`.

    Raises
    ------
    SessionError
        If a file is there already (unless `force`) or the folder cannot be written.
    """
    with reading(session.path) as file:
        names = layout.set_names(file)
    files = [f"{name}.csv" for name in ("sweeps", "decisions", *names)]
    with _new_files(Path(out), files, force=force) as paths:
        for path, table in zip(paths, (session.sweeps(), session.decisions()), strict=False):
            _to_csv(table, path)
        for name, path in zip(names, paths[2:], strict=True):
            with reading(session.path) as file:
                stored = layout.StoredSet(file, name)
                for block in layout.blocks(stored.signal.shape):
                    part = stored.read(np.arange(block.start, block.stop))
                    axis, signals = _arrays(part)
                    columns = {
                        "sweep": np.repeat(part.table["sweep"].to_numpy(object), part.axis.size),
                        axis: np.tile(part.axis, len(part)), **{name: values.ravel() for name, values in signals.items()},
                    }  # fmt: skip
                    _to_csv(pd.DataFrame(columns), path, more=block.start > 0)
    return [Path(out) / file for file in files]


def export_npz(session: Session, out: str | Path, *, force: bool = False) -> list[Path]:
    """Write each set as ``iv_001.npz`` ...: axis, current, lock-in and what the table knows; no pickles.

    Parameters
    ----------
    session, out, force
        As for `export_originals`.

    Raises
    ------
    SessionError
        If a file is there already (unless `force`) or the folder cannot be written.
    """
    with reading(session.path) as file:
        names = layout.set_names(file)
    files = [f"{name}.npz" for name in names]
    with _new_files(Path(out), files, force=force) as paths:
        for name, path in zip(names, paths, strict=True):
            with reading(session.path) as file:
                part = layout.StoredSet(file, name).read()
            axis, signals = _arrays(part)
            arrays: dict[str, Any] = {axis: part.axis, **signals}
            for column, values in layout.known_part(part.table).items():
                taken = column in arrays or column in ("file", "allow_pickle")  # the latter two are words of np.savez
                cells = values.to_numpy(str) if tables.is_text(values) else values.to_numpy()
                arrays[f"sweep_{column}" if taken else str(column)] = cells
            np.savez_compressed(path, **arrays)
    return [Path(out) / file for file in files]


def _arrays(part: SweepSet) -> tuple[str, dict[str, np.ndarray]]:
    """The name of the axis, and what was recorded (m, n), each with its unit in its name."""
    signals = {"current_A": part.current} if part.has_current or part.lockin is None else {}
    if part.lockin is not None:
        signals[f"lockin_{part.lockin_unit}" if part.lockin_unit else "lockin"] = part.lockin
    return f"{KINDS[part.kind]}_{AXIS_UNITS[part.kind]}", signals


def inert(text: str) -> str:
    """A text cell that a spreadsheet shows instead of running.

    Parameters
    ----------
    text : str

    Notes
    -----
    An apostrophe goes before a formula's first sign (full-width signs are taken for it, too), also after a semicolon or comma
    within the text, where a spreadsheet of another country begins a new cell. Control characters (tab, line ends) become
    spaces.
    """
    text = _INNER.sub(r"\1'\2", _CONTROLS.sub(" ", text))
    return f"'{text}" if text.lstrip().startswith(FORMULA_STARTS) else text


def _to_csv(table: pd.DataFrame, path: Path, *, more: bool = False) -> None:
    """Write a table, or `more` rows of it, with all texts and names of columns inert."""
    cells = {
        str(column): [inert(str(value)) for value in table[column]]
        for column in table.columns
        if tables.is_text(table[column])
    }
    table = table.assign(**cells).rename(columns=lambda column: inert(str(column)))
    table.to_csv(path, index=False, header=not more, mode="a" if more else "w", encoding="utf-8", lineterminator="\n")


def safe_file_name(name: str) -> str:
    """A file name that stays in its folder and that every system takes.

    Parameters
    ----------
    name : str
        Any text; of a path, its last part is taken.
    """
    last = re.split(r"[/\\]", name)[-1]
    clean = re.sub(r'[\x00-\x1f<>:"|?*]', "_", last).rstrip(". ")[:200]
    if clean.strip(".") == "":
        return "file"
    return f"_{clean}" if _RESERVED.fullmatch(clean) else clean


@contextmanager
def _new_files(out: Path, names: Sequence[str], *, force: bool) -> Iterator[list[Path]]:
    """Where to write files that are then put into a folder, all or none."""
    there = [name for name in names if (out / name).exists()]
    if there and not force:
        more = f" and {len(there) - 1} more" if len(there) > 1 else ""
        raise SessionError(
            f"{out}: {there[0]}{more} is there already. Choose another folder, or overwrite with --force."
        )
    try:
        with whole_folder(out) as new:
            yield [new / name for name in names]
    except OSError as error:
        if error.strerror is None:  # said in words already
            raise SessionError(str(error)) from error
        raise SessionError(
            f"{out}: cannot be written ({error.strerror}). Free some space or choose another folder."
        ) from error
