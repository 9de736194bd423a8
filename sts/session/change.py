"""Opening a session file, and changing it all-or-nothing: copy, change the copy, fsync, replace, under a lock.

Killed at any moment, the file opens with what it held before or with the whole change (writing in place left 24 of
60 killed files unreadable; a copy put in place at the end left none of 360).
"""

from __future__ import annotations

import errno
import os
import re
import shutil
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

import h5py

from sts.session import layout
from sts.session.faults import DAMAGE, HELD, errno_of, of_machine
from sts.session.locking import copies, locked, new_copy
from sts.session.seals import SealedFile, seal
from sts.session.stream import Stream
from sts.session.tables import NotWritten, SessionError, check

LOCK_TIMEOUT = 120.0  # [s] how long to wait for another program that changes the same session
FORGOTTEN = 3600.0  # [s] after which a copy is nobody's any more, where there are no locks
REPLACE_TRIES = 25  # of 0.2 s each: on Windows a file that anybody has open cannot be replaced
MOST_HOLES = 1 << 18  # [bytes] of unused space, and a quarter of the file: then it is written anew without
SIGNATURE = b"\x89HDF\r\n\x1a\n"
NEW = {
    "libver": ("v108", "v108")
}  # of 2008: the first with checksums of HDF5's own structures, without which a flipped bit
# could make it go round for ever; no later one, so that older viewers open sessions

_FULL = {errno.ENOSPC, errno.EFBIG, getattr(errno, "EDQUOT", errno.ENOSPC)}
_NOT_ALLOWED = {errno.EACCES, errno.EPERM, errno.EROFS}


@contextmanager
def reading(path: Path) -> Iterator[h5py.File]:
    """Open a session for reading; the block may only read the file.

    Parameters
    ----------
    path : path

    Raises
    ------
    SessionError
        If there is none, it is something else, newer, open elsewhere, or damaged (also seen only inside the block), or disk or
        server fail.
    MemoryError
    """
    with ExitStack() as stack:
        file = stack.enter_context(_opened(path))
        try:
            if layout.format_of(file, path) < layout.FORMAT:
                stack.close()
                with changing(path) as change:
                    change.file()  # opening for a change upgrades
                file = stack.enter_context(_opened(path))
            check(file)
            yield file
        except SessionError:
            raise
        except DAMAGE as error:
            raise _unread(path, error) from error


def _no_session(path: Path) -> str:
    if path.is_dir():
        return f"{path}: is a folder. Name the session file, such as {path / 'session.h5'}."
    return f"{path}: there is no such session. 'sts import FILES --into {path.name}' makes one."


@contextmanager
def _opened(path: Path) -> Iterator[h5py.File]:
    if not path.is_file():
        raise SessionError(_no_session(path))
    try:
        try:
            file = SealedFile(path, "r", locking="best-effort")
        except OSError as error:
            if "unable to lock file" not in str(error) or errno_of(error) in HELD:
                raise
            file = SealedFile(
                path, "r", locking=False
            )  # a server that gives no locks; checksums tell what is half written
    except OSError as error:
        raise SessionError(_why_not(path, error)) from error
    try:
        yield file
    finally:
        with suppress(RuntimeError, OSError):
            file.close()


def _why_not(path: Path, error: OSError) -> str:
    number = errno_of(error)
    if number in HELD or "already open for write" in str(error):
        return f"{path}: is open for writing in another program. Close it there and try again."
    try:
        with path.open("rb") as stream:
            start = stream.read(len(SIGNATURE))
    except OSError as unreadable:
        return f"{path}: may not be read ({unreadable.strerror}). Ask for the right to read it, or copy it."
    if start == SIGNATURE:
        return str(_unread(path, error))
    if not start:
        return f"{path}: is empty, not a session. Delete it, or give a file made by 'sts import'."
    return (
        f"{path}: is not a session (an HDF5 file was expected). Give a file made by 'sts import'; if it was one and "
        f"its start is damaged, 'sts rescue {path.name} --out NEW.h5' saves what can still be read."
    )


def _unread(path: Path, error: BaseException) -> Exception:
    fault = of_machine(error)
    if isinstance(fault, OSError):
        return SessionError(
            f"{path}: cannot be read now ({fault.strerror}). Disk, network or system failed, which says nothing about the "
            f"session: try again. If it stays, copy the session to another disk; 'sts rescue {path.name} --out NEW.h5' "
            "saves what can be read."
        )
    return fault or SessionError(_damaged(path, error))


def _damaged(path: Path, error: BaseException) -> str:
    reason = (str(error).splitlines() or [type(error).__name__])[0]
    short = re.search(r"truncated file: eof = (\d+).*stored_eof = (\d+)", reason)
    if short:
        reason = f"cut short: {short[1]} of {short[2]} bytes are there"
    return f"{path}: is damaged ({reason}). 'sts rescue {path.name} --out NEW.h5' saves what can still be read."


class Change:
    """A change in the making. Nothing is copied before `file` is called, and nothing changed if it never is."""

    def __init__(self, target: Path) -> None:
        self._target = target
        self._copy = new_copy(target)
        self._before: tuple[int, int] | None = None  # size and time of the session that was copied
        self._stream: Stream | None = None
        self._file: h5py.File | None = None

    @property
    def failure(self) -> OSError | None:
        """The write that failed, if one did."""
        return self._stream.failure if self._stream else None

    def file(self) -> h5py.File:
        """The private copy, open for writing and of the present format; an empty session if there was none.

        Raises
        ------
        OSError
            If something could not be written to it: there is no use in going on.
        """
        if self.failure:
            raise self.failure
        if self._file is None:
            if self._target.exists():
                self._before = _stamp(self._target)
                with _opened(self._target) as file:  # open while it is copied: no other program can begin to write
                    version = layout.format_of(file, self._target)
                    for name in ("", *file["entry"]):  # what is damaged must not get new checksums
                        check(file, name)
                    self._copy_from(file)
                self._stream = Stream(self._copy, "rb+")
                self._file = h5py.File(self._stream, "r+", **NEW)
                layout.upgrade(self._file, version)
            else:
                self._stream = Stream(self._copy, "xb+")
                self._file = h5py.File(self._stream, "w", **NEW)
                layout.prepare(self._file)
        return self._file

    def _copy_from(self, file: h5py.File) -> None:
        if layout.holes(file) > max(MOST_HOLES, self._target.stat().st_size // 4):
            with suppress(*DAMAGE):
                stream = Stream(self._copy, "xb+")
                with stream, h5py.File(stream, "w", **NEW) as new:
                    layout.repack(file, new)
                if stream.failure is None:
                    shutil.copymode(self._target, self._copy)
                    return
            self._copy.unlink(missing_ok=True)  # damaged somewhere: keep every byte as it is
        shutil.copy(self._target, self._copy)

    def commit(self) -> None:
        """Put the copy in the session's place.

        Raises
        ------
        NotWritten
            If another program keeps the session open, or changed it since it was copied.
        """
        if self._file is None or self._stream is None:
            return
        layout.count_holes(self._file)
        seal(self._file)
        self._file.close()
        if self._stream.failure:
            raise self._stream.failure
        self._stream.to_disk()
        self._stream.close()
        if _stamp(self._target) != self._before:  # the lock is not known everywhere
            raise NotWritten(
                f"{self._target}: another program changed this session meanwhile. Its change stands, this one was not made; "
                "try again."
            )
        for attempt in range(REPLACE_TRIES):
            try:
                os.replace(self._copy, self._target)
                break
            except PermissionError as error:
                if attempt == REPLACE_TRIES - 1:
                    raise NotWritten(
                        f"{self._target}: is open in another program, so it cannot be replaced. Nothing was changed; "
                        "close it there and try again."
                    ) from error
                time.sleep(0.2)
        _folder_to_disk(self._target.parent)

    def discard(self) -> None:
        """Leave no trace, and nothing to commit (after `commit` there is none to leave)."""
        with suppress(OSError, RuntimeError):
            if self._file is not None:
                self._file.close()
        with suppress(OSError):
            if self._stream is not None:
                self._stream.close()
            self._copy.unlink(missing_ok=True)
        self._file = self._stream = None


@contextmanager
def changing(path: Path, *, create: bool = False, timeout: float | None = None) -> Iterator[Change]:
    """Change a session; what was written takes effect when the block ends without an error, and at once.

    Parameters
    ----------
    create : bool
        Whether there may be no session yet.
    timeout : float, optional
        How long to wait for others who change it [s].

    Raises
    ------
    NotWritten
        If another program holds the lock too long, or folder or disk cannot be written.
    SessionError
        If the session cannot be used.
    """
    target = Path(os.path.realpath(path))  # a link keeps pointing to the session
    if not target.parent.is_dir():
        raise SessionError(f"{path}: the folder {target.parent} does not exist. Make it, or choose another path.")
    if not create and not target.is_file():
        raise SessionError(_no_session(path))
    try:
        with locked(path, target, LOCK_TIMEOUT if timeout is None else timeout) as alone:
            for stale in copies(target) if alone else copies(target, older_than=FORGOTTEN):  # left by a killed run
                stale.unlink(missing_ok=True)
            change = Change(target)
            try:
                yield change
                change.commit()
            except Exception as error:
                raise change.failure or error from error
            finally:
                change.discard()
    except (OSError, RuntimeError) as error:  # RuntimeError: how h5py reports some failed writes
        fault = of_machine(error)
        if isinstance(fault, (MemoryError, RecursionError)):
            raise fault from error
        raise NotWritten(_not_written(path, error)) from error


def _stamp(path: Path) -> tuple[int, int] | None:
    """Size and time of a file; None where there is none."""
    try:
        with path.open("rb") as stream:  # opened: a server is asked, no memory of its answer
            found = os.fstat(stream.fileno())
    except FileNotFoundError:
        return None
    return found.st_size, found.st_mtime_ns


def _not_written(path: Path, error: BaseException) -> str:
    number = errno_of(error)
    if number in _FULL:
        return (
            f"{path}: the disk is full, or a size limit is reached. Nothing was changed; a change needs room for a "
            "second copy of the session. Free some space and try again."
        )
    if number in _NOT_ALLOWED:
        return (
            f"{path}: you may not write in the folder {path.absolute().parent}. Nothing was changed; copy the session "
            "to a folder of your own, or ask for the right to write there."
        )
    reason = os.strerror(number) if number else (str(error).splitlines() or [type(error).__name__])[0]
    return f"{path}: cannot be written ({reason}). Nothing was changed."


def _folder_to_disk(folder: Path) -> None:
    if os.name == "nt":  # folders cannot be opened there; the file system keeps a journal of the replacement
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
