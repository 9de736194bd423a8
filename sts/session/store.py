"""`Session`: one HDF5 file with the sweeps, their original files, the decisions and the calibrations."""

from __future__ import annotations

import fnmatch
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from sts.selection import standing_decisions
from sts.session import layout, originals, picking, tables
from sts.session.adding import ImportResult, add_files, time_text
from sts.session.calibrating import store_calibration
from sts.session.change import changing, reading
from sts.session.deciding import decide
from sts.session.tables import SessionError
from sts.sweeps import COLUMNS, SAID_BY, SweepSet

if TYPE_CHECKING:
    from sts.comparing.calibration import Calibration
    from sts.loaders import LoadedFile


@dataclass(frozen=True)
class Session:
    """A session file. Nothing is kept open: every call opens, reads and closes, and sees the file as it is then.

    Examples
    --------
    >>> session = sts.Session.create("session.h5")
    >>> len(session.sweeps())
    0
    >>> made = sts.simulate_iv(sweeps=2, bench=sts.simulate.Bench(white_A=1e-12), tip="heron").sweeps
    >>> np.savez("layer.npz", bias_V=made.axis, current_A=made.current)
    >>> _ = sts.import_files(["layer.npz"], "session.h5")
    >>> session.mark(session.find(["layer*1"]), "omit", "tip touched")
    >>> len(session.sweeps()), list(session.current_decisions().values())
    (4, [('omit', 'tip touched')])
    """

    path: Path

    @classmethod
    def create(cls, path: str | Path) -> Session:
        """Make a new, empty session.

        Parameters
        ----------
        path : path

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

        Parameters
        ----------
        path : path

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
        """One row per sweep: `sweep`, `kind`, `set`, `points`, then the columns of the table. Reads no current.

        Parameters
        ----------
        kind : str, optional
            Only ``"iv"`` or ``"iz"``.

        Raises
        ------
        SessionError
            If there is no such kind.
        """
        picking.check_kind(kind)
        parts = []
        with reading(self.path) as file:
            for stored in layout.stored_sets(file, kind):
                about = {"kind": stored.kind, "set": stored.name, "points": stored.signal.shape[1]}
                table = stored.table.assign(**about)
                parts.append(table[["sweep", *about, *stored.table.columns[1:]]])
        if not parts:
            columns = ["sweep", "kind", "set", "points", *COLUMNS[1:]]
            return pd.DataFrame({column: pd.Series(dtype=object) for column in columns})
        return tables.join_tables(parts)

    def sets(
        self, kind: str | None = None, *, tip: str | None = None, site: str | None = None, sample: str | None = None,
        sweeps: Sequence[str] | None = None,
    ) -> list[SweepSet]:  # fmt: skip
        """The sets of sweeps, narrowed by kind, labels or names.

        Parameters
        ----------
        kind, tip, site, sample : str, optional
            Only these.
        sweeps : sequence of str, optional
            Only sweeps of these names.

        Raises
        ------
        SessionError
            If nothing in the session fits; the text lists what there is.
        """
        picking.check_kind(kind)
        labels = picking.given(sample, tip, site)
        found = []
        with reading(self.path) as file:
            stored = layout.stored_sets(file, kind)
            picking.check([part.table for part in stored], labels, sweeps)
            notes = tables.read_log(file, "sources")["notes"]
            for part in stored:
                chosen = picking.fitting(part.table, labels)
                if sweeps is not None:
                    chosen &= part.table["sweep"].isin(list(sweeps)).to_numpy(bool)
                rows = np.flatnonzero(chosen)
                if rows.size:
                    said = dict.fromkeys(line for i in np.unique(part.files[rows]) for line in notes[i].splitlines())
                    found.append(part.read(None if chosen.all() else rows, notes=tuple(said)))
        if not found and labels:
            raise SessionError(f"no sweep has {picking.words((), labels)} together.")
        return found

    def find(
        self, patterns: Sequence[str] = (), *, sample: str | None = None, tip: str | None = None, site: str | None = None,
        kind: str | None = None,
    ) -> list[str]:  # fmt: skip
        """The names of sweeps that fit one of the patterns and all of the labels.

        Parameters
        ----------
        patterns : sequence of str
            Names, or patterns with ``*`` and ``?``; none: all sweeps.
        sample, tip, site, kind : str, optional
            Only these.

        Raises
        ------
        SessionError
            If nothing fits a pattern, a label is not there, or nothing fits them together.
        """
        table = self.sweeps(kind)
        labels = picking.given(sample, tip, site)
        picking.check([table], labels, None)
        names = table["sweep"].tolist()
        known = set(names)
        fitting: set[str] = set() if patterns else known
        for pattern in patterns:
            found = {pattern} & known or set(fnmatch.filter(names, pattern.replace("[", "[[]")))
            if not found:
                raise SessionError(f"no such sweep '{pattern}'{picking.near(pattern, names, 'sts list')}.")
            fitting = fitting | found
        chosen = [
            name for name, fits in zip(names, picking.fitting(table, labels), strict=True) if fits and name in fitting
        ]
        if not chosen:
            raise SessionError(f"no sweep fits {picking.words(patterns, labels)} together.")
        return chosen

    def _log(self, name: str) -> pd.DataFrame:
        with reading(self.path) as file:
            return tables.read_log(file, name)

    def decisions(self) -> pd.DataFrame:
        """Every decision ever taken, in order: `time`, `sweep`, `action`, `why`."""
        return self._log("decisions")

    def current_decisions(self) -> dict[str, tuple[str, str]]:
        """The decision in force for each sweep that has one: (``"omit"`` or ``"keep"``, why)."""
        return standing_decisions(self.decisions())

    def days(self) -> dict[str, str]:
        """The day of each sweep by its name: of the logbook, else the date of its start, else the session merged; else ""."""
        with reading(self.path) as file:
            return layout.sweep_days(file)

    def looked(self) -> pd.DataFrame:
        """The sweeps that a person has looked at, in order: `time` of the first look, `sweep`."""
        return self._log("looked")

    def calibrations(self) -> pd.DataFrame:
        """Every calibration stored, in order; the last of a kind is in force. `dof` of its uncertainty and `temperature_K` of the
        piezo are NaN where they are not known."""
        return self._log("calibrations")

    def annotations(self) -> pd.DataFrame:
        """Every cell of the table changed after import: `number` of the change, `sweep`, `column`, `before`, `after`."""
        log = self._log("annotations")
        return log[log["column"] != SAID_BY].reset_index(drop=True)

    def sources(self) -> pd.DataFrame:
        """The imported files: `name`, `sha256`, `size`, `reader`, `recipe`, `imported`, `sweeps`, `notes`."""
        return self._log("sources").drop(columns="offset")

    def original(self, name: str) -> bytes:
        """The bytes of an imported file, as they were.

        Parameters
        ----------
        name : str
            As in `sources`.

        Raises
        ------
        SessionError
            If no file of that name was imported, or its bytes no longer have the hash stored with them.
        """
        with reading(self.path) as file:
            return next(originals.contents_of(file, [name]))

    # --- changing ----------------------------------------------------------------------------------------------------

    def add(self, files: Iterable[LoadedFile], *, now: datetime | None = None) -> ImportResult:
        """Add files: one change for all of them; what is there already (by content and recipe) is not added again.

        Names of sweeps are made unique in the session (``-2``, ``-3`` ...). Raw numbers are never changed later.

        Parameters
        ----------
        files : iterable of LoadedFile
            May be a generator: each file is written before the next is asked for.
        now : datetime, optional

        Raises
        ------
        SessionError
            If the session cannot be used or written.
        """
        return add_files(self.path, files, now=now)

    def mark(
        self, sweeps: Sequence[str], action: str, why: str = "", *, by: str | None = None, now: datetime | None = None
    ) -> None:
        """Decide about sweeps; the log only grows.

        Parameters
        ----------
        sweeps : sequence of str
            Names.
        action : str
            ``"omit"``, ``"keep"`` or ``"undo"`` (the last decision).
        why : str
            The reason, for all but undo.
        by : str, optional
            Who decides; the account's name if not given; "": not recorded.
        now : datetime, optional

        Raises
        ------
        SessionError
            If a name is unknown, the action is, a reason is missing, or there is nothing to undo.
        """
        self.mark_all(action, {why: [sweeps] if isinstance(sweeps, str) else list(sweeps)}, by=by, now=now)

    def mark_all(
        self, action: str, reasons: Mapping[str, Sequence[str]], *, by: str | None = None, dry_run: bool = False,
        now: datetime | None = None,
    ) -> None:  # fmt: skip
        """As `mark`, for several reasons in one change.

        Parameters
        ----------
        action, by : str
            As for `mark`.
        reasons : mapping
            Reason to names of sweeps.
        dry_run : bool
            Whether it is only checked.
        now : datetime, optional

        Raises
        ------
        SessionError
            As `mark`.
        """
        decide(self.path, action, reasons, by=by, dry_run=dry_run, now=now)

    def add_calibration(
        self, kind: str, scale: Calibration, *, session: str | None = None, now: datetime | None = None
    ) -> None:
        """Store a scale, true = factor × nominal.

        Parameters
        ----------
        kind : str
            ``"height"`` or ``"current"``.
        scale : Calibration
            The factor, what it came from, and how well it is known.
        session : str, optional
            The session merged (as in `sources`) for whose sweeps alone it holds; all sweeps if not given.
        now : datetime, optional

        Raises
        ------
        SessionError
            If the kind is unknown, the factor not positive, or not known/measured, or no such session was merged.
        """
        store_calibration(self.path, kind, scale, time_text(now), session)
