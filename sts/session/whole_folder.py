"""A folder of files that is all new or all as before: written beside it, and put in its place by one step at the end."""

from __future__ import annotations

import ctypes
import errno
import os
import secrets
import shutil
import sys
import time
from collections.abc import Collection, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

_AT_FDCWD, _EXCHANGE = -100, 2  # renameat2(2), and renamex_np(2) of macOS: RENAME_EXCHANGE and RENAME_SWAP are both 2
_FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
_FORGOTTEN = 3600.0  # seconds after which what a killed process left beside the folder is removed


@contextmanager
def whole_folder(folder: Path, *, without: Collection[str] = (), last: str = "") -> Iterator[Path]:
    """A new folder to write into, which takes the place of `folder` at the end of the block if nothing failed.

    Parameters
    ----------
    folder : pathlib.Path
        Need not exist. What is in it and was not written anew stays.
    without : collection of str
        Files of it, by their names within it, that go.
    last : str
        The file that tells which others belong together.

    Yields
    ------
    pathlib.Path
        An empty folder on the same disk.

    Raises
    ------
    OSError
        If something could not be written: `folder` is then as it was. The message names place and need where the disk is
        full.

    Notes
    -----
    Folders change places in one step of the system where it has one (Linux, macOS); elsewhere by two renamings, between which a
    kill leaves both whole beside each other. Where a folder cannot be renamed (it is the present one, a disk of its own, or a file
    in it is open in a program that forbids it) files are put into it one by one, `last` at the end; a kill within that leaves some
    old and some new ones, and `last` as it was.
    """
    target = folder.resolve()
    if target.exists() and not target.is_dir():
        raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR), str(folder))
    target.parent.mkdir(parents=True, exist_ok=True)
    _remove_forgotten(target)
    stage = target.with_name(f".{target.name[:100]}.{secrets.token_hex(4)}.new")
    try:
        stage.mkdir()
        yield stage
        if not target.exists():
            stage.rename(target)
        elif not _takes_its_place(stage, target, set(without)):
            _one_by_one(stage, target, set(without), last)
    except OSError as error:
        raise _in_words(error, folder, stage) from error
    finally:
        shutil.rmtree(stage, ignore_errors=True)


def _remove_forgotten(target: Path) -> None:
    """What processes that were killed left beside the folder."""
    for path in target.parent.glob(f".{_plain(target.name[:100])}.????????.new"):
        with suppress(OSError):
            if time.time() - path.stat().st_mtime > _FORGOTTEN:
                shutil.rmtree(path)


def _plain(name: str) -> str:
    """A name whose signs a search takes as they are."""
    return "".join(f"[{sign}]" if sign in "*?[" else sign for sign in name)


def _takes_its_place(stage: Path, target: Path, without: set[str]) -> bool:
    """Whether the new folder, with what stays of the old one in it, could take its place."""
    here = Path.cwd()
    if target == here or target in here.parents or target.is_mount():
        return False
    try:
        _carry_over(target, stage, without)
        shutil.copymode(target, stage)
        _exchange(stage, target)
    except OSError as error:
        if error.errno in _FULL:
            raise
        return False
    return True


def _carry_over(target: Path, stage: Path, without: set[str]) -> None:
    """Second names, in the new folder, of the files of the old one that stay: nothing is copied."""
    for place, folders, files in os.walk(target):
        within = Path(place).relative_to(target)
        for name in (*folders, *files):
            old, new = Path(place, name), stage / within / name
            if new.exists() or new.is_symlink() or (within / name).as_posix() in without:
                continue
            if old.is_symlink():
                new.symlink_to(os.readlink(old))
            elif old.is_dir():
                new.mkdir()
                shutil.copystat(old, new)
            else:
                os.link(old, new)


def _exchange(one: Path, other: Path) -> None:
    """Let two folders change places."""
    names = os.fsencode(one), os.fsencode(other)
    with suppress(OSError, AttributeError):  # a system without either call goes on below
        library = ctypes.CDLL(None, use_errno=True) if sys.platform != "win32" else None
        if sys.platform == "darwin":
            done = library.renamex_np(*names, _EXCHANGE)
        else:
            done = library.renameat2(_AT_FDCWD, names[0], _AT_FDCWD, names[1], _EXCHANGE)  # type: ignore[union-attr]
        if done == 0:
            return
    aside = one.with_name(f"{one.name}.old")
    other.rename(aside)
    try:
        one.rename(other)
    except OSError:
        aside.rename(other)
        raise
    aside.rename(one)


def _one_by_one(stage: Path, target: Path, without: set[str], last: str) -> None:
    new = sorted((path for path in stage.rglob("*") if not path.is_dir()), key=lambda path: path == stage / last)
    for path in new:
        place = target / path.relative_to(stage)
        if place.is_symlink() or not (place.exists() and place.samefile(path)):
            place.parent.mkdir(parents=True, exist_ok=True)
            os.replace(path, place)
    for name in without:
        with suppress(OSError):
            (target / name).unlink()


def _in_words(error: OSError, folder: Path, stage: Path) -> OSError:
    """The error, with place and need where the disk is full."""
    if error.errno not in _FULL:
        return error
    with suppress(OSError):
        written = sum(path.stat().st_size for path in stage.rglob("*") if path.is_file()) / 1e6
        free = shutil.disk_usage(stage.parent).free / 1e6
        return OSError(
            f"{folder}: the disk is full, or a size limit is reached. Nothing was changed there. The new files need room beside "
            f"the old ones: more than {_number(written)} MB, and {_number(free)} MB are free. Free some space, or choose another "
            "folder."
        )
    return error


def _number(megabytes: float) -> str:
    return f"{megabytes:,.0f}" if megabytes >= 100 else f"{megabytes:.2g}"
