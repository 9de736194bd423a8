"""Saving what a damaged session still holds, and saying what is lost."""

from __future__ import annotations

import errno
import glob
import os
import shutil
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from sts.session import layout, tables
from sts.session.change import Change, changing
from sts.session.read_again import keys_in, read_original
from sts.session.repairing import fill_up, new_start
from sts.session.salvage import Salvaged, unless_damaged, whole_original, whole_set, whole_table
from sts.session.seals import ENTRY, SealedFile
from sts.session.tables import SessionError
from sts.session.writer import Writer
from sts.sweeps import SweepSet

LOGS = {  # its name in words, and the columns without which its rows say nothing
    "decisions": ("decisions", {"sweep", "action"}),
    "calibrations": ("calibrations", {"kind", "factor", "factor_se"}),
    "annotations": ("annotations", {"sweep", "column", "before", "after"}),
    "looked": ("notes of what was looked at", {"sweep"}),
}
LOST = "Lost: "  # how a sentence begins that tells of a loss
PIECE = 4096  # [bytes] read at once, as disks do; one that cannot be read costs no more than itself
MOST_NAMES = 10  # in one sentence
NOT_KNOWN = {
    "name": "lost file", "sha256": "", "size": 0, "reader": "", "recipe": "", "imported": "", "sweeps": 0, "notes": "",
}  # fmt: skip


def rescue(damaged: str | Path, new: str | Path) -> list[str]:
    """Save what can still be read of a damaged session into a new one; `damaged` is left as it is.

    Parameters
    ----------
    damaged, new : path
        The session, and the file to make.

    Returns
    -------
    list of str
        What was saved and what was lost, in sentences.

    Raises
    ------
    SessionError
        If `damaged` is not there, `new` is, or nothing could be saved.

    Examples
    --------
    >>> from pathlib import Path
    >>> made = sts.simulate_iv().sweeps
    >>> np.savez("a.npz", bias_V=made.axis, current_A=made.current)
    >>> _ = sts.import_files(["a.npz"], "a.h5")
    >>> _ = Path("damaged.h5").write_bytes(bytes(64) + Path("a.h5").read_bytes()[64:])  # the start is overwritten
    >>> sts.rescue("damaged.h5", "saved.h5")[:2]
    ['The start of the file was damaged and was replaced.', 'Saved: 1 of 1 original files.']
    """
    damaged, new = Path(damaged), Path(new)
    if not damaged.is_file():
        raise SessionError(f"{damaged}: there is no such file to rescue.")
    if new.exists():
        raise SessionError(f"{new}: exists already. Name a new file to save into.")
    said: list[str] = []
    with changing(new, create=True) as change, _workplace(new) as folder:
        with _opened(damaged, folder / "copy.h5", said) as file:
            saved = _Rescue(file, change, folder, said).save()
        if not saved:
            raise SessionError(
                f"{damaged}: nothing could be saved ({' '.join(said)}). Take the newest copy of the session, or import "
                "the bench's files again."
            )
    return said


@contextmanager
def _workplace(new: Path) -> Iterator[Path]:
    """A folder beside the new session that goes when all is done; one that a killed rescue left goes now."""
    start = f".{new.name[:100]}.rescue-"
    for left in new.absolute().parent.glob(f"{glob.escape(start)}*"):
        shutil.rmtree(left, ignore_errors=True)
    with tempfile.TemporaryDirectory(prefix=start, dir=new.absolute().parent) as folder:
        yield Path(folder)


@contextmanager
def _opened(damaged: Path, copy: Path, said: list[str]) -> Iterator[SealedFile]:
    """Open a repaired copy; `said` gets what was repaired."""
    _copy(damaged, copy, said)
    for repair in (None, fill_up, new_start):
        if repair is not None:
            with suppress(OSError):
                repair(copy, said)
        file = unless_damaged(lambda: SealedFile(copy, "r", locking=False))
        if file is None:
            continue
        if not unless_damaged(lambda: layout.format_of(file, damaged) and layout.is_entry(file["entry"])):  # noqa: B023 - called at once
            file.close()
            continue
        try:
            yield file
        finally:
            with suppress(RuntimeError, OSError):
                file.close()
        return
    raise SessionError(
        f"{damaged}: nothing could be saved: it cannot be opened as a session even after repair. Take the newest copy "
        "of the session, or import the bench's files again."
    )


def _copy(damaged: Path, copy: Path, said: list[str]) -> None:
    """Copy what the disk gives; the rest is left as zeros, which checksums tell from numbers."""
    lost = 0
    with damaged.open("rb", buffering=0) as old, copy.open("wb") as new:
        size = os.fstat(old.fileno()).st_size
        for start in range(0, size, PIECE):
            try:
                old.seek(start)
                piece = old.read(min(PIECE, size - start))
            except OSError as error:
                if error.errno != errno.EIO:
                    raise SessionError(
                        f"{damaged}: cannot be read ({error.strerror}). Try again, or copy it."
                    ) from error
                piece, lost = b"", lost + min(PIECE, size - start)
            new.seek(start)
            new.write(piece)
        new.truncate(size)
    if lost:
        said.append(f"The disk does not give {lost} bytes of the file; what lay there is lost.")


class _Rescue:
    """What is whole on its way into a new session."""

    def __init__(self, file: SealedFile, change: Change, folder: Path, said: list[str]) -> None:
        self.file, self.change, self.folder, self.said = file, change, folder, said
        self.writer = Writer(change.file())
        self.sources = self._known_sources()
        self.originals = [whole_original(file, row) for row in self.sources]
        self.numbers: dict[int, int] = {}  # row of a source there, and here
        self.saved = self.sweeps = 0
        self.keys: set[bytes] = set()  # of the sweeps saved

    def _lost(self, what: str) -> None:
        self.said.append(LOST + what)

    def _known_sources(self) -> list[dict[str, Any]]:
        """The rows of the list of imported files, with what is lost of them unknown."""
        found = whole_table(self.file, "sources")
        self._say_lost_columns(found.lost, "the list of imported files")
        if found.frame.empty and self._had("sources"):
            self._lost("the list of imported files and the files themselves.")
        unknown = {column: kind() for column, kind in tables.TABLES["sources"].items()} | NOT_KNOWN
        return [
            {**unknown, **{str(column): value for column, value in row.items()}}
            for row in found.frame.to_dict("records")
        ]

    def _had(self, log: str) -> bool:
        """Whether the session had rows in a log, as far as that is known."""
        place = f"{ENTRY}/{log}"
        sealed = any(
            known.startswith(f"{place}/") and known != f"{place}/content"
            for known in unless_damaged(lambda: self.file.seals) or ()
        )
        return sealed or bool(unless_damaged(lambda: self.file["entry"][log].attrs.get("datasets", ())) is None)

    def _say_lost_columns(self, lost: Iterable[str], where: str) -> None:
        for column in lost:
            self._lost(f"the column '{column}' of {where}.")

    def save(self) -> int:
        """Save all that can be; how many things were."""
        if unless_damaged(lambda: self.file.seals) is None:
            self.said.append(
                "The checksums of names, units and reasons are lost: these could not be checked. Compare them."
            )
        self._save_sources()
        names = sorted({*layout.set_names(self.file), *_sealed_sets(self.file)})
        sets = {name: whole_set(self.file, name) for name in names}
        for name, found in sets.items():
            if found is None:
                self._lost(f"the table of {name}, with what logbooks said of its sweeps.")
            else:
                self._save_set(found)
        self._read_again([found for found in sets.values() if found is not None], complete=None not in sets.values())
        self.writer.finish()
        if not self.sweeps and (names or any(row["sweeps"] for row in self.sources)):
            self._lost(
                "all sweeps; only what stands beside them was saved. 'sts export NEW.h5 originals' writes the files imported."
            )
        for log in LOGS:
            self._save_log(log)
        return self.saved

    def _save_sources(self) -> None:
        for i, (content, row) in enumerate(zip(self.originals, self.sources, strict=True)):
            offset = self.writer.add_content([content or b""])
            self.numbers[i], _ = self.writer.add_source(**{**row, "offset": offset})
        whole = sum(content is not None for content in self.originals)
        self.said.append(f"Saved: {whole} of {len(self.sources)} original files.")
        for row, content in zip(self.sources, self.originals, strict=True):
            if content is None:
                self._lost(f"the original of {row['name']}.")
        self.saved += whole

    def _save_set(self, found: Salvaged) -> None:
        """Save the sweeps whose numbers are whole, with what is whole of their table."""
        again = self._from_originals(found) if found.table.lost else {}
        for column in found.table.lost:
            filled = (
                "; what the original files say is there instead" if any(column in row for row in again.values()) else ""
            )
            self._lost(f"the column '{column}' of the {len(found.table.frame)} sweeps of {found.name}{filled}.")
        if (found.files < 0).any():
            self._lost(f"which file each of the {len(found.files)} sweeps of {found.name} came from.")
        for rows, part in found.parts:
            files, places = found.files[rows], found.places[rows]
            own = pd.DataFrame([again.get(where, {}) for where in zip(files.tolist(), places.tolist(), strict=True)])
            columns = own.columns.intersection(list(found.table.lost))
            table = part.table.assign(**{column: own[column] for column in columns if own[column].notna().all()})
            self._add(replace(part, table=table), files, places)
        if found.lost.size:
            self.said.append(f"{found.name}: {count_of(found.lost.size, 'sweep')} damaged.")

    def _from_originals(self, found: Salvaged) -> dict[tuple[int, int], dict[Any, Any]]:
        """What the original files say of the sweeps of a set: the row of each by its file and place there."""
        rows: dict[tuple[int, int], dict[Any, Any]] = {}
        for i in set(found.files.tolist()) & set(range(len(self.sources))):
            parts = read_original(self.sources[i], self.originals[i], self.folder)
            told = [row for part in parts for row in part.table.to_dict("records")]
            rows |= {(i, place): row for place, row in enumerate(told)}
        return rows

    def _add(self, part: SweepSet, files: np.ndarray, places: np.ndarray) -> None:
        for i in set(files.tolist()) - self.numbers.keys():
            self.numbers[i], _ = self.writer.add_source(offset=0, **NOT_KNOWN)
        self.keys.update(keys_in(part))
        self.writer.add(part, source=[self.numbers[i] for i in files.tolist()], place=places)
        self.saved += len(part)
        self.sweeps += len(part)

    def _read_again(self, sets: list[Salvaged], *, complete: bool) -> None:
        """Read sweeps whose numbers are lost from their original files; they keep what is whole of their table."""
        self.said.append(f"Saved: {self.sweeps} sweeps.")
        for i, source in enumerate(self.sources):
            lost = {
                int(found.places[row]): (found, row) for found in sets for row in found.lost if found.files[row] == i
            }
            known = {int(place) for found in sets for place in found.places[found.files == i]}
            unknown = 0 if complete else max(int(source["sweeps"]) - len(known), 0)
            if not lost and not unknown:
                continue
            before = self.sweeps
            loaded = read_original(source, self.originals[i], self.folder)
            first = 0
            for part in loaded:
                places = np.arange(first, first + len(part))
                first += len(part)
                for kept in self._kept(part, places, lost):
                    self._add(kept[0], np.full(len(kept[1]), i), kept[1])
                there = [key in self.keys for key in keys_in(part)]
                new = np.flatnonzero(~np.isin(places, list(known)) & ~np.array(there, bool))
                if unknown and new.size:
                    self._add(part.select(new), np.full(new.size, i), places[new])
            again = self.sweeps - before
            if again:
                self.said.append(f"Saved: {again} more sweeps, read again from the original {source['name']}.")
            if lost:
                names = [str(found.table.frame["sweep"].iloc[row]) for found, row in lost.values()]
                more = f" and {len(names) - MOST_NAMES} more" if len(names) > MOST_NAMES else ""
                self._lost(f"the numbers of {', '.join(names[:MOST_NAMES])}{more}.")
            elif again < unknown:
                self._lost(f"{unknown - again} sweeps of {source['name']}.")

    @staticmethod
    def _kept(
        part: SweepSet, places: np.ndarray, lost: dict[int, tuple[Salvaged, int]]
    ) -> Iterator[tuple[SweepSet, np.ndarray]]:
        """Sweeps of a file that were lost, each with its row of the session's table; they leave `lost`."""
        for row, place in enumerate(places.tolist()):
            found, known = lost.get(place, (None, 0))
            if found is None or (found.axis is not None and not np.array_equal(found.axis, part.axis)):
                continue  # read otherwise than at import: the number that was there is not this one
            again = part.select([row])
            own = {str(column): found.table.frame[column].iloc[[known]].to_numpy() for column in found.table.frame}
            yield replace(again, table=again.table.assign(**own)), np.array([place])
            del lost[place]

    def _save_log(self, log: str) -> None:
        words, needed = LOGS[log]
        found = whole_table(self.file, log)
        if not needed <= set(found.frame):
            if found.lost or self._had(log):
                self._lost(f"the {words}.")
            elif log != "looked":
                self.said.append(f"Saved: 0 {words}.")
            return
        self._say_lost_columns(found.lost, f"the {len(found.frame)} {words}")
        tables.append_log(self.change.file(), log, found.frame)
        self.saved += len(found.frame)
        self.said.append(f"Saved: {len(found.frame)} {words}.")


def _sealed_sets(file: SealedFile) -> list[str]:
    """The names of all sets that were there when the session was last changed."""
    seals = unless_damaged(lambda: file.seals) or {}
    return [name for name in (place.removeprefix(f"{ENTRY}/") for place in seals) if layout.is_set(name)]


def count_of(number: int, noun: str) -> str:
    """``"1 sweep is"``, ``"3 sweeps are"``.

    Parameters
    ----------
    number : int
    noun : str
    """
    return f"{number} {noun} is" if number == 1 else f"{number} {noun}s are"
