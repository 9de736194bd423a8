"""`Session`: one HDF5 file with the sweeps, their original files, the decisions and the calibrations."""

from __future__ import annotations

import difflib
import fnmatch
import hashlib
import math
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from sts.selection import standing_decisions
from sts.session import layout
from sts.session.change import Change, changing, reading
from sts.session.layout import SessionError
from sts.session.writer import Writer
from sts.sweeps import COLUMNS, KINDS, SAID_BY, SweepSet

if TYPE_CHECKING:
    from sts.loaders import LoadedFile

ACTIONS = ("keep", "omit", "undo")
CALIBRATIONS = ("height", "current")
HASHED_BESIDE = 1 << 20  # [bytes] smaller contents are hashed before a second thread would have begun


@dataclass(frozen=True)
class ImportResult:
    """What an import or a merge did."""

    added: list[str] = field(default_factory=list)  # names of files
    repeated: list[str] = field(default_factory=list)  # files that were there already
    copied: list[str] = field(default_factory=list)  # files of which every sweep is a copy of one that is there
    left_out: list[tuple[str, str]] = field(default_factory=list)  # (file, why)
    notes: list[str] = field(default_factory=list)
    copies: list[str] = field(default_factory=list)  # sweeps left out because their numbers are there already
    no_sweeps: list[str] = field(default_factory=list)  # files beside the sweeps: pictures, notes
    conflicts: list[str] = field(default_factory=list)  # two statements about the same thing; which one stands
    sweeps: int = 0  # sweeps added
    unassigned: int = 0  # sweeps of the session without a tip
    total: int = 0  # sweeps of the session
    proposed_names: str = ""  # a pattern that the names of files without a tip might follow


@dataclass(frozen=True)
class Session:
    """A session file. Nothing is kept open: every call opens, reads and closes, and sees the file as it is then."""

    path: Path

    @classmethod
    def create(cls, path: str | Path) -> Session:
        """Make a new, empty session.

        Raises
        ------
        SessionError
            If the file exists or the folder cannot be written.
        """
        path = Path(path)
        with changing(path, create=True) as change:
            if path.exists():
                raise SessionError(f"{path}: exists already. Open it, or choose another name.")
            change.file()
        return cls(path)

    @classmethod
    def open(cls, path: str | Path) -> Session:
        """Open a session; one of an older format is brought to the present one.

        Raises
        ------
        SessionError
            If there is none, it is something else, it is damaged, or a newer version of sts wrote it.
        """
        session = cls(Path(path))
        with reading(session.path):
            pass
        return session

    # --- reading -----------------------------------------------------------------------------------------------------

    def sweeps(self, kind: str | None = None) -> pd.DataFrame:
        """One row a sweep: `sweep`, `kind`, `set`, `points`, then the columns of the table. Reads no current."""
        _check_kind(kind)
        parts = []
        with reading(self.path) as file:
            for name in layout.set_names(file, kind):
                group = layout.part_of(file, name)
                table = layout.read_listing(group)
                table.insert(1, "kind", pd.Series([name[:2]] * len(table), dtype=object))
                table.insert(2, "set", pd.Series([name] * len(table), dtype=object))
                table.insert(3, "points", layout.shape_of(group)[1])
                parts.append(table)
        if not parts:
            columns = ["sweep", "kind", "set", "points", *COLUMNS[1:]]
            return pd.DataFrame({column: pd.Series(dtype=object) for column in columns})
        return layout.join_tables(parts)

    def sets(
        self,
        kind: str | None = None,
        *,
        tip: str | None = None,
        site: str | None = None,
        sample: str | None = None,
        sweeps: Sequence[str] | None = None,
    ) -> list[SweepSet]:
        """The sets of sweeps, narrowed by kind, tip, site, sample or names.

        Raises
        ------
        SessionError
            If nothing in the session fits; the text lists what there is.
        """
        _check_kind(kind)
        wanted = {column: value for column, value in (("tip", tip), ("site", site), ("sample", sample)) if value}
        found = []
        with reading(self.path) as file:
            names = layout.set_names(file, kind)
            groups = {name: layout.part_of(file, name) for name in names}
            tables = {name: layout.read_listing(group) for name, group in groups.items()}
            _check_wanted(tables, wanted, sweeps)
            notes = layout.read_log(file, "sources")["notes"]
            for name, table in tables.items():
                chosen = np.ones(len(table), bool)
                for column, value in wanted.items():
                    chosen &= (table[column] == value).to_numpy(bool)
                if sweeps is not None:
                    chosen &= table["sweep"].isin(list(sweeps)).to_numpy(bool)
                rows = np.flatnonzero(chosen)
                if rows.size:
                    files = np.unique(layout.read_array(groups[name][layout.SOURCE])[rows])
                    said = dict.fromkeys(line for text in notes[files] for line in text.splitlines())
                    picked = None if chosen.all() else rows
                    found.append(layout.read_set(groups[name], table, picked, tuple(said)))
        if not found and wanted:
            raise SessionError(f"no sweep has {' and '.join(f'{c} {v!r}' for c, v in wanted.items())} together.")
        return found

    def find(
        self, patterns: Sequence[str] = (), *, sample: str | None = None, tip: str | None = None, site: str | None = None,
        kind: str | None = None,
    ) -> list[str]:  # fmt: skip
        """The names of sweeps that fit one of the patterns (``*`` and ``?``; none: all) and all of the labels.

        Raises
        ------
        SessionError
            If nothing fits a pattern, a label is not there, or nothing fits them together.
        """
        table = self.sweeps(kind)
        wanted = {
            column: value for column, value in (("sample", sample), ("tip", tip), ("site", site)) if value is not None
        }
        _check_wanted({"": table}, wanted, None)
        names = table["sweep"].tolist()
        known = set(names)
        fitting: set[str] = set() if patterns else known
        for pattern in patterns:
            found = {pattern} & known or set(fnmatch.filter(names, pattern.replace("[", "[[]")))
            if not found:
                raise SessionError(f"no such sweep '{pattern}'{_near(pattern, names, 'sts list')}.")
            fitting = fitting | found
        chosen = table["sweep"].isin(fitting)
        for column, value in wanted.items():
            chosen &= table[column] == value
        if not chosen.any():
            words = " and ".join([*map(repr, patterns), *(f"{c} {v!r}" for c, v in wanted.items())])
            raise SessionError(f"no sweep fits {words} together.")
        return [str(name) for name in table["sweep"][chosen]]

    def decisions(self) -> pd.DataFrame:
        """Every decision ever taken, in order: `time`, `sweep`, `action`, `why`."""
        with reading(self.path) as file:
            return layout.read_log(file, "decisions")

    def current_decisions(self) -> dict[str, tuple[str, str]]:
        """The decision in force for each sweep that has one: (``"omit"`` or ``"keep"``, why)."""
        return standing_decisions(self.decisions())

    def calibrations(self) -> pd.DataFrame:
        """Every calibration stored, in order; the last of a kind is in force."""
        with reading(self.path) as file:
            return layout.read_log(file, "calibrations")

    def annotations(self) -> pd.DataFrame:
        """Every cell of the table changed after import: `number` of the change, `sweep`, `column`, `before`, `after`."""
        with reading(self.path) as file:
            log = layout.read_log(file, "annotations")
        return log[log["column"] != SAID_BY].reset_index(drop=True)

    def sources(self) -> pd.DataFrame:
        """The imported files: `name`, `sha256`, `size`, `reader`, `recipe`, `imported`, `sweeps`, `notes`."""
        with reading(self.path) as file:
            return layout.read_log(file, "sources").drop(columns="offset")

    def original(self, name: str) -> bytes:
        """The bytes of an imported file, as they were.

        Raises
        ------
        SessionError
            If no file of that name was imported, or its bytes no longer have the hash stored with them.
        """
        with reading(self.path) as file:
            sources = layout.read_log(file, "sources")
            row = sources[sources["name"] == name]
            if row.empty:
                near = _near(name, sources["name"], "sts list --sources")
                raise SessionError(f"no file '{name}' was imported{near}.")
            content = layout.read_content(file, row.iloc[0])
        if _sha256(content) != row["sha256"].iloc[0]:
            raise SessionError(
                f"{self.path}: the stored copy of '{name}' is damaged or lost: its SHA-256 is not the one noted at "
                "import. The sweeps read from it are not touched by this."
            )
        return content

    # --- changing ----------------------------------------------------------------------------------------------------

    def add(self, files: Iterable[LoadedFile], *, now: datetime | None = None) -> ImportResult:
        """Add files: one change for all of them; what is there already (by content and recipe) is not added again.

        Names of sweeps are made unique in the session (``-2``, ``-3`` ...). Raw numbers are never changed later.
        `files` may be a generator: each file is written before the next is asked for.
        """
        return add_files(self.path, files, now=now)

    def mark(self, sweeps: Sequence[str], action: str, why: str = "", *, now: datetime | None = None) -> None:
        """Decide about sweeps: ``"omit"``, ``"keep"`` or ``"undo"`` (the last decision); the log only grows.

        Raises
        ------
        SessionError
            If a name is unknown, the action is, a reason is missing, or there is nothing to undo.
        """
        self.mark_all(action, {why: [sweeps] if isinstance(sweeps, str) else list(sweeps)}, now=now)

    def mark_all(
        self, action: str, reasons: Mapping[str, Sequence[str]], *, dry_run: bool = False, now: datetime | None = None
    ) -> None:
        """As `mark`, for several reasons in one change: reason to names of sweeps; with `dry_run` only checked.

        Raises
        ------
        SessionError
            As `mark`.
        """
        if action not in ACTIONS:
            raise SessionError(f"'{action}' is not a decision; use {', '.join(ACTIONS)}.")
        if action != "undo" and not all(why.strip() for why in reasons):
            raise SessionError(f'A decision needs a reason; say --why "…" with --{action}.')
        why_of = {sweep: why.strip() for why, names in reasons.items() for sweep in names}
        if not why_of:
            raise SessionError(f"Name at least one sweep to {action}.")
        if dry_run:
            return self._check_marks(action, list(why_of))
        with changing(self.path) as change:
            self._check_marks(action, list(why_of))
            rows = [{"time": time_text(now), "sweep": s, "action": action, "why": why} for s, why in why_of.items()]
            layout.append_log(change.file(), "decisions", rows)
        return None

    def _check_marks(self, action: str, sweeps: Sequence[str]) -> None:
        with reading(self.path) as file:
            tables = {name: layout.read_listing(layout.part_of(file, name)) for name in layout.set_names(file)}
            _check_wanted(tables, {}, sweeps)
            standing = standing_decisions(layout.read_log(file, "decisions"))
        without = [sweep for sweep in sweeps if action == "undo" and sweep not in standing]
        if without:
            raise SessionError(f"There is no decision on '{without[0]}' to take back.")

    def add_calibration(
        self,
        kind: str,
        *,
        factor: float,
        factor_se: float,
        measured: float,
        known: float,
        source: str,
        now: datetime | None = None,
    ) -> None:
        """Store a scale, true = factor × nominal, for ``"height"`` or ``"current"``.

        Raises
        ------
        SessionError
            If the kind is unknown, the factor not positive, or not known/measured.
        """
        if kind not in CALIBRATIONS:
            raise SessionError(f"'{kind}' cannot be calibrated; use {' or '.join(CALIBRATIONS)}.")
        if not (0 < factor < math.inf and 0 <= factor_se < math.inf):
            raise SessionError(
                f"A calibration factor must be positive, its uncertainty 0 or more; got {factor} ± {factor_se}."
            )
        if measured and not math.isnan(measured * known) and abs(known / measured / factor - 1) > 1e-3:
            raise SessionError(
                f"The factor is {factor:g}, but known/measured is {known / measured:g}. The factor multiplies the "
                "numbers of the files to give true ones; is it upside down?"
            )
        row = {
            "kind": kind, "factor": factor, "factor_se": factor_se, "measured": measured, "known": known,
            "source": source, "time": time_text(now),
        }  # fmt: skip
        with changing(self.path) as change:
            layout.append_log(change.file(), "calibrations", [row])


def add_files(
    path: Path,
    files: Iterable[LoadedFile],
    *,
    create: bool = False,
    keep_copies: bool = True,
    now: datetime | None = None,
) -> ImportResult:
    """As `Session.add`; with `create` the session is made in the same change if it is not there.

    Where nothing is to be added nothing is written: no session is made, and one that is there stays as it is. With
    `keep_copies` false, sweeps whose numbers are there already are left out, and named.
    """
    with changing(path, create=create) as change, ThreadPoolExecutor(1) as thread:
        sources = layout.no_rows("sources")
        if path.exists():
            with reading(path) as file:
                sources = layout.read_log(file, "sources")
        adding = _Adding(change, sources, thread, keep_copies, time_text(now))
        for loaded in files:
            adding.add(loaded)
        return adding.finish()


class _Adding:
    """Files on their way into a session, one after the other."""

    def __init__(
        self, change: Change, sources: pd.DataFrame, thread: ThreadPoolExecutor, keep_copies: bool, time: str
    ) -> None:
        self._change, self._thread, self._keep_copies, self._time = change, thread, keep_copies, time
        self._there = dict(zip(zip(sources["sha256"], sources["recipe"], strict=True), sources["name"], strict=True))
        self._contents = dict(zip(sources["sha256"], sources["name"], strict=True))
        self._sizes = set(sources["size"])
        self._writer: Writer | None = None
        self._result = ImportResult()
        self._sweeps = 0

    def add(self, loaded: LoadedFile) -> None:
        """Add one file, or note why it is not."""
        result, size = self._result, len(loaded.content)
        # a large content of a size that is new is new itself: then it is hashed while it is written
        hashing = self._thread.submit(_sha256, loaded.content) if size > HASHED_BESIDE else None
        sha256 = "" if hashing else _sha256(loaded.content)
        if hashing and size in self._sizes:
            sha256 = hashing.result()
        if (known_as := self._there.get((sha256, loaded.recipe))) is not None:
            result.repeated.append(loaded.name)
            if known_as != loaded.name:
                result.notes.append(f"{loaded.name}: has the same content as '{known_as}'; not added again.")
            return
        file = self._change.file()
        writer = self._writer = self._writer or Writer(file)
        parts = self._parts(loaded, writer)
        if not parts:
            result.copied.append(loaded.name)
            return
        notes = dict.fromkeys([*loaded.notes, *(note for part in loaded.sets for note in part.notes)])
        offset = writer.add_content([loaded.content])
        sha256 = hashing.result() if hashing else sha256
        source, name = writer.add_source(
            name=loaded.name, sha256=sha256, size=size, reader=loaded.reader, recipe=loaded.recipe,
            imported=self._time, sweeps=sum(len(part) for part, _ in parts), notes="\n".join(notes), offset=offset,
            path=loaded.path, above=loaded.above, modified=loaded.modified,
        )  # fmt: skip
        result.added.append(loaded.name)
        result.notes.extend(f"{loaded.name}: {note}" for note in notes)
        if name != loaded.name:
            result.notes.append(f"{loaded.name}: another file of that name is there; kept as '{name}'.")
        if sha256 in self._contents:
            result.notes.append(
                f"{loaded.name}: was there already as '{self._contents[sha256]}', read with another recipe; both are "
                "kept, so omit one of the two."
            )
        self._there[sha256, loaded.recipe] = name
        self._contents.setdefault(sha256, name)
        self._sizes.add(size)
        self._add_sweeps(writer, parts, source, loaded.name, name)

    def _parts(self, loaded: LoadedFile, writer: Writer) -> list[tuple[SweepSet, np.ndarray]]:
        """The sets to be added, and which sweeps of the file they hold."""
        parts = []
        first = 0
        for whole in loaded.sets:
            copies = [] if self._keep_copies else self._copies(loaded.name, whole, writer)
            places = np.setdiff1d(np.arange(len(whole)), copies) if copies else np.arange(len(whole))
            if places.size:
                parts.append((whole.select(places) if copies else whole, first + places))
            first += len(whole)
        return parts

    def _copies(self, file: str, part: SweepSet, writer: Writer) -> list[int]:
        """Which sweeps of a set are in the session already; they are noted."""
        copies = []
        for row, how, other in writer.find_copies(part):
            own = f"{file}: sweep '{part.names[row]}'"
            if how == "whole":
                self._result.notes.append(
                    f"{own} holds all points of '{other}', which seems to be cut off; both are kept. To leave the short one "
                    f'out: sts mark SESSION --omit "{other}" --why "cut off".'
                )
            else:
                copies.append(row)
                words = "has the same numbers as" if how == "same" else "is a part of"
                self._result.copies.append(f"{own} {words} '{other}'.")
        return copies

    def _add_sweeps(
        self, writer: Writer, parts: list[tuple[SweepSet, np.ndarray]], source: int, file: str, name: str
    ) -> None:
        """Add the sweeps of one file, called `name` in the session."""
        renamed = []
        for part, places in parts:
            new = writer.add(part, source=source, place=places, source_name=name)
            renamed += [(old, found) for old, found in zip(part.names, new, strict=True) if old != found]
            self._sweeps += len(part)
        if renamed:
            more = f" (and {len(renamed) - 1} more)" if len(renamed) > 1 else ""
            self._result.notes.append(
                f"{file}: sweep '{renamed[0][0]}' is there already; called '{renamed[0][1]}'{more}."
            )

    def finish(self) -> ImportResult:
        """Write what waits, or leave everything as it was."""
        if self._writer and self._result.added:
            self._writer.finish()
        else:
            self._change.discard()
        return replace(self._result, sweeps=self._sweeps)


def _check_kind(kind: str | None) -> None:
    if kind is not None and kind not in KINDS:
        raise SessionError(f"'{kind}' is no kind of sweep; use {' or '.join(KINDS)}.")


def _check_wanted(tables: dict[str, pd.DataFrame], wanted: dict[str, str], sweeps: Sequence[str] | None) -> None:
    for column, value in wanted.items():
        known = sorted({v for table in tables.values() for v in table[column].unique()} - {""})
        if value not in known:
            raise SessionError(f"no such {column} '{value}'; this session has {_listed(known) or 'none named'}.")
    if sweeps is not None:
        names = {name for table in tables.values() for name in table["sweep"]}
        for sweep in sweeps:
            if sweep not in names:
                raise SessionError(f"no such sweep '{sweep}'{_near(sweep, names, 'sts list')}.")


def _listed(names: Sequence[str]) -> str:
    return ", ".join(names[:12]) + (f" and {len(names) - 12} more" if len(names) > 12 else "")


def _near(name: str, known: Iterable[str], command: str) -> str:
    close = difflib.get_close_matches(name, list(known)[:20000], n=3)
    return f"; near to it: {', '.join(close)}" if close else f"; '{command}' shows what there is"


def _sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def time_text(now: datetime | None) -> str:
    """UTC to the second, ISO 8601; `None` is the present."""
    return (now or datetime.now(UTC)).astimezone(UTC).isoformat(timespec="seconds")
